"""Adding the ways where they are heard: each from its own origin, at any point."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from evenfield.data.directions import Directions
from evenfield.data.directivity import Directivity
from evenfield.data.interpolation import pressure_at

ComplexArray = NDArray[np.complex128]


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
