"""Published thresholds below which a deviation of group delay is not heard."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

THRESHOLD_HZ = (500.0, 1000.0, 2000.0, 4000.0, 8000.0)
THRESHOLD_S = (3.2e-3, 2.0e-3, 1.0e-3, 1.5e-3, 2.0e-3)
SOURCE = "Blauert and Laws, J. Acoust. Soc. Am. 63 (1978) 1478 (values from memory): headphones, clicks, trained listeners"


def delay_threshold(frequency_hz: ArrayLike) -> NDArray[np.float64]:
    """Just audible deviation of group delay, s, (F,); NaN outside 500 Hz ... 8 kHz, for which nothing is published there.

    Log-linear between the five published frequencies. Source: see `SOURCE`.
    Example:
        >>> round(float(delay_threshold([2000.0])[0]), 9)
        0.001
    """
    f = np.atleast_1d(np.asarray(frequency_hz, float))
    value = np.exp(np.interp(np.log(f), np.log(THRESHOLD_HZ), np.log(THRESHOLD_S)))
    inside = (f >= THRESHOLD_HZ[0] * (1 - 1e-9)) & (f <= THRESHOLD_HZ[-1] * (1 + 1e-9))
    return np.asarray(np.where(inside, value, np.nan))
