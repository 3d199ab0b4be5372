"""The loudest sine that the linear model allows, and what stops it: excursion, amplifier or vent."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenfield.base.constants import REFERENCE_PRESSURE
from evenfield.loudspeaker.predict import Prediction

FloatArray = NDArray[np.float64]

VENT_SPEED = 17.0
"""m/s peak in the vent: some 5 % of the speed of sound, above which vents are heard (common practice, no source)."""


@dataclass(frozen=True)
class BindingLimits:
    """(F,) Hz; (F,) dB re 20 uPa RMS at the listening distance on axis; what stops it there, in words."""

    frequency: FloatArray
    level_db: FloatArray
    cause: tuple[str, ...]


def binding_limits(prediction: Prediction) -> BindingLimits | None:
    """Level over frequency at which the first limit is met; None when the design states no limit.

    Valid for: sines; small-signal parameters at every level, no heat, no compression.
    """
    volts: dict[str, FloatArray] = {}
    for name, way in prediction.design.ways.items():
        if way.driver is not None and way.driver.xmax is not None and name in prediction.system_excursion:
            peak = math.sqrt(2) * np.abs(prediction.system_excursion[name].value)
            volts[f"excursion of {name}"] = float(way.driver.xmax) / np.maximum(peak, 1e-300)
        if way.amplifier.voltage is not None:
            volts[f"amplifier voltage of {name}"] = float(way.amplifier.voltage) / np.maximum(
                np.abs(prediction.filters[name]), 1e-300
            )
        if way.amplifier.current is not None and name in prediction.impedance:
            current = np.abs(prediction.filters[name] / prediction.impedance[name].value)
            volts[f"amplifier current of {name}"] = float(way.amplifier.current) / np.maximum(current, 1e-300)
    if not volts:
        return None
    for name, speed in prediction.vent_speed.items():
        volts[f"air speed in the {name}"] = VENT_SPEED / np.maximum(math.sqrt(2) * np.abs(speed.value), 1e-300)
    names = list(volts)
    table = np.asarray([volts[n] for n in names])
    first = table.argmin(axis=0)
    distance = float(prediction.design.brief.listening_distance)
    per_volt = np.abs(prediction.system.on_axis()) / distance
    level = 20 * np.log10(table.min(axis=0) * per_volt / REFERENCE_PRESSURE)
    return BindingLimits(prediction.frequency, level, tuple(names[i] for i in first))
