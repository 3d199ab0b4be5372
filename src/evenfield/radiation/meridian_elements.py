"""What an element does at a point: shape, line element, source strength, and where another point comes nearest. Compiled."""

from __future__ import annotations

import numpy as np
from numba import njit


@njit(nogil=True, error_model="numpy", cache=True, inline="always")
def quadratic(t):  # type: ignore[no-untyped-def]
    """The three functions and their slopes at t, 0 to 1."""
    return (1 - t) * (1 - 2 * t), 4 * t * (1 - t), t * (2 * t - 1), 4 * t - 3, 4 - 8 * t, 4 * t - 1


@njit(nogil=True, error_model="numpy", cache=True, inline="always")
def pressure_shape(degree, t):  # type: ignore[no-untyped-def]
    """The pressure's functions (three, the last zero for degree 1) and slopes."""
    if degree == 1:
        return 1 - t, t, 0.0, -1.0, 1.0, 0.0
    return quadratic(t)


@njit(nogil=True, error_model="numpy", cache=True, inline="always")
def place(ex, er, t):  # type: ignore[no-untyped-def]
    """x, r and the tangent (dx/dt, dr/dt) at t of an element with nodes ex, er (3,)."""
    a, b, c, da, db, dc = quadratic(t)
    x, r = a * ex[0] + b * ex[1] + c * ex[2], a * er[0] + b * er[1] + c * er[2]
    return x, r, da * ex[0] + db * ex[1] + dc * ex[2], da * er[0] + db * er[1] + dc * er[2]


@njit(nogil=True, error_model="numpy", cache=True, inline="always")
def strength(c, pivot, t, x, r, tx, tr):  # type: ignore[no-untyped-def]
    """Normal velocity times the line element: J (c0 + c1 t + c2 t^2), c3 along the axis, c4 turning about `pivot`.

    The normal times J is (-tr, tx).
    """
    jacobian = np.sqrt(tx * tx + tr * tr)
    return jacobian * (c[0] + t * (c[1] + t * c[2])) - c[3] * tr - c[4] * (r * tr + (x - pivot) * tx)


@njit(nogil=True, error_model="numpy", cache=True)
def nearest(ex, er, x, r):  # type: ignore[no-untyped-def]
    """(t, distance) of the point of an element nearest to (x, r)."""
    best, at = np.inf, 0.0
    for i in range(9):
        t = i / 8
        a, b, _, _ = place(ex, er, t)
        d = (a - x) ** 2 + (b - r) ** 2
        if d < best:
            best, at = d, t
    low, high = max(0.0, at - 0.125), min(1.0, at + 0.125)
    for _ in range(40):
        one, two = low + 0.382 * (high - low), low + 0.618 * (high - low)
        a, b, _, _ = place(ex, er, one)
        c, d, _, _ = place(ex, er, two)
        if (a - x) ** 2 + (b - r) ** 2 < (c - x) ** 2 + (d - r) ** 2:
            high = two
        else:
            low = one
    t = (low + high) / 2
    # an end is exact where it is nearest
    if t < 1e-6:
        t = 0.0
    if t > 1 - 1e-6:
        t = 1.0
    a, b, _, _ = place(ex, er, t)
    return t, np.sqrt((a - x) ** 2 + (b - r) ** 2)


@njit(nogil=True, error_model="numpy", cache=True)
def graded(t0, near, length, node, weight, at, share):  # type: ignore[no-untyped-def]
    """Points and weights on 0 to 1, dense at t0, for kernels that peak there; returns how many.

    On either side t0 +- d sinh(u), d = near/length, Gauss points in u; where the point lies on the element itself, t0 +- s^3,
    which makes a logarithm smooth.
    """
    count, n = 0, len(node)
    d = near / length
    for side in range(2):
        reach = t0 if side == 0 else 1 - t0
        sign = -1.0 if side == 0 else 1.0
        if reach <= 0:
            continue
        top = np.arcsinh(reach / d) if d > 1e-4 else 0.0
        for i in range(n):
            if d > 1e-4:
                at[count] = t0 + sign * d * np.sinh(top * node[i])
                share[count] = weight[i] * top * d * np.cosh(top * node[i])
            else:
                at[count] = t0 + sign * reach * node[i] ** 3
                share[count] = weight[i] * 3 * reach * node[i] ** 2
            count += 1
    return count
