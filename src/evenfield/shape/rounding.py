"""The mouth's rounding: a curve whose angle is a cubic in arc length, so that its curvature joins the wall's and ends at zero.

A bare arc would jump in curvature twice, at the wall and at the flat baffle. Here the angle from the axis runs from the wall's to
90 degrees as a Hermite cubic of the arc length. Its length is 1.5 times the arc's, so that a straight wall (curvature 0) is
rounded with `rounding` as the least radius of curvature. All angles rad, lengths m.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_POINTS, _WEIGHTS = np.polynomial.legendre.leggauss(12)
POINTS, WEIGHTS = (_POINTS + 1) / 2, _WEIGHTS / 2
"""Gauss rule on 0 ... 1."""
RIGHT = math.pi / 2


def cubic(t: Array, start: Array, start_slope: Array, end: Array, end_slope: Array | float = 0.0) -> Array:
    """Hermite cubic at t in 0 ... 1; slopes per unit t."""
    back = 1 - t
    return np.asarray(
        back**2 * (1 + 2 * t) * start + t**2 * (3 - 2 * t) * end + t * back**2 * start_slope - t**2 * back * end_slope
    )


@dataclass(frozen=True)
class Edge:
    """The rounded edge of a mouth, (M,) directions at once.

    Parameters
        angle : (M,) of the wall where it begins; curvature : (M,) 1/m, of the wall there; rounding : m
    """

    angle: Array
    curvature: Array
    rounding: float

    @property
    def length(self) -> Array:
        """(M,) arc length."""
        return 1.5 * self.rounding * (RIGHT - self.angle)

    def reach(self) -> tuple[Array, Array]:
        """(M,) along the axis and (M,) outwards, from where it begins to the baffle."""
        x, r = self.at(np.ones((1, len(self.angle))))
        return x[0], r[0]

    def at(self, share: Array) -> tuple[Array, Array]:
        """Way along the axis and outwards at shares (N, M) of the arc length, from where it begins."""
        phi = cubic(share[..., None] * POINTS, self.angle[:, None], (self.curvature * self.length)[:, None], np.asarray(RIGHT))
        part = share * self.length
        return part * (np.cos(phi) @ WEIGHTS), part * (np.sin(phi) @ WEIGHTS)


class Base(Protocol):
    """A wall given in closed form up to the rounding: from the throat (0, throat_radius) to (length, radius)."""

    def mismatch(
        self, throat_radius: float, entry_angle: float, length: Array, radius: Array, angle: Array
    ) -> tuple[Array, Array]:
        """(M,) by how much the wall arrives steeper than `angle` (any increasing measure) and (M,) its curvature there, 1/m."""
        ...

    def trace(self, u: Array, throat_radius: float, entry_angle: float, joint: Joint) -> tuple[Array, Array]:
        """Way along the axis and radius at u (N, M), 0 at the throat to 1 at the joint, about uniform in arc length and
        exactly so at u = 1."""
        ...


@dataclass(frozen=True)
class Joint:
    """Where wall and rounding meet, (M,) each: from the throat along the axis, radius, angle, curvature; wall's arc length."""

    length: Array
    radius: Array
    edge: Edge
    arc: Array


def joined(
    base: Base, station: Array, throat: float, entry: float, depth: float, mouth: Array, rounding: float
) -> tuple[Array, Array]:
    """Points (N, M) of the wall and its rounding: x from -depth to 0, radius from `throat` to `mouth`; nan where none exists."""
    joint = find_joint(base, throat, entry, depth, mouth, rounding)
    edge = joint.edge
    share = joint.arc / (joint.arc + edge.length)
    at = station[:, None]
    x, r = base.trace(np.clip(at / share, 0, 1), throat, entry, joint)
    beyond_x, beyond_r = edge.at(np.clip((at - share) / (1 - share), 0, 1))
    on_edge = at > share
    x = np.where(on_edge, joint.length + beyond_x, x) - depth
    return x, np.where(on_edge, joint.radius + beyond_r, r)


def find_joint(base: Base, throat: float, entry: float, depth: float, mouth: Array, rounding: float) -> Joint:
    """Where the wall hands over: angle and curvature of both sides the same. Bisection, then Newton's method."""

    def residual(angle: Array, curvature: Array) -> tuple[Array, Array, Array, Array]:
        along, outwards = Edge(angle, curvature, rounding).reach()
        length, radius = depth - along, mouth - outwards
        with np.errstate(all="ignore"):
            steep, found = base.mismatch(throat, entry, length, radius, angle)
        return steep, found - curvature, length, radius

    low, high = np.full(mouth.shape, 1e-6), np.full(mouth.shape, RIGHT - 1e-9)
    curvature = np.zeros(mouth.shape)
    limit = 2 / rounding
    for _ in range(26):
        angle = (low + high) / 2
        steep, more, length, radius = residual(angle, curvature)
        impossible = (length <= 0) | (radius <= throat)
        higher = impossible | (steep > 0)
        low, high = np.where(higher, angle, low), np.where(higher, high, angle)
        curvature = np.clip(np.nan_to_num(curvature + more), 0.0, limit)
    angle = (low + high) / 2
    for _ in range(6):
        f, g, *_ = residual(angle, curvature)
        df, dg = 1e-7, 1e-7 / rounding
        fa, ga, *_ = residual(angle + df, curvature)
        fc, gc, *_ = residual(angle, curvature + dg)
        a, b, c, d = (fa - f) / df, (fc - f) / dg, (ga - g) / df, (gc - g) / dg
        with np.errstate(all="ignore"):
            det = a * d - b * c
            angle = angle - np.clip((f * d - g * b) / det, -0.1, 0.1)
            curvature = curvature - np.clip((g * a - f * c) / det, -limit, limit)
    f, g, length, radius = residual(angle, curvature)
    good = (np.abs(f) < 1e-8) & (np.abs(g) * rounding < 1e-8) & (length > 0) & (radius > throat) & (angle < RIGHT)
    void = np.where(good, 0.0, np.nan)
    edge = Edge(angle + void, curvature, rounding)
    joint = Joint(length, radius, edge, np.ones_like(length))
    return Joint(length, radius, edge, _arc(base, throat, entry, joint))


def _arc(base: Base, throat: float, entry: float, joint: Joint) -> Array:
    """(M,) arc length of the wall up to the joint, from chords, extrapolated."""
    u = np.linspace(0, 1, 65)[:, None] * np.ones(len(joint.length))
    x, r = base.trace(u, throat, entry, joint)
    fine = np.hypot(np.diff(x, axis=0), np.diff(r, axis=0)).sum(axis=0)
    coarse = np.hypot(np.diff(x[::2], axis=0), np.diff(r[::2], axis=0)).sum(axis=0)
    return np.asarray((4 * fine - coarse) / 3)


def straight_reach(angle: float, rounding: float) -> tuple[float, float]:
    """Along the axis and outwards, m, of the rounding of a straight wall at `angle`."""
    x, r = Edge(np.array([angle]), np.zeros(1), rounding).reach()
    return float(x[0]), float(r[0])
