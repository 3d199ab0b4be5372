"""A rigid sphere with a moving cap or a point source on it, as series of Legendre functions.

With radial velocity U(angle) = sum U_n P_n(cos angle) on a sphere of radius a, e^{+j omega t}:
    pressure on the sphere   p = -j rho c sum U_n h_n(ka)/h_n'(ka) P_n
    far field                lim r p e^{jkr} = (rho c/k) sum U_n j^n / h_n'(ka) P_n
with h_n the spherical Hankel functions of the second kind; origin in the centre of the sphere.
Source: Morse & Ingard, Theoretical Acoustics, McGraw-Hill 1968, section 7.2; Beranek & Mellow, Acoustics, 2012, chapter 12.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base import Air, DataError, message

CapMotion = Literal["radial", "axial"]
Complex = NDArray[np.complex128]
Floats = NDArray[np.float64]


def cap_far_field(
    radius: float,
    half_angle: float,
    frequency_hz: ArrayLike,
    angle: ArrayLike,
    motion: CapMotion = "radial",
    air: Air | None = None,
) -> Complex:
    """Far field of a cap moving on a rigid sphere.

    Parameters
        radius : float > 0, m; half_angle : float, rad, 0 < half_angle <= pi
        frequency_hz : (F,) float > 0
        angle : (A,) float, rad from the cap's axis
        motion : "radial" (unit radial velocity) or "axial" (unit velocity along the axis: radial part cos angle)
    Returns
        pressure : (A, F) complex, lim r p e^{jkr} about the centre, Pa at 1 m for 1 m/s
    Raises DataError for values out of range.
    Example:
        >>> p = cap_far_field(0.1, np.radians(30), 343.2 / (2 * np.pi * 0.1), np.radians([0, 90]))
        >>> round(float(20 * np.log10(abs(p[1, 0] / p[0, 0]))), 4)
        -3.5841
    """
    medium = air or Air()
    frequencies, cosine = _frequencies(frequency_hz), np.cos(np.atleast_1d(np.asarray(angle, float)))
    _check_cap(radius, half_angle)
    result = np.empty((len(cosine), len(frequencies)), complex)
    for i, k in enumerate(medium.wavenumber(frequencies)):
        slope = _far_factors(k * radius)
        strength = cap_coefficients(half_angle, len(slope), motion) * slope
        result[:, i] = medium.impedance / k * np.polynomial.legendre.legval(cosine, strength)
    return result


def cap_far_field_towards(
    directions: ArrayLike,
    cap_axis: ArrayLike,
    radius: float,
    half_angle: float,
    frequency_hz: ArrayLike,
    motion: CapMotion = "radial",
    air: Air | None = None,
) -> Complex:
    """(D, F) far field towards unit vectors (D, 3) of a cap about any axis (3,): `cap_far_field`, turned."""
    axis = np.asarray(cap_axis, float) / np.linalg.norm(cap_axis)
    cosine = np.clip(np.asarray(directions, float) @ axis, -1, 1)
    return cap_far_field(radius, half_angle, frequency_hz, np.arccos(cosine), motion, air)


def cap_impedance(
    radius: float, half_angle: float, frequency_hz: ArrayLike, motion: CapMotion = "radial", air: Air | None = None,
    terms: int = 2000,
) -> Complex:  # fmt: skip
    """(F,) radiation impedance of a cap, N s/m: the integral of pressure times motion shape per unit velocity.

    The terms fall like n^-3 (radial and axial alike), so that 2000 leave a relative error of about 1e-6.
    """
    medium = air or Air()
    _check_cap(radius, half_angle)
    n = np.arange(terms)
    weight = cap_coefficients(half_angle, terms, motion) ** 2 * 2 / (2 * n + 1)
    ratios = [_surface_ratios(float(k) * radius, terms) @ weight for k in medium.wavenumber(_frequencies(frequency_hz))]
    return -2j * np.pi * radius**2 * medium.impedance * np.array(ratios)


def point_source_far_field(ka: float, angle: ArrayLike) -> Complex:
    """(A,) far field of a point source on a rigid sphere, relative to that source alone at the sphere's centre.

    (1/(ka)^2) sum (2n+1) j^(n+1) P_n(cos angle)/h_n'(ka), up to a phase.
    """
    if not ka > 0:
        raise DataError(message("ka", "positive", ka))
    slope = _far_factors(ka)
    n = np.arange(len(slope))
    # (rho c/k)(2n+1)/(4 pi a^2) over j omega rho/(4 pi)
    return np.asarray(np.polynomial.legendre.legval(np.cos(np.atleast_1d(angle)), (2 * n + 1) * slope) / (1j * ka**2), complex)


def cap_coefficients(half_angle: float, terms: int, motion: CapMotion) -> Floats:
    """(terms,) U_n of a cap of unit radial or axial velocity."""
    if motion not in ("radial", "axial"):
        raise DataError(message("motion", '"radial" or "axial"', motion))
    c = np.cos(half_angle)
    p = _legendre(c, terms + 2)
    m = np.arange(terms + 1)
    # integral of P_m from c to 1
    integral = np.where(m == 0, 1 - c, (p[np.abs(m - 1)] - p[m + 1]) / (2 * m + 1))
    n = np.arange(terms)
    if motion == "radial":
        return np.asarray((2 * n + 1) / 2 * integral[:-1])
    before = np.concatenate([[0.0], integral[: terms - 1]])
    return np.asarray(((n + 1) * integral[1:] + n * before) / 2)


def _legendre(x: float, terms: int) -> Floats:
    """(terms,) P_0(x) ... by the three-term recurrence."""
    p = np.empty(max(terms, 2))
    p[0], p[1] = 1.0, x
    for n in range(1, len(p) - 1):
        p[n + 1] = ((2 * n + 1) * x * p[n] - n * p[n - 1]) / (n + 1)
    return p


def _far_factors(ka: float) -> Complex:
    """j^n / h_n'(ka) until it is below 1e-18 of its first value."""
    from scipy.special import spherical_jn, spherical_yn

    n = np.arange(int(ka + 12 * ka ** (1 / 3) + 30))
    with np.errstate(over="ignore", invalid="ignore"):
        derivative = spherical_jn(n, ka, True) - 1j * spherical_yn(n, ka, True)
        factors = np.where(np.isfinite(derivative), 1j**n / derivative, 0.0)
    return np.asarray(factors)


def _surface_ratios(ka: float, terms: int) -> Complex:
    """(terms,) h_n(ka)/h_n'(ka), by the recurrence of h_n/h_(n-1), which is stable upwards."""
    ratio = np.empty(terms, complex)
    # h_0 = j e^{-jx}/x, h_0' = -(j + 1/x) j e^{-jx}/x
    ratio[0] = -1 / (1j + 1 / ka)
    step = (1 + 1j * ka) / ka
    for n in range(1, terms):
        if n > 1:
            step = (2 * n - 1) / ka - 1 / step
        ratio[n] = 1 / (1 / step - (n + 1) / ka)
    return ratio


def _frequencies(frequency_hz: ArrayLike) -> Floats:
    f = np.atleast_1d(np.asarray(frequency_hz, float))
    if not np.all(np.isfinite(f) & (f > 0)):
        raise DataError(message("frequency_hz", "finite and positive", frequency_hz))
    return f


def _check_cap(radius: float, half_angle: float) -> None:
    if not (np.isfinite(radius) and radius > 0):
        raise DataError(message("radius", "positive", radius))
    if not 0 < half_angle <= np.pi + 1e-12:
        raise DataError(message("half_angle", "above 0 and at most pi", half_angle))
