"""Triangles on an element: rings whose counts follow the edge length, stitched two by two, closed by a fan at the pole.

Only the half y >= 0 of the element is made; its mirror image is the other half.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenfield.shape.strips import RIGID, Strip

Array = NDArray[np.float64]
Size = Callable[[str], float]

HALF = np.linspace(-math.pi / 2, math.pi / 2, 241)
"""Angles at which outlines are sampled densely, rad."""

_ROW = 0.87  # height of an equilateral triangle over its edge


@dataclass(frozen=True)
class Half:
    """Half of an element's surface in its own axes.

    Parameters
        points : (P, 3) m; the first `outer` points are the ring on the face, from theta = -90 to +90 degrees, y = 0 at both
        triangles : (T, 3), normals towards +x
        part : (T,) str
    """

    points: Array
    triangles: NDArray[np.int64]
    part: NDArray[np.str_]
    outer: int


def dense_ring(strip: Strip, t: float) -> Array:
    """(241, 3) points of the ring at station t over the half circle, m."""
    x, r = strip.surface(np.array([t]), HALF)
    return np.column_stack([x[0], r[0] * np.cos(HALF), r[0] * np.sin(HALF)])


def curvature_limit(points: Array, size: float) -> Array:
    """Edge length along a line, m, that still follows its bends: the radius of curvature, never below a third of `size`."""
    step = np.gradient(points, axis=0)
    bend = np.gradient(step, axis=0)
    speed = np.linalg.norm(step, axis=1)
    curvature = np.linalg.norm(np.cross(step, bend), axis=1) / np.maximum(speed, 1e-300) ** 3
    limit = np.clip(0.8 / np.maximum(curvature, 1e-9), size / 3, size)
    from scipy.ndimage import minimum_filter1d

    return np.asarray(minimum_filter1d(limit, 5))


def place(points: Array, size: Array, least: int) -> Array:
    """Indices (fractional) of `points`, a dense line, that cut it into pieces of about `size` (one value per point)."""
    length = np.linalg.norm(np.diff(points, axis=0), axis=1)
    count = np.concatenate([[0.0], np.cumsum(length * (0.5 / size[1:] + 0.5 / size[:-1]))])
    pieces = max(least, round(float(count[-1]) + 0.2))
    return np.asarray(np.interp(np.linspace(0, count[-1], pieces + 1), count, np.arange(len(points))))


def _ring(strip: Strip, t: float, size: Array, least: int = 3) -> tuple[Array, Array]:
    """Angles (m,) and points (m, 3) of the ring at t; its polygon encloses the ring's own area."""
    dense = dense_ring(strip, t)
    theta = np.interp(place(dense, size, least), np.arange(len(HALF)), HALF)
    return theta, ring_points(strip, t, theta)


def ring_points(strip: Strip, t: float, theta: Array, area: float | None = None) -> Array:
    """(m, 3) points at the angles `theta` of the ring at t, spread so that their polygon encloses the ring's own area
    (`area`, m2, of the whole ring, where it is known in closed form).
    """
    x, r = strip.surface(np.array([t]), theta)
    polygon = np.sum(r[0, 1:] * r[0, :-1] * np.sin(np.diff(theta)))
    exact = np.trapezoid(strip.surface(np.array([t]), HALF)[1][0] ** 2, HALF) if area is None else area
    scale = math.sqrt(exact / polygon)
    y = scale * r[0] * np.cos(theta)
    y[[0, -1]] = 0.0
    return np.column_stack([x[0], y, scale * r[0] * np.sin(theta)])


def _stations(strip: Strip, size_at: Callable[[Array], Array]) -> tuple[Array, Array]:
    """Stations of the rings and the longest meridian's arc length there, m."""
    t = np.linspace(0, 1, 161)
    x, r = strip.surface(t, HALF[::8])
    meridian = np.stack([x, r], axis=-1)
    step = np.linalg.norm(np.diff(meridian, axis=0), axis=2)
    longest = int(np.argmax(step.sum(axis=0)))
    line = np.column_stack([meridian[:, longest], np.zeros(len(t))])
    arc = np.concatenate([[0.0], np.cumsum(step[:, longest])])
    size = size_at(arc)
    row = np.clip(curvature_limit(line, float(size.max())), 0.5 * _ROW * size, _ROW * size)
    index = place(line, row, strip.least_rings)
    return np.interp(index, np.arange(len(t)), t), np.interp(index, np.arange(len(t)), arc)


