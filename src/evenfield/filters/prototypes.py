"""Low-pass prototypes: the poles of Butterworth, Linkwitz-Riley and Bessel filters at 1 rad/s."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from evenfield.base import DesignError, message

Family = Literal["butterworth", "linkwitz-riley", "bessel"]
FAMILIES: tuple[str, ...] = get_args(Family)
HIGHEST_ORDER = {"butterworth": 48, "linkwitz-riley": 48, "bessel": 16}
"""Above these the steepness has no use and the Bessel roots lose digits."""


def check_order(name: str, family: str, order: int) -> None:
    """Raise DesignError unless `order` is a whole number the family can have."""
    if family not in FAMILIES:
        raise DesignError(message(f"{name}.family", f"one of {', '.join(FAMILIES)}", repr(family)))
    if isinstance(order, bool) or not isinstance(order, int) or not 1 <= order <= HIGHEST_ORDER[family]:
        raise DesignError(message(f"{name}.order", f"a whole number from 1 to {HIGHEST_ORDER[family]}", order))
    if family == "linkwitz-riley" and order % 2:
        cause = "A Linkwitz-Riley filter is a Butterworth filter of half its order, twice"
        raise DesignError(message(f"{name}.order", "even for linkwitz-riley", order, cause=cause, fix=f"{order + 1}"))


@lru_cache(maxsize=128)
def prototype_rows(family: str, order: int) -> tuple[tuple[float, float, float], ...]:
    """Denominators a0 + a1 s + a2 s2 of the low-pass of unit gain at 0 Hz and reference 1 rad/s; a2 = 0: first order.

    The reference is -3.01 dB for butterworth and bessel (magnitude normalisation), -6.02 dB for linkwitz-riley.
    Sources: S. Butterworth, Wireless Engineer 7 (1930) 536; S. Linkwitz, JAES 24 (1976) 2;
    W. E. Thomson, Proc. IEE 96 III (1949) 487 (Bessel).
    Example:
        >>> prototype_rows("linkwitz-riley", 2)
        ((1.0, 1.0, 0.0), (1.0, 1.0, 0.0))
    """
    if family == "linkwitz-riley":
        return prototype_rows("butterworth", order // 2) * 2
    if family == "butterworth":
        pairs = [(1.0, 2 * math.sin(math.pi * (2 * k + 1) / (2 * order)), 1.0) for k in range(order // 2)]
        return tuple(pairs + [(1.0, 1.0, 0.0)] * (order % 2))
    return tuple(_quadratic(p) for p in _bessel_poles(order) if p.imag >= 0)


def _quadratic(pole: complex) -> tuple[float, float, float]:
    if pole.imag == 0:
        return (1.0, -1 / pole.real, 0.0)
    square = abs(pole) ** 2
    return (1.0, -2 * pole.real / square, 1 / square)


def _bessel_poles(order: int) -> list[complex]:
    """Roots of the reverse Bessel polynomial, scaled to -3.01 dB at 1 rad/s."""
    n = order
    ascending = [math.factorial(2 * n - k) / (2 ** (n - k) * math.factorial(k) * math.factorial(n - k)) for k in range(n + 1)]
    polynomial = np.polynomial.Polynomial(ascending)
    roots = np.asarray(polynomial.roots(), complex)
    for _ in range(3):
        roots = np.asarray(roots - polynomial(roots) / polynomial.deriv()(roots), complex)
    roots = np.where(np.abs(roots.imag) < 1e-9 * np.abs(roots), roots.real + 0j, roots)
    return [complex(r) for r in roots / _half_power(roots)]


def _half_power(poles: NDArray[np.complex128]) -> float:
    """The frequency, rad/s, at which prod |1 - jw/p|^2 = 2, by bisection on the monotonic magnitude."""
    low, high = 0.0, 10.0 * float(np.abs(poles).max())
    for _ in range(200):
        middle = (low + high) / 2
        if float(np.prod(np.abs(1 - 1j * middle / poles) ** 2)) < 2:
            low = middle
        else:
            high = middle
    return (low + high) / 2
