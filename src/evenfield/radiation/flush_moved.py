"""The same flush problem with its vertices moved: the triangles across the mouths follow, so that differences are smooth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from evenfield.data import SurfaceMesh
from evenfield.radiation.flush import FlushProblem
from evenfield.radiation.flush_adjoint import mesh_vertices
from evenfield.radiation.flush_body import FlushBody, split_body
from evenfield.radiation.flush_follow import MouthMotion

Floats = NDArray[np.float64]


def moved_body(problem: FlushProblem, mesh: SurfaceMesh) -> FlushBody:
    """The body of a mesh like the problem's with other vertices, its plane elements those of the problem, moved."""
    body, plane = split_body(mesh, problem.mirror), problem.body.plane
    corners = plane.corners.copy()
    flat = plane.full_triangle >= 0
    corners[flat] = mesh.vertices[mesh.triangles[plane.full_triangle[flat]]] * [0.0, 1.0, 1.0]
    for number, wall in enumerate(problem.body.recesses):
        own = np.flatnonzero(plane.recess == number)
        step = (mesh.vertices - problem.mesh.vertices)[mesh_vertices(wall, problem.mesh.vertices)]
        points = MouthMotion(problem.body, problem.system.basis, number).follow(step)
        corners[own, :, 1:] += points[problem.system.basis.node[own] - problem.system.basis.of_recess(number).start]
    return replace(body, plane=replace(plane, corners=corners))


__all__ = ["moved_body"]