def stitch(a: Array, b: Array, first_a: int, first_b: int) -> NDArray[np.int64]:
    """Triangles between an outer ring at angles `a` and an inner ring at angles `b`."""
    mid_a, mid_b = (a[1:] + a[:-1]) / 2, (b[1:] + b[:-1]) / 2
    j, k = np.arange(len(mid_a)), np.arange(len(mid_b))
    down, up = np.searchsorted(mid_b, mid_a, "left"), np.searchsorted(mid_a, mid_b, "right")
    outer = np.column_stack([first_a + j, first_a + j + 1, first_b + down])
    inner = np.column_stack([first_b + k + 1, first_b + k, first_a + up])
    return np.vstack([outer, inner])


def lengths(strips: list[Strip]) -> list[float]:
    """Longest meridian of each strip, m."""
    total = []
    for strip in strips:
        x, r = strip.surface(np.linspace(0, 1, 81), HALF[::8])
        total.append(float(np.hypot(np.diff(x, axis=0), np.diff(r, axis=0)).sum(axis=0).max()))
    return total


def size_along(strips: list[Strip], size: Size, grading: float, outer: float) -> list[Callable[[Array], Array]]:
    """Per strip, the target edge length (m) over its own arc length, graded towards finer neighbours."""
    long = lengths(strips)
    start = np.concatenate([[0.0], np.cumsum(long)])
    own = [min(size(s.region), s.longest) for s in strips]

    def at(position: Array, k: int) -> Array:
        h = np.minimum(own[k], outer + grading * position)
        for n, other in enumerate(own):
            gap = np.maximum(np.maximum(start[n] - position, position - start[n + 1]), 0.0)
            h = np.minimum(h, other + grading * gap)
        return np.asarray(h)

    return [lambda arc, k=k: at(start[k] + arc, k) for k in range(len(strips))]  # type: ignore[misc]


def mesh_half(strips: list[Strip], size: Size, outer_theta: Array, grading: float) -> Half:
    """Mesh half an element whose ring on the face is already placed at the angles `outer_theta`."""
    ring = ring_points(strips[0], 0.0, outer_theta)
    edge = np.linalg.norm(np.diff(ring, axis=0), axis=1)
    outer_size = np.interp(HALF, (outer_theta[1:] + outer_theta[:-1]) / 2, edge)
    sizes = size_along(strips, size, grading, min(float(edge.max()), 3 * float(edge.min())))  # deeper rows would be slivers
    rings: list[tuple[Array, Array]] = [(outer_theta, ring)]
    part: list[str] = []
    travelled, last_area_pole = 0.0, len(strips) - 1
    for k, strip in enumerate(strips):
        t, arc = _stations(strip, sizes[k])
        for n in range(1, len(t)):
            part.append(strip.part)
            if k == last_area_pole and n == len(t) - 1:
                break
            local = np.minimum(float(sizes[k](arc[n : n + 1])[0]), outer_size + grading * (travelled + arc[n]))
            dense = dense_ring(strip, float(t[n]))
            local = np.minimum(local, curvature_limit(dense, float(local.max())))
            rings.append(_ring(strip, float(t[n]), local))
        travelled += arc[-1]
    return _assemble(rings, part, float(strips[-1].surface(np.ones(1), np.zeros(1))[0][0, 0]))


def _assemble(rings: list[tuple[Array, Array]], part: list[str], pole_x: float) -> Half:
    first = np.concatenate([[0], np.cumsum([len(r[0]) for r in rings])])
    pole = int(first[-1])
    triangles, tags = [], []
    for n in range(len(rings) - 1):
        triangles.append(stitch(rings[n][0], rings[n + 1][0], int(first[n]), int(first[n + 1])))
        tags += [part[n]] * len(triangles[-1])
    j = np.arange(first[-2], pole - 1)
    triangles.append(np.column_stack([j, j + 1, np.full(len(j), pole)]))
    tags += [part[-1]] * len(j)
    points = np.vstack([r[1] for r in rings] + [np.array([[pole_x, 0.0, 0.0]])])
    return Half(points, np.vstack(triangles).astype(np.int64), np.array(tags), len(rings[0][0]))


__all__ = ["HALF", "RIGID", "Half", "curvature_limit", "dense_ring", "mesh_half", "place", "ring_points"]
