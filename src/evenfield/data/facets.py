"""Flat facets on curved surfaces: how much volume they lack, and vertices set off the surface so that they lack none.

Facets that turn by an angle theta at an edge of length L stand for a surface that bends by theta between them. Where that is so
evenly, the parabola through their corners lies off the facets by theta h/12 in the mean, h being a facet's height over the edge,
so that an edge lacks theta L h^2/24 of volume on either side: exact to leading order for cylinders cut in rows and for spheres.
Of two heights the smaller counts, as a bend ends where large flat facets begin.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from evenfield.data.mesh import SurfaceMesh

SHARPEST = np.radians(50.0)
"""Facets that turn by more make an edge of the body; two rows over a right angle turn by 45 degrees between them."""
CREASE, CREASE_MORE = 3.0, np.radians(3.0)
"""So do facets that turn by more than this many times what the edges at their far corners turn by, and a little more."""

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


class _Edges(NamedTuple):
    """facet : (E, 2) on either side; apex : (E, 2) their third vertices; ends : (E, 2) vertices; turn : (E,) rad, outwards."""

    facet: Ints
    apex: Ints
    ends: Ints
    turn: Floats


def lacking_volume(mesh: SurfaceMesh) -> Floats:
    """(T,) volume between each triangle of a closed mesh and the surface through its corners, m3, negative in hollows.

    Nothing bends across the borders of parts, nor where facets turn by so much more than around that an edge must be meant.
    """
    edges = _edges(mesh)
    length = np.linalg.norm(np.diff(mesh.vertices[edges.ends], axis=1)[:, 0], axis=1)
    bend = np.where(_smooth(mesh, edges), edges.turn, 0.0)
    height = 2 * mesh.area[edges.facet].min(axis=1) / length
    found = np.zeros(len(mesh.triangles))
    for facet in edges.facet.T:
        np.add.at(found, facet, bend * length * height**2 / 24)
    return found


def balanced(mesh: SurfaceMesh) -> SurfaceMesh:
    """The same mesh with its vertices set off a curved surface, about which its facets then lie evenly: no volume is lacking.

    A wall's flat facets change the sound by where they lie in the mean, to first order: this removes most of that error, which
    on coarse roundings and flares is more than that of the solve. Vertices of moving parts stay, whose rims give what air they
    move, and those on mirror planes stay there. Returns a mesh that says that it is balanced; one that does, as it is.
    """
    if mesh.balanced:
        return mesh
    t, count = mesh.triangles, len(mesh.vertices)
    normal, area, volume = np.zeros((count, 3)), np.zeros(count), np.zeros(count)
    lacking = lacking_volume(mesh)
    for corner in t.T:
        np.add.at(normal, corner, mesh.cross / 2)
        np.add.at(area, corner, mesh.area)
        np.add.at(volume, corner, lacking)
    height = volume / np.maximum(area, 1e-300)
    height[t[np.isin(mesh.part, mesh.parts)].ravel()] = 0.0
    step = height[:, None] * normal / np.maximum(np.linalg.norm(normal, axis=1), 1e-300)[:, None]
    size = float(np.ptp(mesh.vertices, axis=0).max())
    for axis in (1, 2):
        step[np.abs(mesh.vertices[:, axis]) <= 1e-9 * size, axis] *= 0.0 if "xyz"[axis] in (mesh.mirror or ()) else 1.0
    return replace(mesh, vertices=mesh.vertices + step, balanced=True)


def _edges(mesh: SurfaceMesh) -> _Edges:
    t = mesh.triangles
    ends = np.sort(np.stack([t, np.roll(t, -1, axis=1)], axis=2).reshape(-1, 2), axis=1)
    key, number = np.unique(ends[:, 0] * np.int64(len(mesh.vertices)) + ends[:, 1], return_inverse=True)
    half = np.argsort(number, kind="stable").reshape(len(key), 2)  # closed: two to an edge
    facet = half // 3
    n, m = (mesh.normal[facet[:, side]] for side in range(2))
    apart = mesh.centroid[facet[:, 1]] - mesh.centroid[facet[:, 0]]
    # bent outwards where the next facet's normal leans away
    turn = np.arctan2(np.linalg.norm(np.cross(n, m), axis=1), np.sum(n * m, axis=1)) * np.sign(np.sum((m - n) * apart, axis=1))
    return _Edges(facet, t[facet, (half + 2) % 3], ends[half[:, 0]], turn)


def _smooth(mesh: SurfaceMesh, edges: _Edges) -> NDArray[np.bool_]:
    """(E,) a curved surface is meant."""
    turn = np.abs(edges.turn)
    same = mesh.part[edges.facet[:, 0]] == mesh.part[edges.facet[:, 1]]
    most = np.zeros(len(mesh.vertices))
    for end in edges.ends.T:
        np.maximum.at(most, end, np.where(same, turn, 0.0))
    around = most[edges.apex].max(axis=1)
    return np.asarray(same & (turn < SHARPEST) & (turn <= CREASE * around + CREASE_MORE))
