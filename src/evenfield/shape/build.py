"""The closed surface of a cabinet, from its patches."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from evenfield.base.errors import MeshError, message
from evenfield.data.mesh import SurfaceMesh
from evenfield.shape.box import Box, Patch
from evenfield.shape.elements import Cabinet, moving_names
from evenfield.shape.facts import SurfaceFacts, surface_facts
from evenfield.shape.fill import BoundaryLost
from evenfield.shape.sizes import EdgeLengths
from evenfield.shape.skeleton import ROWS

Array = NDArray[np.float64]


def build_surface(cabinet: Cabinet, edge_lengths: EdgeLengths) -> SurfaceMesh:
    """The cabinet as a closed, outward oriented surface whose moving parts are tagged.

    Parameters
        cabinet : Cabinet
        edge_lengths : EdgeLengths, see `edge_lengths_for`
    Returns
        SurfaceMesh in the design frame, m; `part` is an element's name or "rigid"; `mirror` is "y" when every element
        stands at y = 0: then the left half is the exact image of the right and its shared vertices lie at y = 0 exactly.
    Raises MeshError when the grid fails its own checks (closed, oriented, volume and moving areas).
    """
    return build_boxed(cabinet, edge_lengths)[0]


def build_boxed(cabinet: Cabinet, edge_lengths: EdgeLengths) -> tuple[SurfaceMesh, Box]:
    """As `build_surface`, with the box whose patches make the surface."""
    lost: BoundaryLost | None = None
    for gap_factor in (1.4, 0.9, 0.6):
        try:
            box = Box(cabinet, edge_lengths, gap_factor)
            patches = list(box.patches())
        except BoundaryLost as error:
            lost = error
            continue
        mesh = _join(_in_order(patches, cabinet), box.half)
        _check(mesh, cabinet)
        return mesh, box
    assert lost is not None
    raise lost


@lru_cache(maxsize=16)
def _facts(cabinet: Cabinet) -> SurfaceFacts:
    """Of one cabinet once: it is meshed for many frequencies."""
    return surface_facts(cabinet, wall=0.0)


def _check(mesh: SurfaceMesh, cabinet: Cabinet) -> None:
    """Closed, oriented, of the body's volume within what flat facets may miss, and with the parts' own areas."""
    mesh.check_closed()
    facts = _facts(cabinet)
    for name, part in facts.parts.items():
        area = float((mesh.cross[mesh.of_part(name)] @ np.array(part.axis)).sum()) / 2
        if abs(area - part.area) > 1e-4 * part.area:
            raise MeshError(message(f"moving area of {name!r}", f"{part.area:.6g} m2 within 0.01 %", f"{area:.6g} m2"))
    bound = facet_volume(mesh, cabinet)
    if abs(mesh.volume - facts.body_volume) > bound:
        raise MeshError(
            message(
                "volume of the surface grid",
                f"{facts.body_volume:.6g} m3 within {bound:.2g} m3 (its facets)",
                f"{mesh.volume:.6g} m3",
                fix="shorter edges",
            )
        )


def facet_volume(mesh: SurfaceMesh, cabinet: Cabinet) -> float:
    """What flat facets may miss of the body's volume, m3.

    On rounded edges and corners, what one chord of 90 degrees over `ROWS` cuts off a circle, half as much again for rows that
    wander. On the elements an eighth of each triangle's longest edge squared over the radius of curvature, which the grid
    keeps above that edge except at kinks: a tenth of the edge.
    """
    r = cabinet.edge_radius
    cut = r**2 * (math.pi / 4 - ROWS * math.sin(math.pi / (2 * ROWS)) / 2)
    length = 4 * (cabinet.width + cabinet.height + cabinet.depth - 4 * r)
    x = mesh.centroid[:, 0]
    on_face = (np.abs(x) < 1e-9) | (np.abs(x + cabinet.depth) < 1e-9)
    y, z = (np.abs(mesh.centroid[:, n]) for n in (1, 2))
    curved = (y < cabinet.width / 2 - r) & (z < cabinet.height / 2 - r) & ~on_face
    return 1.5 * cut * (length + 4 * r) + float(np.sum(0.1 * mesh.area[curved] * mesh.longest_edge[curved])) + 1e-9


def _in_order(patches: list[Patch], cabinet: Cabinet) -> list[Patch]:
    """Moving patches first, as the cabinet lists its elements, so that the mesh's parts come in that order."""
    names = [name for e in cabinet.elements for name in moving_names(e)]
    rank = {name: n for n, name in enumerate(names)}
    return sorted(patches, key=lambda p: min(rank.get(str(n), len(names)) for n in set(p.part.tolist())))


def _join(patches: list[Patch], half: bool) -> SurfaceMesh:
    first = np.concatenate([[0], np.cumsum([len(p.points) for p in patches])])
    points = np.vstack([p.points for p in patches])
    triangles = np.vstack([p.triangles + n for p, n in zip(patches, first, strict=False)])
    part = np.concatenate([p.part for p in patches])
    if half:
        triangles = np.vstack([triangles, triangles[:, ::-1] + len(points)])
        points = np.vstack([points, points * [1, -1, 1]])
        part = np.concatenate([part, part])
    rounded = np.round(points, 10) + 0.0
    _, one, which = np.unique(rounded, axis=0, return_index=True, return_inverse=True)
    return SurfaceMesh(points[one] + 0.0, which.ravel()[triangles], part, "y" if half else None)
