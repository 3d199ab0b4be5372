"""Limits for reference monitors, as data, and their judgement on a Directivity. All unverified, from memory."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenfield.base.bands import octave_axis
from evenfield.base.errors import DataError, Refusal, message
from evenfield.data.directions import Plane
from evenfield.data.directivity import Directivity
from evenfield.metrics.averages import mean_square, on_axis_power, sphere_sound_power
from evenfield.metrics.smoothing import require_resolution, smooth_power
from evenfield.metrics.time import time_basis, tone_decay

FloatArray = NDArray[np.float64]

UNVERIFIED = "unverified, from memory"


@dataclass(frozen=True)
class Limit:
    """One limit of a standard.

    Parameters
        name : short, unique within its standard; quantity : in words
        lower, upper : bounds of the figure, either may be None; unit
        low_hz, high_hz : the band it holds in; None where it has none
        measure : key of the function that finds the figure from a Directivity; None where none can
        needs : what a judgement takes, where `measure` is None
    """

    standard: str
    name: str
    quantity: str
    lower: float | None
    upper: float | None
    unit: str
    low_hz: float | None = None
    high_hz: float | None = None
    measure: str | None = None
    needs: str = ""
    status: str = UNVERIFIED

    @property
    def words(self) -> str:
        """The bound in words."""
        if self.lower is not None and self.upper is not None:
            return f"{self.lower:g} ... {self.upper:g} {self.unit}"
        return f"<= {self.upper:g} {self.unit}" if self.upper is not None else f">= {self.lower:g} {self.unit}"


_BS, _EBU = "ITU-R BS.1116-3", "EBU Tech 3276"
_PAIR, _NOISE = "two loudspeakers measured", "a measurement of noise"
_POWER, _TONES = "a measurement at high level", "a distortion measurement"

LIMITS: tuple[Limit, ...] = (
    Limit(_BS, "response", "on-axis third octaves, highest less lowest", None, 4.0, "dB", 40, 16000, "response"),
    Limit(_BS, "off_axis_10", "+-10 degrees against the axis", None, 3.0, "dB", 40, 16000, "off_axis_10"),
    Limit(_BS, "off_axis_30", "+-30 degrees horizontal against the axis", None, 4.0, "dB", 40, 16000, "off_axis_30"),
    Limit(_BS, "directivity_index", "directivity index, third octaves", 6.0, 12.0, "dB", 500, 10000, "index"),
    Limit(_BS, "decay", "cycles until a tone has fallen by 8.7 dB", None, 5.0, "cycles", 40, 16000, "decay"),
    Limit(_BS, "pair_match", "difference between loudspeakers", None, 1.0, "dB", 250, 2000, None, _PAIR),
    Limit(_BS, "harmonics_low", "any harmonic at 90 dB, 1 m", None, -30.0, "dB", 40, 250, None, _TONES),
    Limit(_BS, "harmonics", "any harmonic at 90 dB, 1 m", None, -40.0, "dB", 250, 16000, None, _TONES),
    Limit(_BS, "delay_match", "difference of delay between channels", None, 100.0, "us", None, None, None, _PAIR),
    Limit(_BS, "maximum_level", "programme-simulating noise, 1 m", 108.0, None, "dB", None, None, None, _POWER),
    Limit(_BS, "self_noise", "noise of its own at 1 m", None, 10.0, "dBA", None, None, None, _NOISE),
    Limit(_EBU, "response", "on-axis third octaves, highest less lowest", None, 4.0, "dB", 40, 16000, "response"),
    Limit(_EBU, "off_axis_10", "+-10 degrees against the axis", None, 3.0, "dB", 40, 16000, "off_axis_10"),
    Limit(_EBU, "off_axis_30", "+-30 degrees horizontal against the axis", None, 4.0, "dB", 40, 16000, "off_axis_30"),
    Limit(_EBU, "directivity_index", "directivity index, third octaves", 4.0, 12.0, "dB", 250, 16000, "index"),
    Limit(_EBU, "pair_match", "difference between loudspeakers", None, 0.5, "dB", 250, 2000, None, _PAIR),
    Limit(_EBU, "delay_match", "difference of delay between channels", None, 10.0, "us", None, None, None, _PAIR),
    Limit(_EBU, "maximum_level", "highest level, 1 m", 112.0, None, "dB", None, None, None, _POWER),
)
"""The reference-monitor set. Each value unverified, from memory, until someone reads the standards."""


@dataclass(frozen=True)
class Finding:
    """One limit, judged.

    Parameters
        name : of the limit; limit : the Limit
        found : the figure, or the bound crossed farthest of a two-sided limit; None where it could not be found
        passed : True, False, or None where it was not judged
        margin : distance to the bound, positive when inside; None where not found
        where : frequency and direction of the figure
        reason : why it was not judged, or what was not covered
    """

    name: str
    limit: Limit
    found: float | None
    passed: bool | None
    margin: float | None = None
    where: str = ""
    reason: str = ""


def evaluate_masks(d: Directivity, standard: str | None = None) -> list[Finding]:
    """Judge a Directivity by the reference-monitor limits; those it cannot support are listed as not judged, with the reason.

    Parameters
        standard : "ITU-R BS.1116-3" or "EBU Tech 3276"; both by default
    A limit whose band is covered in part fails where that part fails, and is otherwise not judged.
    Raises DataError on another standard.
    """
    known = sorted({limit.standard for limit in LIMITS})
    if standard is not None and standard not in known:
        raise DataError(message("standard", " or ".join(known), repr(standard)))
    return [_judge(d, limit) for limit in LIMITS if standard in (None, limit.standard)]


def _judge(d: Directivity, limit: Limit) -> Finding:
    if limit.measure is None:
        return Finding(limit.name, limit, None, None, reason=f"Not judged: needs {limit.needs}.")
    try:
        band, partly = _bands(d, limit)
        value, place = _MEASURES[limit.measure](d, band)
    except (Refusal, DataError) as error:
        return Finding(limit.name, limit, None, None, reason=f"Not judged: {error}")
    above = np.inf if limit.upper is None else limit.upper - value
    below = np.inf if limit.lower is None else value - limit.lower
    margin = np.minimum(above, below)
    worst = int(np.argmin(margin))
    passed: bool | None = bool(margin[worst] >= 0)
    if passed and partly:
        passed = None
    return Finding(limit.name, limit, float(value[worst]), passed, float(margin[worst]), place[worst], partly)


def _bands(d: Directivity, limit: Limit) -> tuple[FloatArray, str]:
    """Third-octave mid-bands of the limit that the data cover, and what they do not cover in words."""
    low, high = limit.low_hz or 20.0, limit.high_hz or 20000.0
    inside = d.frequency[(d.frequency > low / 1.06) & (d.frequency < high * 1.06)]
    if len(inside) < 2:
        raise Refusal(f"the data lie outside {low:g} ... {high:g} Hz.")
    require_resolution(d, 3, "A third-octave limit", float(inside[0]), float(inside[-1]))
    wanted = octave_axis(3, low, high)
    band = wanted[(wanted > inside[0] / 1.03) & (wanted < inside[-1] * 1.03)]
    partly = "" if len(band) == len(wanted) else f"Only {band[0]:.4g} ... {band[-1]:.4g} Hz of {low:g} ... {high:g} Hz covered."
    return band, partly


def _third_octaves(d: Directivity, power: FloatArray, band: FloatArray) -> FloatArray:
    """(..., B) third-octave mean squares: the data's own bands where they are such, else averaged."""
    if d.bandwidth == 3:
        nearest = np.argmin(np.abs(np.log(d.frequency[None] / band[:, None])), axis=1)
        return np.asarray(power[..., nearest])
    return smooth_power(d.frequency, power, 3, band)


