"""Which part of the loudspeaker a finding comes from."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from evenfield.base.errors import EvenfieldError
from evenfield.data.directions import Plane, orbit_vectors

if TYPE_CHECKING:
    from evenfield.loudspeaker.predict import Prediction

NEAR_DB = 6.0
"""Two ways within this of each other share the blame: the sum is their handover's."""


def cause_at(prediction: Prediction, frequency_hz: float, plane: Plane = "horizontal", angle_deg: float = 0.0) -> str:
    """The part that rules the sound at one frequency and direction, in words.

    The way whose filtered field is loudest there; both, where the next is within 6 dB; the vent below the box's tuning; marked
    where the diaphragm is no longer rigid, or the box no longer one spring.
    """
    f = prediction.frequency
    i = int(np.argmin(np.abs(np.log(f / frequency_hz))))
    levels = {name: _level(prediction, name, i, plane, angle_deg) for name in prediction.ways}
    ranked = sorted(levels, key=lambda n: -levels[n])
    first = ranked[0]
    if len(ranked) > 1 and levels[first] - levels[ranked[1]] < NEAR_DB:
        low, high = sorted(ranked[:2], key=list(prediction.ways).index)
        return f"handover {low} to {high}"
    words = first
    lowest = first == next(iter(prediction.ways))
    if lowest and frequency_hz < _bass_limit(prediction):
        words += ", its box and vent" if prediction.vent_speed else ", its box"
    if frequency_hz > prediction.rigid_above_hz.get(first, np.inf):
        words += " (above its first mode; rigid piston assumed)"
    elif way_has_guide(prediction, first):
        words += ", its waveguide and the cabinet's edges"
    elif frequency_hz > 300.0:
        words += " and the cabinet's edges"
    return words


def way_has_guide(prediction: Prediction, name: str) -> bool:
    """True when the way radiates through a waveguide."""
    return prediction.design.ways[name].waveguide is not None


def ruling_part(prediction: Prediction, frequency_hz: float) -> str:
    """The way that sends most power at a frequency."""
    i = int(np.argmin(np.abs(np.log(prediction.frequency / frequency_hz))))
    weights = prediction.power.weights
    power = {n: float(weights @ np.abs(w.pressure[:, i] * prediction.filters[n][i]) ** 2) for n, w in prediction.ways.items()}
    return max(power, key=lambda n: power[n])


def _level(prediction: Prediction, name: str, i: int, plane: Plane, angle_deg: float) -> float:
    way = prediction.ways[name]
    try:
        index = int(way.find(orbit_vectors(plane, [angle_deg]))[0])
    except EvenfieldError:
        index = 0
    value = abs(way.pressure[max(index, 0), i] * prediction.filters[name][i])
    return float(20 * np.log10(max(value, 1e-300)))


def _bass_limit(prediction: Prediction) -> float:
    """An octave and a half above the lowest impedance dip: where box and vent still shape the level, Hz."""
    name = next(iter(prediction.impedance), None)
    if name is None:
        return 0.0
    low: NDArray[np.bool_] = prediction.frequency < 300.0
    magnitude = prediction.impedance[name].magnitude[low]
    peak = int(np.argmax(magnitude))
    return float(prediction.frequency[low][peak] * 2.0)
