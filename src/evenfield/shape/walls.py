"""A waveguide's wall in every direction: profile, mouth outline, angles per plane, the transition from round, the proud rim.

Pure and smooth in all dimensions, so a vertex keeps its (station, direction) while dimensions change.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from evenfield.shape.elements import Waveguide
from evenfield.shape.free import Free
from evenfield.shape.outlines import polar_radius, smallest_half
from evenfield.shape.profiles import PROFILES
from evenfield.shape.rim import rim_width, step5

Array = NDArray[np.float64]


def wall(guide: Waveguide, station: Array, theta: Array, throat: float | None = None) -> tuple[Array, Array]:
    """Points of the wall.

    Parameters
        station : (N,) 0 at the throat to 1 at the mouth; theta : (M,) rad from +y towards +z
        throat : float, m; radius where the wall begins, default the guide's
    Returns
        x (N, M), m: -depth at the throat, `proud` at the mouth, 0 being the baffle; radius (N, M), m. nan where no wall exists.
    """
    r0 = guide.throat_radius if throat is None else throat
    mouth = polar_radius(guide.mouth, theta)
    x, r = _own(guide, station, r0, mouth, stated_angles(guide, theta))
    begin, end = guide.transition
    if end > 0:
        narrow = np.array([smallest_half(guide.mouth)])
        x_round, r_round = _own(guide, station, r0, narrow, _round_angles(guide))
        share = step5((station - begin) / (end - begin))[:, None]
        x, r = x_round + share * (x - x_round), r_round + share * (r - r_round)
    return x + guide.proud, r


def rim(guide: Waveguide, share: Array, theta: Array) -> tuple[Array, Array]:
    """The blend from the baffle (share 0) up to a proud mouth (share 1): x, radius (N, M), m."""
    width = rim_width(guide)
    x = guide.proud * step5(share)[:, None] + 0 * theta
    return x, polar_radius(guide.mouth, theta) + width * (1 - share)[:, None]


def wall_angles(guide: Waveguide, station: Array, theta: Array) -> Array:
    """(N, M) angle of the wall from the axis, rad, by differences."""
    h = 1e-4
    low, high = np.clip(station - h, 0, 1), np.clip(station + h, 0, 1)
    (x0, r0), (x1, r1) = wall(guide, low, theta), wall(guide, high, theta)
    return np.arctan2(r1 - r0, x1 - x0)


def _own(guide: Waveguide, station: Array, throat: float, mouth: Array, angles: Array | None) -> tuple[Array, Array]:
    depth = guide.depth + guide.proud
    if angles is not None:
        return Free(guide.stations).wall(station, throat, guide.entry_angle, depth, mouth, guide.rounding, angles)
    return PROFILES[guide.profile].wall(station, throat, guide.entry_angle, depth, mouth, guide.rounding)


def _planes(guide: Waveguide) -> tuple[Array, Array, Array]:
    """(K, 1) angles stated for the horizontal, vertical and diagonal planes."""
    across = np.array(guide.angles)[:, None]
    up = np.array(guide.angles_vertical)[:, None] if guide.angles_vertical else across
    between = np.array(guide.angles_diagonal)[:, None] if guide.angles_diagonal else (across + up) / 2
    return across, up, between


def stated_angles(guide: Waveguide, theta: Array) -> Array | None:
    """(K, M) angles of the free profile in the directions theta; None for other profiles.

    The stated planes keep theirs; between them the weights are powers of cos 2 theta, three times differentiable.
    """
    if guide.profile != "free" or not guide.angles:
        return None
    across, up, between = _planes(guide)
    along = np.cos(2 * theta)
    diagonal = 1 - along**4
    return np.asarray(across * np.where(along > 0, along**4, 0) + up * np.where(along > 0, 0, along**4) + between * diagonal)


def _round_angles(guide: Waveguide) -> Array | None:
    if guide.profile != "free" or not guide.angles:
        return None
    across, up, between = _planes(guide)
    return np.asarray((across + up + 2 * between) / 4)


__all__ = ["rim", "stated_angles", "wall", "wall_angles"]
