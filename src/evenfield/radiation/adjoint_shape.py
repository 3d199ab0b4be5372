"""How derivatives by points, triangles and image vertices become derivatives by the vertices of the mesh."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenfield.data import SurfaceMesh
from evenfield.radiation.midpoint_grid import MidpointGrid
from evenfield.radiation.surface_body import SurfaceBody

Complex = NDArray[np.complexfloating[Any, Any]]
Floats = NDArray[np.float64]


@dataclass
class ShapeDerivatives:
    """Derivatives collected, each by a quantity of the midpoints, the triangles or the vertices, all else held.

    position, normal, across, along : (P, 3); weight : (P,); strength : (K, P) complex, so that dJ = Re(strength d strength)
    area : (T,); unit_normal : (T, 3); derivative : (K, T) complex, by the given normal derivative; vertex : (V, 3)
    """

    position: Floats
    normal: Floats
    across: Floats
    along: Floats
    weight: Floats
    strength: Complex
    area: Floats
    unit_normal: Floats
    derivative: Complex
    vertex: Floats

    @classmethod
    def none(cls, body: SurfaceBody, grid: MidpointGrid, sides: int) -> ShapeDerivatives:
        """All zero."""
        points, triangles = len(grid.position), len(body.triangles)
        return cls(  # type: ignore[call-arg]
            *(np.zeros((points, 3)) for _ in range(4)), np.zeros(points), np.zeros((sides, points), complex),  # type: ignore[arg-type]
            np.zeros(triangles), np.zeros((triangles, 3)), np.zeros((sides, triangles), complex), np.zeros_like(body.vertices),
        )  # fmt: skip


def from_points(d: ShapeDerivatives, body: SurfaceBody, grid: MidpointGrid, derivative: Complex) -> None:
    """Move what the midpoints collected on to vertices, areas, normals and the normal derivative (K, T) given there."""
    s, e, a, b = grid.vertex.T
    middle, along, across = d.position / 2, d.along / 6, d.across / 6
    for vertex, share in ((s, middle - along), (e, middle + along), (a, across), (b, -across)):
        np.add.at(d.vertex, vertex, share)
    for side in range(2):
        there = grid.triangle[:, side] >= 0
        owner = grid.triangle[there, side]
        # weight A/3, normal A n/3, strength A q/3 from each triangle beside
        normal = d.normal[there]
        moved = np.einsum("kp,kp->p", d.strength[:, there], derivative[:, owner]).real
        np.add.at(d.area, owner, (d.weight[there] + np.einsum("pc,pc->p", normal, body.normal[owner]) + moved) / 3)
        np.add.at(d.unit_normal, owner, normal * (body.area[owner] / 3)[:, None])
        for k in range(len(derivative)):
            np.add.at(d.derivative[k], owner, d.strength[k, there] * body.area[owner] / 3)


def to_vertices(d: ShapeDerivatives, body: SurfaceBody) -> Floats:
    """(V, 3) by the solved vertices, which stay on their mirror planes."""
    n, corner = body.normal, body.corners
    along = np.einsum("tc,tc->t", d.unit_normal, n)
    # the area vector's cross product (twice n A): area by n/2, unit normal by what is perpendicular to it over 2 A
    cross = d.area[:, None] * n / 2 + (d.unit_normal - along[:, None] * n) / (2 * body.area)[:, None]
    one, two = corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]
    second, third = np.cross(two, cross), np.cross(cross, one)
    result = d.vertex.copy()
    for place, share in enumerate((-second - third, second, third)):
        np.add.at(result, body.triangles[:, place], share)
    result[(body.vertices == 0) & body.mirrored] = 0
    return result


def volume_derivative(body: SurfaceBody) -> Floats:
    """(V, 3) m2, by the solved vertices, of the whole body's volume: a third of the area vectors around each."""
    copies = len(body.images) if body.joined else body.copies
    result = np.zeros_like(body.vertices)
    for corner in range(3):
        np.add.at(result, body.triangles[:, corner], (body.area[:, None] * body.normal) * (copies / 3))
    result[(body.vertices == 0) & body.mirrored] = 0
    return result


def on_whole_mesh(gradient: Floats, body: SurfaceBody, mesh: SurfaceMesh) -> Floats:
    """(W, 3) on all vertices of the mesh; a solved vertex shares its derivative equally with its images."""
    used = np.zeros(len(mesh.vertices), bool)
    used[mesh.triangles] = True
    used &= body.full_vertex >= 0
    copies = np.bincount(body.full_vertex[used], minlength=len(gradient))
    turn = np.where(body.symmetric & (mesh.vertices - body.origin < 0), -1.0, 1.0)
    whole = turn * (gradient / copies[:, None])[body.full_vertex]
    whole[~used] = 0
    return np.asarray(whole)
