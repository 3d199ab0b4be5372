"""A triangulated surface of revolution, so that the meridian solver, tables and series judge the three-dimensional one."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from evenfield.base import DesignError, message
from evenfield.data import SurfaceMesh
from evenfield.exact.sphere_mesh import _between_rings, _to_all_quarters


def revolved_surface(
    line: Sequence[tuple[float, float]],
    edge: float,
    part: Sequence[int],
    centre: tuple[float, float] = (0.0, 0.0),
    on_circles: bool = False,
) -> SurfaceMesh:
    """A line (x, r), begun on the axis, turned about an axis along x: open, or closed where it ends on the axis too.

    Parameters
        line : (N, 2) corners, m; edge : m, about the longest edge; part : (N - 1,) of each piece, 0 rigid
        centre : (y, z) of the axis, m
        on_circles : vertices lie on the circles, but for rims of parts
    Returns
        SurfaceMesh : the air on the side that faces +x where the line begins; each ring's polygon has its circle's area (with
            `on_circles` only the rims' have); symmetric about the axis's planes along y and z
    Raises DesignError for a line that does not begin on the axis.
    """
    corner = np.asarray(line, float)
    if corner.ndim != 2 or corner.shape[1] != 2 or len(part) != len(corner) - 1 or corner[0, 1] != 0:
        raise DesignError(message("line", "(N, 2) begun on the axis, with N - 1 parts", f"shape {corner.shape}"))
    points, names, rims = [corner[:1]], [], [not on_circles]
    for (a, b), name in zip(pairwise(corner), part, strict=True):
        steps = max(1, math.ceil(float(np.hypot(*(b - a))) / edge - 1e-9))
        points.append(a + (b - a) * (np.arange(1, steps + 1) / steps)[:, None])
        names += [name] * steps
        rims += [not on_circles] * steps
    ring = np.concatenate(points)
    spread = [rim or before != after for rim, before, after in zip(rims, [names[0], *names], [*names, names[-1]], strict=True)]
    quarter = [max(1, math.ceil(r * math.pi / 2 / edge - 1e-9)) if r > 0 else 0 for r in ring[:, 1]]
    corners, parts = [], []
    for i, (n, m) in enumerate(pairwise(quarter)):
        for triangle in _between_rings(n, m):
            corners.append([_place(ring[i + side], step, (n, m)[side], spread[i + side]) for side, step in triangle])
            parts.append(names[i])
    all_corners, all_parts = _to_all_quarters(np.array(corners), np.array(parts))
    vertices, index = np.unique(all_corners.reshape(-1, 3).round(10) + 0.0, axis=0, return_inverse=True)
    mesh = SurfaceMesh(vertices + np.array([0.0, *centre]), index.reshape(-1, 3), all_parts)
    # the first triangle is at the line's beginning
    return mesh if mesh.normal[0, 0] > 0 else SurfaceMesh(mesh.vertices, mesh.triangles[:, ::-1], mesh.part)


def joined(*meshes: SurfaceMesh) -> SurfaceMesh:
    """Several surfaces as one, equal vertices made one."""
    first = np.concatenate([[0], np.cumsum([len(m.vertices) for m in meshes])])
    points = np.concatenate([m.vertices for m in meshes])
    vertices, index = np.unique(points.round(10) + 0.0, axis=0, return_inverse=True)
    triangles = np.concatenate([m.triangles + n for m, n in zip(meshes, first, strict=False)])
    return SurfaceMesh(vertices, index.ravel()[triangles], np.concatenate([m.part for m in meshes]))


def _place(point: NDArray[np.float64], step: int, quarter: int, spread: bool) -> tuple[float, float, float]:
    x, r = point
    if quarter == 0:
        return float(x), 0.0, 0.0
    angle = math.pi / 2 / quarter
    radius = r * math.sqrt(angle / math.sin(angle)) if spread else r
    return float(x), radius * math.cos(step * angle), radius * math.sin(step * angle)
