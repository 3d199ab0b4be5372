"""The free profile: the wall's angle as a monotone spline of its arc length, stated at a few stations.

The angles say how the wall turns from the entry angle to the baffle; depth and mouth say where it ends. Both are met in every
direction by one number that multiplies the odds of the turning, q/(1-q) -> odds q/(1-q), where q is the share of the way from
the entry angle to 90 degrees that the wall has turned: the order of the angles, 0 and 1 stay. Where depth, mouth and angles
agree, that number is 1 and the wall has the stated angles exactly.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenfield.shape.rounding import POINTS, RIGHT, WEIGHTS, cubic, straight_reach

Array = NDArray[np.float64]

USUAL = (0.15, 0.3, 0.45, 0.6)
"""Shares of the turning at evenly spaced stations that a free profile has when no angles are stated."""


@dataclass(frozen=True)
class Turning:
    """A wall as pieces of its angle over arc length, (P, M): spacing of the knots, m; angle (P + 1, M) and its slope there."""

    spacing: Array
    angle: Array
    slope: Array
    odds: Array

    def piece(self, t: Array, index: NDArray[np.intp]) -> tuple[Array, Array]:
        """Way along the axis and outwards, m, from the knots `index` (N, M) through shares t (N, M) of their pieces."""

        def of(values: Array) -> Array:
            return np.take_along_axis(values, index, axis=0)[..., None]

        h = of(self.spacing)
        phi = cubic(
            t[..., None] * POINTS, of(self.angle[:-1]), h * of(self.slope[:-1]), of(self.angle[1:]), h * of(self.slope[1:])
        )
        part = t * h[..., 0]
        return part * (np.cos(phi) @ WEIGHTS), part * (np.sin(phi) @ WEIGHTS)

    def whole(self) -> tuple[Array, Array]:
        """(P, M) along the axis and outwards, m, of every piece."""
        rows = np.arange(len(self.spacing))[:, None] + np.zeros(self.spacing.shape[1], np.intp)
        return self.piece(np.ones(self.spacing.shape), rows)


@dataclass(frozen=True)
class Free:
    """A wall stated by its angles.

    Parameters
        stations : (K,) shares of the wall's length up to the rounding, increasing, the last one 1; empty: evenly spaced
    """

    stations: tuple[float, ...] = ()

    def wall(
        self,
        station: Array,
        throat_radius: float,
        entry_angle: float,
        depth: float,
        mouth_radius: Array,
        rounding: float,
        angles: Array | None = None,
    ) -> tuple[Array, Array]:
        """See `Profile.wall`; angles (K, M), rad from the axis, at the stations, default `USUAL`."""
        turning = self.turning(throat_radius, entry_angle, depth, mouth_radius, rounding, angles)
        knots = np.vstack([np.zeros(len(mouth_radius)), np.cumsum(turning.spacing, axis=0)])
        s = station[:, None] * knots[-1]
        index = np.clip((s[:, None, :] >= knots[1:-1]).sum(axis=1), 0, len(turning.spacing) - 1)
        start = np.take_along_axis(knots, index, axis=0)
        t = np.clip((s - start) / np.take_along_axis(turning.spacing, index, axis=0), 0, 1)
        begin = [np.vstack([np.zeros(len(mouth_radius)), np.cumsum(w, axis=0)]) for w in turning.whole()]
        x, r = turning.piece(t, index)
        x = x + np.take_along_axis(begin[0], index, axis=0) - depth
        return x, r + np.take_along_axis(begin[1], index, axis=0) + throat_radius

    def turning(
        self, throat_radius: float, entry_angle: float, depth: float, mouth_radius: Array, rounding: float, angles: Array | None
    ) -> Turning:
        """The wall's angle over its arc length in every direction; `odds` is what the stated angles were multiplied by."""
        if angles is None:
            angles = np.repeat((entry_angle + (RIGHT - entry_angle) * np.array(USUAL))[:, None], len(mouth_radius), axis=1)
        count = len(angles)
        stations = self.stations or tuple((k + 1) / count for k in range(count))
        both = np.ascontiguousarray(np.vstack([mouth_radius, angles]), float)
        return _turning(stations, throat_radius, entry_angle, depth, rounding, both.tobytes(), both.shape)

    def least_mouth(self, throat_radius: float, entry_angle: float, depth: float, rounding: float) -> float:
        """See `Profile.least_mouth`."""
        along, outwards = straight_reach(entry_angle, rounding)
        return throat_radius + (depth - along) * math.tan(entry_angle) + outwards


