"""Circular pistons in an infinite baffle whose velocity falls off towards the edge as (1 - r^2/a^2)^n. e^{+j omega t}.

n = 0 is the rigid piston, 1 a disk supported at its edge, 2 a clamped one. Velocity at the centre 1 m/s throughout.
Source: Greenspan, JASA 65 (1979) 608, doi 10.1121/1.382496; the patterns from memory, and by Sonine's first integral (Watson,
Theory of Bessel Functions, section 12.11); the rest derived below.
"""

from __future__ import annotations

from itertools import pairwise
from math import factorial

import numpy as np
from numpy.polynomial import Polynomial
from numpy.typing import ArrayLike, NDArray

from evenfield.base import Air, DataError, message

Complex = NDArray[np.complex128]
Floats = NDArray[np.float64]

FURTHEST = 4000.0
"""Largest wavenumber times radius in the reactance's integral; its tail is added as its mean."""


def volume_velocity(radius: float, power: int) -> float:
    """m3/s: pi a^2/(n + 1)."""
    return np.pi * radius**2 / (_power(power) + 1)


def pattern(power: int, x: ArrayLike) -> Floats:
    """Far field relative to the axis at x = ka sin(angle): 2^(n+1) (n+1)! J_(n+1)(x)/x^(n+1); shape of `x`."""
    from scipy.special import jv

    order, v = _power(power) + 1, np.abs(np.asarray(x, np.float64))
    small = v < 1e-2
    safe = np.where(small, 1.0, v)
    series = 1 - v**2 / (4 * (order + 1)) + v**4 / (32 * (order + 1) * (order + 2))
    return np.asarray(np.where(small, series, 2.0**order * factorial(order) * jv(order, safe) / safe**order))


def far_field(radius: float, power: int, frequency_hz: ArrayLike, angle: ArrayLike, air: Air | None = None) -> Complex:
    """(A, F) lim r p e^{jkr} about the centre, Pa at 1 m, at angles (A,) rad from the axis, within pi/2; frequencies (F,)."""
    medium, f = air or Air(), np.atleast_1d(np.asarray(frequency_hz, float))
    x = medium.wavenumber(f) * radius * np.sin(np.atleast_1d(np.asarray(angle, float)))[:, None]
    return np.asarray(1j * f * medium.density * volume_velocity(radius, power) * pattern(power, x))


def axial_pressure(radius: float, power: int, frequency_hz: float, distance: ArrayLike, air: Air | None = None) -> Complex:
    """(P,) pressure on the axis, Pa, at distances (P,) m > 0.

    With s = sqrt(r^2 + z^2) - z the integral over the piston is j k rho c int (1 - (s^2 + 2sz)/a^2)^n e^{-jk(s+z)} ds from 0 to
    the edge: a polynomial q times a wave, whose antiderivative is -e^{-jk(s+z)} sum q^(m)(s)/(jk)^(m+1); far away, where that
    would cancel, a Gauss rule.
    Example:
        >>> air = Air()  # the rigid piston: 2 rho c |sin(k (sqrt(a^2 + z^2) - z)/2)|
        >>> p = axial_pressure(0.1, 0, 2000.0, [0.3])
        >>> k = air.wavenumber(2000.0)
        >>> bool(abs(abs(p[0]) - 2 * air.impedance * abs(np.sin(k * (np.hypot(0.1, 0.3) - 0.3) / 2))) < 1e-9)
        True
    """
    medium = air or Air()
    k, result = float(medium.wavenumber(frequency_hz)), []
    for z in np.atleast_1d(np.asarray(distance, float)):
        # s over its largest value, so that the polynomial is of order one
        long = radius**2 / (np.hypot(radius, z) + z)
        velocity = Polynomial([1.0, -2 * z * long / radius**2, -((long / radius) ** 2)]) ** _power(power)
        turn = 1j * k * long
        if abs(turn) > 3:
            ends = np.array([0.0, 1.0])
            sums = sum(velocity.deriv(m)(ends) / turn ** (m + 1) for m in range(2 * power + 1))
            value = -np.diff(sums * np.exp(-turn * ends))[0]
        else:
            node, weight = np.polynomial.legendre.leggauss(16 + power)
            share = (node + 1) / 2
            value = (velocity(share) * np.exp(-turn * share)) @ weight / 2
        result.append(value * long * np.exp(-1j * k * z))
    return 1j * k * medium.impedance * np.asarray(result)


def radiation_impedance(power: int, ka: float) -> complex:
    """Integral of pressure times velocity over the piston, per rho c pi a^2 and squared centre velocity.

    King's integral, 2 (ka) int |U(q)|^2 q dq/sqrt((ka)^2 - q^2) with U(q) = 2^n n! J_(n+1)(q)/q^(n+1) the velocity's Hankel
    transform: q = ka sin t below ka gives the resistance, q = ka cosh t above it the reactance. To 1e-9.
    Source: King, Can. J. Res. 11 (1934) 135 (from memory).
    Example:
        >>> complex(np.round(radiation_impedance(0, 1.0), 6))  # the rigid piston's R1 + j X1
        (0.423275+0.646764j)
    """
    n, node, weight = _power(power), *np.polynomial.legendre.leggauss(16)
    if not (np.isfinite(ka) and ka > 0):
        raise DataError(message("ka", "finite and positive", ka))

    def squared(q: Floats) -> Floats:
        return np.asarray((pattern(n, q) / (2 * (n + 1))) ** 2)

    def integral(low: float, high: float, panels: int, wave: bool) -> float:
        edge = np.linspace(low, high, panels + 1)
        t = (edge[:-1, None] + np.diff(edge)[:, None] * (node + 1) / 2).ravel()
        share = np.tile(weight, panels) * np.repeat(np.diff(edge), len(node)) / 2
        q = ka * (np.sin(t) if wave else np.cosh(t))
        return float(share @ (squared(q) * q))

    far = max(FURTHEST, 20 * ka)
    resistance = integral(0.0, np.pi / 2, 4 + int(ka), True)
    # panels no longer than a wave of the transform, in steps of a factor e
    top = float(np.arccosh(far / ka))
    stops = np.append(np.arange(0.0, top, 0.25), top)
    reactance = sum(integral(a, b, 2 + int(ka * (np.cosh(b) - np.cosh(a)) / 3), False) for a, b in pairwise(stops))
    # J^2 -> 1/(pi q) on average
    tail = 4.0**n * factorial(n) ** 2 / np.pi * far ** -(2.0 * n + 2) / (2 * n + 2)
    return complex(2 * ka * (resistance + 1j * (reactance + tail)))


def _power(power: int) -> int:
    if not (isinstance(power, int | np.integer) and power >= 0):
        raise DataError(message("power", "a whole number from 0", power))
    return int(power)
