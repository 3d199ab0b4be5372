"""Adding the ways where they are heard: each from its own origin, at any point."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base.errors import DataError
from evenfield.data.directions import Directions
from evenfield.data.directivity import Directivity
from evenfield.data.interpolation import interpolate

ComplexArray = NDArray[np.complex128]


def pressure_at(way: Directivity, points: ArrayLike) -> ComplexArray:
    """(P, F) pressure of one way at (P, 3) points, Pa per volt: its far-field pattern, spherical spreading from its origin.

    Valid for: points several diaphragm radii from the way.
    Raises DataError for a point at the way's origin.
    """
    path = np.atleast_2d(np.asarray(points, float)) - np.asarray(way.origin)
    distance = np.linalg.norm(path, axis=1)
    if np.any(distance < 1e-3):
        raise DataError("A listening point must lie away from the way's origin, got a point on it. Try the listening distance.")
    k = 2 * np.pi * way.frequency / way.speed_of_sound
    field = interpolate(way, path / distance[:, None])
    return np.asarray(field * np.exp(-1j * k[None] * distance[:, None]) / distance[:, None])


def add_ways(
    ways: Mapping[str, Directivity],
    filters: Mapping[str, ComplexArray],
    origin: tuple[float, float, float],
    distance: float,
    directions: Directions,
) -> Directivity:
    """The system Directivity: filtered ways added on a sphere of radius `distance` about `origin`.

    The result is referred to 1 m and to `origin` (p r e^{jkr}), as if all came from there; `distance` is recorded.
    """
    first = next(iter(ways.values()))
    points = np.asarray(origin) + distance * directions.vectors
    total = np.zeros((len(directions), len(first.frequency)), complex)
    for name, way in ways.items():
        total += pressure_at(way, points) * filters[name][None]
    k = 2 * np.pi * first.frequency / first.speed_of_sound
    return Directivity(
        total * distance * np.exp(1j * k * distance)[None],
        directions,
        first.frequency,
        origin=origin,
        phase_known=all(w.phase_known for w in ways.values()),
        level_absolute=all(w.level_absolute for w in ways.values()),
        bandwidth=next((w.bandwidth for w in ways.values() if w.bandwidth), None),
        distance=distance,
        speed_of_sound=first.speed_of_sound,
        density=first.density,
        provenance={"kind": "ways added", "ways": list(ways)},
    )
