"""The closed surface of a cabinet, from its patches."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from evenfield.data.mesh import SurfaceMesh
from evenfield.shape.box import Box, Patch
from evenfield.shape.elements import Cabinet, moving_names
from evenfield.shape.fill import BoundaryLost
from evenfield.shape.sizes import EdgeLengths

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
    lost: BoundaryLost | None = None
    for gap_factor in (1.4, 0.9, 0.6):
        try:
            box = Box(cabinet, edge_lengths, gap_factor)
            patches = list(box.patches())
        except BoundaryLost as error:
            lost = error
            continue
        mesh = _join(_in_order(patches, cabinet), box.half)
        mesh.check_closed()
        return mesh
    assert lost is not None
    raise lost


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
