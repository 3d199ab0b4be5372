"""Wall thickness everywhere: from each place of the surface straight in, to the wall's other side."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenfield.shape.printing.rays import Caster, normals_of

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

FACING = 0.85
"""Two sides make a wall when their normals are within 32 degrees of opposite; the wedge at an edge is no wall."""
_SPREAD = 20_000


@dataclass(frozen=True)
class Thickness:
    """Thickness at places of the surface.

    Parameters
        points : (N, 3) mm; value : (N,) mm, inf where no other side faces the place
    """

    points: Array
    value: Array

    @property
    def least(self) -> float:
        """mm."""
        return float(self.value.min())

    @property
    def where(self) -> Array:
        """(3,) place of the least, mm."""
        return np.asarray(self.points[int(np.argmin(self.value))])

    def below(self, limit: float) -> int:
        """How many places are thinner than a limit, mm."""
        return int(np.sum(self.value < limit))


def wall_thickness(vertices: Array, triangles: Ints, caster: Caster | None = None, seed: int = 1) -> Thickness:
    """Thickness at the middle of every triangle and at places spread by area.

    Parameters
        vertices (V, 3) mm, triangles (T, 3) of a closed surface, outward
    """
    caster = caster or Caster.of(vertices, triangles)
    normals, area = normals_of(vertices, triangles)
    rng = np.random.default_rng(seed)
    chosen = np.concatenate([np.arange(len(triangles)), rng.choice(len(triangles), _SPREAD, p=area / area.sum())])
    share = rng.dirichlet((1.0, 1.0, 1.0), len(chosen))
    share[: len(triangles)] = 1 / 3
    corner = vertices[triangles[chosen]]
    points = np.einsum("ij,ijk->ik", share, corner)
    keep = area[chosen] > 1e-6
    chosen, points = chosen[keep], points[keep]
    inward = -normals[chosen]
    distance, hit = caster.first(points + 1e-4 * inward, inward)
    faced = (hit >= 0) & (np.einsum("ij,ij->i", normals[hit], inward) > FACING)
    return Thickness(points, np.where(faced, distance + 1e-4, np.inf))
