"""Directions on the sphere: vectors, quadrature weights, orbits.

Axes: x forward along the reference axis, y to the left of someone looking along +x, z up; azimuth positive towards +y,
elevation positive up (as in AES69).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base.errors import DataError, message

Plane = Literal["horizontal", "vertical", "diagonal", "counter-diagonal"]

PLANE_ROLL_DEG: dict[str, float] = {"horizontal": 0.0, "diagonal": 45.0, "vertical": 90.0, "counter-diagonal": 135.0}
"""Rotation of each orbit's plane about the x axis, degrees from horizontal (+y towards +z)."""


@dataclass(frozen=True)
class Directions:
    """Unit vectors with, for a closed sphere, quadrature weights.

    Parameters
        vectors : (D, 3) float, unit length
        weights : (D,) float, sr, summing to 4 pi (zero for extra directions outside the rule); None for orbits only
    Raises DataError when shapes or lengths disagree.
    """

    vectors: NDArray[np.float64]
    weights: NDArray[np.float64] | None = None

    def __post_init__(self) -> None:
        v = np.asarray(self.vectors, float)
        if v.ndim != 2 or v.shape[1] != 3 or not np.all(np.isfinite(v)):
            raise DataError(message("directions", "a finite (D, 3) array of unit vectors", f"shape {v.shape}"))
        length = np.linalg.norm(v, axis=1)
        if np.any(np.abs(length - 1) > 1e-6):
            worst = int(np.argmax(np.abs(length - 1)))
            raise DataError(message("directions", "unit vectors", f"length {length[worst]:.6g} at index {worst}"))
        object.__setattr__(self, "vectors", v / length[:, None])
        if self.weights is not None:
            w = np.asarray(self.weights, float)
            if w.shape != (len(v),) or not np.all(np.isfinite(w)) or abs(w.sum() - 4 * np.pi) > 1e-6 * 4 * np.pi:
                raise DataError(message("weights", "one per direction, summing to 4 pi sr", f"{w.shape}, sum {w.sum():.6g}"))
            object.__setattr__(self, "weights", w)

    def __len__(self) -> int:
        return len(self.vectors)

    @property
    def azimuth_deg(self) -> NDArray[np.float64]:
        """(D,) azimuth, degrees in [0, 360)."""
        azimuth = np.degrees(np.arctan2(self.vectors[:, 1], self.vectors[:, 0])) % 360.0
        return np.where(azimuth > 360.0 - 1e-9, 0.0, azimuth)

    @property
    def elevation_deg(self) -> NDArray[np.float64]:
        """(D,) elevation, degrees in [-90, 90]."""
        return np.degrees(np.arcsin(np.clip(self.vectors[:, 2], -1, 1)))


def spherical_to_vectors(azimuth_deg: ArrayLike, elevation_deg: ArrayLike) -> NDArray[np.float64]:
    """(..., 3) unit vectors from azimuth and elevation in degrees."""
    azimuth, elevation = np.radians(np.asarray(azimuth_deg, float)), np.radians(np.asarray(elevation_deg, float))
    return np.stack(
        [np.cos(elevation) * np.cos(azimuth), np.cos(elevation) * np.sin(azimuth), np.sin(elevation) + 0 * azimuth], -1
    )


def orbit_vectors(plane: Plane, angles_deg: ArrayLike) -> NDArray[np.float64]:
    """(A, 3) unit vectors on one orbit: 0 on the reference axis, positive to the left (horizontal) or up (vertical).

    The diagonal orbit's positive angles go left and up; the counter-diagonal's go right and up.
    """
    angle, roll = np.radians(np.asarray(angles_deg, float)), np.radians(PLANE_ROLL_DEG[plane])
    return np.stack([np.cos(angle), np.sin(angle) * np.cos(roll), np.sin(angle) * np.sin(roll)], -1)


@cache
def sphere_directions(step_deg: float = 5.0, diagonals: bool = True) -> Directions:
    """The closed equiangular sphere of AES56 (2522 positions at 5 degrees), azimuth about z, with its quadrature.

    Weights are Clenshaw-Curtis in elevation, exact for polynomials of degree 180/step; `diagonals` appends the points of
    the two diagonal orbits that the grid lacks, with weight zero, so that every plane of the report is evaluated, not
    interpolated.
    Raises DataError when the step does not divide 90 degrees.
    """
    rings = round(180.0 / step_deg)
    if abs(rings * step_deg - 180.0) > 1e-9 or rings % 2:
        raise DataError(message("step", "a divisor of 90 degrees", f"{step_deg} deg", fix="5 deg"))
    elevation = np.arange(-rings // 2, rings // 2 + 1) * step_deg
    ring_weight = clenshaw_curtis(rings)
    azimuth = np.arange(2 * rings) * step_deg
    inner = slice(1, -1)
    az, el = np.meshgrid(azimuth, elevation[inner], indexing="xy")
    weight = np.repeat(ring_weight[inner] * 2 * np.pi / (2 * rings), 2 * rings)
    vectors = [spherical_to_vectors(0.0, -90.0)[None], spherical_to_vectors(az.ravel(), el.ravel())]
    vectors.append(spherical_to_vectors(0.0, 90.0)[None])
    weights = np.concatenate([[2 * np.pi * ring_weight[0]], weight, [2 * np.pi * ring_weight[-1]]])
    if diagonals:
        angle = np.arange(0.0, 360.0, step_deg)
        angle = angle[np.abs(np.sin(np.radians(angle))) > 1e-9]
        extra = [orbit_vectors("diagonal", angle), orbit_vectors("counter-diagonal", angle)]
        # +-90 degrees lie at elevation 45, azimuth 90: already on the grid when the step divides 45
        known = np.concatenate(vectors)
        fresh = np.concatenate(extra)
        nearest = np.max(fresh @ known.T, axis=1)
        fresh = fresh[nearest < 1 - 1e-12]
        vectors.append(fresh)
        weights = np.concatenate([weights, np.zeros(len(fresh))])
    return Directions(np.concatenate(vectors), weights)


def clenshaw_curtis(n: int) -> NDArray[np.float64]:
    """Weights at the n + 1 angles j pi/n for an integral over cos(angle) from -1 to 1; sums to 2. Even n."""
    j = np.arange(n + 1)
    k = np.arange(1, n // 2 + 1)
    b = np.where(2 * k == n, 1.0, 2.0)
    total = 1.0 - np.cos(2 * np.pi * np.outer(j, k) / n) @ (b / (4.0 * k**2 - 1))
    return np.asarray(np.where((j == 0) | (j == n), 1.0, 2.0) / n * total)


def orbit_directions(step_deg: float = 10.0) -> Directions:
    """The horizontal and vertical orbits of ANSI/CTA-2034-A: 70 unique directions at 10 degrees, no weights."""
    angle = np.arange(0.0, 360.0, step_deg)
    horizontal, vertical = orbit_vectors("horizontal", angle), orbit_vectors("vertical", angle)
    fresh = np.max(vertical @ horizontal.T, axis=1) < 1 - 1e-12
    return Directions(np.concatenate([horizontal, vertical[fresh]]))
