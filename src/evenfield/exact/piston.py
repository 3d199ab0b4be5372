"""Rigid pistons in an infinite baffle: impedance, pattern, directivity index. e^{+j omega t}."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base import Air, DataError, message

Complex = NDArray[np.complex128]
Floats = NDArray[np.float64]


def circular_impedance(ka: ArrayLike) -> Complex:
    """Radiation impedance of one side of a circular piston over rho c pi a^2: R1(2ka) + j X1(2ka); shape of `ka`.

    R1(x) = 1 - 2 J1(x)/x, X1(x) = 2 H1(x)/x, H1 the Struve function.
    Source: Beranek & Mellow, Acoustics, 2012, chapter 13; Kinsler et al., Fundamentals of Acoustics, appendix.
    Example:
        >>> np.round(circular_impedance(1.0), 6)
        np.complex128(0.423275+0.646764j)
    """
    from scipy.special import j1, struve

    x = 2 * _positive("ka", ka)
    # 1 - 2 J1(x)/x loses all digits for small x; its series x^2/8 - x^4/192 + x^6/9216
    series = x**2 / 8 * (1 - x**2 / 24 * (1 - x**2 / 48))
    return np.asarray(np.where(x < 0.02, series, 1 - 2 * j1(x) / x) + 2j * struve(1, x) / x)[()]


def circular_pattern(ka: ArrayLike, angle: ArrayLike) -> Floats:
    """2 J1(x)/x with x = ka sin(angle): far field relative to the axis; broadcasts."""
    from scipy.special import j1

    x = _positive("ka", ka) * np.sin(np.asarray(angle, float))
    safe = np.where(np.abs(x) < 1e-8, 1.0, x)
    return np.asarray(np.where(np.abs(x) < 1e-8, 1.0, 2 * j1(safe) / safe))


def circular_far_field(radius: float, frequency_hz: ArrayLike, angle: ArrayLike, air: Air | None = None) -> Complex:
    """Far field of a circular piston in an infinite baffle.

    Parameters
        radius : float > 0, m; frequency_hz : (F,) float; angle : (A,) float, rad from the axis, within pi/2
    Returns
        pressure : (A, F) complex, lim r p e^{jkr} about the piston's centre, Pa at 1 m for 1 m/s
    Source: Rayleigh 1896, section 302; j rho c k (pi a^2)/(2 pi) 2 J1(x)/x.
    """
    medium = air or Air()
    f = np.atleast_1d(_positive("frequency_hz", frequency_hz))
    ka = medium.wavenumber(f) * radius
    pattern = circular_pattern(ka[None, :], np.atleast_1d(np.asarray(angle, float))[:, None])
    return np.asarray(1j * medium.impedance * ka * radius / 2 * pattern)


def circular_directivity_index(ka: ArrayLike) -> Floats:
    """10 lg (ka)^2/R1(2ka), dB: axial intensity over that of the same power spread over a full sphere.

    Source: Beranek & Mellow, Acoustics, 2012, chapter 13.
    """
    return np.asarray(10 * np.log10(_positive("ka", ka) ** 2 / circular_impedance(ka).real))


def rectangular_impedance(k_width: float, k_height: float) -> complex:
    """Radiation impedance of one side of a rectangular piston over rho c S, from k times its two sides.

    The fourfold integral of e^{-jkr}/r reduces to 4 (a - x)(b - y) over the rectangle, done in polar coordinates, which
    removes the singularity. Source: cf. Stepanishen, J. Sound Vib. 55 (1977) 275.
    """
    a, b = (float(_positive(n, v)) for n, v in (("k_width", k_width), ("k_height", k_height)))
    corner = np.arctan2(b, a)
    points = 40 + int(np.hypot(a, b))
    node, weight = np.polynomial.legendre.leggauss(points)
    total = 0j
    for low, high in ((0.0, corner), (corner, np.pi / 2)):
        angle = low + (high - low) * (node + 1) / 2
        reach = a / np.cos(angle) if low == 0.0 else b / np.sin(angle)
        r = reach[:, None] * (node + 1) / 2
        value = (a - r * np.cos(angle)[:, None]) * (b - r * np.sin(angle)[:, None]) * np.exp(-1j * r)
        total += ((value @ weight) * reach / 2) @ weight * (high - low) / 2
    return complex(4j * total / (2 * np.pi * a * b))


def _positive(name: str, value: ArrayLike) -> Floats:
    v = np.asarray(value, float)
    if not np.all(np.isfinite(v) & (v > 0)):
        raise DataError(message(name, "finite and positive", value))
    return v
