"""From continuous numbers to ones a person can read: rounded group by group, the rest refitted."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from evenfield.loudspeaker.filter_fit_model import DELAY_UNIT, FilterModel
from evenfield.loudspeaker.filter_fit_objective import Objective
from evenfield.loudspeaker.least_squares import least_squares

FloatArray = NDArray[np.float64]

STEPS = {"gain": 0.1, "level": 0.1, "delay": 1e-6}
"""dB, dB, s."""


def snapped(objective: Objective, model: FilterModel, delay_step: float | None = None) -> FilterModel:
    """Frequencies to three digits, then q to two, gains to 0.1 dB, delays to 1 us (or `delay_step`); a refit between each."""
    step = STEPS["delay"] if delay_step is None else delay_step
    low, high = model.bounds()
    vector, kinds = model.vector(), np.array(model.kinds())
    for group in ("frequency", "q", "delay", "level", "gain"):
        chosen = kinds == group
        vector[chosen] = [rounded(group, v, step) for v in vector[chosen]]
        low, high = np.where(chosen, vector, low), np.where(chosen, vector, high)
        if np.all(low == high):
            break
        found = least_squares(
            lambda v: objective.linearised(model.with_vector(v)),
            lambda v: objective.residuals(model.with_vector(v)),
            vector,
            (low, high),
            15,
        )
        vector = np.where(chosen, vector, found.vector)
    return model.with_vector(vector)


def rounded(kind: str, value: float, delay_step: float = 1e-6) -> float:
    """One number of the vector on its grid.

    Example:
        >>> round(math.exp(rounded("frequency", math.log(1234.5))), 6)
        1230.0
    """
    if kind in ("frequency", "q"):
        digits = 3 if kind == "frequency" else 2
        plain = math.exp(value)
        return math.log(round(plain, digits - 1 - math.floor(math.log10(plain))))
    if kind == "delay":
        return round(value * DELAY_UNIT / delay_step) * delay_step / DELAY_UNIT
    return round(value / STEPS[kind]) * STEPS[kind]
