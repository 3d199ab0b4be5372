"""Impulse response of a chain at a sample rate."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from evenfield.base import DesignError, message
from evenfield.filters.chain import FilterChain
from evenfield.filters.fir import Fir, fractional_delay

FloatArray = NDArray[np.float64]


def impulse_response(chain: FilterChain, sample_rate: float, samples: int = 4096) -> FloatArray:
    """(samples,) response to a unit sample: biquads, FIR sections, and the delay, a fraction of a sample by a 16-tap Lagrange
    filter.

    The Lagrange filter adds no delay of its own where the whole delay is 8 samples or more; below that a fraction cannot be had
    without it and a whole number is asked for.
    Raises DesignError when the delay does not fit, on a sample-rate mismatch, or when a section is unstable at this rate.
    """
    from scipy.signal import sosfilt

    whole, rest = divmod(chain.delay_s * sample_rate, 1.0)
    if rest > 1 - 1e-6:
        whole, rest = whole + 1, 0.0
    late = int(whole)
    if late >= samples:
        raise DesignError(message("samples", f"more than the delay ({late})", samples))
    x = np.zeros(samples)
    if rest < 1e-6:
        x[late] = 1.0
    elif late < 7:
        raise DesignError(
            message("delay", "a whole number of samples below 7", f"{chain.delay_s * sample_rate:.4g}",
                    cause="A causal fractional delay takes some samples itself", fix="delaying all ways by 8 samples more"),
        )  # fmt: skip
    else:
        taps = np.array(fractional_delay(7 + rest, 16, sample_rate).taps)
        end = min(samples, late - 7 + 16)
        x[late - 7 : end] = taps[: end - (late - 7)]
    x = np.asarray(sosfilt(chain.sections_as_biquads(sample_rate), x))
    for section in chain.sections:
        if isinstance(section, Fir):
            section.direct(np.array([sample_rate / 4]), sample_rate)
            x = np.convolve(x, section.taps)[:samples]
    return np.asarray(x)


def samples_of(delay: float, sample_rate: float) -> tuple[int, float]:
    """Whole samples and the fraction left of a delay, s."""
    whole = math.floor(delay * sample_rate + 1e-9)
    return whole, max(0.0, delay * sample_rate - whole)
