"""What a filter fit knows of the sound: every average over directions as one small Hermitian matrix per frequency.

A mean square over any set of points is H* M H with M[v, w] the mean of conj(p_v) p_w over the points, so that the fit costs the
same for nine directions as for thousands.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenfield.data.directions import Plane, orbit_vectors
from evenfield.data.directivity import Directivity
from evenfield.data.interpolation import pressure_at
from evenfield.metrics.averages import LISTENING_WINDOW, early_reflection_groups, on_axis_power, sphere_sound_power

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

LEFT_OUT: dict[Plane, tuple[float, ...]] = {"horizontal": (5, -5, 15, -15, 25, -25), "vertical": (5, -5)}
"""Degrees: directions between those of the listening window, kept out of the fit to check it."""
SHARED_DB = 1.5
"""Spread over the window at which a local feature counts half in the fit."""


@dataclass(frozen=True)
class FitField:
    """Sound of the unfiltered ways where the fit looks, per volt at their terminals.

    Parameters
        frequency : (F,) Hz; names : the W ways, lowest first
        axis : (W, F) complex pressure on the reference axis at the listening distance, Pa
        window, early, left_out : (F, W, W) mean products over the listening window, the early reflections (mean of the five
            groups) and directions kept out of the fit
        axis_power, sphere_power : (W, F) far-field squared pressure on axis and its mean over the sphere
        weight : (F,) 0 ... 1, how far the window shares what is local in frequency
        unshared_db : (F,) local feature on the axis less that of the window
    """

    frequency: FloatArray
    names: tuple[str, ...]
    axis: ComplexArray
    window: ComplexArray
    early: ComplexArray
    left_out: ComplexArray
    axis_power: FloatArray
    sphere_power: FloatArray
    weight: FloatArray
    unshared_db: FloatArray
    window_pressure: ComplexArray

    @classmethod
    def of(
        cls, ways: Mapping[str, Directivity], origin: tuple[float, float, float], distance: float, low_hz: float, high_hz: float
    ) -> FitField:
        """The field of a prediction's ways about `origin` at `distance`, m, cut to a band."""
        first = next(iter(ways.values()))
        band = (first.frequency >= low_hz / 1.03) & (first.frequency <= high_hz * 1.03)
        cut = {n: w.replace(pressure=w.pressure[:, band], frequency=w.frequency[band]) for n, w in ways.items()}
        groups = list(early_reflection_groups().values())
        vectors = [orbit_vectors(p, a) for p, a in LISTENING_WINDOW.items()], [orbit_vectors(p, a) for p, a in LEFT_OUT.items()]
        sets = [np.concatenate(vectors[0]), np.concatenate(vectors[1]), *(orbit_vectors(p, a) for p, a in groups)]
        points = np.asarray(origin) + distance * np.concatenate(sets)
        pressure = np.stack([pressure_at(way, points) for way in cut.values()])
        split = np.split(pressure, np.cumsum([len(s) for s in sets])[:-1], axis=1)
        early = np.mean([mean_products(p) for p in split[2:]], axis=0)
        weight, unshared = _sharing(np.asarray(first.frequency[band]), split[0])
        return cls(
            np.asarray(first.frequency[band]), tuple(ways), np.asarray(split[0][:, 0]), mean_products(split[0]), early,
            mean_products(split[1]), np.stack([on_axis_power(w) for w in cut.values()]),
            np.stack([sphere_sound_power(w) for w in cut.values()]), weight, unshared, split[0],
        )  # fmt: skip


def mean_products(pressure: ComplexArray) -> ComplexArray:
    """(F, W, W) mean over points of conj(p_v) p_w from (W, P, F)."""
    return np.asarray(np.einsum("vpf,wpf->fvw", np.conj(pressure), pressure) / pressure.shape[1])


def _sharing(frequency: FloatArray, window: ComplexArray) -> tuple[FloatArray, FloatArray]:
    """Weight of each frequency, and the axis' own local feature: level less its octave mean, axis less the window's mean.

    The loudest way at each frequency speaks; filters of a way act on all directions alike, so that they cannot mend a feature
    that
    one direction has and the others have not.
    """
    power = np.abs(window) ** 2
    loudest = np.argmax(power.mean(axis=1), axis=0)
    level = 10 * np.log10(np.maximum(np.take_along_axis(power, loudest[None, None], axis=0)[0], 1e-300))
    local = level - octave_mean(frequency, level)
    mean = np.median(local, axis=0)
    spread = np.std(local, axis=0)
    weight = 1 / (1 + (spread / SHARED_DB) ** 2)
    return np.asarray(weight), np.asarray(local[0] - mean)


def octave_mean(frequency: FloatArray, level: FloatArray, octaves: float = 1.0) -> FloatArray:
    """Running mean over an octave, (..., F); shorter at the ends, symmetric about each point."""
    x = np.log2(frequency)
    reach = np.minimum(octaves / 2, np.minimum(x - x[0], x[-1] - x))
    inside = np.abs(x[None] - x[:, None]) <= reach[:, None] + 1e-9
    return np.asarray(level @ (inside / inside.sum(axis=1, keepdims=True)).T)