def _response(d: Directivity, band: FloatArray) -> tuple[FloatArray, list[str]]:
    level = 10 * np.log10(_third_octaves(d, on_axis_power(d), band))
    high, low = int(np.argmax(level)), int(np.argmin(level))
    return np.array([level[high] - level[low]]), [f"highest at {band[high]:.4g} Hz, lowest at {band[low]:.4g} Hz"]


def _off_axis(*orbits: tuple[Plane, float]) -> Callable[[Directivity, FloatArray], tuple[FloatArray, list[str]]]:
    def find(d: Directivity, band: FloatArray) -> tuple[FloatArray, list[str]]:
        axis = 10 * np.log10(_third_octaves(d, on_axis_power(d), band))
        values, places = [], []
        for plane, angle in orbits:
            level = 10 * np.log10(_third_octaves(d, mean_square(d, plane, [angle])[0], band))
            values.append(np.abs(level - axis))
            places += [f"{plane} {angle:+g} deg, {f:.4g} Hz" for f in band]
        return np.concatenate(values), places

    return find


def _index(d: Directivity, band: FloatArray) -> tuple[FloatArray, list[str]]:
    axis = _third_octaves(d, on_axis_power(d), band)
    index = 10 * np.log10(axis / _third_octaves(d, sphere_sound_power(d), band))
    return np.asarray(index), [f"{f:.4g} Hz" for f in band]


def _decay(d: Directivity, band: FloatArray) -> tuple[FloatArray, list[str]]:
    """Cycles after which a tone stays 8.7 dB (1/e) below its steady level."""
    basis = time_basis(d)
    cycles = np.linspace(0.0, 10.0, 201)
    value = []
    for f in band:
        loud = np.flatnonzero(tone_decay(basis, float(f), cycles / f) > -20 * np.log10(np.e))
        value.append(cycles[loud[-1]] if len(loud) else 0.0)
    return np.array(value), [f"{f:.4g} Hz" for f in band]


_MEASURES: dict[str, Callable[[Directivity, FloatArray], tuple[FloatArray, list[str]]]] = {
    "response": _response,
    "off_axis_10": _off_axis(("horizontal", 10), ("horizontal", -10), ("vertical", 10), ("vertical", -10)),
    "off_axis_30": _off_axis(("horizontal", 30), ("horizontal", -30)),
    "index": _index,
    "decay": _decay,
}
