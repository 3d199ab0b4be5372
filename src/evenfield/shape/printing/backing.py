"""The back of the wall: the acoustic surface moved by the wall's thickness, never thinner, between flange and driver seat."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from evenfield.base.errors import DesignError, message
from evenfield.shape.printing.grid import WallGrid

Array = NDArray[np.float64]

ROWS = 49


def backing(grid: WallGrid, wall: float, front: float, rear: float, key: str) -> Array:
    """Rings (R, M, 3) of the back of the wall from x = -front to x = -(depth - rear), mm.

    Parameters
        wall : least thickness, mm
        front, rear : thickness of flange and driver seat, mm; front >= wall
    Raises DesignError when flange and seat leave no wall between them.
    """
    top, bottom = -front, -grid.depth + rear
    if top - bottom < 0.5:
        raise DesignError(
            message(
                key,
                f"deeper than flange and driver seat together ({front + rear:.1f} mm)",
                f"{grid.depth:.1f} mm",
                fix="a thinner flange or driver seat in the printer section",
            ),
            key,
        )
    extra = np.zeros(())
    for _ in range(4):
        rings = _between(grid, wall + extra, top, bottom)
        lack = wall - _thickness(grid, rings)
        if lack.max() < 0.005:
            break
        extra = extra + np.maximum(lack.max(axis=0), 0.0)
    return rings


def _between(grid: WallGrid, wall: Array, top: float, bottom: float) -> Array:
    """Rings of the wall moved in each plane through the axis, where it keeps clear of itself."""
    x, r = grid.points[..., 0], np.hypot(grid.points[..., 1], grid.points[..., 2])
    c, s = np.cos(grid.theta), np.sin(grid.theta)
    nx, nr = grid.normals[..., 0], grid.normals[..., 1] * c + grid.normals[..., 2] * s
    lean = np.maximum(np.hypot(nx, nr), 0.3)
    move = np.broadcast_to(wall / lean, x.shape)
    ox, outer = x - move * nx / lean, r - move * nr / lean
    share = np.linspace(0, 1, ROWS)
    rings = np.empty((ROWS, len(grid.theta), 3))
    for j in range(len(grid.theta)):
        keep = _clear(ox[:, j], outer[:, j], x[:, j], r[:, j], move[:, j])
        px, pr = _extended(ox[keep, j], outer[keep, j], bottom)
        line_x, line_r = _clip(px, pr, top, bottom)
        arc = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(line_x), np.diff(line_r)))])
        rx, rr = (np.interp(share * arc[-1], arc, v) for v in (line_x, line_r))
        rx[0], rx[-1] = top, bottom
        rings[:, j] = np.column_stack([rx, rr * c[j], rr * s[j]])
    return rings


def _clear(ox: Array, outer: Array, x: Array, r: Array, move: Array) -> NDArray[np.bool_]:
    """Points of the moved line that no disc around the wall covers."""
    gap = np.hypot(ox[:, None] - x[None], outer[:, None] - r[None]) - move[None]
    return np.asarray(gap.min(axis=1) > -1e-3)


def _extended(x: Array, r: Array, bottom: float) -> tuple[Array, Array]:
    """The line led on straight past x = bottom."""
    if x[-1] <= bottom:
        return x, r
    slope = (r[-1] - r[-2]) / min(x[-1] - x[-2], -1e-9)
    return np.append(x, bottom - 1), np.append(r, r[-1] + slope * (bottom - 1 - x[-1]))


def _clip(x: Array, r: Array, top: float, bottom: float) -> tuple[Array, Array]:
    """The part of a line with falling x between two planes."""
    x = np.minimum.accumulate(x + 0.0) - 1e-9 * np.arange(len(x))
    r_top, r_bottom = np.interp([top, bottom], x[::-1], r[::-1])
    inside = (x < top) & (x > bottom)
    return np.concatenate([[top], x[inside], [bottom]]), np.concatenate([[r_top], r[inside], [r_bottom]])


def _thickness(grid: WallGrid, rings: Array) -> Array:
    """(R, M) distance of the back from the wall's facets, mm."""
    from scipy.spatial import cKDTree

    flat, normal = grid.points.reshape(-1, 3), grid.normals.reshape(-1, 3)
    found = cKDTree(flat).query(rings.reshape(-1, 3), k=6)[1]
    away = rings.reshape(-1, 1, 3) - flat[found]
    across = np.abs(np.einsum("ijk,ijk->ij", away, normal[found]))  # to the tangent plane
    straight = np.linalg.norm(away, axis=2)
    near = np.where(np.sqrt(np.maximum(straight**2 - across**2, 0)) < 2.0, across, straight)
    return np.asarray(near.min(axis=1).reshape(rings.shape[:2]))


def with_ribs(grid: WallGrid, rings: Array, angles: Array, thickness: float, seat_radius: float) -> tuple[Array, Array]:
    """The back with ribs swelling out of it up to the straight line from flange to driver seat.

    Parameters
        angles : (K,) rad; thickness : of a rib at half its height, mm
    Returns
        theta (P,) rad and rings (R, P, 3); without ribs, or where they would stand out less than `_LEAST_RIB`, the rings as
        they were.
    """
    theta = grid.theta
    x, r = rings[..., 0], np.hypot(rings[..., 1], rings[..., 2])
    chord = r[0] + (r[-1] - r[0] + np.maximum(seat_radius - 1.0 - r[-1], 0.0)) * (x[0] - x) / (x[0] - x[-1])
    height = np.maximum(chord - r, 0.0)
    if not len(angles) or height.max() < _LEAST_RIB:
        return theta, rings
    half = thickness / (2 * _HALF_HEIGHT * np.median(r, axis=1))  # (R,) rad: as thick at the seat as at the flange
    used = half[height.max(axis=1) > _LEAST_RIB / 4]
    shape = np.linspace(-1.25, 1.25, 21)
    spread = np.concatenate([np.quantile(used, q) * shape for q in (0, 0.5, 1)])
    columns = np.sort(np.concatenate([theta, *((a + spread) % (2 * np.pi) for a in angles), [0.0]]))
    columns = columns[np.concatenate([[True], np.diff(columns) > used.min() / 10])]
    around = np.append(theta, 2 * np.pi)
    from scipy.interpolate import make_interp_spline

    def onto(values: Array) -> Array:
        closed = np.column_stack([values, values[:, :1]])
        return np.asarray(make_interp_spline(around, closed, k=1, axis=1)(columns))

    new_x, new_r, rise = onto(x), onto(r), onto(height)
    away = np.abs((columns[:, None] - angles[None] + np.pi) % (2 * np.pi) - np.pi).min(axis=1) / half[:, None]
    ease = np.clip((away - _FLAT) / (1 - _FLAT), 0, 1)
    new_r = new_r + rise * (1 + np.cos(np.pi * ease)) / 2
    return columns, np.stack([new_x, new_r * np.cos(columns), new_r * np.sin(columns)], axis=-1)


_LEAST_RIB = 2.0  # mm
_FLAT, _HALF_HEIGHT = 0.3, 0.65  # of a rib's half width: its flat top, and where it is half as high
