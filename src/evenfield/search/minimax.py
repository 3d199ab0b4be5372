"""The shape near a solved one whose worst target is met best, on the linear field: a sequence of linear programs.

Source of the method: Madsen, Nielsen & Sondergaard, minimax by successive linear programming in a trust region (from memory).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from evenfield.search.linear_field import LinearField
from evenfield.search.objective import Objective
from evenfield.search.targets import Ratios, ratios_at

Array = NDArray[np.float64]

STRIDE, LEAST = 0.02, 5e-4
"""Of a dimension's range: the first and the last reach of one linear program."""
MOST = 40
_BESIDE = 0.02
"""How much the sum of what lies over nine tenths of the worst counts beside it: it draws the next worst down too."""


def best_near(
    near: LinearField, objective: Objective, radius: float, constraints: Callable[[Array], Array], most: int = MOST
) -> tuple[Array, Ratios]:
    """The place (N,) within a radius of the linear field's own, and its ratios there, as that field has them."""
    share, stride = near.share, STRIDE
    here = ratios_at(objective, *near.at(share), near)
    for _ in range(most):
        move = _step(here, share, near.share, min(stride, radius), radius, constraints)
        place = _drawn_back(share, move, constraints)
        there = ratios_at(objective, *near.at(place), near)
        if there.progress < here.progress - 1e-4:
            share, here, stride = place, there, min(1.5 * stride, 0.05)
        else:
            stride *= 0.4
            if stride < LEAST:
                break
    return share, here


def _step(
    here: Ratios, share: Array, centre: Array, stride: float, radius: float, constraints: Callable[[Array], Array]
) -> Array:
    """(N,) the move that lowers the worst ratio most, all of them taken as linear."""
    from scipy.optimize import linprog

    count = len(share)
    value, slope = rows(here)
    keep = value > 0.4 * here.worst
    value, slope = value[keep], slope[keep]
    margin, by_share = constraints(share), _slopes(constraints, share)
    n, m = len(value), len(margin)
    # unknown: moves, the worst t, and for each row what lies over 0.9 t
    matrix = np.zeros((2 * n + m, count + 1 + n))
    matrix[:n, :count], matrix[:n, count] = slope, -1.0
    matrix[n : 2 * n, :count], matrix[n : 2 * n, count + 1 :] = slope, -np.eye(n)
    matrix[2 * n :, :count] = -by_share
    bound = np.concatenate([-value, 0.9 * here.worst - value, np.maximum(margin, 0.0)])
    cost = np.concatenate([np.zeros(count), [1.0], np.full(n, _BESIDE)])
    low = np.maximum.reduce([np.full(count, -stride), centre - radius - share, -share])
    high = np.minimum.reduce([np.full(count, stride), centre + radius - share, 1 - share])
    box = [*zip(np.minimum(low, 0.0), np.maximum(high, 0.0), strict=True), (None, None), *[(0.0, None)] * n]
    found = linprog(cost, A_ub=matrix, b_ub=bound, bounds=box, method="highs")
    return np.zeros(count) if found.x is None else np.asarray(found.x[:count])


def rows(r: Ratios) -> tuple[Array, Array]:
    """(M,) signed ratios, those that count on both sides twice, and (M, N) their derivatives."""
    count = len(r.width_slope)
    width, by_width = r.width.ravel(), r.width_slope.reshape(count, -1).T
    measures = np.array([*r.measures.values()])
    by_measure = np.stack([*r.measure_slopes.values()]) if r.measures else np.zeros((0, count))
    values = [width, -width, r.neck.ravel(), r.dip.ravel(), measures, -measures]
    slopes = [
        by_width, -by_width, r.neck_slope.reshape(count, -1).T, r.dip_slope.reshape(count, -1).T, by_measure, -by_measure
    ]  # fmt: skip
    return np.concatenate(values), np.concatenate(slopes)


def _slopes(function: Callable[[Array], Array], share: Array, step: float = 1e-5) -> Array:
    base = function(share)
    return np.stack([(function(share + step * e) - base) / step for e in np.eye(len(share))], axis=1)


def _drawn_back(share: Array, move: Array, constraints: Callable[[Array], Array]) -> Array:
    """As far along the move as the constraints allow."""
    least = min(float(constraints(share).min()), 0.0) - 1e-9
    for _ in range(14):
        place = np.clip(share + move, 0, 1)
        if float(constraints(place).min()) >= least:
            return np.asarray(place)
        move = 0.7 * move
    return share


__all__ = ["best_near", "rows"]
