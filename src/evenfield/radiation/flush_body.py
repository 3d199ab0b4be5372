"""A body flush in an infinite baffle: what of its surface meets air, as domains joined in the plane of the baffle.

The baffle is the plane x = 0 and the air in front of it x > 0. What lies in the plane vanishes unless it moves; what stands out
is the half-space's own boundary; each recess is a domain of its own, open to the half-space at its mouth. The rest of the body
is behind the baffle and is left out.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from evenfield.base import MeshError, message
from evenfield.data import SurfaceMesh
from evenfield.data.mesh import Mirror, mirror_axes
from evenfield.radiation.flush_mouth import chain_rims, mouth_triangles
from evenfield.radiation.plane import RigidPlane
from evenfield.radiation.surface_body import MIRROR_TOLERANCE, SurfaceBody, reduce_body, space_filling_order

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

BAFFLE = RigidPlane("x", 0.0)


@dataclass(frozen=True)
class PlaneElements:
    """Triangles in the baffle's plane, facing forward, each with a velocity of its own.

    corners : (T, 3, 3) m, x = 0, counter-clockwise seen from the front
    recess : (T,) number of the recess whose mouth it is in, -1 for a moving flat part
    full_triangle : (T,) the mesh's triangle, -1 in a mouth
    """

    corners: Floats
    recess: Ints
    full_triangle: Ints

    @cached_property
    def area(self) -> Floats:
        """(T,) m2."""
        a, b, c = (self.corners[:, i] for i in range(3))
        return np.asarray(np.linalg.norm(np.cross(b - a, c - a), axis=1) / 2)

    def __len__(self) -> int:
        return len(self.corners)


@dataclass(frozen=True)
class FlushBody:
    """recesses : the walls of each, normals into its air; proud : what stands out, or None; plane : mouths and flat parts.

    triangles : for each recess, then proud, the mesh's triangle of each solved one; images : (G, 3) of the mirror planes alone;
    behind : (T,) True on the mesh's triangles that are left out
    """

    recesses: tuple[SurfaceBody, ...]
    proud: SurfaceBody | None
    plane: PlaneElements
    images: Floats
    behind: Bools

    @property
    def bodies(self) -> tuple[SurfaceBody, ...]:
        """The recesses, then what stands out."""
        return self.recesses + (() if self.proud is None else (self.proud,))

    @property
    def mouth(self) -> Bools:
        """(T,) True on the plane's elements whose velocity is unknown."""
        return np.asarray(self.plane.recess >= 0)


def split_body(mesh: SurfaceMesh, mirror: Mirror) -> FlushBody:
    """Cut a mesh into the domains of the flush body.

    Raises MeshError for triangles that cross the plane, parts that move behind it, or a body with nothing at the front.
    """
    mesh.check_mirror(mirror, MIRROR_TOLERANCE)
    slack = MIRROR_TOLERANCE * float(np.ptp(mesh.vertices, axis=0).max())
    vertices = mesh.vertices.copy()
    vertices[np.abs(vertices[:, 0]) <= slack, 0] = 0.0
    mesh = replace(mesh, vertices=vertices)
    x = vertices[mesh.triangles, 0]
    flat = np.all(x == 0, axis=1)
    _refuse_crossing((x.min(axis=1) < 0) & (x.max(axis=1) > 0))
    _refuse_holes(mesh, ~flat)
    piece = _pieces(mesh, ~flat)
    moving = np.any([mesh.of_part(n) for n in mesh.parts] or [np.zeros(len(flat), bool)], axis=0)
    behind = np.zeros(len(flat), bool)
    proud = np.zeros(len(flat), bool)
    hollow: list[Ints] = []
    for number in range(piece.max(initial=-1) + 1):
        own = np.flatnonzero(piece == number)
        if x[own].max() > 0:
            proud[own] = True
        elif _volume(mesh, own) < 0:
            hollow.append(own)
        else:
            behind[own] = True
    _refuse_behind(mesh, behind & moving)
    _refuse_turned(flat & moving & (mesh.cross[:, 0] < 0))
    if not hollow and not np.any(proud) and not np.any(flat & moving):
        raise MeshError(message("mesh", "with a moving part, a recess or a protrusion on the baffle x = 0", "none"))
    axes = mirror_axes(mirror)
    recesses: list[SurfaceBody] = []
    mouths: list[Floats] = []
    owner: list[Ints] = []
    for own in hollow:
        kept, through = _mirror_of(mesh, own, axes)
        if not kept:
            continue
        rims = chain_rims(_rim_edges(mesh, own))
        sides = (1 in through, 2 in through)
        flat_rims = [vertices[r][:, 1:] for r in rims]
        mouths.append(mouth_triangles(flat_rims, _spacing(flat_rims, mesh, own), sides))
        owner.append(np.full(len(mouths[-1]), len(recesses)))
        recesses.append(replace(_reduced(mesh, own, through), volume=0.0))
    standing = _reduced(mesh, np.flatnonzero(proud), axes) if np.any(proud) else None
    if standing is not None:
        standing = replace(standing, volume=2 * _volume(mesh, np.flatnonzero(proud)))
    plane = _plane_elements(mesh, np.flatnonzero(flat & moving & _on_side(mesh, axes)), mouths, owner)
    images = np.ones((1, 3))
    for axis in axes:
        images = np.concatenate([images, images * np.where(np.arange(3) == axis, -1, 1)])
    return FlushBody(tuple(recesses), standing, plane, images, behind | (flat & ~moving))


