"""Which frequencies are solved, and how the radiation between them is found."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenfield.base.bands import octave_axis

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

OUTPUT_FRACTION = 24
"""Predictions are given on this fractional-octave axis; ANSI/CTA-2034-A asks for 1/20 octave or finer (from memory)."""


LEAST_STEP = 400.0
"""Hz; solved frequencies need not lie closer: the far edges of a large body are weakly lit at the top of the band."""


def output_axis() -> FloatArray:
    """(F,) Hz: the 1/24-octave axis of every prediction, 20 Hz to 20 kHz."""
    return octave_axis(OUTPUT_FRACTION)


def solved_axis(output: FloatArray, body_size: float, speed_of_sound: float, density: float = 1.0) -> FloatArray:
    """(S,) Hz: where the boundary elements are solved: sixth octaves, never farther apart than edge echoes allow.

    Sound diffracted at the far edges arrives up to about `body_size`/c after the direct sound, so the field ripples over
    frequency with periods down to c/body_size. Most of what reaches the front ripples slower: two points in each period are
    taken, and every result states its leave-one-out error. Below, sixth octaves are denser than that.
    Parameters
        output : (F,) Hz, the axis that will be interpolated to; its ends are solved
        body_size : m, longest path along the front face
        density : > 0; 2 halves every step
    """
    widest_step = max(speed_of_sound / body_size / 2.0, LEAST_STEP) / density
    frequency, last = [float(output[0])], float(output[-1])
    while frequency[-1] < last:
        step = min(frequency[-1] * (10 ** (0.05 / density) - 1), widest_step)
        frequency.append(frequency[-1] + step)
    # the last step is shared out, so that the axis ends exactly on the last output frequency
    axis = np.asarray(frequency)
    if len(axis) > 2 and axis[-1] != last:
        axis = axis[0] + (axis - axis[0]) * (last - axis[0]) / (axis[-1] - axis[0])
    axis[-1] = last
    return axis


@dataclass(frozen=True)
class Upsampled:
    """Values on the output axis, and how far leave-one-out says they may be off."""

    value: ComplexArray
    error_db: float


def upsample(
    solved: FloatArray, value: ComplexArray, output: FloatArray, delay_distance: FloatArray | float, k_per_hz: float
) -> ComplexArray:
    """Smooth radiation data from the solved to the output axis: (..., S) -> (..., F).

    `delay_distance` (broadcast against value[..., 0]) is the path, m, whose e^{-jkr} is taken out before the cubic spline and
    put back after; data should already be per acceleration, so that it is level at low frequency.
    """
    from scipy.interpolate import CubicSpline

    turn = np.exp(1j * k_per_hz * np.multiply.outer(np.asarray(delay_distance), solved))
    spline = CubicSpline(solved, value * turn, axis=-1, bc_type="not-a-knot")
    back = np.exp(-1j * k_per_hz * np.multiply.outer(np.asarray(delay_distance), output))
    return np.asarray(spline(output) * back)


def leave_one_out_db(solved: FloatArray, value: ComplexArray, within_db: float = 20.0) -> float:
    """RMS level error, dB, of predicting each inner solved point from the others, corrected for the doubled gap.

    Parameters
        value : (D, S) complex, delay removed
        within_db : only directions within this of each frequency's maximum count
    Leaving a point out doubles the gap there. On the sweeps of the examples the error was seen to fall between the first and
    the second power of the gap (the tweeters' is limited by the change of mesh from band to band), so a third is stated.
    """
    from scipy.interpolate import CubicSpline

    errors = []
    peak = np.abs(value).max(axis=0)
    for parity in (0, 1):
        keep = np.ones(len(solved), bool)
        keep[2 + parity : -2 : 2] = False
        left_out = np.flatnonzero(~keep)
        guess = CubicSpline(solved[keep], value[:, keep], axis=-1)(solved[left_out])
        true = value[:, left_out]
        loud = np.abs(true) > peak[left_out] * 10 ** (-within_db / 20)
        ratio = np.abs(guess[loud]) / np.abs(true[loud])
        errors.append(20 * np.log10(np.maximum(ratio, 1e-6)))
    return float(np.sqrt(np.mean(np.concatenate(errors) ** 2)) / 3)
