"""Bounded least squares by Levenberg and Marquardt: small, dense, with analytic derivatives."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
Linearised = Callable[[FloatArray], tuple[FloatArray, FloatArray]]
Residuals = Callable[[FloatArray], FloatArray]


@dataclass(frozen=True)
class Minimum:
    """Where it stopped: (P,) vector, half the sum of squares there, steps taken, and whether it came to rest."""

    vector: FloatArray
    value: float
    steps: int
    settled: bool


def least_squares(
    linearised: Linearised,
    residuals: Residuals,
    start: FloatArray,
    bounds: tuple[FloatArray, FloatArray],
    steps: int = 60,
    rest: float = 1e-5,
) -> Minimum:
    """Minimise half the sum of squares within bounds.

    Parameters
        linearised : vector -> (N,) residuals and (N, P) derivatives; residuals : vector -> (N,)
        start : (P,); bounds : (P,) lower and upper
        steps : most steps; rest : relative gain of a step below which it stops
    A number at its bound that the gradient pushes outwards is held for the step. Damping scales with the diagonal.
    Source: D. W. Marquardt, J. SIAM 11 (1963) 431; damping after H. B. Nielsen, DTU report IMM-REP-1999-05 (from memory).
    """
    low, high = bounds
    x = np.clip(start, low, high)
    r, j = linearised(x)
    value = 0.5 * float(r @ r)
    damping, raise_by = 1e-3, 2.0
    for step in range(1, steps + 1):
        slope, normal = j.T @ r, j.T @ j
        move = _step(x, slope, normal, damping, low, high)
        trial = np.clip(x + move, low, high)
        left = residuals(trial)
        new = 0.5 * float(left @ left)
        if np.isfinite(new) and new < value:
            gain, value, x = value - new, new, trial
            damping, raise_by = max(damping / 3, 1e-9), 2.0
            if gain < rest * max(value, 1e-12):
                return Minimum(x, value, step, True)
            r, j = linearised(x)
        else:
            damping, raise_by = damping * raise_by, raise_by * 2
            if damping > 1e8:
                return Minimum(x, value, step, True)
    return Minimum(x, value, steps, False)


def _step(x: FloatArray, slope: FloatArray, normal: FloatArray, damping: float, low: FloatArray, high: FloatArray) -> FloatArray:
    held = ((x <= low) & (slope > 0)) | ((x >= high) & (slope < 0))
    free = np.flatnonzero(~held)
    move = np.zeros_like(x)
    if len(free):
        part = normal[np.ix_(free, free)]
        diagonal = np.maximum(np.diag(part), 1e-9 * max(float(np.diag(part).max()), 1e-30))
        move[free] = np.linalg.solve(part + damping * np.diag(diagonal), -slope[free])
    return move
