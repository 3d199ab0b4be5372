"""The late part: statistical energy from sound power and absorption, and the variance that averaging leaves it.

Decay by Eyring with the air's absorption; arrivals after the exactly traced ones come at the rate of the image sources of an
ideal room, so energy is conserved: early and late together hold 4 W/(c A') of energy density.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

DECAYS_60_DB = float(6 * np.log(10))
"""ln 10^6: reverberation time times the energy's decay rate."""


def sabine_time(volume: ArrayLike, absorption_area: ArrayLike, speed_of_sound: float = 343.2) -> FloatArray:
    """Reverberation time, s: 24 ln 10 V/(c A).

    Source: Sabine's formula as in ISO 354 (55.3 V/(c A)).
    Example:
        >>> round(float(sabine_time(100.0, 20.0)), 3)
        0.805
    """
    return np.asarray(4 * DECAYS_60_DB * np.asarray(volume) / (speed_of_sound * np.asarray(absorption_area)))


def decay_rate(
    volume: ArrayLike, area: ArrayLike, absorption: ArrayLike, air_db_per_m: ArrayLike, speed_of_sound: float
) -> FloatArray:
    """Energy decay rate, 1/s: c S/(4 V) (-ln(1 - mean absorption)) + c m, broadcast shape.

    Source: Eyring, JASA 1 (1930) 217; m is the air's energy absorption, 1/m.
    """
    alpha = np.minimum(np.asarray(absorption, float), 1 - 1e-9)
    wall = speed_of_sound * np.asarray(area) / (4 * np.asarray(volume)) * -np.log1p(-alpha)
    return np.asarray(np.maximum(wall + speed_of_sound * np.asarray(air_db_per_m) / (10 / np.log(10)), 1e-6))


def reverberation_time(rate: ArrayLike) -> FloatArray:
    """s, from the energy decay rate."""
    return np.asarray(DECAYS_60_DB / np.asarray(rate))


def reverberant_square(
    power: ArrayLike, volume: ArrayLike, rate: ArrayLike, after: ArrayLike, speed_of_sound: float
) -> FloatArray:
    """Mean square pressure of all arrivals later than `after` seconds from emission.

    Parameters
        power : mean square over the sphere of the source's far field, Pa^2 m^2 (its sound power is 4 pi power/(rho c))
        volume, rate, after : m^3, 1/s, s; broadcast
    4 pi c power/(rate V) e^{-rate after}; with `after` = 0 and Sabine's rate it is the classical 16 pi power/A.
    """
    a = np.asarray(rate)
    return np.asarray(4 * np.pi * speed_of_sound * np.asarray(power) / (a * np.asarray(volume)) * np.exp(-a * np.asarray(after)))


def scattered_square(
    power: ArrayLike, volume: ArrayLike, rate: ArrayLike, scatter_rate: ArrayLike, start: ArrayLike, end: ArrayLike, c: float
) -> FloatArray:
    """Mean square pressure, between two times, of energy that scattering took from the mirror reflections.

    scatter_rate is c S/(4 V) (-ln(1 - mean scattering)): mirror energy decays with rate + scatter_rate, all energy with rate.
    """
    a, b = np.asarray(rate), np.asarray(rate) + np.asarray(scatter_rate)
    whole = (np.exp(-a * start) - np.exp(-a * end)) / a - (np.exp(-b * start) - np.exp(-b * end)) / b
    return np.asarray(4 * np.pi * c * np.asarray(power) / np.asarray(volume) * np.maximum(whole, 0.0))


def schroeder_frequency(volume: ArrayLike, time: ArrayLike) -> FloatArray:
    """2000 sqrt(T/V), Hz. Source: Schroeder & Kuttruff, JASA 34 (1962) 76."""
    return np.asarray(2000 * np.sqrt(np.asarray(time) / np.asarray(volume)))


def speckle_variance(bandwidth_hz: ArrayLike, time: ArrayLike) -> FloatArray:
    """Relative variance of the band-averaged square of a diffuse field at one point; 1 for a pure tone.

    (2/x)[atan x - ln(1 + x^2)/(2 x)], x = 2 pi B T/ln(10^6): the squared frequency autocorrelation 1/(1 + x^2) of an
    exponentially decaying field, averaged over the band.
    Source: Schroeder, JASA 34 (1962) 1819; Lubman, JASA 44 (1968) 1491; Davy, J. Sound Vib. 77 (1981) 455 (from memory).
    Averaging over N independent places divides it by N.
    """
    x = np.maximum(2 * np.pi * np.asarray(bandwidth_hz) * np.asarray(time) / DECAYS_60_DB, 1e-6)
    small = 1 - x**2 / 6
    return np.asarray(np.where(x < 1e-2, small, 2 / x * (np.arctan(x) - np.log1p(x**2) / (2 * x))))


def draw_square(early: FloatArray, late: FloatArray, variance: FloatArray, generator: np.random.Generator) -> FloatArray:
    """One realisation of the squared pressure of a fixed early and a random late field, all of one shape.

    A mean of 1/variance independent samples of |early + Gaussian late|^2: non-central chi-square, mean early + late, never
    negative. Needs variance <= 1.
    """
    degrees = 2 / np.clip(variance, 1e-6, 1.0)
    scale = late / degrees
    centre = np.sqrt(early / np.maximum(scale, 1e-300))
    spread = 2 * generator.standard_gamma((degrees - 1) / 2)
    drawn = scale * (spread + (generator.standard_normal(early.shape) + centre) ** 2)
    return np.asarray(np.where(late > 0, drawn, early))


def boundary_power(distance: FloatArray, factor: FloatArray, wavenumber: FloatArray) -> FloatArray:
    """Power of an omnidirectional source near three walls at right angles, relative to free space: (..., J).

    Parameters
        distance : (..., 3) m, to the nearest wall of each axis
        factor : (..., 3, J) pressure reflection factors
        wavenumber : (J,) rad/m
    The sum over the eight images of their factor times sin(kr)/(kr). By reciprocity also the mean square of a diffuse field
    at that distance from the walls. Limits at low frequency with hard walls: 3, 6, 9 dB for one, two, three.
    Source: Waterhouse, JASA 30 (1958) 4; JASA 27 (1955) 247.
    """
    total = np.zeros((*distance.shape[:-1], len(wavenumber)))
    for corner in range(8):
        use = [(corner >> axis) & 1 for axis in range(3)]
        path = 2 * np.sqrt(sum(u * distance[..., a] ** 2 for a, u in enumerate(use)) + np.zeros(distance.shape[:-1]))
        share = np.ones_like(total)
        for axis, u in enumerate(use):
            if u:
                share = share * factor[..., axis, :]
        total += share * np.sinc(path[..., None] * wavenumber / np.pi)
    return np.asarray(np.maximum(total, 0.05))
