"""The part of a body that is solved: all of it, or what lies on one side of its mirror planes; images beyond a rigid plane."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from evenfield.base import MeshError, message
from evenfield.data import SurfaceMesh
from evenfield.data.mesh import Mirror, mirror_axes
from evenfield.radiation.plane import RigidPlane

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MIRROR_TOLERANCE = 1e-6
"""Relative to the body's size; vertices this near to a mirror plane are put on it."""


@dataclass(frozen=True)
class SurfaceBody:
    """The solved triangles with their mirror images.

    vertices : (V, 3) m, relative to `origin`, in an order that keeps neighbours together
    triangles : (T, 3) into `vertices`
    images : (G, 3) of +-1: the identity first, then one row for each mirror image of the body, then those beyond a rigid plane
    full_triangle : (T,) which triangle of the whole mesh each one is
    full_vertex : (W,) for each vertex of the whole mesh, the solved vertex that carries its pressure; -1 within a face on a plane
    origin : (3,) m; zero along mirrored axes, on a rigid plane along its own
    volume : m3, of the whole body, with its image where that touches it
    copies : how many of the images make up the body; the others lie beyond the plane
    plane : RigidPlane, or None; joined : True where the body stands on it, so that body and image are one
    """

    vertices: Floats
    triangles: Ints
    images: Floats
    full_triangle: Ints
    full_vertex: Ints
    origin: Floats
    volume: float
    copies: int = 1
    plane: RigidPlane | None = None
    joined: bool = False

    @cached_property
    def corners(self) -> Floats:
        """(T, 3 corners, 3) m."""
        return self.vertices[self.triangles]

    @cached_property
    def area(self) -> Floats:
        """(T,) m2."""
        return np.asarray(np.linalg.norm(self._cross, axis=1) / 2)

    @cached_property
    def normal(self) -> Floats:
        """(T, 3) outward unit normals."""
        return self._cross / (2 * self.area)[:, None]

    @cached_property
    def edge_length(self) -> Floats:
        """(T,) mean edge of each triangle, m."""
        side = np.linalg.norm(self.corners - np.roll(self.corners, 1, axis=1), axis=2)
        return np.asarray(side.mean(axis=1))

    @property
    def mirrored(self) -> NDArray[np.bool_]:
        """(3,) True along axes across which the body's images, or those of a plane, lie."""
        return np.asarray(np.any(self.images < 0, axis=0))

    @property
    def symmetric(self) -> NDArray[np.bool_]:
        """(3,) True across the body's own mirror planes."""
        return np.asarray(np.any(self.images[: self.copies] < 0, axis=0))

    @property
    def side(self) -> float:
        """+1 or -1: on which side of its plane the body lies."""
        number = self.plane.number if self.plane else 0
        return float(np.sign(self.vertices[:, number].sum()))

    @cached_property
    def _cross(self) -> Floats:
        a, b, c = (self.corners[:, i] for i in range(3))
        return np.cross(b - a, c - a)


def reduce_body(mesh: SurfaceMesh, mirror: Mirror, plane: RigidPlane | None = None) -> SurfaceBody:
    """Cut a checked, symmetric mesh down to y >= 0 (and z >= 0), less what stands on a rigid plane.

    Raises MeshError when the mesh is not symmetric, a triangle straddles a mirror plane, or the body crosses the rigid one.
    """
    mesh.check_mirror(mirror, MIRROR_TOLERANCE)
    axes = mirror_axes(mirror)
    slack = MIRROR_TOLERANCE * float(np.ptp(mesh.vertices, axis=0).max())
    vertices = mesh.vertices.copy()
    joined = False
    standing = np.zeros(len(mesh.triangles), bool) if plane is None else plane.touching(mesh)
    keep = ~standing
    for axis in axes:
        vertices[np.abs(vertices[:, axis]) <= slack, axis] = 0.0
        side = vertices[mesh.triangles, axis]
        straddling = (side.min(axis=1) < 0) & (side.max(axis=1) > 0)
        if np.any(straddling):
            _refuse_straddling(axis, np.flatnonzero(straddling))
        keep &= side.max(axis=1) > 0
    full_triangle = np.flatnonzero(keep)
    used, triangles = np.unique(mesh.triangles[full_triangle], return_inverse=True)
    origin = (vertices.max(axis=0) + vertices.min(axis=0)) / 2
    origin[list(axes)] = 0.0
    if plane is not None:
        origin[plane.number] = plane.position
        on_plane = np.abs(vertices[:, plane.number] - plane.position) <= slack
        vertices[on_plane, plane.number] = plane.position
        joined = bool(np.any(on_plane[np.unique(mesh.triangles)]))
    local = vertices[used] - origin
    order = space_filling_order(local)
    rank = np.empty_like(order)
    rank[order] = np.arange(len(order))
    solved = np.ascontiguousarray(local[order])
    folded = vertices - origin
    folded[:, axes] = np.abs(folded[:, axes])
    distance, full_vertex = (np.asarray(a) for a in cKDTree(solved).query(folded))
    full_vertex = np.where(np.isin(np.arange(len(vertices)), np.unique(mesh.triangles[~standing])), full_vertex, -1)
    if np.any(distance[full_vertex >= 0] > 10 * slack + 1e-300):
        raise MeshError(message("mesh", f"symmetric about {mirror}", "vertices without their images", fix="mirror=None"))
    return SurfaceBody(
        vertices=solved,
        triangles=np.ascontiguousarray(rank[triangles.reshape(-1, 3)]),
        images=_images((*axes, *(() if plane is None else (plane.number,)))),
        full_triangle=full_triangle,
        full_vertex=full_vertex.astype(np.int64),
        origin=origin,
        volume=mesh.volume * (2 if joined else 1),
        joined=joined,
        copies=2 ** len(axes),
        plane=plane,
    )


def space_filling_order(points: Floats, bits: int = 10) -> Ints:
    """(N,) indices that walk `points` (N, 3) along a Morton curve, so that neighbours in space are near in memory."""
    if len(points) == 0:
        return np.zeros(0, np.int64)
    span = max(float(np.ptp(points, axis=0).max()), 1e-300)
    cell = ((points - points.min(axis=0)) / span * (2**bits - 1)).astype(np.int64)
    code = np.zeros(len(points), np.int64)
    for bit in range(bits):
        for axis in range(3):
            code |= ((cell[:, axis] >> bit) & 1) << (3 * bit + axis)
    return np.argsort(code, kind="stable")


def _images(axes: tuple[int, ...]) -> Floats:
    images = np.ones((1, 3))
    for axis in axes:
        flipped = images.copy()
        flipped[:, axis] *= -1
        images = np.concatenate([images, flipped])
    return images


def _refuse_straddling(axis: int, triangles: Ints) -> None:
    raise MeshError(
        message(
            "mesh",
            f"cut by edges along {'xyz'[axis]} = 0",
            f"{len(triangles)} triangles that straddle the plane",
            where=f"triangles {triangles[:5].tolist()}",
            fix="mirror=None, or a mesh with an edge line on the plane",
        )
    )
