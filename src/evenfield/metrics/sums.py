"""Far-field sums of ways: coherent, of powers, and those of ideal matched ways."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from evenfield.base.errors import DataError, Refusal, message
from evenfield.data.directivity import Directivity

Ways = Mapping[str, Directivity] | Sequence[Directivity]
"""Filtered ways, by name or in order, lowest first."""


def power_sum(ways: Ways) -> Directivity:
    """The incoherent sum of filtered ways: squared pressures added in every direction, on the axis too; no phase.

    Raises DataError when the ways differ in directions or frequencies.
    """
    ways = _named(ways)
    first = _same_axes(ways)
    power = np.sum([np.abs(way.pressure) ** 2 for way in ways.values()], axis=0)
    provenance = {"made_by": "power sum", "ways": ", ".join(ways)}
    return first.replace(pressure=np.sqrt(power), phase_known=False, provenance=provenance, **_common(ways))


def coherent_sum(ways: Ways, origin: ArrayLike | None = None) -> Directivity:
    """The far field of filtered ways, each from its own origin: sum of p e^{jk (origin_way - origin) . direction}.

    Parameters
        origin : (3,) m, the phase reference of the sum; the last way's origin by default
    Raises DataError when the ways differ in directions or frequencies; Refusal where a way's phase is unknown.
    """
    ways = _named(ways)
    first = _same_axes(ways)
    for name, way in ways.items():
        if not way.phase_known:
            raise Refusal(f"The coherent sum needs every way's phase; {name} was recorded without.")
    about = np.asarray(list(ways.values())[-1].origin if origin is None else origin, float)
    k = 2 * np.pi * first.frequency / first.speed_of_sound
    total = np.zeros(first.pressure.shape, complex)
    for way in ways.values():
        total += way.pressure * np.exp(1j * np.outer(first.directions.vectors @ (np.asarray(way.origin) - about), k))
    provenance = {"made_by": "coherent far-field sum", "ways": ", ".join(ways)}
    where = (float(about[0]), float(about[1]), float(about[2]))
    return first.replace(pressure=total, origin=where, provenance=provenance, **_common(ways))


def matched_ways(ways: Ways) -> dict[str, Directivity]:
    """Ideal matched ways: each keeps its origin and its response on the axis, all share one pattern, that of the power sum.

    What they lose by lobing, the spacing and the filters alone cost.
    """
    ways = _named(ways)
    together = power_sum(ways)
    pattern = np.abs(together.pressure) / np.maximum(np.abs(together.on_axis()), 1e-300)
    return {name: way.replace(pressure=pattern * way.on_axis()) for name, way in ways.items()}


def _named(ways: Ways) -> Mapping[str, Directivity]:
    return ways if isinstance(ways, Mapping) else {f"way {i + 1}": way for i, way in enumerate(ways)}


def _same_axes(ways: Mapping[str, Directivity]) -> Directivity:
    if not ways:
        raise DataError(message("ways", "at least one", "none"))
    first = next(iter(ways.values()))
    for name, way in ways.items():
        same = way.frequency.shape == first.frequency.shape and np.allclose(way.frequency, first.frequency, rtol=1e-9)
        if not same or way.directions.vectors.shape != first.directions.vectors.shape:
            raise DataError(message(name, "on the directions and frequencies of the others", "other ones"))
        if np.abs(way.directions.vectors - first.directions.vectors).max() > 1e-6:
            raise DataError(message(name, "on the directions of the others, in their order", "other ones"))
    return first


def _common(ways: Mapping[str, Directivity]) -> dict[str, Any]:
    bands = [way.bandwidth for way in ways.values() if way.bandwidth is not None]
    return {
        "level_absolute": all(way.level_absolute for way in ways.values()),
        "bandwidth": min(bands) if bands else None,
    }
