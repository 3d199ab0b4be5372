"""Meridian: the generating line of a body of revolution."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenfield.base.errors import MeshError, message


@dataclass(frozen=True)
class Meridian:
    """A line in the half plane r >= 0, turned about the x axis.

    Parameters
        points : (N, 2) float, m: position along x, radius r; from the rear pole to the front pole, so that the outward
            normal is (-dr, dx)/ds turned away from the body
        part : (N-1,) int or str; 0 or "rigid" is a rigid wall
    Raises MeshError when shapes disagree or a radius is negative.
    """

    points: NDArray[np.float64]
    part: NDArray[np.generic]

    def __post_init__(self) -> None:
        p = np.asarray(self.points, float)
        if p.ndim != 2 or p.shape[1] != 2 or not np.all(np.isfinite(p)) or np.any(p[:, 1] < 0):
            raise MeshError(message("meridian.points", "finite (N, 2) with radius >= 0", f"shape {p.shape}"))
        if np.shape(self.part) != (len(p) - 1,):
            raise MeshError(message("meridian.part", f"one per segment ({len(p) - 1})", np.shape(self.part)))
        object.__setattr__(self, "points", p)
        object.__setattr__(self, "part", np.asarray(self.part))
