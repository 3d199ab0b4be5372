"""How the surface moves: one uniform part at a time, or given velocities."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base import DataError, MeshError, message
from evenfield.data import SurfaceMesh
from evenfield.data.mesh import Mirror, PartName, mirror_axes

Complex = NDArray[np.complexfloating[Any, Any]]
Motion = Literal["normal", "axial"]


@dataclass(frozen=True)
class PartMotion:
    """Unit motion of each part.

    parts : names, the order of every part axis
    shape : (part, T) normal velocity of each triangle per unit velocity of the part, zero off the part
    """

    parts: tuple[PartName, ...]
    shape: NDArray[np.float64]


def part_motion(mesh: SurfaceMesh, motion: Motion, axis: ArrayLike) -> PartMotion:
    """Uniform normal velocity, or a rigid part moving along `axis`, of each part of a mesh.

    Raises MeshError when nothing moves, DataError for a bad motion or axis.
    """
    if motion not in ("normal", "axial"):
        raise DataError(message("motion", '"normal" or "axial"', motion))
    direction = np.asarray(axis, float)
    if direction.shape != (3,) or not np.all(np.isfinite(direction)) or np.linalg.norm(direction) == 0:
        raise DataError(message("axis", "a finite vector of three, not zero", axis))
    direction = direction / np.linalg.norm(direction)
    if not mesh.parts:
        raise MeshError(
            message("mesh.part", "other than 0 or rigid somewhere", "a wholly rigid body", fix="tagging the moving part")
        )
    along = np.ones(len(mesh.triangles)) if motion == "normal" else mesh.normal @ direction
    return PartMotion(mesh.parts, np.stack([np.where(mesh.of_part(name), along, 0.0) for name in mesh.parts]))


def check_symmetric(mesh: SurfaceMesh, patterns: Complex, mirror: Mirror) -> None:
    """Raise MeshError when a pattern (K, T) of normal velocities is not its own mirror image."""
    from scipy.spatial import cKDTree

    scale = np.maximum(np.abs(patterns).max(axis=1), 1e-300)
    for axis in mirror_axes(mirror):
        flipped = mesh.centroid.copy()
        flipped[:, axis] *= -1
        image = cKDTree(mesh.centroid).query(flipped)[1]
        difference = np.abs(patterns - patterns[:, image]).max(axis=1) / scale
        if np.any(difference > 1e-3):
            raise MeshError(
                message(
                    "motion",
                    f"symmetric about {'xyz'[axis]} = 0 for mirror to be used",
                    f"velocities that differ by {100 * difference.max():.1f} %",
                    where=f"pattern {int(np.argmax(difference))}",
                    fix="mirror=(), which solves the whole body",
                )
            )
