"""What a filter fit is asked for, and whether that can be had at all."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from evenfield.base.constants import REFERENCE_PRESSURE
from evenfield.base.errors import DesignError, message
from evenfield.loudspeaker.filter_fit_field import FitField, octave_mean
from evenfield.loudspeaker.filter_fit_objective import DriveLimit, Weights
from evenfield.loudspeaker.predict import Prediction

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Goals:
    """The objective in the engineer's words. What is None comes from the brief.

    Parameters
        low_hz, high_hz : band in which the listening window follows the target; default: flatness_from ... highest_frequency
        tilt : dB per octave of the target, 0 is flat
        window_db : deviation that needs no more sections
        biquads : most second-order factors per way; the crossover's count
        boost_db, cut_db : largest boost and cut of a section, and of a way's sections together (boost)
        level_db : RMS level at the listening distance that excursion, amplifier and coil must stand; None leaves limits to the
            brief, as far as they can be kept
        level_from_hz : above which it is asked
        sample_rate : Hz of the processor, None for analogue sections
        least_gain : share of the objective that a section must take away to stay
        weights : of the terms
    """

    low_hz: float | None = None
    high_hz: float | None = None
    tilt: float = 0.0
    window_db: float = 0.5
    biquads: int = 10
    boost_db: float = 6.0
    cut_db: float = 12.0
    level_db: float | None = None
    level_from_hz: float | None = None
    sample_rate: float | None = None
    least_gain: float = 0.03
    weights: Weights = field(default_factory=Weights)

    def band(self, prediction: Prediction) -> tuple[float, float]:
        """Hz. Raises DesignError when it is empty or beyond the processor's half rate."""
        brief = prediction.design.brief
        low = float(brief.flatness_from) if self.low_hz is None else self.low_hz
        high = float(brief.highest_frequency) if self.high_hz is None else self.high_hz
        if not 0 < low < high / 2:
            raise DesignError(
                message(
                    "the fit's band",
                    "at least an octave wide",
                    f"{low:g} to {high:g} Hz",
                    cause="Lower and upper limit contradict each other",
                )
            )
        rate = self.sample_rate
        if rate is not None and high >= 0.46 * rate:
            raise DesignError(
                message(
                    "the fit's upper limit",
                    f"below 0.46 of the sample rate ({0.46 * rate:g} Hz)",
                    f"{high:g} Hz",
                    fix="a higher sample rate or a lower limit",
                )
            )
        return low, high

    def target(self, frequency: FloatArray) -> FloatArray:
        """(F,) dB re 1 kHz."""
        return np.asarray(self.tilt * np.log2(frequency / 1000.0))


def drive_limits(prediction: Prediction, frequency: FloatArray, goals: Goals) -> tuple[DriveLimit, ...]:
    """What each way's coil, suspension and amplifier can take, V RMS, above the frequency from which a level is asked."""
    inside = np.isin(prediction.frequency, frequency)
    start = goals.level_from_hz or float(prediction.design.brief.maximum_level_from)
    found = []
    for i, name in enumerate(prediction.design.ways):
        for what, volts in _volts(prediction, name):
            found.append(DriveLimit(f"{what} of {name}", i, np.where(frequency >= start, volts[inside], np.inf)))
    return tuple(found)


def _volts(prediction: Prediction, name: str) -> Iterator[tuple[str, FloatArray]]:
    way = prediction.design.ways[name]
    everywhere = np.ones_like(prediction.frequency)
    driver = way.driver
    if driver is not None and driver.xmax is not None and name in prediction.excursion:
        yield "excursion", float(driver.xmax) / (math.sqrt(2) * np.maximum(np.abs(prediction.excursion[name].value), 1e-300))
    if way.amplifier.voltage is not None:
        yield "amplifier voltage", float(way.amplifier.voltage) * everywhere
    if name not in prediction.impedance:
        return
    z = prediction.impedance[name]
    if way.amplifier.current is not None:
        yield "amplifier current", float(way.amplifier.current) * z.magnitude
    if driver is not None and driver.power is not None:
        # a sine that heats the coil as the rated power does: I^2 Re{Z}
        yield "long-term power", np.sqrt(float(driver.power) / np.maximum(z.value.real, 1e-6)) * z.magnitude


def kept_limits(
    field: FitField, limits: tuple[DriveLimit, ...], level_pa: float, strict: bool
) -> tuple[tuple[DriveLimit, ...], list[str]]:
    """Limits that filters can keep, and notes on those they cannot.

    Below 500 Hz (everywhere, with one way) the lowest way alone makes the sound: there the level sets its voltage, whatever the
    filters. Raises DesignError, naming level and limit, when `strict` and they contradict each other.
    """
    needed = level_pa / np.sqrt(np.real(field.window[:, 0, 0]))
    edge = 500.0 if len(field.names) > 1 else np.inf
    kept, notes = [], []
    for limit in limits:
        ruled = (field.frequency < edge) & np.isfinite(limit.volts) & (limit.way == 0)
        over = np.where(ruled, 20 * np.log10(needed / limit.volts), -np.inf)
        worst = int(np.argmax(over))
        if over[worst] <= 0.05:
            kept.append(limit)
            continue
        level = 20 * math.log10(level_pa / REFERENCE_PRESSURE)
        text = (
            f"A level of {level:.1f} dB at {field.frequency[worst]:.0f} Hz and the {limit.name} contradict each other: the limit "
            f"stops it {over[worst]:.1f} dB lower, whatever the filters"
        )
        if strict:
            raise DesignError(f"{text}. Try {level - over[worst]:.1f} dB, or a higher lowest frequency for the level.")
        notes.append(f"{text}.")
        kept.append(DriveLimit(limit.name, limit.way, np.where(ruled, np.maximum(limit.volts, needed), limit.volts)))
    return tuple(kept), notes


def check_reach(field: FitField, goals: Goals, target: FloatArray) -> None:
    """Raise DesignError when flatness asks for more than the largest boost and cut together, naming them.

    At each end of the band the loudest way's window, a third of an octave, against the median of the band.
    """
    loudest = 10 * np.log10(np.max(np.real(np.einsum("fww->wf", field.window)), axis=0)) - target
    smooth = octave_mean(field.frequency, loudest, 1 / 3)
    middle = float(np.median(smooth))
    for i in (0, -1):
        missing = middle - float(smooth[i]) - goals.window_db
        if missing > goals.boost_db + goals.cut_db:
            raise DesignError(
                f"A window flat to {goals.window_db:.1f} dB at {field.frequency[i]:.0f} Hz and the largest boost and cut "
                f"({goals.boost_db:.1f} and {goals.cut_db:.1f} dB) contradict each other: {missing:.1f} dB are missing there. "
                "Try a band that ends sooner."
            )
