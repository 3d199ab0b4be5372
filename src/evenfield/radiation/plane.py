"""An infinite rigid plane beside a body: a floor or a wall, by the method of images."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from evenfield.base import DataError, DesignError, MeshError, message
from evenfield.data import SurfaceMesh
from evenfield.data.mesh import Mirror, mirror_axes

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

ON_PLANE = 1e-6
"""Relative to the body's size; vertices this near to the plane stand on it."""
LEAST_GAP = 0.5
"""Distance of a triangle from its image over its mean edge; a narrower gap needs shorter edges."""


@dataclass(frozen=True)
class RigidPlane:
    """An infinite rigid plane across one axis: the air is on the body's side of it.

    Parameters
        axis : "x", "y" or "z", the plane's normal
        position : where the plane crosses that axis, m
    Raises DesignError for another axis or a position that is not finite.
    """

    axis: Literal["x", "y", "z"]
    position: float

    def __post_init__(self) -> None:
        if self.axis not in ("x", "y", "z"):
            raise DesignError(message("plane.axis", '"x", "y" or "z"', self.axis))
        if not math.isfinite(self.position):
            raise DesignError(message("plane.position", "finite", self.position))

    @property
    def number(self) -> int:
        """0, 1 or 2."""
        return "xyz".index(self.axis)

    def mirror_beside(self, declared: Mirror, asked: Mirror) -> Mirror:
        """The mirror planes that the plane leaves: a declared one across its own axis is no symmetry any more.

        Raises DataError where it was asked for.
        """
        if asked is not None:
            if self.number in mirror_axes(asked):
                raise DataError(
                    message("mirror", f"not across {self.axis}, the rigid plane's axis", asked, fix="leaving that one out")
                )
            return asked
        kept = tuple(n for n in mirror_axes(declared) if n != self.number)
        return {(): (), (1,): "y", (2,): ("z",), (1, 2): ("y", "z")}[kept]  # type: ignore[return-value]

    def touching(self, mesh: SurfaceMesh) -> Bools:
        """(T,) triangles of the mesh that lie in the plane: the face on which a body stands.

        Raises MeshError where the body crosses the plane, or moves in it.
        """
        height = mesh.vertices[:, self.number] - self.position
        slack = ON_PLANE * float(np.ptp(mesh.vertices, axis=0).max())
        used = height[np.unique(mesh.triangles)]
        if used.min() < -slack and used.max() > slack:
            where = np.flatnonzero((height[mesh.triangles].min(axis=1) < 0) & (height[mesh.triangles].max(axis=1) > 0))
            raise MeshError(
                message(
                    "mesh", f"on one side of the rigid plane {self.axis} = {self.position:g} m",
                    f"{used.min():.4g} to {used.max():.4g} m from it", where=f"triangles {where[:5].tolist()}",
                    fix="another position of the plane",
                )
            )  # fmt: skip
        flat = np.asarray(np.all(np.abs(height[mesh.triangles]) <= slack, axis=1))
        moving = np.flatnonzero(flat & np.any([mesh.of_part(n) for n in mesh.parts] or [np.zeros(len(flat), bool)], axis=0))
        if len(moving):
            raise MeshError(
                message("mesh", "still where it touches the rigid plane", f"{len(moving)} moving triangles in it",
                        where=f"triangles {moving[:5].tolist()}", fix="solve_flush for parts in a baffle")
            )  # fmt: skip
        if np.abs(used).min() > slack:  # a body that stands on the plane closes its gaps in a wedge
            self._refuse_thin_gap(mesh, np.abs(height), slack)
        return flat

    def _refuse_thin_gap(self, mesh: SurfaceMesh, height: Floats, slack: float) -> None:
        # an image in a thin gap is nearer than the rules for near pairs resolve
        corner = mesh.vertices[mesh.triangles]
        edge = np.linalg.norm(corner - np.roll(corner, 1, axis=1), axis=2).mean(axis=1)
        low = height[mesh.triangles].min(axis=1)
        thin = np.flatnonzero((low > slack) & (2 * low < LEAST_GAP * edge))
        if len(thin):
            worst = thin[np.argmin(low[thin] / edge[thin])]
            raise MeshError(
                message(
                    "mesh", "at least a quarter of an edge length away from the rigid plane, or standing on it",
                    f"a gap of {1e3 * low[worst]:.2f} mm under edges of {1e3 * edge[worst]:.1f} mm",
                    where=f"{len(thin)} triangles, {worst} the nearest", fix="shorter edges there, or a body on the plane",
                )
            )  # fmt: skip

    def refuse_beyond(self, points: Floats, side: float) -> None:
        """Raise DataError for points (P, 3) on the far side; `side` +1 or -1 is the body's."""
        beyond = np.flatnonzero(side * (points[:, self.number] - self.position) < -1e-12)
        if len(beyond):
            raise DataError(
                message("points", f"on the body's side of the rigid plane {self.axis} = {self.position:g} m",
                        np.round(points[beyond[0]], 4).tolist(), where=f"point {beyond[0]}, {len(beyond)} such")
            )  # fmt: skip