@functools.lru_cache(maxsize=256)
def _turning(
    stations: tuple[float, ...], throat: float, entry: float, depth: float, rounding: float, data: bytes, shape: tuple[int, int]
) -> Turning:
    both = np.frombuffer(data).reshape(shape)
    unique, which = np.unique(both, axis=1, return_inverse=True)
    log_odds, log_length = _solve(stations, throat, entry, depth, rounding, unique[0], unique[1:])
    found = _spline(stations, entry, rounding, unique[1:], log_odds, log_length)
    which = which.ravel()
    return Turning(found.spacing[:, which], found.angle[:, which], found.slope[:, which], found.odds[which])


def _spline(
    stations: tuple[float, ...], entry: float, rounding: float, angles: Array, log_odds: Array, log_length: Array
) -> Turning:
    """The monotone cubic of Fritsch and Butland (SIAM J. Sci. Stat. Comput. 5 (1984) 300), level with the baffle at the end.
    At the throat the angle has no second derivative, the end condition of a natural spline."""
    share = (angles - entry) / (RIGHT - entry)
    odds = np.exp(log_odds)
    turned = odds * share / (1 - share + odds * share)
    knots = entry + (RIGHT - entry) * np.vstack([np.zeros(len(odds)), turned, np.ones(len(odds))])
    spacing = np.vstack(
        [np.diff(np.concatenate([[0.0], stations]))[:, None] * np.exp(log_length), 1.5 * rounding * (RIGHT - knots[-2])]
    )
    rise = np.diff(knots, axis=0) / spacing
    first, second = 2 * spacing[1:] + spacing[:-1], spacing[1:] + 2 * spacing[:-1]
    with np.errstate(divide="ignore"):
        inner = (first + second) / (first / rise[:-1] + second / rise[1:])
    throat = 1.5 * rise[0] - 0.5 * inner[0]
    return Turning(spacing, knots, np.vstack([throat, inner, np.zeros(len(odds))]), odds)


def _solve(
    stations: tuple[float, ...], throat: float, entry: float, depth: float, rounding: float, mouth: Array, angles: Array
) -> tuple[Array, Array]:
    """(M,) logarithms of odds and of the length up to the rounding that meet depth and mouth; nan where nothing does."""

    def residual(log_odds: Array, log_length: Array) -> tuple[Array, Array]:
        x, r = _spline(stations, entry, rounding, angles, log_odds, log_length).whole()
        return np.asarray(x.sum(axis=0) / depth - 1), np.asarray((r.sum(axis=0) - (mouth - throat)) / depth)

    u, v = np.zeros(len(mouth)), np.log(np.hypot(depth, mouth - throat)) + np.zeros(len(mouth))
    step = 1e-6
    f, g = residual(u, v)
    for _ in range(40):
        if np.all(np.maximum(np.abs(f), np.abs(g)) < 1e-13):
            break
        fu, gu = residual(u + step, v)
        fv, gv = residual(u, v + step)
        a, b, c, d = (fu - f) / step, (fv - f) / step, (gu - g) / step, (gv - g) / step
        with np.errstate(all="ignore"):
            det = a * d - b * c
            du, dv = (f * d - g * b) / det, (g * a - f * c) / det
        du, dv = np.nan_to_num(du), np.nan_to_num(dv)
        shrink = np.minimum(1.0, 0.7 / np.maximum(np.maximum(np.abs(du), np.abs(dv)), 1e-300))
        u, v = u - shrink * du, v - shrink * dv
        f, g = residual(u, v)
    void = np.where(np.maximum(np.abs(f), np.abs(g)) < 1e-9, 0.0, np.nan)
    return u + void, v + void
