"""Ideal directivity patterns and their exact directivity indices."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base.errors import DataError, message
from evenfield.data.directions import Directions
from evenfield.data.directivity import Directivity

Pattern = Literal["monopole", "cardioid", "hypercardioid", "dipole"]

FIRST_ORDER: dict[str, float] = {"monopole": 1.0, "cardioid": 0.5, "hypercardioid": 0.25, "dipole": 0.0}
"""The share a of the monopole in a + (1 - a) cos(angle)."""


def first_order_pattern(name: Pattern, vectors: ArrayLike) -> NDArray[np.float64]:
    """(A,) pressure a + (1 - a) cos(angle from +x), 1 on axis, of (A, 3) unit vectors."""
    a = _share(name)
    return a + (1 - a) * np.asarray(vectors, float)[..., 0]


def first_order_index_db(name: Pattern) -> float:
    """Exact directivity index of a first-order pattern, dB: -10 log10(a^2 + (1 - a)^2 / 3).

    Example:
        >>> round(first_order_index_db("cardioid"), 6)
        4.771213
    """
    a = _share(name)
    return float(-10 * np.log10(a**2 + (1 - a) ** 2 / 3))


def first_order_directivity(name: Pattern, directions: Directions, frequency_hz: ArrayLike) -> Directivity:
    """The pattern as a Directivity of 1 Pa at 1 m per volt on axis, the same at every frequency."""
    f = np.atleast_1d(np.asarray(frequency_hz, float))
    value = np.repeat(first_order_pattern(name, directions.vectors)[:, None], len(f), axis=1).astype(complex)
    return Directivity(value, directions, f, provenance={"made_by": f"exact.patterns: {name}"})


def piston_pattern(ka: ArrayLike, angle: ArrayLike) -> NDArray[np.float64]:
    """Far field of a rigid piston in an infinite baffle, 1 on axis: 2 J1(x)/x, x = ka sin(angle).

    Parameters
        ka : (F,) float, wavenumber times radius
        angle : (A,) float, rad from the axis; the wave is even about the baffle, |angle| <= pi/2 is the half space
    Returns
        pressure : (A, F) float
    Source: Kinsler, Frey, Coppens, Sanders, Fundamentals of Acoustics, 4th ed. (2000), section 7.4 (from memory).
    """
    from scipy.special import j1

    x = np.sin(np.atleast_1d(np.asarray(angle, float)))[:, None] * np.atleast_1d(np.asarray(ka, float))[None]
    safe = np.where(np.abs(x) < 1e-8, 1.0, x)
    return np.where(np.abs(x) < 1e-8, 1.0, 2 * j1(safe) / safe)


def piston_index_db(ka: ArrayLike) -> NDArray[np.float64]:
    """Directivity index of a piston in an infinite baffle against the full sphere, dB; silence behind the baffle.

    10 log10 of (ka)^2 / (1 - J1(2 ka)/ka) (Kinsler et al., section 7.4, from memory): 3.01 dB as ka -> 0.
    """
    from scipy.special import j1

    x = np.asarray(ka, float)
    small = x < 1e-2
    safe = np.where(small, 1.0, x)
    ratio = np.where(small, 2.0 + x**2 / 3, safe**2 / (1 - j1(2 * safe) / safe))
    return np.asarray(10 * np.log10(ratio))


def pair_lobing_db(wavelengths_apart: ArrayLike) -> NDArray[np.float64]:
    """Lobing share of two equal in-phase omnidirectional sources, dB, heard broadside.

    On axis the pressures add (4 times the power of one), in total power they add to 2 (1 + sin(kd)/kd), so the directivity
    index of the coherent field is 10 log10(2 / (1 + sin(kd)/kd)), that of the power sum zero. Greatest, 4.07 dB, where
    tan(kd) = kd: 0.7151 wavelengths apart.
    Source: closed form (the mutual radiation resistance of two monopoles is sin(kd)/kd).
    """
    return np.asarray(10 * np.log10(2 / (1 + np.sinc(2 * np.asarray(wavelengths_apart, float)))))


def _share(name: str) -> float:
    if name not in FIRST_ORDER:
        raise DataError(message("pattern", "one of " + ", ".join(FIRST_ORDER), name))
    return FIRST_ORDER[name]
