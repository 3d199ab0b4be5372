"""Closed forms of magnetostatics and eddy currents that judge the finite elements."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

MU0 = 4e-7 * math.pi


def nagaoka_coefficient(diameter_over_length: float) -> float:
    """Inductance of a thin solenoid over that of an infinite current sheet of its length.

    Source: H. Nagaoka, J. Coll. Sci. Tokyo 27 (1909); elliptic-integral form (Lorenz).
    Example:
        >>> round(nagaoka_coefficient(1.0), 10)
        0.6884226073
    """
    from scipy.special import ellipe, ellipk

    u = diameter_over_length
    k2 = u * u / (1 + u * u)
    k = math.sqrt(k2)
    first, second = float(ellipk(k2)), float(ellipe(k2))
    return 4 / (3 * math.pi * math.sqrt(1 - k2)) * ((1 - k2) / k2 * first - (1 - 2 * k2) / k2 * second - k)


def solenoid_inductance(radius: float, length: float, turns: float) -> float:
    """H, of a thin current sheet in air."""
    return MU0 * turns**2 * math.pi * radius**2 / length * nagaoka_coefficient(2 * radius / length)


def solenoid_axis_field(z: ArrayLike, radius: float, length: float, turns: float, current: float) -> NDArray[np.float64]:
    """B_z on the axis of a thin solenoid centred at 0, T (textbook; Biot-Savart integrated)."""
    z = np.asarray(z, float)
    a, b = z + length / 2, z - length / 2
    return np.asarray(MU0 * turns * current / (2 * length) * (a / np.hypot(a, radius) - b / np.hypot(b, radius)))


def loop_axis_field(z: ArrayLike, radius: float, current: float) -> NDArray[np.float64]:
    """B_z on the axis of a circular loop, T (textbook)."""
    return np.asarray(MU0 * current * radius**2 / (2 * np.hypot(np.asarray(z, float), radius) ** 3))


def permeable_sphere_field(applied: float, relative_permeability: float) -> float:
    """Flux density inside a linear sphere in a uniform field B0: 3 mu B0 / (mu + 2), T (textbook)."""
    return 3 * relative_permeability / (relative_permeability + 2) * applied


def axial_cylinder_flux(
    frequency_hz: ArrayLike, radius: float, relative_permeability: float, conductivity: float, surface_field: float
) -> NDArray[np.complex128]:
    """Flux through a long conducting cylinder in an axial field H at its surface, Wb, e^{+jwt}.

    Phi = 2 pi a mu H J1(ka) / (k J0(ka)), k = sqrt(-j w mu sigma). Source: textbook solution with Bessel functions
    (e.g. R. L. Stoll, The Analysis of Eddy Currents, 1974; from memory).
    """
    from scipy.special import jve

    mu = relative_permeability * MU0
    k = np.sqrt(-2j * np.pi * np.asarray(frequency_hz, float) * mu * conductivity)
    ka = k * radius
    return np.asarray(2 * np.pi * radius * mu * surface_field * jve(1, ka) / (k * jve(0, ka)))


def wire_impedance(
    frequency_hz: ArrayLike, radius: float, conductivity: float, relative_permeability: float = 1.0
) -> NDArray[np.complex128]:
    """Internal impedance of a round wire per metre, ohm/m: k J0(ka) / (2 pi a sigma J1(ka)) (Kelvin; textbook)."""
    from scipy.special import jve

    mu = relative_permeability * MU0
    k = np.sqrt(-2j * np.pi * np.asarray(frequency_hz, float) * mu * conductivity)
    return np.asarray(k * jve(0, k * radius) / (2 * np.pi * radius * conductivity * jve(1, k * radius)))


def gap_flux_density(
    remanence: float, recoil: float, magnet_height: float, magnet_area: float, gap_length: float, gap_area: float
) -> float:
    """Flux density in the gap of an ideal circuit (no leakage, steel without reluctance), T.

    B_g = B_r (A_m / A_g) / (1 + recoil (g / h) (A_m / A_g)) (textbook).
    """
    ratio = magnet_area / gap_area
    return remanence * ratio / (1 + recoil * gap_length / magnet_height * ratio)


def coupled_ring_inductance(
    frequency_hz: ArrayLike, inductance: float, coupling: float, ring_time_constant: float
) -> NDArray[np.float64]:
    """Inductance of a coil beside a thin closed ring, H: L (1 - k^2 (wt)^2 / (1 + (wt)^2)), t = L_ring / R_ring.

    Halfway down its cut at w t = 1 (coupled circuits; textbook).
    """
    wt = 2 * np.pi * np.asarray(frequency_hz, float) * ring_time_constant
    return np.asarray(inductance * (1 - coupling**2 * wt**2 / (1 + wt**2)))


def ring_inductance(radius: float, width: float, height: float) -> float:
    """Self-inductance of a ring of small rectangular section with even current, H: mu0 R (ln(8R/g) - 2).

    g is the geometric mean distance of the section from itself, 0.2235 (width + height) (Maxwell; Rosa & Grover 1912).
    """
    return MU0 * radius * (math.log(8 * radius / (0.2235 * (width + height))) - 2)


def mutual_inductance(r1: float, r2: float, distance: float) -> float:
    """Of two coaxial filament circles, H (Maxwell 1873, elliptic integrals)."""
    from scipy.special import ellipe, ellipk

    m = 4 * r1 * r2 / ((r1 + r2) ** 2 + distance**2)
    k = math.sqrt(m)
    return MU0 * math.sqrt(r1 * r2) * float((2 / k - k) * ellipk(m) - 2 / k * ellipe(m))
