"""Fractional-octave frequency axes (IEC 61260-1:2014, base 10)."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base.errors import DataError, message

OCTAVE = 10**0.3
"""The octave ratio of IEC 61260-1, base 10."""


def octave_axis(fraction: int, low_hz: float = 20.0, high_hz: float = 20000.0) -> NDArray[np.float64]:
    """Exact mid-band frequencies of 1/`fraction`-octave bands, Hz, ascending.

    Odd fractions centre on 1 kHz; even fractions straddle it, as the standard says. The ends are kept when the nominal
    frequency rounds to them (19.95 Hz counts as 20 Hz).
    Source: IEC 61260-1:2014, clause 5.4.
    Example:
        >>> [float(round(f, 2)) for f in octave_axis(3, 500, 2000)]
        [501.19, 630.96, 794.33, 1000.0, 1258.93, 1584.89, 1995.26]
    """
    if fraction < 1 or not 0 < low_hz <= high_hz:
        raise DataError(message("octave_axis", "asked with fraction >= 1 and 0 < low <= high", (fraction, low_hz, high_hz)))
    shift = 0.0 if fraction % 2 else 0.5
    step = 0.3 / fraction
    slack = 1.006  # nominal 20 Hz is 19.95 Hz, nominal 31.5 Hz is 31.62 Hz
    first = math.ceil((math.log10(low_hz / 1000.0 / slack)) / step - shift - 1e-9)
    last = math.floor((math.log10(high_hz / 1000.0 * slack)) / step - shift + 1e-9)
    return np.asarray(1000.0 * 10 ** (step * (np.arange(first, last + 1) + shift)))


def band_edges(centre_hz: ArrayLike, fraction: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Lower and upper edge of each 1/`fraction`-octave band, Hz; shapes of `centre_hz`."""
    centre = np.asarray(centre_hz, float)
    half = OCTAVE ** (0.5 / fraction)
    return centre / half, centre * half
