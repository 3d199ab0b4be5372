"""Radiation between solved frequencies: rational interpolation, one set of poles for all directions.

The adaptive Antoulas-Anderson algorithm on a set of functions: barycentric forms that share support points and weights,
    r(f) = sum_j w_j F(f_j)/(f - f_j) / sum_j w_j/(f - f_j)
with the support points chosen where the error is largest and the weights from the smallest singular vector of the Loewner matrix.
Source: Nakatsukasa, Sete & Trefethen, SIAM J. Sci. Comput. 40 (2018) A1494; sets of functions: Lietaert, Meerbergen, Perez &
Vandereycken, IMA J. Numer. Anal. 42 (2022) 1087 (from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base import DataError, message

Complex = NDArray[np.complexfloating[Any, Any]]
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class RationalSet:
    """Functions (N,) with common poles. support : (m,) Hz; weight : (m,); value : (N, m) at the support points."""

    support: Floats
    weight: Complex
    value: Complex

    def __call__(self, frequency_hz: ArrayLike) -> Complex:
        """(N, F) values at frequencies (F,), Hz."""
        f = np.atleast_1d(np.asarray(frequency_hz, float))
        distance = f[:, None] - self.support
        hit = distance == 0
        cauchy = self.weight / np.where(hit, 1.0, distance)
        result = (cauchy @ self.value.T / cauchy.sum(axis=1)[:, None]).T
        for place in np.flatnonzero(hit.any(axis=1)):
            result[:, place] = self.value[:, np.argmax(hit[place])]
        return np.asarray(result)

    @property
    def poles(self) -> Complex:
        """Hz; those near the real axis inside the band are suspect."""
        from scipy.linalg import eigvals

        m = len(self.support)
        left = np.zeros((m + 1, m + 1), complex)
        left[0, 1:], left[1:, 0] = self.weight, 1.0
        left[range(1, m + 1), range(1, m + 1)] = self.support
        found = eigvals(left, np.diag(np.append(0.0, np.ones(m))))
        return np.asarray(found[np.isfinite(found)])


def fit_rational(frequency_hz: ArrayLike, value: ArrayLike, tolerance: float = 1e-4, most: int | None = None) -> RationalSet:
    """Rational functions through samples value (N, S) at frequency_hz (S,), to `tolerance` of each function's largest.

    Take the delay out first, and give data per acceleration, so that they vary slowly.
    At most `most` support points, by default half the samples. Cost: O(N S m^3).
    Raises DataError for fewer than four samples or samples out of order.
    """
    f, samples = np.asarray(frequency_hz, float), np.asarray(value, complex)
    if len(f) < 4 or np.any(np.diff(f) <= 0) or samples.shape != (len(samples), len(f)):
        raise DataError(message("frequency_hz, value", "at least four rising frequencies and (N, S)", (f.shape, samples.shape)))
    scaled = samples / np.maximum(np.abs(samples).max(axis=1, keepdims=True), 1e-300)
    guess = np.repeat(scaled.mean(axis=1, keepdims=True), len(f), axis=1)
    chosen: list[int] = []
    weight: Complex = np.ones(1, complex)
    for _ in range(most or len(f) // 2):
        error = np.abs(scaled - guess).max(axis=0)
        if error.max() <= tolerance:
            break
        chosen.append(int(np.argmax(error)))
        rest = np.setdiff1d(np.arange(len(f)), chosen)
        cauchy = 1 / (f[rest][:, None] - f[chosen])
        # the Gram matrix of all functions' Loewner matrices, through their triangular factor for accuracy
        loewner = (scaled[:, rest, None] - scaled[:, None, chosen]) * cauchy
        factor = np.linalg.qr(loewner.reshape(-1, len(chosen)), mode="r")
        weight = np.linalg.svd(factor)[2][-1].conj()
        guess = RationalSet(f[chosen], weight, scaled[:, chosen])(f)
    if not chosen:
        chosen = [0]
    return RationalSet(f[chosen], weight, samples[:, chosen])


@dataclass(frozen=True)
class UpsampledSet:
    """Functions on the wanted axis.

    value : (N, F)
    error_db : RMS level error of predicting samples left out (every fourth, in four turns: the gaps there are doubled), an
        upper bound where the samples resolve the functions at all
    method : "rational" or "spline", whichever predicted better
    """

    value: Complex
    error_db: float
    method: str


def upsample_set(
    frequency_hz: ArrayLike, value: ArrayLike, wanted_hz: ArrayLike, path: ArrayLike = 0.0, speed_of_sound: float = 343.2
) -> UpsampledSet:
    """Carry functions value (N, S) at frequency_hz (S,) to wanted_hz (F,), the delay `path` (N,) or scalar, m, taken out between.

    Both a rational set and a cubic spline are tried on samples left out; the better one is used and its error stated.
    Raises DataError for fewer than eight samples or wanted frequencies outside the sampled ones.
    """
    f, wanted = np.asarray(frequency_hz, float), np.atleast_1d(np.asarray(wanted_hz, float))
    if len(f) < 8 or wanted.min() < f[0] or wanted.max() > f[-1]:
        raise DataError(message("wanted_hz", "within at least eight sampled frequencies", (len(f), wanted.min(), wanted.max())))
    turn = 2j * np.pi / speed_of_sound * np.atleast_1d(np.asarray(path, float))[:, None]
    level = np.asarray(value, complex) * np.exp(turn * f)
    errors = {name: _left_out_error(method, f, level) for name, method in _METHODS.items()}
    method = min(errors, key=lambda m: errors[m])
    return UpsampledSet(_METHODS[method](f, level, wanted) * np.exp(-turn * wanted), errors[method], method)


def next_frequency(frequency_hz: ArrayLike, value: ArrayLike) -> tuple[float, float]:
    """Where the next solve tells most: the middle of a gap at which rational and spline disagree most, and by how much, dB.

    frequency_hz (S,) Hz; value (N, S), the delay taken out. The disagreement is of the level, RMS over the functions within
    20 dB of the largest. Cost: one fit.
    """
    f, samples = np.asarray(frequency_hz, float), np.asarray(value, complex)
    middle = np.sqrt(f[1:] * f[:-1])
    one, two = (method(f, samples, middle) for method in _METHODS.values())
    apart = np.array([_level_error(one[:, i : i + 1], two[:, i : i + 1]) for i in range(len(middle))])
    worst = int(np.argmax(apart))
    return float(middle[worst]), float(apart[worst])


def _left_out_error(method: Callable[[Floats, Complex, Floats], Complex], f: Floats, value: Complex) -> float:
    """RMS level error, dB, of predicting each inner sample with every fourth left out in turn."""
    squares = []
    for fold in range(4):
        out = np.arange(len(f)) % 4 == fold
        out[[0, -1]] = False
        squares.append(_level_error(method(f[~out], value[:, ~out], f[out]), value[:, out]) ** 2)
    return float(np.sqrt(np.mean(squares)))


def _rational(f: Floats, value: Complex, wanted: Floats) -> Complex:
    return fit_rational(f, value)(wanted)


def _spline(f: Floats, value: Complex, wanted: Floats) -> Complex:
    from scipy.interpolate import CubicSpline

    return np.asarray(CubicSpline(f, value, axis=-1)(wanted))


_METHODS: dict[str, Callable[[Floats, Complex, Floats], Complex]] = {"rational": _rational, "spline": _spline}


def _level_error(guess: Complex, truth: Complex) -> float:
    """RMS level difference, dB, where the truth is within 20 dB of its largest at that frequency."""
    loud = np.abs(truth) > np.abs(truth).max(axis=0) / 10
    ratio = np.maximum(np.abs(guess[loud]) / np.abs(truth[loud]), 1e-6)
    return float(np.sqrt(np.mean((20 * np.log10(ratio)) ** 2)))
