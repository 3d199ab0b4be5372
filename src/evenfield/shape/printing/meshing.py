"""Triangles from rings of points, and solids of manifold3d from them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenfield.base.errors import MeshError, message
from evenfield.shape.printing import missing

Array = NDArray[np.float64]
Ints = NDArray[np.int64]


def closed_rings(rings: Sequence[Array] | Array) -> tuple[Array, Ints]:
    """A tube of rings with equal counts, closed at both ends by fans from the rings' centres.

    Returns vertices (V, 3) and triangles (T, 3), outward when the rings run anticlockwise seen from the first end.
    """
    stack = np.asarray(rings)
    n, m = stack.shape[:2]
    vertices = np.vstack([stack.reshape(-1, 3), stack[0].mean(axis=0), stack[-1].mean(axis=0)])
    i, j = np.meshgrid(np.arange(n - 1), np.arange(m), indexing="ij")
    a, b = i * m + j, i * m + (j + 1) % m
    c, d = a + m, b + m
    side = np.concatenate([np.stack([a, c, d], -1).reshape(-1, 3), np.stack([a, d, b], -1).reshape(-1, 3)])
    k = np.arange(m)
    top = np.column_stack([np.full(m, n * m), k, (k + 1) % m])
    bottom = np.column_stack([np.full(m, n * m + 1), (n - 1) * m + (k + 1) % m, (n - 1) * m + k])
    return vertices, np.vstack([side, top, bottom]).astype(np.int64)


def enclosed(vertices: Array, triangles: Ints) -> float:
    """Volume inside closed triangles, mm3."""
    a, b, c = (vertices[triangles[:, i]] for i in range(3))
    return float(np.einsum("ij,ij->", a, np.cross(b, c))) / 6


def solid_of(vertices: Array, triangles: Ints, what: str) -> Any:
    """A manifold3d solid. Raises MeshError when the triangles do not bound one."""
    try:
        import manifold3d
    except ImportError as error:
        missing(error)
    solid = manifold3d.Manifold(manifold3d.Mesh64(np.ascontiguousarray(vertices, float), triangles.astype(np.uint64)))
    if solid.status() != manifold3d.Error.NoError or solid.volume() <= 0:
        raise MeshError(
            message(what, "a closed body", str(solid.status()).split(".")[-1], cause="Its walls cross each other or leave a gap")
        )
    return solid


def prism(outline: Array, bottom: float, top: float) -> Any:
    """A solid between x = bottom and top over a closed outline (N, 2) in (y, z), mm; several outlines by the even-odd rule."""
    return prism_of([outline], bottom, top)


def prism_of(outlines: Sequence[Array], bottom: float, top: float) -> Any:
    """As `prism`, for outlines with holes."""
    try:
        import manifold3d
    except ImportError as error:
        missing(error)
    section = manifold3d.CrossSection([np.asarray(o, float) for o in outlines], manifold3d.FillRule.EvenOdd)
    solid = manifold3d.Manifold.extrude(section, top - bottom)
    # extruded along its own third axis: (u, v, w) -> (w + bottom, u, v)
    return solid.transform(np.array([[0.0, 0, 1, bottom], [1, 0, 0, 0], [0, 1, 0, 0]]))


def arrays_of(solid: Any) -> tuple[Array, Ints]:
    """Vertices (V, 3) mm and triangles (T, 3) of a manifold3d solid."""
    mesh = solid.to_mesh64()
    return np.array(mesh.vert_properties[:, :3], float), np.array(mesh.tri_verts, np.int64)
