"""Coefficients and samples of finite word length: quantised response, round-off noise, overflow."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from evenfield.base import DesignError, message
from evenfield.filters.chain import FilterChain, check_stable

FloatArray = NDArray[np.float64]
Structure = Literal["direct-1", "direct-2-transposed"]

LONGEST = 1 << 18
"""Samples of the impulse responses that gains are summed over."""


def quantised(biquads: FloatArray, bits: int, whole_bits: int = 2) -> FloatArray:
    """(K, 6) coefficients rounded to two's complement words of `bits`, sign included, with `whole_bits` before the point.

    Source of the number format: common practice, no source (a1 reaches 2, so two whole bits besides the sign).
    Raises DesignError when a coefficient overflows the format or rounding moves a pole out of the unit circle.
    Example:
        >>> float(quantised(np.array([[0.3, 0, 0, 1.0, 0, 0]]), 8, 2)[0, 0])
        0.3125
    """
    if not (isinstance(bits, int) and 4 <= bits <= 64 and 0 <= whole_bits < bits - 1):
        raise DesignError(message("word length", "4 to 64 bits with fewer before the point", f"{bits}, {whole_bits}"))
    step = 2.0 ** -(bits - 1 - whole_bits)
    top = 2.0**whole_bits
    rows = np.round(np.asarray(biquads, float) / step) * step
    rows[:, 3] = 1.0
    over = np.argwhere((rows >= top) | (rows < -top))
    if len(over):
        i, j = over[0]
        raise DesignError(
            message(
                f"biquad {i}, coefficient {j}",
                f"within -{top:g} to {top:g} ({whole_bits} whole bits)",
                f"{biquads[i, j]:.5g}",
                cause="It overflows the format",
                fix="more whole bits, or gain outside the biquad",
            ),
        )
    check_stable(rows, f"biquads at {bits} bits", math.nan)
    return rows


@dataclass(frozen=True)
class WordLengthCheck:
    """What a word length does to a cascade.

    Parameters
        response_error_db : greatest change of the response's level, 20 Hz ... 20 kHz within 60 dB of its maximum
        noise_db : round-off noise at the output, dB re a full-scale sine, white rounding of every product sum
        overflow_db : greatest level inside the cascade for a full-scale sine of any frequency; above 0 dB it overflows
        worst_case_db : greatest level inside for any full-scale signal whatever (sum of |h|)
        overflow_at : biquad after which the greatest level stands
    """

    response_error_db: float
    noise_db: float
    overflow_db: float
    worst_case_db: float
    overflow_at: int


def check_word_length(
    chain: FilterChain,
    sample_rate: float,
    bits: int = 24,
    coefficient_bits: int | None = None,
    structure: Structure = "direct-2-transposed",
) -> WordLengthCheck:
    """Check a chain's biquads at a word length.

    Parameters
        bits : of samples; coefficient_bits : of coefficients, as many by default
        structure : where products are summed: "direct-1" rounds once a biquad, "direct-2-transposed" three times (two states and
            the output)
    Noise of one rounding: step^2/12, white. Source: L. B. Jackson, Bell Syst. Tech. J. 49 (1970) 159 (from memory).
    Raises DesignError when the quantised cascade is unstable.
    """
    exact = chain.sections_as_biquads(sample_rate)
    scale = float(np.abs(exact[0, :3]).max()) / 3.9
    rows = exact.copy()
    rows[0, :3] /= max(scale, 1.0)  # the broadband gain stands outside the words
    rounded_rows = quantised(rows, coefficient_bits or bits)
    rounded_rows[0, :3] *= max(scale, 1.0)
    f = np.geomspace(20, min(20e3, 0.45 * sample_rate), 400)
    before, after = _level(exact, f, sample_rate), _level(rounded_rows, f, sample_rate)
    heard = before > before.max() - 60
    nodes = [_level(rounded_rows[: k + 1], f, sample_rate).max() for k in range(len(rounded_rows))]
    at = int(np.argmax(nodes))
    noise = _noise(rounded_rows, 2.0 ** -(bits - 1), structure)
    return WordLengthCheck(
        float(np.abs(after - before)[heard].max()),
        10 * math.log10(noise / 0.5),
        float(nodes[at]),
        max(20 * math.log10(_absolute_sum(rounded_rows[: k + 1])) for k in range(len(rounded_rows))),
        at,
    )


def _level(rows: FloatArray, f: FloatArray, sample_rate: float) -> FloatArray:
    from evenfield.filters.rows import digital_response

    return np.asarray(20 * np.log10(np.maximum(np.abs(digital_response(rows, f, sample_rate)), 1e-15)))


def _impulse(rows: FloatArray, first: FloatArray | None = None) -> FloatArray:
    """Impulse response of a cascade, long enough for its slowest pole."""
    from scipy.signal import lfilter, sosfilt

    radius = max(float(np.abs(np.roots(r[3:])).max(initial=0.0)) for r in rows) if len(rows) else 0.0
    length = int(min(LONGEST, max(256, 20 / max(1e-9, 1 - radius))))
    x = np.zeros(length)
    x[0] = 1.0
    if first is not None:
        x = lfilter([1.0], first, x)
    return np.asarray(sosfilt(rows, x) if len(rows) else x)


def _absolute_sum(rows: FloatArray) -> float:
    return float(np.abs(_impulse(rows)).sum())


def _noise(rows: FloatArray, step: float, structure: Structure) -> float:
    """Power at the output of every rounding's white noise, full scale 1.

    A direct-1 sum's error passes the poles of its own biquad; so do the two states' of the transposed direct-2, delayed.
    """
    count = {"direct-1": 1, "direct-2-transposed": 3}[structure]
    total = 0.0
    for k in range(len(rows)):
        h = _impulse(rows[k + 1 :], rows[k, 3:])
        total += count * float(np.sum(h**2))
    return total * step**2 / 12
