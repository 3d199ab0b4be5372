"""Limiter thresholds of each way from its driver's and amplifier's limits, and the headroom left for programme."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenfield.base.errors import Refusal
from evenfield.data.response import Response
from evenfield.loudspeaker.levels import binding_limits
from evenfield.loudspeaker.predict import Prediction

FloatArray = NDArray[np.float64]

CREST_DB = 12.0
"""Programme's peaks over its RMS (IEC 60268-1 simulated programme has some 12 dB; from memory)."""


@dataclass(frozen=True)
class ExcursionModel:
    """Excursion per volt as a second-order low-pass, for a limiter that must know what a sample will do.

    x/V = static / (1 + s/(w0 Q) + s^2/w0^2), after the way's own high-pass. `error_db` is its greatest departure from the
    predicted excursion from 20 Hz to two octaves above w0.
    """

    static: float
    frequency: float
    q: float
    error_db: float

    def magnitude(self, frequency_hz: FloatArray) -> FloatArray:
        """(F,) m per V."""
        x = 1j * np.asarray(frequency_hz) / self.frequency
        return np.asarray(self.static / np.abs(1 + x / self.q + x * x))


@dataclass(frozen=True)
class Limiter:
    """Thresholds of one way, at its terminals; None where the design gives no limit.

    Parameters
        peak_volts : V peak, the amplifier's
        rms_volts : V RMS long term, from the coil's power on Re
        excursion_volts : V RMS sine at the frequency of greatest excursion, `excursion_hz`, that reaches Xmax
        excursion : model, and (F,) greatest V RMS for Xmax over frequency
    """

    way: str
    peak_volts: float | None
    rms_volts: float | None
    excursion_volts: float | None
    excursion_hz: float | None
    excursion: ExcursionModel | None


def limiters(prediction: Prediction) -> tuple[Limiter, ...]:
    """Thresholds of every way. Valid for: small-signal parameters at every level; no heat, no compression."""
    found = []
    for name, way in prediction.design.ways.items():
        driver = way.driver
        peak = None if way.amplifier.voltage is None else math.sqrt(2) * float(way.amplifier.voltage)
        rms = None
        if driver is not None and driver.power is not None and name in prediction.impedance:
            rms = math.sqrt(float(driver.power) * float(prediction.impedance[name].value.real.min()))
        volts, at, model = None, None, None
        if driver is not None and driver.xmax is not None and name in prediction.excursion:
            moved = prediction.excursion[name]
            f, per_volt = prediction.frequency, np.abs(moved.value)
            # only where the way is driven: within 20 dB of its filters' most
            driven = np.abs(prediction.filters[name]) > 0.1 * np.abs(prediction.filters[name]).max()
            worst = int(np.argmax(np.where(driven, per_volt, 0.0)))
            volts, at = float(driver.xmax) / (math.sqrt(2) * float(per_volt[worst])), float(f[worst])
            model = excursion_model(moved)
        found.append(Limiter(name, peak, rms, volts, at, model))
    return tuple(found)


def excursion_model(moved: Response) -> ExcursionModel:
    """Fit of the second-order low-pass to an excursion per volt, level in dB over log frequency.

    A vented box's dip at its tuning is not followed: the model stays above it, on the safe side.
    """
    from scipy.optimize import least_squares

    f, level = moved.frequency, 20 * np.log10(np.maximum(np.abs(moved.value), 1e-300))
    start = float(f[np.argmin(np.abs(level - (level[0] - 6)))])

    def away(v: FloatArray) -> FloatArray:
        model = ExcursionModel(math.exp(v[0]), math.exp(v[1]), math.exp(v[2]), 0.0)
        gap = 20 * np.log10(model.magnitude(f)) - level
        # below the prediction is dangerous: it weighs ten times
        return np.asarray(np.where(gap < 0, 10.0, 1.0) * gap)

    best = least_squares(away, [math.log(np.abs(moved.value[0])), math.log(start), 0.0], loss="soft_l1", max_nfev=200).x
    model = ExcursionModel(math.exp(best[0]), math.exp(best[1]), math.exp(best[2]), 0.0)
    used = f < 4 * model.frequency
    gap = np.abs(20 * np.log10(model.magnitude(f)) - level)[used]
    return ExcursionModel(model.static, model.frequency, model.q, float(gap.max()))


@dataclass(frozen=True)
class Headroom:
    """(F,) Hz; (F,) dB between programme's peaks in a third octave and the loudest sine there; what stops it, in words."""

    frequency: FloatArray
    headroom_db: FloatArray
    cause: tuple[str, ...]
    level_db: float


def headroom(prediction: Prediction, level_db: float | None = None) -> Headroom:
    """Headroom over frequency for pink programme of `level_db` RMS at the listening distance, 20 Hz ... 20 kHz, 12 dB crest.

    Parameters
        level_db : default the brief's maximum level less 12 dB
    Raises Refusal when the design states no limit, or there is no level.
    """
    limits = binding_limits(prediction)
    if limits is None:
        raise Refusal("Headroom needs a limit: give Xmax, power or amplifier voltages.")
    asked = level_db
    if asked is None and prediction.design.brief.maximum_level is not None:
        asked = float(prediction.design.brief.maximum_level) - CREST_DB
    if asked is None:
        raise Refusal("Headroom needs a level: give brief.maximum_level, or a level.")
    third = asked - 10 * math.log10(30)  # thirty third octaves share pink noise
    return Headroom(limits.frequency, limits.level_db - third - CREST_DB, limits.cause, asked)