def _refuse_crossing(crossing: Bools) -> None:
    where = np.flatnonzero(crossing)
    if len(where):
        raise MeshError(
            message("mesh", "cut by edges along the baffle's plane x = 0", f"{len(where)} triangles that cross it",
                    where=f"triangles {where[:5].tolist()}", fix="a part that stays behind the plane, or an edge line on it")
        )  # fmt: skip


def _refuse_behind(mesh: SurfaceMesh, lost: Bools) -> None:
    where = np.flatnonzero(lost)
    if len(where):
        names = sorted({str(mesh.part[i]) for i in where})
        raise MeshError(
            message("mesh", "without moving parts behind the baffle", f"part {', '.join(names)} there",
                    cause="Flush in a wall only the front radiates", fix="the part on the front face, or a free-standing body")
        )  # fmt: skip


def _refuse_holes(mesh: SurfaceMesh, chosen: Bools) -> None:
    """Free edges belong into the plane, where the air is open or the baffle goes on; no edge is used twice one way."""
    index = np.flatnonzero(chosen)
    t, count = mesh.triangles[index], np.int64(len(mesh.vertices))
    start, end = t.ravel(), np.roll(t, -1, axis=1).ravel()
    forward = start * count + end
    values, times = np.unique(forward, return_counts=True)
    twice = np.flatnonzero(np.isin(forward, values[times > 1]))
    if len(twice):
        where = np.unique(index[twice // 3])
        raise MeshError(
            message("mesh", "manifold and consistently oriented", f"{int((times > 1).sum())} doubly used edges",
                    where=f"triangles {where[:5].tolist()}", fix="flipping the triangles that run the wrong way round"),
            where.tolist(),
        )  # fmt: skip
    x = mesh.vertices[:, 0]
    lonely = np.flatnonzero(~np.isin(forward, end * count + start) & ((x[start] != 0) | (x[end] != 0)))
    if len(lonely):
        where = np.unique(index[lonely // 3])
        raise MeshError(
            message("mesh", "open in the baffle's plane x = 0 only", f"{len(lonely)} free edges off it",
                    where=f"triangles {where[:5].tolist()}", fix="closing the hole or merging doubled vertices"),
            where.tolist(),
        )  # fmt: skip


def _refuse_turned(turned: Bools) -> None:
    where = np.flatnonzero(turned)
    if len(where):
        raise MeshError(
            message("mesh", "facing forward where it moves in the baffle's plane", f"{len(where)} triangles that face back",
                    where=f"triangles {where[:5].tolist()}", fix="reversing each triangle"),
            where.tolist(),
        )  # fmt: skip


def _pieces(mesh: SurfaceMesh, chosen: Bools) -> Ints:
    """(T,) number of the connected piece of each chosen triangle, -1 elsewhere; edges in the plane do not connect."""
    count = np.int64(len(mesh.vertices))
    index = np.flatnonzero(chosen)
    t = mesh.triangles[index]
    start, end = t.ravel(), np.roll(t, -1, axis=1).ravel()
    owner = np.repeat(np.arange(len(index)), 3)
    inner = ~((mesh.vertices[start, 0] == 0) & (mesh.vertices[end, 0] == 0))
    key = (np.minimum(start, end) * count + np.maximum(start, end))[inner]
    _, edge = np.unique(key, return_inverse=True)
    edge = np.asarray(edge).ravel()
    size = len(index) + int(edge.max(initial=-1)) + 1
    graph = coo_array((np.ones(len(edge)), (owner[inner], len(index) + edge)), shape=(size, size))
    label = connected_components(graph, directed=False)[1][: len(index)]
    result = np.full(len(mesh.triangles), -1, np.int64)
    result[index] = np.unique(label, return_inverse=True)[1].ravel()
    return result


def _volume(mesh: SurfaceMesh, own: Ints) -> float:
    """Volume between a piece and the plane x = 0: positive for a solid, negative for a hollow."""
    corner = mesh.vertices[mesh.triangles[own]] - np.array([0.0, *mesh.vertices[mesh.triangles[own[0], 0], 1:]])
    return float(np.einsum("ti,ti->", corner[:, 0], np.cross(corner[:, 1], corner[:, 2])) / 6)


def _mirror_of(mesh: SurfaceMesh, own: Ints, axes: tuple[int, ...]) -> tuple[bool, tuple[int, ...]]:
    """Whether a piece is on the solved side, and the mirror planes that run through it."""
    through = []
    for axis in axes:
        side = mesh.centroid[own, axis]
        if side.min() < 0 < side.max():
            through.append(axis)
        elif side.max() <= 0:
            return False, ()
    return True, tuple(through)


def _on_side(mesh: SurfaceMesh, axes: tuple[int, ...]) -> Bools:
    """(T,) True on the solved side of all mirror planes."""
    return np.asarray(np.all(mesh.centroid[:, list(axes)] > 0, axis=1))


def _rim_edges(mesh: SurfaceMesh, own: Ints) -> Ints:
    """(E, 2) a recess's edges in the plane, in the direction of the triangles beside them."""
    t = mesh.triangles[own]
    start, end = t.ravel(), np.roll(t, -1, axis=1).ravel()
    in_plane = (mesh.vertices[start, 0] == 0) & (mesh.vertices[end, 0] == 0)
    edges = np.stack([start[in_plane], end[in_plane]], axis=1)
    count = np.int64(len(mesh.vertices))
    twin = np.isin(edges[:, 0] * count + edges[:, 1], edges[:, 1] * count + edges[:, 0])
    if np.all(twin):
        raise MeshError(message("mesh", "with every recess open to the front", "a closed hollow", where=f"triangle {own[0]}"))
    return np.asarray(edges[~twin])


def _spacing(rims: list[Floats], mesh: SurfaceMesh, own: Ints) -> float:
    """The mean rim edge, at most the wall's mean edge (by area) and a tenth of the mouth's size, m."""
    edges = np.concatenate([np.linalg.norm(r - np.roll(r, 1, axis=0), axis=1) for r in rims])
    size = max(float(np.ptp(r, axis=0).max()) for r in rims)
    corner = mesh.vertices[mesh.triangles[own]]
    wall = np.linalg.norm(corner - np.roll(corner, 1, axis=1), axis=2).mean(axis=1)
    return min(float(edges.mean()), float(np.average(wall, weights=mesh.area[own])), size / 10)


def _reduced(mesh: SurfaceMesh, own: Ints, axes: tuple[int, ...]) -> SurfaceBody:
    part = SurfaceMesh(mesh.vertices, mesh.triangles[own], mesh.part[own])
    mirror = tuple("xyz"[a] for a in axes)
    body = reduce_body(part, mirror, BAFFLE)  # type: ignore[arg-type]
    return replace(body, full_triangle=own[body.full_triangle])


def _plane_elements(mesh: SurfaceMesh, flat: Ints, mouths: list[Floats], owner: list[Ints]) -> PlaneElements:
    corners = [mesh.vertices[mesh.triangles[flat]]]
    for cells in mouths:
        corners.append(np.concatenate([np.zeros((*cells.shape[:2], 1)), cells], axis=2))
    joined = np.concatenate(corners)
    recess = np.concatenate([np.full(len(flat), -1), *owner]).astype(np.int64)
    full = np.concatenate([flat, *(np.full(len(m), -1) for m in mouths)]).astype(np.int64)
    # mouth elements first, neighbours together
    order = space_filling_order(joined.mean(axis=1))
    order = np.concatenate([order[recess[order] == n] for n in [*range(len(mouths)), -1]])
    return PlaneElements(joined[order], recess[order], full[order])
