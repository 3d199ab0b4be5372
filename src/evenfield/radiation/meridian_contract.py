"""One pass over all pairs of points: the derivative of lambda^T (b - A p) by the places of an element's nodes. Compiled.

The assembly of `meridian_matrix`, differentiated by hand: the same rules, held fixed, and the same kernels with their slopes.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from evenfield.radiation.meridian_elements import graded, nearest, place, pressure_shape, quadratic, strength
from evenfield.radiation.meridian_rings import ring_slopes


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def pair_slopes(k, eta, order, sign, first, second, a, b, c, d, u, x, r, tx, tr, y, s, ty, ts):  # type: ignore[no-untyped-def]
    """The real parts of the eight derivatives of one pair of points: by x, r, tx, tr of the one, then of the other.

    a, b, c, d : products of lambda and pressure (function or slope) as `meridian_matrix.factors` orders them; u : of lambda
    and source strength; `first`, `second` : results of `ring_slopes`. The ninth result is the factor of a source's strength.
    """
    g, cc, o, f, e = first
    e2, fo, foh, h0, h1, h2 = second
    m, rs, kk, j = float(order), r * s, k * k, -1j * eta
    jacobian = np.sqrt(tx * tx + tr * tr)
    delta = x - sign * y
    from_r, from_s = (r - s) * f + s * e, (s - r) * f + r * e
    across, along = ty * from_s + sign * ts * delta * f, tx * from_r - tr * delta * f
    alpha, beta = a * rs * jacobian, 1j * eta * rs * u
    # by the kernels
    by_g = -a * j * (m * m * tx * ty - kk * rs * sign * tr * ts) - rs * jacobian * u
    by_c = -a * j * (m * m * sign * tr * ts - kk * rs * tx * ty) - j * sign * rs * b
    by_o = -j * sign * m * (s * tr * c + r * ts * d)
    by_f = alpha * (ty * (s - r) + sign * ts * delta) + beta * (tx * (r - s) - tr * delta)
    by_e = alpha * ty * r + beta * tx * s
    slope = by_g * f + by_c * (f - e) + by_o * fo + by_f * h0 + by_e * h1
    turned = by_g * e + by_c * (e - e2) + by_o * foh + by_f * h1 + by_e * h2
    # by the places, kernels held
    bend = a * j * kk * (cc * tx * ty + sign * g * tr * ts) - j * sign * cc * b
    both = a * jacobian * across - jacobian * g * u + 1j * eta * along * u + bend
    by_r = s * both + alpha * ty * (e - f) + beta * tx * f - j * sign * m * ts * o * d
    by_s = r * both + alpha * ty * f + beta * tx * (e - f) - j * sign * m * tr * o * c
    by_x = alpha * sign * ts * f - beta * tr * f
    by_length = (a * across - g * u) * rs / jacobian
    metric = m * m * g - kk * rs * cc
    rise = -a * j * sign * ts * (m * m * cc - kk * rs * g) - j * sign * m * s * o * c
    fall = alpha * sign * delta * f - a * j * sign * tr * (m * m * cc - kk * rs * g) - j * sign * m * r * o * d
    return (
        (by_x + slope * delta).real,
        (by_r + (r - s) * slope + s * turned).real,
        (beta * from_r - a * j * ty * metric + by_length * tx).real,
        (-beta * delta * f + rise + by_length * tr).real,
        (-sign * (by_x + slope * delta)).real,
        (by_s + (s - r) * slope + r * turned).real,
        (alpha * from_s - a * j * tx * metric).real,
        fall.real,
        -rs * jacobian * g + 1j * eta * rs * along,
    )


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True, inline="always")
def strength_slopes(factor, c, pivot, t, x, r, tx, tr, out, turn):  # type: ignore[no-untyped-def]
    """Add `factor` times the derivatives of `strength` by x, r, tx, tr to out (4,), by the pivot to turn (1,)."""
    jacobian = np.sqrt(tx * tx + tr * tr)
    even = factor * (c[0] + t * (c[1] + t * c[2])) / jacobian
    rock = factor * c[4]
    out[0] -= (rock * tx).real
    out[1] -= (rock * tr).real
    out[2] += (even * tx - rock * (x - pivot)).real
    out[3] += (even * tr - factor * c[3] - rock * r).real
    turn[0] += (rock * tx).real


@njit(nogil=True, error_model="numpy", cache=True, inline="always")
def give(t, slopes, gx, gr):  # type: ignore[no-untyped-def]
    """Hand derivatives by x, r, tx, tr at t on to an element's nodes."""
    shape = quadratic(t)
    for n in range(3):
        gx[n] += shape[n] * slopes[0] + shape[3 + n] * slopes[2]
        gr[n] += shape[n] * slopes[1] + shape[3 + n] * slopes[3]


