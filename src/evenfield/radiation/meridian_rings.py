"""Rings: the free-space kernels integrated round the axis, for one Fourier order.

With R the distance from a point to the ring's point at the relative azimuth d, G = e^{-jkR}/(4 pi R) and F = G'(R)/R, a ring
needs, each integrated over d from 0 to 2 pi, all times cos(m d) but the last:
    G, G cos d, F, F (1 - cos d), and G sin d sin(m d).
The gradient needs five more (see `ring_slopes`).

The azimuth is graded towards d = 0, where the ring comes nearest: d = 2 eps sinh(u), eps the nearest distance over twice the
geometric mean radius, Gauss points in u; far from the ring equal steps converge faster. The grading comes from tables, one for
each step of eps, so that no exponential is taken and the sum over points is vector code.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from evenfield.radiation.sine_cosine import sine_cosine

COUNTS = np.array([*range(4, 65, 4), *range(72, 129, 8), *range(144, 385, 16)])
"""Points of the rules."""
LEVELS = 40
"""Levels of grading: eps from OPEN down by a factor GRADE each; level 0 is not graded."""
GRADE = 0.5
OPEN = 0.4
"""Relative distance from which equal steps are used."""


class RingTables(NamedTuple):
    """Points of all rules one after another.

    start : (LEVELS, sizes) where a rule begins; points : (sizes,) of the rules; size : (most points + 1,) the smallest
    rule with as many points; gap : (P,) 1 - cos d; even : (P,) weight cos(m d); odd : weight sin d sin(m d),
    weights over d from 0 to 2 pi, divided by 4 pi; spread : (LEVELS,) asinh(pi/(2 eps))
    """

    start: NDArray[np.int64]
    points: NDArray[np.int64]
    size: NDArray[np.int64]
    gap: NDArray[np.float64]
    even: NDArray[np.float64]
    odd: NDArray[np.float64]
    spread: NDArray[np.float64]


@lru_cache(maxsize=4)
def ring_tables(order: int) -> RingTables:
    """The tables of Fourier order `order`."""
    from scipy.special import roots_legendre

    start = np.zeros((LEVELS, len(COUNTS)), np.int64)
    spread = np.array([0.0] + [np.arcsinh(np.pi / (2 * _nominal(level))) for level in range(1, LEVELS)])
    angles, weights, total = [], [], 0
    for size, count in enumerate(COUNTS):
        node, weight = roots_legendre(count)
        node, weight = (node + 1) / 2, weight / 2
        for level in range(LEVELS):
            start[level, size] = total
            total += count
            if level == 0:
                angles.append((np.arange(count) + 0.5) * np.pi / count)
                weights.append(np.full(count, np.pi / count))
            else:
                eps, reach = _nominal(level), spread[level]
                angles.append(2 * eps * np.sinh(reach * node))
                weights.append(weight * reach * 2 * eps * np.cosh(reach * node))
    angle, w = np.concatenate(angles), np.concatenate(weights) / (2 * np.pi)
    smallest = np.searchsorted(COUNTS, np.arange(COUNTS[-1] + 1))
    return RingTables(
        start,
        COUNTS,
        smallest,
        2 * np.sin(angle / 2) ** 2,
        w * np.cos(order * angle),
        w * np.sin(angle) * np.sin(order * angle),
        spread,
    )


def _nominal(level: int) -> float:
    """The eps a level is made for: the middle of its range, in proportion."""
    return float(OPEN * GRADE ** (level - 0.5))


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True, inline="always")
def ring_rule(k, order, effort, r, r2, square, tables):  # type: ignore[no-untyped-def]
    """(first, count) of the rule for a ring of radius r2 seen from radius r; `square` the nearest distance squared."""
    width = 4 * r * r2
    near = np.sqrt(square)
    turn = k * (np.sqrt(square + width) - near)
    eps = near / np.sqrt(width + 1e-300)
    if eps >= OPEN:
        level = 0
        wanted = effort * 0.7 / np.log(eps + np.sqrt(eps * eps + 1)) + 0.31 * turn + 0.5 * order + 0.35 * effort + 1.0
    else:
        level = min(1 + int(np.log(OPEN / (eps + 1e-12)) * 1.4426950408889634), LEVELS - 1)
        wanted = effort * (1.0 + 0.217 * tables.spread[level]) + 0.15 * tables.spread[level] * turn + 0.75 * order
    size = tables.size[min(int(wanted) + 1, len(tables.size) - 1)]
    return tables.start[level, size], tables.points[size]


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def ring(k, order, effort, r, x, r2, x2, tables):  # type: ignore[no-untyped-def]
    """The five ring kernels between the points (x, r) and (x2, r2): G, G cos d, G sin d sin, F, F (1 - cos d)."""
    square = (r - r2) ** 2 + (x - x2) ** 2
    first, count = ring_rule(k, order, effort, r, r2, square, tables)
    # slices from 0, so that no index can be negative: the loop becomes vector code
    last = first + count
    gap, even, odd = tables.gap[first:last], tables.even[first:last], tables.odd[first:last]
    double, turns = 2 * r * r2, k / (2 * np.pi)
    g_r, g_i, c_r, c_i, o_r, o_i = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    f_r, f_i, e_r, e_i = 0.0, 0.0, 0.0, 0.0
    for i in range(count):
        h = gap[i]
        q = square + double * h
        inverse = 1.0 / np.sqrt(q)
        distance = q * inverse
        sine, cosine = sine_cosine(turns * distance)
        w = even[i] * inverse
        re, im = w * cosine, -w * sine
        g_r += re
        g_i += im
        c_r += re * h
        c_i += im * h
        v = odd[i] * inverse
        o_r += v * cosine
        o_i -= v * sine
        # F = -(1 + jkR)/R^2 G
        scale, kr = -inverse * inverse, k * distance
        a, b = scale * (re - kr * im), scale * (im + kr * re)
        f_r += a
        f_i += b
        e_r += a * h
        e_i += b * h
    return (
        complex(g_r, g_i),
        complex(g_r - c_r, g_i - c_i),
        complex(o_r, o_i),
        complex(f_r, f_i),
        complex(e_r, e_i),
    )


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def ring_slopes(k, order, effort, r, x, r2, x2, tables):  # type: ignore[no-untyped-def]
    """The kernels of `ring`, and what their derivatives need: with h = 1 - cos d and H = F'(R)/R,

    F h^2, F sin d sin, F h sin d sin, H, H h, H h^2. For a kernel K and its derivative K' by half the square of the distance,
    dK/dx = (x - x2) K', dK/dr = (r - r2) K' + r2 (K' h).
    """
    square = (r - r2) ** 2 + (x - x2) ** 2
    first, count = ring_rule(k, order, effort, r, r2, square, tables)
    last = first + count
    gap, even, odd = tables.gap[first:last], tables.even[first:last], tables.odd[first:last]
    double, turns = 2 * r * r2, k / (2 * np.pi)
    g_r, g_i, c_r, c_i, o_r, o_i, f_r, f_i, e_r, e_i = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    p_r, p_i, v_r, v_i, w_r, w_i = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    x_r, x_i, y_r, y_i, z_r, z_i = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    for i in range(count):
        h = gap[i]
        q = square + double * h
        inverse = 1.0 / np.sqrt(q)
        distance = q * inverse
        kr, fall = k * distance, -inverse * inverse
        sine, cosine = sine_cosine(turns * distance)
        weight, across = even[i] * inverse, odd[i] * inverse
        re, im = weight * cosine, -weight * sine
        g_r += re
        g_i += im
        c_r += re * h
        c_i += im * h
        # F = -(1 + jkR)/R^2 G, its part beside the weight
        a, b = fall * (cosine + kr * sine), fall * (kr * cosine - sine)
        o_r += across * cosine
        o_i -= across * sine
        v_r += across * a
        v_i += across * b
        w_r += across * a * h
        w_i += across * b * h
        a, b = weight * a, weight * b
        f_r += a
        f_i += b
        e_r += a * h
        e_i += b * h
        p_r += a * h * h
        p_i += b * h * h
        # H = (3 + 3jkR - k^2 R^2)/R^4 G
        bend, more = 3.0 - kr * kr, 3.0 * kr
        a, b = fall * fall * (re * bend - im * more), fall * fall * (im * bend + re * more)
        x_r += a
        x_i += b
        y_r += a * h
        y_i += b * h
        z_r += a * h * h
        z_i += b * h * h
    first_five = (
        complex(g_r, g_i),
        complex(g_r - c_r, g_i - c_i),
        complex(o_r, o_i),
        complex(f_r, f_i),
        complex(e_r, e_i),
    )
    slopes = (
        complex(p_r, p_i),
        complex(v_r, v_i),
        complex(w_r, w_i),
        complex(x_r, x_i),
        complex(y_r, y_i),
        complex(z_r, z_i),
    )
    return first_five, slopes
