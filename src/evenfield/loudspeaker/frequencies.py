"""Which frequencies are solved, and how the radiation between them is found."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from evenfield.base.bands import octave_axis

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

OUTPUT_FRACTION = 24
"""Predictions are given on this fractional-octave axis; ANSI/CTA-2034-A asks for 1/20 octave or finer (from memory)."""

SMOOTH_BELOW = 200.0
"""Hz; below, radiation per acceleration is so smooth that third octaves do."""

INTERPOLATION_DB = 0.1
"""Stated error to which gaps between solved frequencies are halved."""

LEAST_STEP = 100.0
"""Hz; no gap narrower than twice this is halved: what still differs there is the meshes' own error."""

DOUBLED_GAP = 2.0
"""Leaving a sample out doubles the gap there. On the mid-field example's tweeter the error was then seen to be twice that between
all samples (0.25 and 0.145 dB at 13 to 17 kHz, against solves at frequencies never used): as long as the edges' echoes are not
resolved it falls no faster than that; resolved, it falls with the fourth power, and the statement is a reserve."""

CLEARLY = 0.7
"""Rational functions are used where their stated error is below this share of the spline's: a stray pole costs more than it
may gain."""

Method = Literal["spline", "rational"]


def output_axis() -> FloatArray:
    """(F,) Hz: the 1/24-octave axis of every prediction, 20 Hz to 20 kHz."""
    return octave_axis(OUTPUT_FRACTION)


def start_axis(output: FloatArray, density: float = 1.0) -> FloatArray:
    """(S,) Hz: where the boundary elements are solved first: third octaves up to SMOOTH_BELOW, sixth octaves above.

    The ends are those of `output` (F,), Hz; `density` 2 halves every step. `gaps_to_halve` says where more are needed: sound
    diffracted at the far edges of a body arrives late, so that the field ripples over frequency, the more the wider a part
    radiates.
    """
    first, last = float(output[0]), float(output[-1])
    frequency = [first]
    while frequency[-1] < last * (1 - 1e-9):
        frequency.append(frequency[-1] * 10 ** ((0.1 if frequency[-1] < SMOOTH_BELOW * (1 - 1e-9) else 0.05) / density))
    axis = np.asarray(frequency)
    if len(axis) > 1:
        # the last step is shared out over them all, so that the axis ends exactly on the last output frequency
        axis = first * (axis / first) ** (np.log(last / first) / np.log(axis[-1] / first))
    axis[-1] = last
    return axis


def gaps_to_halve(solved: FloatArray, stated_db: FloatArray, bound_db: float = INTERPOLATION_DB) -> FloatArray:
    """(n,) Hz: middles of the gaps of `solved` (S,) next to a sample whose stated error (S,) is above the bound."""
    wide = np.diff(solved) >= 2 * LEAST_STEP
    poor = np.maximum(stated_db[1:], stated_db[:-1]) > bound_db
    return np.asarray(np.sqrt(solved[1:] * solved[:-1])[wide & poor])


@dataclass(frozen=True)
class Upsampled:
    """Values on the output axis. value : (..., F); stated_db : (S,) expected interpolation error near each solved frequency."""

    value: ComplexArray
    stated_db: FloatArray
    method: Method


def upsample(
    solved: FloatArray, value: ComplexArray, output: FloatArray, delay_distance: FloatArray | float, k_per_hz: float
) -> ComplexArray:
    """Smooth radiation data from the solved to the output axis: (..., S) -> (..., F), by cubic splines.

    `delay_distance` (broadcast against value[..., 0]) is the path, m, whose e^{-jkr} is taken out before and put back after;
    data should already be per acceleration, so that it is level at low frequency.
    """
    turn = np.exp(1j * k_per_hz * np.multiply.outer(np.asarray(delay_distance), solved))
    back = np.exp(-1j * k_per_hz * np.multiply.outer(np.asarray(delay_distance), output))
    return np.asarray(_spline(solved, value * turn, output) * back)