@njit(nogil=True, error_model="numpy", cache=True)
def values_at(degree, e, t, nodal, out):  # type: ignore[no-untyped-def]
    """out (K, 2): value and slope of nodal values (K, n) at t of element e."""
    shape = pressure_shape(degree, t)
    for n in range(len(nodal)):
        out[n, 0] = 0
        out[n, 1] = 0
        for i in range(degree + 1):
            out[n, 0] += shape[i] * nodal[n, degree * e + i]
            out[n, 1] += shape[3 + i] * nodal[n, degree * e + i]


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def products(w, lam, i, pre, j, order):  # type: ignore[no-untyped-def]
    """w times the sums over patterns of lambda at point i and pressure at j, of (P, K, 2) each: ff, ss, fs, sf."""
    a, b, c, d = 0j, 0j, 0j, 0j
    for n in range(lam.shape[1]):
        a += lam[i, n, 0] * pre[j, n, 0]
        b += lam[i, n, 1] * pre[j, n, 1]
        if order > 0:
            c += lam[i, n, 0] * pre[j, n, 1]
            d += lam[i, n, 1] * pre[j, n, 0]
    return w * a, w * b, w * c, w * d


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def source_sum(e, t, x, r, tx, tr, sources, lam, i):  # type: ignore[no-untyped-def]
    """Sum over an element's entries of lambda (P, K, 2) at point i times strength at t."""
    total = 0j
    for n in range(sources[0][e], sources[0][e + 1]):
        total += lam[i, sources[1][n], 0] * strength(sources[2][n], sources[3][n], t, x, r, tx, tr)
    return total


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def source_slopes(factor, e, t, x, r, tx, tr, sources, lam, i, out, j, turn):  # type: ignore[no-untyped-def]
    """Add the derivatives of factor times `source_sum` by the source's own place."""
    for n in range(sources[0][e], sources[0][e + 1]):
        strength_slopes(
            factor * lam[i, sources[1][n], 0], sources[2][n], sources[3][n], t, x, r, tx, tr, out[j], turn[n : n + 1]
        )  # fmt: skip


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def contract(k, eta, order, effort, grid, tables, sources, adjoint, pressure, gx, gr, turn):  # type: ignore[no-untyped-def]
    """Add the derivative to gx, gr (E, 3) and, by the sources' pivots, to turn (entries,). adjoint, pressure (K, n)."""
    count, q, degree, patterns = len(grid.length), len(grid.node), grid.degree, len(adjoint)
    at = np.empty((count * q, 4))
    lam, pre = np.empty((count * q, patterns, 2), np.complex128), np.empty((count * q, patterns, 2), np.complex128)
    slopes = np.zeros((count * q, 4))
    for e in range(count):
        for a in range(q):
            i, t = e * q + a, grid.node[a]
            at[i, 0], at[i, 1], at[i, 2], at[i, 3] = place(grid.ex[e], grid.er[e], t)
            values_at(degree, e, t, adjoint, lam[i])
            values_at(degree, e, t, pressure, pre[i])
    contract_far(k, eta, order, effort, grid, tables, sources, at, lam, pre, slopes, turn)
    contract_near(k, eta, order, effort, grid, tables, sources, at, lam, pressure, slopes, gx, gr, turn)
    for e in range(count):
        for a in range(q):
            i = e * q + a
            own_slopes(eta, grid, e, a, at[i], lam, pre, i, sources, slopes, turn)
            give(grid.node[a], slopes[i], gx[e], gr[e])


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def contract_far(k, eta, order, effort, grid, tables, sources, at, lam, pre, slopes, turn):  # type: ignore[no-untyped-def]
    """Pairs of elements that are not near; a pair of points serves both orders."""
    count, q, start = len(grid.length), len(grid.node), sources[0]
    for image in range(grid.images):
        sign = 1.0 - 2.0 * image
        for e in range(count):
            for f in range(e, count):
                if grid.near[image, e, f]:
                    continue
                for a in range(q):
                    i = e * q + a
                    x, r, tx, tr = at[i, 0], at[i, 1], at[i, 2], at[i, 3]
                    for b in range(q):
                        j = f * q + b
                        y, s, ty, ts = at[j, 0], at[j, 1], at[j, 2], at[j, 3]
                        one, two = ring_slopes(k, order, effort, r, x, s, sign * y, tables)
                        w = grid.weight[a] * grid.weight[b]
                        for way in range(1 if e == f else 2):
                            u = 0j
                            if way == 0:
                                n1, n2, n3, n4 = products(w, lam, i, pre, j, order)
                                if start[f] < start[f + 1]:
                                    u = w * source_sum(f, grid.node[b], y, s, ty, ts, sources, lam, i)
                                x1, r1, p1, q1, x2, r2, p2, q2, push = pair_slopes(
                                    k, eta, order, sign, one, two, n1, n2, n3, n4, u, x, r, tx, tr, y, s, ty, ts
                                )
                                if start[f] < start[f + 1]:
                                    source_slopes(w * push, f, grid.node[b], y, s, ty, ts, sources, lam, i, slopes, j, turn)
                            else:
                                n1, n2, n3, n4 = products(w, lam, j, pre, i, order)
                                if start[e] < start[e + 1]:
                                    u = w * source_sum(e, grid.node[a], x, r, tx, tr, sources, lam, j)
                                x2, r2, p2, q2, x1, r1, p1, q1, push = pair_slopes(
                                    k, eta, order, sign, one, two, n1, n2, n3, n4, u, y, s, ty, ts, x, r, tx, tr
                                )
                                if start[e] < start[e + 1]:
                                    source_slopes(w * push, e, grid.node[a], x, r, tx, tr, sources, lam, j, slopes, i, turn)
                            add_four(slopes, i, x1, r1, p1, q1)
                            add_four(slopes, j, x2, r2, p2, q2)


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True, inline="always")
def add_four(slopes, i, x, r, tx, tr):  # type: ignore[no-untyped-def]
    """Add derivatives by a point's place and tangent."""
    slopes[i, 0] += x
    slopes[i, 1] += r
    slopes[i, 2] += tx
    slopes[i, 3] += tr


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def contract_near(k, eta, order, effort, grid, tables, sources, at, lam, pressure, slopes, gx, gr, turn):  # type: ignore[no-untyped-def]
    """The near pairs; derivatives at the first element's Gauss points to `slopes`, at the second's rule to its nodes."""
    count, q, degree, start = len(grid.length), len(grid.node), grid.degree, sources[0]
    place_at, share = np.empty(2 * len(grid.near_node)), np.empty(2 * len(grid.near_node))
    mirrored, there = np.empty(3), np.empty((1, 4))
    value = np.empty((1, len(pressure), 2), np.complex128)
    for image in range(grid.images):
        sign = 1.0 - 2.0 * image
        for e in range(count):
            for f in range(count):
                if not grid.near[image, e, f]:
                    continue
                for n in range(3):
                    mirrored[n] = sign * grid.ex[f, n]
                for a in range(q):
                    i = e * q + a
                    x, r, tx, tr = at[i, 0], at[i, 1], at[i, 2], at[i, 3]
                    t0, away = grid.node[a], 0.0
                    if e != f or image == 1:
                        t0, away = nearest(mirrored, grid.er[f], x, r)
                    points = graded(t0, away, grid.length[f], grid.near_node, grid.near_weight, place_at, share)
                    for b in range(points):
                        t = place_at[b]
                        y, s, ty, ts = place(grid.ex[f], grid.er[f], t)
                        one, two = ring_slopes(k, order, effort, r, x, s, sign * y, tables)
                        w = grid.weight[a] * share[b]
                        values_at(degree, f, t, pressure, value[0])
                        n1, n2, n3, n4 = products(w, lam, i, value, 0, order)
                        u = 0j
                        if start[f] < start[f + 1]:
                            u = w * source_sum(f, t, y, s, ty, ts, sources, lam, i)
                        x1, r1, p1, q1, x2, r2, p2, q2, push = pair_slopes(
                            k, eta, order, sign, one, two, n1, n2, n3, n4, u, x, r, tx, tr, y, s, ty, ts
                        )
                        there[:] = 0
                        add_four(slopes, i, x1, r1, p1, q1)
                        add_four(there, 0, x2, r2, p2, q2)
                        if start[f] < start[f + 1]:
                            source_slopes(w * push, f, t, y, s, ty, ts, sources, lam, i, there, 0, turn)
                        give(t, there[0], gx[f], gr[f])


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def own_slopes(eta, grid, e, a, at, lam, pre, i, sources, slopes, turn):  # type: ignore[no-untyped-def]
    """The terms of a point with itself."""
    x, r, tx, tr = at
    t, w = grid.node[a], grid.weight[a]
    jacobian = np.sqrt(tx * tx + tr * tr)
    half = products(grid.half[e, 0] * w, lam, i, pre, i, 0)[0]
    add_four(slopes, i, 0.0, -(half * jacobian).real, -(half * r * tx / jacobian).real, -(half * r * tr / jacobian).real)
    factor = 1j * eta * grid.half[e, 1] * w
    slopes[i, 1] += (factor * source_sum(e, t, x, r, tx, tr, sources, lam, i)).real
    source_slopes(factor * r, e, t, x, r, tx, tr, sources, lam, i, slopes, i, turn)
