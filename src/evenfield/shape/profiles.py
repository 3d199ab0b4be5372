"""Waveguide profiles: the wall in a plane through the axis, from the throat to a join tangent to the baffle.

A profile is anything with a `wall` and a `least_mouth` (see `Profile`). It is asked with many mouth radii at once, one per
direction around the axis; that is how a round throat becomes an elliptic or rectangular mouth. Add one by
`PROFILES["name"] = MyProfile()`. Every wall here has continuous curvature, zero where it meets the baffle.
"""

from __future__ import annotations

import math
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from evenfield.shape.free import Free
from evenfield.shape.rounding import Edge, Joint, joined, straight_reach

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
            x (N, M) from -depth to 0 and radius (N, M), m; at station 1 tangent to the plane x = 0. nan in directions where
            the profile has no wall between these ends.
        """
        ...

    def least_mouth(self, throat_radius: float, entry_angle: float, depth: float, rounding: float) -> float:
        """The mouth radius, m, that must be exceeded: below it the wall would have to turn inwards.

        A profile that also has a `greatest_mouth` (same arguments) must stay below that.
        """
        ...


def _least_mouth(throat_radius: float, entry_angle: float, depth: float, rounding: float) -> float:
    """Where the straight line at the entry angle, rounded off, meets the baffle plane."""
    along, outwards = straight_reach(entry_angle, rounding)
    return throat_radius + (depth - along) * math.tan(entry_angle) + outwards


class _Rounded:
    """A wall in closed form (`mismatch` and `trace`, see `rounding.Base`), then the rounding."""

    def wall(
        self, station: Array, throat_radius: float, entry_angle: float, depth: float, mouth_radius: Array, rounding: float
    ) -> tuple[Array, Array]:
        """See `Profile.wall`."""
        return joined(self, station, throat_radius, entry_angle, depth, mouth_radius, rounding)  # type: ignore[arg-type]

    def least_mouth(self, throat_radius: float, entry_angle: float, depth: float, rounding: float) -> float:
        """See `Profile.least_mouth`."""
        return _least_mouth(throat_radius, 0.0, depth, rounding)


def _along(u: Array, joint: Joint) -> Array:
    """Way along the axis at u, its pace at the joint that of the arc length, so that stations run on evenly."""
    pace = joint.arc * np.cos(joint.edge.angle) / joint.length
    return np.asarray(joint.length * (u + (np.minimum(pace, 1.9) - 1) * u * (u - 1)))


class OblateSpheroidal(_Rounded):
    """r^2 = r0^2 + 2 r0 x tan(a0) + x^2 tan^2(b), then the rounding.

    A hyperbola that leaves the throat at the entry angle a0 and tends to the coverage half-angle b, which is solved from
    depth and mouth. With a0 = 0 it is the oblate-spheroidal waveguide of Geddes, JAES 37 (1989) 554 (equation from memory).
    """

    @staticmethod
    def _squared(throat: float, lead: float, length: Array, radius: Array) -> Array:
        return np.asarray((radius**2 - throat**2 - 2 * length * lead) / length**2)

    def mismatch(
        self, throat_radius: float, entry_angle: float, length: Array, radius: Array, angle: Array
    ) -> tuple[Array, Array]:
        """See `rounding.Base`."""
        lead = throat_radius * math.tan(entry_angle)
        squared = self._squared(throat_radius, lead, length, radius)
        slope = (lead + length * squared) / radius
        return np.arctan(slope) - angle, (squared - slope**2) / radius / (1 + slope**2) ** 1.5

    def trace(self, u: Array, throat_radius: float, entry_angle: float, joint: Joint) -> tuple[Array, Array]:
        """See `rounding.Base`."""
        lead = throat_radius * math.tan(entry_angle)
        x = _along(u, joint)
        squared = self._squared(throat_radius, lead, joint.length, joint.radius)
        with np.errstate(invalid="ignore"):
            return x, np.sqrt(throat_radius**2 + 2 * x * lead + x**2 * squared)

    def least_mouth(self, throat_radius: float, entry_angle: float, depth: float, rounding: float) -> float:
        """See `Profile.least_mouth`."""
        return _least_mouth(throat_radius, entry_angle, depth, rounding)


class Conical(_Rounded):
    """Straight walls from throat to rounding; their angle follows from depth and mouth, so the entry angle is not used and
    the wall has a kink against a source that asks for another.
    """

    def mismatch(
        self, throat_radius: float, entry_angle: float, length: Array, radius: Array, angle: Array
    ) -> tuple[Array, Array]:
        """See `rounding.Base`."""
        return np.arctan2(radius - throat_radius, length) - angle, np.zeros_like(angle)

    def trace(self, u: Array, throat_radius: float, entry_angle: float, joint: Joint) -> tuple[Array, Array]:
        """See `rounding.Base`."""
        return u * joint.length, throat_radius + u * (joint.radius - throat_radius)


class Exponential(_Rounded):
    """r = r0 e^(m x): the area grows by the same share per length; m follows from depth and mouth, the entry angle
    atan(m r0) from m, so that the entry angle stated is not used.
    """

    def mismatch(
        self, throat_radius: float, entry_angle: float, length: Array, radius: Array, angle: Array
    ) -> tuple[Array, Array]:
        """See `rounding.Base`."""
        slope = np.log(radius / throat_radius) / length * radius
        return np.arctan(slope) - angle, slope**2 / radius / (1 + slope**2) ** 1.5

    def trace(self, u: Array, throat_radius: float, entry_angle: float, joint: Joint) -> tuple[Array, Array]:
        """See `rounding.Base`."""
        x = _along(u, joint)
        return x, throat_radius * (joint.radius / throat_radius) ** (x / joint.length)


class Tractrix(_Rounded):
    """The curve whose tangents all reach the axis after the same length a: sin(angle) = r/a.

    x = T(r0) - T(r), T(r) = a arcosh(a/r) - sqrt(a^2 - r^2), r = r0 e^(s/a) over the arc length s (Voigt, British patent
    278098 of 1927; equations from memory). a follows from depth and mouth. A whole tractrix is only as deep as its mouth
    allows; one wider and shallower than that does not exist. The entry angle asin(r0/a) is its own.
    """

    @staticmethod
    def _depth(a: Array, r: Array | float) -> Array:
        return np.asarray(a * np.arccosh(a / r) - np.sqrt(a**2 - r**2))

    def mismatch(
        self, throat_radius: float, entry_angle: float, length: Array, radius: Array, angle: Array
    ) -> tuple[Array, Array]:
        """See `rounding.Base`."""
        a = radius / np.sin(angle)
        return (self._depth(a, throat_radius) - self._depth(a, radius)) / length - 1, np.tan(angle) / a

    def trace(self, u: Array, throat_radius: float, entry_angle: float, joint: Joint) -> tuple[Array, Array]:
        """See `rounding.Base`."""
        with np.errstate(invalid="ignore"):
            a = joint.radius / np.sin(joint.edge.angle)
            r = throat_radius * (joint.radius / throat_radius) ** u
            return self._depth(a, throat_radius) - self._depth(a, np.minimum(r, a)), r

    def greatest_mouth(self, throat_radius: float, entry_angle: float, depth: float, rounding: float) -> float:
        """The mouth radius, m, at which the wall runs on to the steepest angle that the rounding can take over from.

        The rounding's angle rises throughout while the wall's curvature tan(angle)/a is below 2/rounding. As a grows with
        everything else held, so does the depth of that widest tractrix: bisection.
        """
        low, high = throat_radius * (1 + 1e-9), throat_radius + 20 * depth
        for _ in range(60):
            a = (low + high) / 2
            low, high = (a, high) if self._widest(a, throat_radius, rounding)[0] < depth else (low, a)
        return self._widest(low, throat_radius, rounding)[1]

    def _widest(self, a: float, throat: float, rounding: float) -> tuple[float, float]:
        """Depth and mouth radius of the tractrix of tangent length a that ends at its steepest; depth 0 where there is none."""
        angle = math.atan(2 * a / rounding)
        radius = a * math.sin(angle)
        if radius <= throat:
            return 0.0, radius
        along, outwards = Edge(np.array([angle]), np.array([2 / rounding]), rounding).reach()
        length = float(self._depth(np.array(a), throat) - self._depth(np.array(a), radius))
        return length + float(along[0]), radius + float(outwards[0])


class Smooth:
    """One cubic Bezier curve from the throat at the entry angle to the baffle, whose curvature falls to zero over its end.

    Before that its radius of curvature at the mouth is `rounding` or, where the mouth leaves room for a gentler end, more; on the
    way to zero it falls to 0.73 of that at the least.
    """

    ending = 0.2
    """Share of the curve's parameter over which the curvature falls."""

    def wall(
        self, station: Array, throat_radius: float, entry_angle: float, depth: float, mouth_radius: Array, rounding: float
    ) -> tuple[Array, Array]:
        """See `Profile.wall`."""
        r1 = throat_radius + 0.5 * depth * math.tan(entry_angle)
        reach = np.minimum(math.sqrt(rounding * depth / 3), 0.9 * (mouth_radius - r1))
        reach = np.maximum(reach, 0.3 * (mouth_radius - r1))
        t = station[:, None]
        # the threefold zero of x at the mouth makes its curvature zero; the factor's first two derivatives begin at zero
        towards = np.clip((t - 1) / self.ending + 1, 0, 1)
        x = -depth * (1 - t) ** 2 * (1 + 0.5 * t) * (1 - towards**3) + 0 * mouth_radius
        w0, w1, w2, w3 = (1 - t) ** 3, 3 * t * (1 - t) ** 2, 3 * t**2 * (1 - t), t**3
        return x, throat_radius * w0 + r1 * w1 + (mouth_radius - reach) * w2 + mouth_radius * w3

    def least_mouth(self, throat_radius: float, entry_angle: float, depth: float, rounding: float) -> float:
        """See `Profile.least_mouth`."""
        straight = throat_radius + depth * math.tan(entry_angle)
        halfway = throat_radius + depth / 2 * math.tan(entry_angle)
        return max(straight, halfway + math.sqrt(rounding * depth / 3) / 0.9)


PROFILES: dict[str, Profile] = {
    "oblate_spheroidal": OblateSpheroidal(),
    "conical": Conical(),
    "exponential": Exponential(),
    "tractrix": Tractrix(),
    "smooth": Smooth(),
    "free": Free(),
}
"""Profiles by name."""
