"""Spatial averages of squared pressure over the orbits and the sphere (ANSI/CTA-2034-A)."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base.constants import REFERENCE_PRESSURE, SENSITIVITY_VOLTAGE
from evenfield.base.errors import DataError, message
from evenfield.data.directions import Plane
from evenfield.data.directivity import Directivity
from evenfield.data.interpolation import interpolate

FloatArray = NDArray[np.float64]
Rear = Literal["full", "three"]

LISTENING_WINDOW: dict[Plane, tuple[float, ...]] = {
    "horizontal": (0, 10, -10, 20, -20, 30, -30),
    "vertical": (10, -10),
}
"""Angles of the listening window, degrees (ANSI/CTA-2034-A (2015), read in secondary text)."""


def early_reflection_groups(rear: Rear = "full") -> dict[str, tuple[Plane, tuple[float, ...]]]:
    """Plane and angles (degrees) of the five early-reflection groups.

    Source: ANSI/CTA-2034-A (2015), read in secondary text. The rear wall is printed in two readings: every 10 degrees from
    +-90 to 180 ("full", 19 curves) and "180, +-90" ("three").
    Raises DataError on any other reading.
    """
    if rear not in ("full", "three"):
        raise DataError(message("rear", '"full" or "three"', repr(rear)))
    step = 10 if rear == "full" else 90
    side = range(90, 180, step)
    return {
        "floor_bounce": ("vertical", (-20, -30, -40)),
        "ceiling_bounce": ("vertical", (40, 50, 60)),
        "front_wall_bounce": ("horizontal", (0, 10, -10, 20, -20, 30, -30)),
        "side_wall_bounce": ("horizontal", tuple(s * a for a in range(40, 90, 10) for s in (1, -1))),
        "rear_wall_bounce": ("horizontal", (*(s * a for a in side for s in (1, -1)), 180)),
    }


def sound_power_weights(angle_deg: ArrayLike) -> FloatArray:
    """Share of the sphere that one 10-degree curve of a half orbit stands for; same shape as `angle_deg` (0 ... 180).

    The area of the zone between angle - 5 and angle + 5 degrees, cut into four by the diagonal planes, of which the orbit
    takes one: w = 2 [asin(cos(t-5)/sqrt 2) - asin(cos(t+5)/sqrt 2)] / 4 pi; at 0 and 180 degrees the cap is shared by the four
    half orbits.
    Source: the weight table of ANSI/CTA-2034-A (2015), from memory, reproduced by this closed form to its nine digits.
    Example:
        >>> round(float(sound_power_weights(90.0)), 9)
        0.019629373
    """
    t = np.abs(np.asarray(angle_deg, float))
    lower = np.radians(np.maximum(t - 5, 0.0))
    upper = np.radians(np.minimum(t + 5, 180.0))
    difference = np.arcsin(np.cos(lower) / np.sqrt(2)) - np.arcsin(np.cos(upper) / np.sqrt(2))
    return np.asarray(2 * difference / (4 * np.pi))


def mean_square(d: Directivity, plane: Plane, angles_deg: ArrayLike) -> FloatArray:
    """(A, F) squared pressure magnitude on stored directions of one orbit. Raises DataError naming missing angles."""
    return np.asarray(np.abs(d.orbit(plane, angles_deg)) ** 2)


def listening_window_power(d: Directivity) -> FloatArray:
    """(F,) mean square over the nine curves of the listening window, Pa^2 m^2 / V^2."""
    curves = [mean_square(d, plane, angles) for plane, angles in LISTENING_WINDOW.items()]
    return np.asarray(np.concatenate(curves).mean(axis=0))


def orbit_sound_power(d: Directivity) -> FloatArray:
    """(F,) mean square over the sphere by the two 10-degree orbits, the axis and its opposite counted in all four halves.

    Carries the standard's own quadrature error (an ideal cardioid reads 4.672 dB, exactly 4.771 dB).
    Raises DataError naming missing angles.
    """
    angle = np.arange(-170.0, 190.0, 10.0)
    weight = sound_power_weights(angle) * np.where((angle == 0) | (angle == 180), 2.0, 1.0)
    total = sum(weight @ mean_square(d, plane, angle) for plane in LISTENING_WINDOW)
    return np.asarray(total)


def sphere_sound_power(d: Directivity) -> FloatArray:
    """(F,) mean square over the sphere by its quadrature. Raises DataError on orbits-only data."""
    return np.asarray(d.weights @ np.abs(d.pressure) ** 2 / (4 * np.pi))


def on_axis_power(d: Directivity) -> FloatArray:
    """(F,) squared pressure on the reference axis; interpolated where a scattered sphere does not store the axis."""
    return np.asarray(np.abs(interpolate(d, [[1.0, 0.0, 0.0]])[0]) ** 2)


def level_db(d: Directivity, power: FloatArray) -> FloatArray:
    """Level of a mean square in dB: re 20 uPa at 2.83 V and 1 m; re 1 in the file's own unit where level is not absolute."""
    scale = (SENSITIVITY_VOLTAGE / REFERENCE_PRESSURE) ** 2 if d.level_absolute else 1.0
    return np.asarray(10 * np.log10(np.maximum(power, 1e-300) * scale))


def reference_words(d: Directivity) -> str:
    """What `level_db` is relative to, in words."""
    return "dB re 20 uPa at 2.83 V, 1 m" if d.level_absolute else "dB, relative (level not absolute)"
