"""The directions that a shape's sound is judged in: a closed sphere, and the angles of the wanted coverage."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenfield.data.directions import Plane, orbit_vectors, sphere_directions
from evenfield.search.aim import PLANES, Aim

Array = NDArray[np.float64]

INSIDE = (0.35, 0.6, 0.8)
"""Where inside the coverage the level is watched, as shares of its half angle."""
FLOORS = (-4.0, -4.5, -5.2)
"""dB re axis; what the level should stay above there: a dip that grazes -6 dB ends the beam."""
WINDOW = (0.9, 1.1)
"""Between these shares of the half angle the level must pass -6 dB."""

ORBIT = tuple(float(a) for a in range(0, 111, 5))
"""Degrees from the axis, on each side, where the beam's width is read, as the metrics read it."""


@dataclass(frozen=True)
class Listening:
    """Directions with what each is for.

    Parameters
        vectors : (D, 3); with a mirror plane only those of y >= 0, their weights doubled
        weights : (D,) sr, summing to 4 pi, zero off the sphere's rule
        front : (D,) weights of the front hemisphere, x = 0 counting half
        axis : index of the reference axis
        edges : (P, 2) indices, the coverage's half angle on the two sides of each plane
        window : (P, 2, 2) indices at `WINDOW` of it, by side and share; inside : (P, 2, I) likewise at `INSIDE`
        listener : (W,) indices of the listening window
        orbit : (P, 2, A) indices at `ORBIT`, by plane and side
    """

    vectors: Array
    weights: Array
    front: Array
    axis: int
    edges: NDArray[np.int64]
    window: NDArray[np.int64]
    inside: NDArray[np.int64]
    listener: NDArray[np.int64]
    orbit: NDArray[np.int64]


def listening_for(aim: Aim, mirrored: bool, step_deg: float = 5.0) -> Listening:
    """The directions of an aim; `mirrored` where the body is its own image in y = 0."""
    sphere = sphere_directions(step_deg, False)
    assert sphere.weights is not None
    vectors, weights = sphere.vectors, sphere.weights
    if mirrored:
        keep = vectors[:, 1] >= -1e-9
        vectors, weights = vectors[keep], weights[keep] * np.where(vectors[keep, 1] > 1e-9, 2.0, 1.0)
    extra: list[Array] = [np.array([[1.0, 0.0, 0.0]])]
    for plane in PLANES:
        half = math.degrees(aim.coverage[plane]) / 2
        for share in (1.0, *WINDOW, *INSIDE):
            extra.append(_orbit(plane, [half * share, -half * share]))
    extra.append(_orbit("horizontal", [0, 10, -10, 20, -20, 30, -30]))
    extra.append(_orbit("vertical", [10, -10]))
    for plane in PLANES:
        extra += [_orbit(plane, [s * a for a in ORBIT]) for s in (1, -1)]
    more = np.concatenate(extra)
    if mirrored:
        more = more * np.sign(more[:, 1:2] + 1e-12) ** np.array([0, 1, 0])
    first = len(vectors)
    vectors = np.concatenate([vectors, more])
    weights = np.concatenate([weights, np.zeros(len(more))])
    x = vectors[:, 0]
    front = weights * np.where(x > 1e-9, 1.0, np.where(x > -1e-9, 0.5, 0.0))
    shares = 1 + len(WINDOW) + len(INSIDE)
    grid = first + 1 + np.arange(len(PLANES) * shares * 2).reshape(len(PLANES), shares, 2)
    orbit = np.arange(len(vectors) - len(PLANES) * 2 * len(ORBIT), len(vectors)).reshape(len(PLANES), 2, len(ORBIT))
    listener = np.arange(first + 1 + grid.size, orbit[0, 0, 0])
    by_side = np.moveaxis(grid, 1, 2)
    split = 1 + len(WINDOW)
    return Listening(vectors, weights, front, first, grid[:, 0], by_side[..., 1:split], by_side[..., split:], listener, orbit)


def _orbit(plane: str, angles: list[float]) -> Array:
    chosen: Plane = plane  # type: ignore[assignment]
    return orbit_vectors(chosen, angles)


__all__ = ["FLOORS", "INSIDE", "ORBIT", "WINDOW", "Listening", "listening_for"]
