"""Fractional-octave means of squared pressure, and whether data can support them."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base.bands import OCTAVE, band_edges
from evenfield.base.errors import DataError, Refusal, message
from evenfield.data.directivity import Directivity

FloatArray = NDArray[np.float64]


def smooth_power(frequency: FloatArray, power: FloatArray, fraction: int, centre_hz: ArrayLike | None = None) -> FloatArray:
    """Mean of a squared pressure over 1/`fraction`-octave bands, each octave of frequency counting the same.

    Parameters
        frequency : (F,) Hz, ascending; power : (..., F), taken as linear in log frequency between points
        centre_hz : (B,) Hz, mid-bands; the points themselves by default
    Returns
        mean : (..., B). Bands reaching past the data's ends are cut there.
    """
    centre = frequency if centre_hz is None else np.asarray(centre_hz, float)
    lower, upper = band_edges(centre, fraction)
    x = np.log(frequency)
    low, high = (np.clip(np.log(edge), x[0], x[-1]) for edge in (lower, upper))
    width = high - low
    area = _integral_to(x, power, high) - _integral_to(x, power, low)
    if np.any(width <= 0):
        bad = float(np.atleast_1d(centre)[np.atleast_1d(width <= 0)][0])
        raise DataError(message("a band", f"within {frequency[0]:.5g} ... {frequency[-1]:.5g} Hz", f"{bad:.5g} Hz"))
    return np.asarray(area / width)


def smoothed(d: Directivity, fraction: int, centre_hz: ArrayLike | None = None) -> Directivity:
    """A Directivity of 1/`fraction`-octave mean squares; phase is lost, `bandwidth` says so.

    Parameters
        centre_hz : (B,) Hz, mid-bands; the data's own points by default
    Raises Refusal where the data are coarser than that.
    """
    require_resolution(d, fraction, f"A 1/{fraction}-octave mean")
    centre = d.frequency if centre_hz is None else np.asarray(centre_hz, float)
    power = smooth_power(d.frequency, np.abs(d.pressure) ** 2, fraction, centre)
    return d.replace(pressure=np.sqrt(power), frequency=centre, phase_known=False, bandwidth=fraction)


def require_resolution(d: Directivity, fraction: int, what: str, low_hz: float = 0.0, high_hz: float = np.inf) -> None:
    """Raise Refusal, with the reason, where the data are coarser than 1/`fraction` octave or do not span the range.

    Points of a discrete axis may lie up to one band apart.
    """
    if d.bandwidth is not None and d.bandwidth < fraction:
        raise Refusal(
            f"{what} is a 1/{fraction}-octave figure; this data holds 1/{d.bandwidth}-octave bands, which cannot be made finer."
        )
    require_range(d.frequency, what, low_hz, high_hz)
    if d.bandwidth is not None:
        return
    inside = d.frequency[(d.frequency >= low_hz / OCTAVE ** (1 / fraction)) & (d.frequency <= high_hz * OCTAVE)]
    step = float(np.max(np.diff(np.log(inside)))) / np.log(OCTAVE) if len(inside) > 1 else np.inf
    if step > 1.02 / fraction:
        raise Refusal(f"{what} is a 1/{fraction}-octave figure; this data has steps of up to 1/{1 / step:.2g} octave.")


def require_range(frequency: FloatArray, what: str, low_hz: float, high_hz: float) -> None:
    """Raise Refusal where the data do not reach from `low_hz` to `high_hz` (within 3 %)."""
    high = frequency[-1] if np.isinf(high_hz) else high_hz
    if (frequency[0] > 1.03 * max(low_hz, 1e-9) and low_hz > 0) or frequency[-1] < high / 1.03:
        raise Refusal(
            f"{what} needs {low_hz:.5g} ... {high:.5g} Hz; this data holds {frequency[0]:.5g} ... {frequency[-1]:.5g} Hz."
        )


def at_frequency(frequency: FloatArray, value: FloatArray, wanted_hz: ArrayLike) -> FloatArray:
    """(..., W) value, linear in log frequency between points. Raises Refusal outside the data."""
    wanted = np.asarray(wanted_hz, float)
    if np.any(wanted < frequency[0] * (1 - 1e-9)) or np.any(wanted > frequency[-1] * (1 + 1e-9)):
        raise Refusal(
            f"A value at {float(wanted.min()):.5g} ... {float(wanted.max()):.5g} Hz was asked for; this data holds "
            f"{frequency[0]:.5g} ... {frequency[-1]:.5g} Hz."
        )
    x, place = np.log(frequency), np.log(wanted)
    right = np.clip(np.searchsorted(x, place), 1, len(x) - 1)
    share = (place - x[right - 1]) / (x[right] - x[right - 1])
    return np.asarray(value[..., right - 1] * (1 - share) + value[..., right] * share)


def octave_around(frequency_hz: float, points: int = 49) -> FloatArray:
    """(points,) Hz, equal steps in log frequency over fx/sqrt 2 ... fx sqrt 2."""
    return np.asarray(frequency_hz * 2 ** np.linspace(-0.5, 0.5, points))


def _integral_to(x: FloatArray, y: FloatArray, place: FloatArray) -> FloatArray:
    """Integral of the piecewise linear y(x) from x[0] to each place."""
    step = np.diff(x)
    whole = np.concatenate([np.zeros((*y.shape[:-1], 1)), np.cumsum((y[..., 1:] + y[..., :-1]) / 2 * step, -1)], -1)
    left = np.clip(np.searchsorted(x, place, side="right") - 1, 0, len(x) - 2)
    t = place - x[left]
    slope = (y[..., left + 1] - y[..., left]) / step[left]
    return np.asarray(whole[..., left] + y[..., left] * t + slope * t**2 / 2)
