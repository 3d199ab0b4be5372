"""The rim of a proud mouth: how wide the blend from the mouth's edge down to the baffle is, and its shape across."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from evenfield.shape.elements import Waveguide

Array = NDArray[np.float64]
_STEEPEST = 10 / math.sqrt(3)  # largest second derivative of `step5`


def step5(t: Array) -> Array:
    """From 0 to 1 over t in 0 ... 1, first and second derivative zero at both ends: a polynomial of degree five."""
    t = np.clip(t, 0.0, 1.0)
    return np.asarray(t**3 * (10 - 15 * t + 6 * t**2))


def rim_width(guide: Waveguide) -> float:
    """Width of the blend, m, at which its second derivative nowhere exceeds 1 / `proud_radius`."""
    return math.sqrt(_STEEPEST * guide.proud * guide.proud_radius) if guide.proud > 0 else 0.0
