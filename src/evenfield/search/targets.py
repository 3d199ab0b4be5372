"""Every target of an aim as a number that is 1 where it is just met, and how each moves with the shape, on a linear field."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evenfield.search.aim import PLANES, Weights
from evenfield.search.beam import DROP, SLACK, breaks, crossing, neck, widths
from evenfield.search.linear_field import LinearField
from evenfield.search.objective import Objective

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

WIDTH, NECK = SLACK, 0.09
"""Shares of the aim: how far off a width may be, and how much narrower than on both sides; 1 % is spared for what lies between
the solved frequencies."""
MEASURES = {"step": 0.45, "mismatch": 0.9, "pattern": 0.97, "ripple": 0.4, "axis": 0.6}
"""dB of the measures of a score, likewise."""
DEEPEST, PER = 0.15, 0.25
"""dB that a dip which must not end the beam stays over the fall, and one that must end it under; and what counts 1 less: at
0.4 dB it counts nothing."""
_K = 20 / math.log(10)


@dataclass(frozen=True)
class Ratios:
    """Numbers that are 1 where a target is just met, and their derivatives.

    Parameters
        width, neck : (P, F) in the band; dip : (P, S, A, F), of `breaks`; measures : by name
        width_slope, neck_slope, dip_slope : (N, ...) by the shares; measure_slopes : name -> (N,); empty without slopes
    """

    width: Array
    neck: Array
    dip: Array
    measures: Mapping[str, float]
    width_slope: Array
    neck_slope: Array
    dip_slope: Array
    measure_slopes: Mapping[str, Array]

    @property
    def flat(self) -> Array:
        """(M,) all of them, without sign."""
        return np.concatenate(
            [np.abs(self.width).ravel(), self.neck.ravel(), self.dip.ravel(), np.abs([*self.measures.values()])]
        )

    @property
    def worst(self) -> float:
        """The greatest; at most 1 where every target is met."""
        return float(self.flat.max())

    @property
    def progress(self) -> float:
        """A norm that is near the greatest, and lower where the next ones are."""
        return float(np.sum(np.maximum(self.flat, 0) ** 16) ** (1 / 16))


def ratios_at(objective: Objective, far: Complex, impedance: Complex, near: LinearField | None = None) -> Ratios:
    """The ratios of a field; with their derivatives where a linear field says how it moves."""
    o = objective
    band = (o.frequency >= o.aim.low / 1.0001) & (o.frequency <= o.aim.high * 1.0001)
    motion, where = o.drive.motion[o.aim.upper][:, band], o.listening
    pressure = np.einsum("pf,pdf->df", motion, far[..., band])
    axis = pressure[where.axis]
    level = 20 * np.log10(np.maximum(np.abs(pressure[where.orbit] / axis), 1e-9))
    half = np.array([o.aim.coverage[p] for p in PLANES]) / 2
    wanted = np.degrees(2 * half)[:, None]
    width, by_level = _widths(level, half)
    narrow, by_neck = neck(width, 0.0)
    early, wide = breaks(level, half)
    sign = np.where(early, -1.0, np.where(wide, 1.0, 0.0))
    dip = np.where(sign != 0, (DEEPEST + PER + sign * (level + DROP)) / PER, 0.0)
    score = o.score(far, impedance, slopes=False)
    found = {n: score.measures[f"{n}_db"] for n in MEASURES if f"{n}_db" in score.measures}
    measures = {n: v / MEASURES[n] for n, v in found.items()}
    empty = np.zeros((0, 0))
    if near is None:
        return Ratios((width / wanted - 1) / WIDTH, narrow / NECK, dip, measures, empty, empty, empty, {})
    by_share = np.einsum("pf,npdf->ndf", motion, near.far_slope[:, :, where.orbit.ravel()][..., band]).reshape(-1, *level.shape)
    axis_by_share = np.einsum("pf,npf->nf", motion, near.far_slope[:, :, where.axis][..., band])
    moved = _K * ((by_share / pressure[where.orbit]) - (axis_by_share / axis)[:, None, None, None]).real
    width_slope = np.einsum("psaf,npsaf->npf", by_level, moved)
    neck_slope = np.einsum("pfg,npg->npf", by_neck, width_slope)
    dip_slope = sign * moved / PER
    slopes = {n: _measure_slope(o, n, found[n], far, impedance, near) / MEASURES[n] for n in measures}
    by_width = width_slope / wanted / WIDTH
    return Ratios((width / wanted - 1) / WIDTH, narrow / NECK, dip, measures, by_width, neck_slope / NECK, dip_slope, slopes)


def _widths(level: Array, half: Array) -> tuple[Array, Array]:
    """(P, F) degrees as the metrics count them, and by which levels they move; softly counted where a dip ends the beam too
    early, which the dip's own ratio says.
    """
    soft, by_soft = widths(level, half)
    place, slope = crossing(level)
    broken = np.asarray((breaks(level, half)[0] & (level < -DROP)).any(axis=(1, 2)))
    return np.where(broken, soft, place.sum(axis=1)), np.where(broken[:, None, None], by_soft, slope)


def _measure_slope(o: Objective, name: str, value: float, far: Complex, impedance: Complex, near: LinearField) -> Array:
    """(N,) dB per share, of a measure whose part of the objective is its square."""
    alone = Weights(**{n: 1.0 if n == name else 0.0 for n in vars(Weights())})
    score = replace(o, aim=replace(o.aim, weights=alone)).score(far, impedance)
    assert score.far_bar is not None and score.impedance_bar is not None
    unit = {"step": 0.5, "ripple": 0.5}.get(name, 1.0)
    safe = value if abs(value) > 1e-4 else math.copysign(1e-4, value)
    return near.pull(score.far_bar, score.impedance_bar) * unit**2 / (2 * safe)


__all__ = ["MEASURES", "NECK", "WIDTH", "Ratios", "ratios_at"]