def upsample_field(
    solved: FloatArray,
    value: ComplexArray,
    output: FloatArray,
    delay_distance: FloatArray,
    k_per_hz: float,
    judged: NDArray[np.bool_],
    wanted: NDArray[np.bool_],
) -> Upsampled:
    """One part's far field (D, S) per acceleration on the output axis (F,), by the method that predicts left-out samples better.

    Parameters
        delay_distance : (D,) m, taken out between
        judged : (D,) directions that count for the choice and the stated error
        wanted : (S,) frequencies at which the part's sound is wanted
    A spline, or rational functions with the same poles for all directions where those are clearly better and have no pole in
    the band.
    """
    turn = np.exp(1j * k_per_hz * np.multiply.outer(delay_distance, solved))
    back = np.exp(-1j * k_per_hz * np.multiply.outer(delay_distance, output))
    level, sample = value * turn, (value * turn)[judged]
    stated = left_out_errors_db(solved, sample)
    method: Method = "spline"
    found = _spline(solved, level, output)
    if np.count_nonzero(wanted) >= 12:
        thin = sample[:: max(1, len(sample) // 150)]
        rational = left_out_errors_db(solved, thin, "rational")
        if (
            _mean(rational[wanted]) < 0.7 * _mean(stated[wanted])
            and (fitted := _rational(solved, thin, level, output)) is not None
        ):
            method, stated, found = "rational", rational, fitted
    return Upsampled(found * back, stated, method)


def left_out_errors_db(solved: FloatArray, value: ComplexArray, method: Method = "spline", within_db: float = 20.0) -> FloatArray:
    """(S,) level error to expect between samples near each solved frequency, dB, RMS over directions.

    Parameters
        value : (D, S) complex, the delay taken out
        within_db : only directions within this of each frequency's maximum count
    Every second inner sample is predicted from the others, in two turns, and a DOUBLED_GAP-th of the error stated; the two
    samples at either end take their neighbour's. Fewer than eight samples: infinity.
    """
    count = len(solved)
    if count < 8:
        return np.full(count, np.inf)
    found = np.zeros(count)
    loudest = np.abs(value).max(axis=0)
    for parity in (0, 1):
        keep = np.ones(count, bool)
        keep[2 + parity : -2 : 2] = False
        out = np.flatnonzero(~keep)
        if method == "spline":
            guess = _spline(solved[keep], value[:, keep], solved[out])
        else:
            fitted = _rational(solved[keep], value[:, keep], value[:, keep], solved[out])
            if fitted is None:
                return np.full(count, np.inf)
            guess = fitted
        true = value[:, out]
        loud = np.abs(true) > loudest[out] * 10 ** (-within_db / 20)
        ratio = np.maximum(np.abs(guess), 1e-300) / np.maximum(np.abs(true), 1e-300)
        square = np.where(loud, (20 * np.log10(np.maximum(ratio, 1e-6))) ** 2, 0.0)
        found[out] = np.sqrt(square.sum(axis=0) / np.maximum(loud.sum(axis=0), 1)) / DOUBLED_GAP
    found[:2], found[-2:] = found[2], found[-3]
    return found


def _mean(error_db: FloatArray) -> float:
    return float(np.sqrt(np.mean(error_db**2)))


def _spline(solved: FloatArray, value: ComplexArray, wanted: FloatArray) -> ComplexArray:
    from scipy.interpolate import CubicSpline

    return np.asarray(CubicSpline(solved, value, axis=-1, bc_type="not-a-knot")(wanted))


def _rational(solved: FloatArray, fitted: ComplexArray, value: ComplexArray, wanted: FloatArray) -> ComplexArray | None:
    """Values (D, S) carried by the support points and weights that fit `fitted` (n, S); None with a pole in the band."""
    from evenfield.radiation.upsample import RationalSet, fit_rational

    found = fit_rational(solved, fitted, tolerance=1e-3)
    poles = found.poles
    near = np.interp(poles.real, solved[1:], np.diff(solved))
    inside = (poles.real > solved[0]) & (poles.real < solved[-1])
    if np.any(inside & (np.abs(poles.imag) < near / 4)):
        return None
    place = np.searchsorted(solved, found.support)
    return np.asarray(RationalSet(found.support, found.weight, value[:, place])(wanted))
