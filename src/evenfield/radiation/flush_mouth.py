"""The flat mouth of a recess, cut into triangles between its rims.

Velocities are constant on these triangles and need not meet the wall's vertices, so a Delaunay triangulation of the rims' points
and of a lattice between them is enough.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import Delaunay, cKDTree

from evenfield.base import MeshError, message

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

CLEAR = 0.62
"""Spacings that the lattice keeps from the rims, so that every rim edge is an edge of the triangulation."""
AREA = 1e-6
"""Relative; what the triangles may miss of the mouth."""


def mouth_triangles(rims: list[Floats], spacing: float, sides: tuple[bool, bool]) -> Floats:
    """(T, 3, 2) triangles (counter-clockwise) between closed rims (n, 2), of those on y >= 0 or z >= 0 where `sides` says so.

    Raises MeshError where the triangles do not fill the mouth.
    """
    for axis, cut in enumerate(sides):
        if cut:
            rims = [r for r in (_clip(rim, axis) for rim in rims) if len(r) > 2]
    loops = [_divide(rim, spacing) for rim in rims]
    edge_points = np.unique(np.concatenate(loops).round(12), axis=0)
    low, high = edge_points.min(axis=0), edge_points.max(axis=0)
    lattice = _hexagons(low, high, spacing)
    lattice = lattice[_inside(lattice, loops)]
    if len(lattice):
        dense = np.concatenate([_divide(loop, spacing / 4) for loop in loops])
        lattice = lattice[np.asarray(cKDTree(dense).query(lattice)[0]) > CLEAR * spacing]
    points = np.concatenate([edge_points, lattice])
    cells = points[Delaunay(points).simplices]
    cells = cells[_inside(cells.mean(axis=1), loops)]
    twice = _cross(cells[:, 1] - cells[:, 0], cells[:, 2] - cells[:, 0])
    cells[twice < 0] = cells[twice < 0][:, ::-1]
    kept = np.abs(twice) > 1e-9 * spacing**2
    wanted = abs(sum(_area(loop) for loop in loops))
    if abs(np.abs(twice).sum() / 2 - wanted) > AREA * wanted:
        raise MeshError(
            message("mesh", "with mouths whose rims are simple, evenly divided lines", f"a mouth of {1e4 * wanted:.4g} cm2 that "
                    f"triangles fill with {1e4 * np.abs(twice).sum() / 2:.4g} cm2", fix="a finer or more even rim")
        )  # fmt: skip
    return np.asarray(cells[kept])


def chain_rims(edges: Ints) -> list[Ints]:
    """Closed loops of vertex numbers from directed edges (E, 2), in their direction. Raises MeshError where one is open."""
    following = dict(zip(edges[:, 0].tolist(), edges[:, 1].tolist(), strict=True))
    loops = []
    while following:
        start, at = next(iter(following.items()))
        loop = [start]
        del following[start]
        while at != start:
            loop.append(at)
            if at not in following:
                raise MeshError(message("mesh", "with closed rims in the baffle's plane", f"one that ends at vertex {at}"))
            at = following.pop(at)
        loops.append(np.asarray(loop, np.int64))
    return loops


def _cross(a: Floats, b: Floats) -> Floats:
    return np.asarray(a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0])


def _area(loop: Floats) -> float:
    return float(_cross(loop, np.roll(loop, -1, axis=0)).sum() / 2)


def _clip(rim: Floats, axis: int) -> Floats:
    """The part of a closed rim on the positive side of an axis, closed along it (Sutherland & Hodgman 1974)."""
    kept: list[Floats] = []
    for a, b in zip(rim, np.roll(rim, -1, axis=0), strict=True):
        if a[axis] >= 0:
            kept.append(a)
        if a[axis] * b[axis] < 0:
            kept.append(a + (b - a) * (a[axis] / (a[axis] - b[axis])))
    return np.asarray(kept).reshape(-1, 2)


def _divide(rim: Floats, spacing: float) -> Floats:
    """The rim with its longer edges divided."""
    pieces = []
    for a, b in zip(rim, np.roll(rim, -1, axis=0), strict=True):
        count = max(1, int(np.ceil(np.hypot(*(b - a)) / spacing - 0.3)))
        pieces.append(a + (b - a) * (np.arange(count) / count)[:, None])
    return np.concatenate(pieces)


def _hexagons(low: Floats, high: Floats, spacing: float) -> Floats:
    rows = np.arange(low[1], high[1] + spacing, spacing * np.sqrt(3) / 2)
    columns = np.arange(low[0] - spacing, high[0] + spacing, spacing)
    y, z = np.meshgrid(columns, rows)
    y = y + (np.arange(len(rows)) % 2)[:, None] * spacing / 2
    return np.stack([y.ravel(), z.ravel()], axis=1)


def _inside(points: Floats, loops: list[Floats]) -> NDArray[np.bool_]:
    """Between the loops, by counting crossings."""
    inside = np.zeros(len(points), bool)
    for loop in loops:
        for a, b in zip(loop, np.roll(loop, -1, axis=0), strict=True):
            between = (a[1] > points[:, 1]) != (b[1] > points[:, 1])
            if np.any(between):
                slope = (b[0] - a[0]) / (b[1] - a[1])
                inside ^= between & (points[:, 0] < a[0] + slope * (points[:, 1] - a[1]))
    return inside
