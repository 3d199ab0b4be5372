"""Measures of the handover between adjacent ways: evenfield's own, not a standard's."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenfield.base.errors import Refusal
from evenfield.data.directions import Plane
from evenfield.data.directivity import Directivity
from evenfield.data.interpolation import interpolate
from evenfield.metrics.averages import listening_window_power, sphere_sound_power
from evenfield.metrics.curves import directivity_index
from evenfield.metrics.polar import beamwidth
from evenfield.metrics.smoothing import at_frequency, octave_around
from evenfield.metrics.sums import Ways, coherent_sum, matched_ways, power_sum

FloatArray = NDArray[np.float64]

_PLANES: tuple[Plane, ...] = ("horizontal", "vertical", "diagonal")
_DYNAMIC_RANGE_DB = 20.0


def handover_frequency(upper_filtered: Directivity, lower_filtered: Directivity) -> float:
    """Frequency at which the two filtered ways have equal listening-window level, Hz. evenfield's own measure, not a standard's.

    Level differences are linear in log frequency between points. Where they cross more than once from lower to upper way, the
    crossing at which both together are loudest counts.
    Raises Refusal where the lower way never hands over to the upper.
    """
    lower = 10 * np.log10(np.maximum(listening_window_power(lower_filtered), 1e-300))
    window = np.maximum(listening_window_power(upper_filtered), 1e-300)
    frequency = lower_filtered.frequency
    upper = at_frequency(upper_filtered.frequency, 10 * np.log10(window), frequency)
    lead = lower - upper
    falls = np.flatnonzero((lead[:-1] > 0) & (lead[1:] <= 0))
    if len(falls) == 0:
        state = "above" if lead.min() > 0 else "below" if lead.max() < 0 else "never, rising in frequency, above and then below"
        raise Refusal(
            f"No handover frequency: the lower way's listening-window level is {state} the upper way's from "
            f"{frequency[0]:.5g} to {frequency[-1]:.5g} Hz. State the frequency in the design, or give the ways filters."
        )
    best = falls[np.argmax(np.maximum(lower, upper)[falls])]
    share = lead[best] / (lead[best] - lead[best + 1])
    return float(frequency[best] * (frequency[best + 1] / frequency[best]) ** share)


def handover_step(upper: Directivity, lower: Directivity, frequency_hz: float) -> float:
    """Full-sphere DI of the upper way less that of the lower at fx, dB; unfiltered, in place. Target |step| <= 0.5.

    evenfield's own measure, not a standard's. Raises DataError on orbits-only data, Refusal outside the data's range.
    """
    difference = _index_difference(upper, lower, np.array([frequency_hz]))
    return float(difference[0])


def handover_mismatch(upper: Directivity, lower: Directivity, frequency_hz: float) -> float:
    """RMS of the DI difference over fx/sqrt 2 ... fx sqrt 2, dB; unfiltered. Target <= 1.0.

    evenfield's own measure, not a standard's. A waveguide of constant DI over a rigid piston cannot get below about 1.8 at
    zero step. Raises DataError on orbits-only data, Refusal outside the data's range.
    """
    return _rms(_index_difference(upper, lower, octave_around(frequency_hz)))


@dataclass(frozen=True)
class PatternDifference:
    """How far two patterns differ around the handover.

    Parameters
        difference_db : RMS over the octave, solid-angle weighted, front hemisphere; target <= 1
        frequency, by_frequency_db : (N,) Hz and dB, the same at each frequency of the octave
        beamwidth_ratio : upper over lower by plane, geometric mean over the octave; target within +-10 %
        worst_beamwidth_ratio : by plane, the ratio farthest from 1
        worst_plane : the plane that has it
    """

    difference_db: float
    frequency: FloatArray
    by_frequency_db: FloatArray
    beamwidth_ratio: Mapping[str, float]
    worst_beamwidth_ratio: Mapping[str, float]
    worst_plane: str


def pattern_difference(upper: Directivity, lower: Directivity, frequency_hz: float) -> PatternDifference:
    """Difference of pattern between two unfiltered ways over the octave around fx. evenfield's own measure, not a standard's.

    Each way is normalised to its own sound power; levels are compared on the front hemisphere (x > 0, half weight on x = 0),
    where either lies within 20 dB of the greatest of both, a weaker level counting as 20 dB below that.
    Raises DataError on orbits-only data, Refusal outside the data's range.
    """
    octave = octave_around(frequency_hz)
    weight = _front_weights(lower)
    mine = _normalised_level(lower, octave)
    pressure = interpolate(upper, lower.directions.vectors)
    on_lower = upper.replace(pressure=pressure, directions=lower.directions)
    theirs = _normalised_level(on_lower, octave, sphere_sound_power(upper))
    front = weight > 0
    floor = np.maximum(mine[front].max(axis=0), theirs[front].max(axis=0)) - _DYNAMIC_RANGE_DB
    heard = np.maximum(mine, theirs) >= floor
    square = (np.maximum(mine, floor) - np.maximum(theirs, floor)) ** 2
    share = weight[:, None] * heard
    by_frequency = (share * square).sum(axis=0) / share.sum(axis=0)
    ratios = {plane: _width_ratio(upper, lower, plane, octave) for plane in _PLANES}
    worst: dict[str, float] = {plane: float(ratio[np.argmax(np.abs(np.log(ratio)))]) for plane, ratio in ratios.items()}
    return PatternDifference(
        difference_db=float(np.sqrt(by_frequency.mean())),
        frequency=octave,
        by_frequency_db=np.sqrt(by_frequency),
        beamwidth_ratio={plane: float(np.exp(np.log(ratio).mean())) for plane, ratio in ratios.items()},
        worst_beamwidth_ratio=worst,
        worst_plane=max(worst, key=lambda plane: abs(np.log(worst[plane]))),
    )


@dataclass(frozen=True)
class LobingShare:
    """What interference between the ways costs in sound power.

    Parameters
        frequency, share_db : (F,) Hz and dB, DI of the coherent field less DI of the power-summed field
        rms_db, max_db : over the octave around the handover
        ideal_db, ideal_rms_db, ideal_max_db : the same of ideal matched ways at the same spacing, with the same filters
    """

    frequency: FloatArray
    share_db: FloatArray
    rms_db: float
    max_db: float
    ideal_db: FloatArray
    ideal_rms_db: float
    ideal_max_db: float


def lobing_share(ways_filtered: Ways, frequency_hz: float, coherent: Directivity | None = None) -> LobingShare:
    """DI of the coherent field less DI of the power-summed field. evenfield's own measure, not a standard's; no target.

    Parameters
        ways_filtered : the ways, filtered, each at its own origin
        frequency_hz : the handover frequency
        coherent : the coherent field, where it is not their far field (the system at its listening distance)
    Beside it the same of ideal matched ways (`matched_ways`), which lose by spacing and filters alone. Two equal
    omnidirectional ways 0.715 wavelengths apart read 4.07 dB, the most that they can.
    Raises DataError on orbits-only data, Refusal outside the data's range or where a way's phase is unknown.
    """
    field = coherent_sum(ways_filtered) if coherent is None else coherent
    summed = power_sum(ways_filtered)
    share = directivity_index(field) - directivity_index(summed)
    matched = matched_ways(ways_filtered)
    ideal = directivity_index(coherent_sum(matched)) - directivity_index(power_sum(matched))
    return LobingShare(
        summed.frequency,
        share,
        *_over_octave(summed.frequency, share, frequency_hz),
        ideal,
        *_over_octave(summed.frequency, ideal, frequency_hz),
    )


def _over_octave(frequency: FloatArray, value: FloatArray, frequency_hz: float) -> tuple[float, float]:
    octave = at_frequency(frequency, value, octave_around(frequency_hz))
    return _rms(octave), float(octave.max())


def _index_difference(upper: Directivity, lower: Directivity, at_hz: FloatArray) -> FloatArray:
    high = at_frequency(upper.frequency, directivity_index(upper), at_hz)
    return high - at_frequency(lower.frequency, directivity_index(lower), at_hz)


def _rms(value: FloatArray) -> float:
    return float(np.sqrt(np.mean(value**2)))


def _front_weights(d: Directivity) -> FloatArray:
    x = d.directions.vectors[:, 0]
    half = np.where(np.abs(x) < 1e-9, 0.5, 1.0)
    return np.asarray(d.weights * np.where(x > -1e-9, half, 0.0))


def _normalised_level(d: Directivity, at_hz: FloatArray, power: FloatArray | None = None) -> FloatArray:
    """(D, N) level over the way's own sound power, dB."""
    total = sphere_sound_power(d) if power is None else power
    level = 10 * np.log10(np.maximum(np.abs(d.pressure) ** 2, 1e-300) / np.maximum(total, 1e-300))
    return at_frequency(d.frequency, level, at_hz)


def _width_ratio(upper: Directivity, lower: Directivity, plane: Plane, at_hz: FloatArray) -> FloatArray:
    width = [at_frequency(d.frequency, beamwidth(d, plane).beamwidth.values, at_hz) for d in (upper, lower)]
    return np.asarray(width[0] / width[1])
