"""Waveguide profiles: the wall in a plane through the axis, from the throat to a join tangent to the baffle.

A profile is anything with a `wall` and a `least_mouth` (see `Profile`). It is asked with many mouth radii at once, one per
direction around the axis; that is how a round throat becomes an elliptic or rectangular mouth. Add one by
`PROFILES["name"] = MyProfile()`.
"""

from __future__ import annotations

import math
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


class Profile(Protocol):
    """The wall of a waveguide in one plane."""

    def wall(
        self, station: Array, throat_radius: float, entry_angle: float, depth: float, mouth_radius: Array, rounding: float
    ) -> tuple[Array, Array]:
        """Points of the wall.

        Parameters
            station : (N,) float, 0 at the throat to 1 at the mouth, about uniform in arc length
            throat_radius, depth, rounding : float, m; entry_angle : float, rad from the axis
            mouth_radius : (M,) float, m
        Returns
            x (N, M) from -depth to 0 and radius (N, M), m; at station 1 tangent to the plane x = 0
        """
        ...

    def least_mouth(self, throat_radius: float, entry_angle: float, depth: float, rounding: float) -> float:
        """The mouth radius, m, that must be exceeded: below it the wall would have to turn inwards."""
        ...


def _least_mouth(throat_radius: float, entry_angle: float, depth: float, rounding: float) -> float:
    """Where the straight line at the entry angle, rounded off, meets the baffle plane."""
    half = (1 - math.sin(entry_angle)) / math.cos(entry_angle)
    return throat_radius + depth * math.tan(entry_angle) + rounding * half


class OblateSpheroidal:
    """r^2 = r0^2 + 2 r0 x tan(a0) + x^2 tan^2(b), then an arc of radius `rounding` up to the baffle.

    A hyperbola that leaves the throat at the entry angle a0 and tends to the coverage half-angle b, which is solved from
    depth and mouth. With a0 = 0 it is the oblate-spheroidal waveguide of Geddes, JAES 37 (1989) 554 (equation from memory).
    """

    def wall(
        self, station: Array, throat_radius: float, entry_angle: float, depth: float, mouth_radius: Array, rounding: float
    ) -> tuple[Array, Array]:
        """See `Profile.wall`."""
        low = np.full(mouth_radius.shape, entry_angle)
        high = np.full(mouth_radius.shape, math.pi / 2)
        lead = throat_radius * math.tan(entry_angle)

        def hyperbola(angle: Array) -> tuple[Array, Array, Array]:
            length = depth - rounding * (1 - np.sin(angle))
            radius = mouth_radius - rounding * np.cos(angle)
            return length, radius, (radius**2 - throat_radius**2 - 2 * length * lead) / length**2

        for _ in range(32):  # the angle at which the arc takes over, by bisection
            angle = (low + high) / 2
            length, radius, squared = hyperbola(angle)
            steep = (lead + length * squared) * np.cos(angle) > radius * np.sin(angle)
            low, high = np.where(steep, angle, low), np.where(steep, high, angle)
        length, radius, squared = hyperbola(angle)
        share = _straight_share(np.hypot(length, radius - throat_radius), rounding * (math.pi / 2 - angle))
        u = np.clip(station[:, None] / share, 0, 1) * length
        r = np.sqrt(throat_radius**2 + 2 * u * lead + u**2 * squared)
        return _with_arc(station, share, u - depth, r, angle, mouth_radius, rounding)

    def least_mouth(self, throat_radius: float, entry_angle: float, depth: float, rounding: float) -> float:
        """See `Profile.least_mouth`."""
        return _least_mouth(throat_radius, entry_angle, depth, rounding)


class Conical:
    """Straight walls from throat to the arc of radius `rounding`; their angle follows from depth and mouth, so the entry
    angle is not used and the wall has a kink against a source that asks for another.
    """

    def wall(
        self, station: Array, throat_radius: float, entry_angle: float, depth: float, mouth_radius: Array, rounding: float
    ) -> tuple[Array, Array]:
        """See `Profile.wall`."""
        across, along = mouth_radius - throat_radius, depth - rounding
        distance = np.hypot(across, along)
        angle = np.arctan2(across, along) - np.arcsin(rounding / distance)
        length, radius = depth - rounding * (1 - np.sin(angle)), mouth_radius - rounding * np.cos(angle)
        share = _straight_share(np.hypot(length, radius - throat_radius), rounding * (math.pi / 2 - angle))
        u = np.clip(station[:, None] / share, 0, 1)
        return _with_arc(
            station,
            share,
            u * length - depth,
            throat_radius + u * (radius - throat_radius),
            angle,
            mouth_radius,
            rounding,
        )

    def least_mouth(self, throat_radius: float, entry_angle: float, depth: float, rounding: float) -> float:
        """See `Profile.least_mouth`."""
        return throat_radius + rounding


class Smooth:
    """One cubic Bezier curve from the throat at the entry angle to the baffle, curvature continuous inside.

    The radius of curvature at the mouth is `rounding` or, where the mouth leaves room for a gentler end, more.
    """

    def wall(
        self, station: Array, throat_radius: float, entry_angle: float, depth: float, mouth_radius: Array, rounding: float
    ) -> tuple[Array, Array]:
        """See `Profile.wall`."""
        first = 0.5 * depth / math.cos(entry_angle)
        x1, r1 = -depth + first * math.cos(entry_angle), throat_radius + first * math.sin(entry_angle)
        reach = np.minimum(math.sqrt(rounding * -x1 / 1.5), 0.9 * (mouth_radius - r1))
        reach = np.maximum(reach, 0.3 * (mouth_radius - r1))
        t = station[:, None]
        w0, w1, w2, w3 = (1 - t) ** 3, 3 * t * (1 - t) ** 2, 3 * t**2 * (1 - t), t**3
        x = -depth * w0 + x1 * w1 + 0 * mouth_radius
        return x, throat_radius * w0 + r1 * w1 + (mouth_radius - reach) * w2 + mouth_radius * w3

    def least_mouth(self, throat_radius: float, entry_angle: float, depth: float, rounding: float) -> float:
        """See `Profile.least_mouth`."""
        straight = throat_radius + depth * math.tan(entry_angle)
        halfway = throat_radius + depth / 2 * math.tan(entry_angle)
        return max(straight, halfway + math.sqrt(rounding * depth / 3) / 0.9)


def _straight_share(first: Array, arc: Array) -> Array:
    return np.minimum(first / (first + arc), 1 - 1e-9)


def _with_arc(
    station: Array, share: Array, x: Array, r: Array, angle: Array, mouth: Array, rounding: float
) -> tuple[Array, Array]:
    """The wall (x, r) up to the station `share`, then the mouth's arc from the wall's `angle` to the baffle."""
    on_arc = station[:, None] > share
    turn = angle + (math.pi / 2 - angle) * np.clip((station[:, None] - share) / (1 - share), 0, 1)
    arc_x, arc_r = -rounding * (1 - np.sin(turn)), mouth - rounding * np.cos(turn)
    return np.where(on_arc, arc_x, x), np.where(on_arc, arc_r, r)


PROFILES: dict[str, Profile] = {
    "oblate_spheroidal": OblateSpheroidal(),
    "conical": Conical(),
    "smooth": Smooth(),
}
"""Profiles by name."""
