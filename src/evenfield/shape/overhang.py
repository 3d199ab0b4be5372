"""How far a waveguide's acoustic wall hangs over for a chosen way of lying on the printer's plate: smooth in every dimension.

A wall hangs by the angle that its face is turned downwards from the vertical: 0 for an upright wall, 90 degrees for a ceiling,
negative for one that looks up. Whatever the shape, a wall that ends level with the baffle turns past any limit in its last
millimetres (`left_out`); printed mouth down these lie on the plate or next to it, so they are left out, and said.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenfield.shape.elements import Waveguide
from evenfield.shape.rounding import straight_reach
from evenfield.shape.walls import wall

Array = NDArray[np.float64]

LYING: Mapping[str, tuple[float, float, float]] = {
    "throat-down": (1.0, 0.0, 0.0),
    "mouth-down": (-1.0, 0.0, 0.0),
    "right-edge": (0.0, 1.0, 0.0),
    "left-edge": (0.0, -1.0, 0.0),
    "lower-edge": (0.0, 0.0, 1.0),
    "upper-edge": (0.0, 0.0, -1.0),
}
"""Ways of lying, named by what is on the plate, and the direction of the part that then points up."""

_SHARES = np.array([0.02, 0.2, 0.4, 0.6, 0.75, 0.88, 1.0])
"""Of the depth that is looked at, from the throat; the wall changes slowly between."""
_QUARTER = np.linspace(0.0, math.pi / 2, 5)
"""Directions around the axis; cross-sections are symmetric in both planes."""
_STATIONS = np.linspace(0.0, 1.0, 81)
_STEP = 1e-3


@dataclass(frozen=True)
class Hang:
    """Where the wall hangs, and how far.

    Parameters
        angle : (N, M) rad below the vertical; x, radius : (N, M) m, there; theta : (M,) rad around the axis
        left_out : m, the depth below the mouth that was not looked at
    """

    angle: Array
    x: Array
    radius: Array
    theta: Array
    left_out: float

    @property
    def worst(self) -> tuple[float, str]:
        """The largest angle, rad, and where, in words."""
        n, m = np.unravel_index(int(np.argmax(self.angle)), self.angle.shape)
        place = f"x {1e3 * self.x[n, m]:.1f} mm, {1e3 * self.radius[n, m]:.1f} mm from the axis"
        return float(self.angle[n, m]), place


def left_out(guide: Waveguide, limit: float) -> float:
    """m; below the mouth, in which a straight wall at the limit (rad) would be rounded off level with the baffle."""
    return straight_reach(limit, guide.rounding)[0]


def hang(guide: Waveguide, up: tuple[float, float, float], limit: float) -> Hang:
    """How far the acoustic wall hangs over, from the throat to where the mouth's rounding turns past any limit.

    Parameters
        up : the part's direction that points up, see `LYING`; limit : rad from the vertical, for `left_out` alone
    nan where the wall does not exist. Cost: some milliseconds.
    """
    theta = np.concatenate([_QUARTER - _STEP, _QUARTER, _QUARTER + _STEP])
    x, r = wall(guide, _STATIONS, theta)
    over = left_out(guide, limit)
    depth = -guide.depth + _SHARES * (guide.depth + guide.proud - over)
    count = len(_QUARTER)
    found, radius = np.empty((len(depth), count)), np.empty((len(depth), count))
    for m, angle in enumerate(_QUARTER):
        columns = [m, m + count, m + 2 * count]
        slope, turn, radius[:, m] = _slopes(np.hstack([x[:, columns], r[:, columns]]), depth)
        found[:, m] = _below(slope, turn / radius[:, m], float(angle), up)
    return Hang(found, np.repeat(depth[:, None], count, axis=1), radius, _QUARTER, over)


def _slopes(beside: Array, depth: Array) -> tuple[Array, Array, Array]:
    """(N,) dr/dx, dr/dtheta at constant x, and r where x is `depth`, from x and then r (S, 3 + 3) at directions a step apart."""
    from scipy.interpolate import CubicSpline

    if not np.all(np.isfinite(beside)):
        void = np.full(len(depth), np.nan)
        return void, void, void
    curves = CubicSpline(_STATIONS, beside)
    station = np.interp(depth, beside[:, 1], _STATIONS)
    for _ in range(3):
        station = station - (curves(station)[:, 1] - depth) / curves(station, 1)[:, 1]
    here, pace = curves(station), curves(station, 1)
    slope = pace[:, 4] / pace[:, 1]
    x_turn, r_turn = (here[:, 2] - here[:, 0]) / (2 * _STEP), (here[:, 5] - here[:, 3]) / (2 * _STEP)
    return slope, r_turn - slope * x_turn, here[:, 4]


def _below(slope: Array, skew: Array, theta: float, up: tuple[float, float, float]) -> Array:
    """(N,) rad below the vertical, of the surface r(x, theta): its normal into the air is (dr/dx, -e_r + (dr/dtheta)/r e_theta).

    Of the two sides of the axis the one that faces down more is taken: cross-sections are symmetric.
    """
    length = np.sqrt(1 + slope**2 + skew**2)
    c, s = math.cos(theta), math.sin(theta)
    across = np.abs(-c - skew * s) * abs(up[1]) + np.abs(-s + skew * c) * abs(up[2])
    return np.asarray(np.arcsin((across - slope * up[0]) / length))


__all__ = ["LYING", "Hang", "hang", "left_out"]
