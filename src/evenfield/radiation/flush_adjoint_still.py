"""Derivatives of the closed forms of `flush_near` by the triangle's corners and by the point, each weighted by a cotangent.

With E_e the edge from corner e to the next, L_e its length, b_m the barycentric coordinates of the point's foot, h its height,
    double layer    W_m = b_m W + h sum_e f_e (E_e.E_{m+1}) / (2 A L_e),   f_e the integral of 1/R along an edge
    potential       V_m = b_m V - sum_e g_e (E_e.E_{m+1}) / (2 A L_e),     g_e the integral of R along an edge
The solid angle W and the potential V depend on their boundary alone: moved by s along an edge, W changes by the integral of
-s.(E x r)/(L R^3) (Biot and Savart), V by that of s.u/R with u outwards in the plane. Nothing is differenced, and nothing is
singular off the edges.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from evenfield.radiation.flush_near import over_distance, place_point

FRAME = 11
"""Rows of a triangle's frame (FRAME, 3): gradients of its linear functions, unit edges, the edges' outward normals in its
plane, lengths of the edges, unit normal."""


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def place_frame(x, n, area, out):  # type: ignore[no-untyped-def]
    """The frame of corners x (3, 3), unit normal n: out (FRAME, 3)."""
    for m in range(3):
        p, q = x[m], x[(m + 1) % 3]
        e0, e1, e2 = q[0] - p[0], q[1] - p[1], q[2] - p[2]
        length = np.sqrt(e0 * e0 + e1 * e1 + e2 * e2)
        u0, u1, u2 = e1 * n[2] - e2 * n[1], e2 * n[0] - e0 * n[2], e0 * n[1] - e1 * n[0]
        # the function of the corner across from this edge grows inwards
        across = (m + 2) % 3
        out[across, 0], out[across, 1], out[across, 2] = -u0 / (2 * area), -u1 / (2 * area), -u2 / (2 * area)
        out[3 + m, 0], out[3 + m, 1], out[3 + m, 2] = e0 / length, e1 / length, e2 / length
        out[6 + m, 0], out[6 + m, 1], out[6 + m, 2] = u0 / length, u1 / length, u2 / length
        out[9, m] = length
        out[10, m] = n[m]


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def inverse_cubes(square, low, high, near, far):  # type: ignore[no-untyped-def]
    """Integral of 1/R^3 along an edge, without loss where the point is nearly in line with it."""
    if low * high > 0:
        return (high * high - low * low) / (near * far * (high * near + low * far))
    return (high / far - low / near) / square if square > 0 else 0.0


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def pull_double_layer(x, frame, area, y, bar, onto_x, onto_y, s):  # type: ignore[no-untyped-def]
    """Sum of bar (3,) times `flush_near.double_layer` of corners x (3, 3) at y; derivatives added to onto_x (3, 3) and onto_y
    (3,); s : (4, 3) work space."""
    n0, n1, n2 = frame[10, 0], frame[10, 1], frame[10, 2]
    h = (y[0] - x[0, 0]) * n0 + (y[1] - x[0, 1]) * n1 + (y[2] - x[0, 2]) * n2
    weighted, c0, c1, c2, p0, p1, p2 = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    for m in range(3):
        p, g, b, e = x[(m + 1) % 3], frame[m], bar[m], frame[3 + (m + 1) % 3]
        weighted += b * ((y[0] - p[0]) * g[0] + (y[1] - p[1]) * g[1] + (y[2] - p[2]) * g[2])
        b *= frame[9, (m + 1) % 3]
        c0, c1, c2 = c0 + b * e[0], c1 + b * e[1], c2 + b * e[2]
    under = place_point(x, y, s)
    angle = 2 * np.arctan2(2 * area * h, under) if h != 0.0 else 0.0
    total, outer = 0.0, h / (2 * area)
    for at in range(3):
        to, e, length = (at + 1) % 3, frame[3 + at], frame[9, at]
        e0, e1, e2 = e[0], e[1], e[2]
        s0, s1, s2 = s[at, 0], s[at, 1], s[at, 2]
        low = s0 * e0 + s1 * e1 + s2 * e2
        high = low + length
        t = s0 * frame[6 + at, 0] + s1 * frame[6 + at, 1] + s2 * frame[6 + at, 2]
        square, near, far = t * t + h * h, s[3, at], s[3, to]
        f = over_distance(low, high, near, far)
        # the solid angle by its boundary
        cube = inverse_cubes(square, low, high, near, far)
        late = ((1 / near - 1 / far) - low * cube) / length
        w0, w1, w2 = weighted * (e1 * s2 - e2 * s1), weighted * (e2 * s0 - e0 * s2), weighted * (e0 * s1 - e1 * s0)
        # f (E.C)/L: along is E.C/L; the unit vector turns with the edge, what f takes goes to both ends and the point
        along = e0 * c0 + e1 * c1 + e2 * c2
        total += f * along
        f_bar, way = outer * along, outer * f
        p0, p1, p2 = p0 + way * e0, p1 + way * e1, p2 + way * e2
        both = near + far
        under = both * both - length * length
        pull, push = -2 * length / under * f_bar / near, -2 * length / under * f_bar / far
        a, b = way / length, 2 * both / under * f_bar - way * along / length
        g0, g1, g2 = a * c0 + b * e0, a * c1 + b * e1, a * c2 + b * e2
        r0, r1, r2 = s[to, 0], s[to, 1], s[to, 2]
        early = cube - late
        onto_x[at, 0] += pull * s0 - g0 - early * w0
        onto_x[at, 1] += pull * s1 - g1 - early * w1
        onto_x[at, 2] += pull * s2 - g2 - early * w2
        onto_x[to, 0] += push * r0 + g0 - late * w0
        onto_x[to, 1] += push * r1 + g1 - late * w1
        onto_x[to, 2] += push * r2 + g2 - late * w2
        onto_y[0] += cube * w0 - pull * s0 - push * r0
        onto_y[1] += cube * w1 - pull * s1 - push * r1
        onto_y[2] += cube * w2 - pull * s2 - push * r2
    h_bar, area_bar = total / (2 * area), -h * total / (2 * area)
    # by the foot, within the plane, and by the height
    f0 = angle * (bar[0] * frame[0, 0] + bar[1] * frame[1, 0] + bar[2] * frame[2, 0])
    f1 = angle * (bar[0] * frame[0, 1] + bar[1] * frame[1, 1] + bar[2] * frame[2, 1])
    f2 = angle * (bar[0] * frame[0, 2] + bar[1] * frame[1, 2] + bar[2] * frame[2, 2])
    q0, q1, q2 = f0 + h_bar * n0, f1 + h_bar * n1, f2 + h_bar * n2
    onto_y[0] += q0
    onto_y[1] += q1
    onto_y[2] += q2
    for m in range(3):
        p, g, b = x[(m + 1) % 3], frame[m], bar[m]
        beta = (y[0] - p[0]) * g[0] + (y[1] - p[1]) * g[1] + (y[2] - p[2]) * g[2]
        lean = h * (f0 * g[0] + f1 * g[1] + f2 * g[2])
        onto_x[m, 0] += lean * n0 + area_bar * g[0] - beta * q0
        onto_x[m, 1] += lean * n1 + area_bar * g[1] - beta * q1
        onto_x[m, 2] += lean * n2 + area_bar * g[2] - beta * q2
        # C holds bar[m] times the edge across from m
        one, two = onto_x[(m + 2) % 3], onto_x[(m + 1) % 3]
        one[0] += b * p0
        one[1] += b * p1
        one[2] += b * p2
        two[0] -= b * p0
        two[1] -= b * p1
        two[2] -= b * p2
    return weighted * angle + outer * total


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def pull_plane_potential(x, frame, area, y, bar, onto_x, onto_y, s):  # type: ignore[no-untyped-def]
    """Sum of bar (3,) times `flush_near.plane_potential` of corners x (3, 3) in the plane at y; derivatives added to onto_x
    (3, 3), in the plane, and to onto_y (3,); s : (4, 3) work space."""
    weighted, c1, c2, p1, p2 = 0.0, 0.0, 0.0, 0.0, 0.0
    for m in range(3):
        p, g, b, e = x[(m + 1) % 3], frame[m], bar[m], frame[3 + (m + 1) % 3]
        weighted += b * ((y[1] - p[1]) * g[1] + (y[2] - p[2]) * g[2])
        b *= frame[9, (m + 1) % 3]
        c1, c2 = c1 + b * e[1], c2 + b * e[2]
    h, under = y[0], place_point(x, y, s)
    angle = 2 * np.arctan2(2 * area * h, under) if h != 0.0 else 0.0
    potential, total, outer = -h * angle, 0.0, -1 / (2 * area)
    for at in range(3):
        to, length = (at + 1) % 3, frame[9, at]
        e1, e2 = frame[3 + at, 1], frame[3 + at, 2]
        s1, s2 = s[at, 1], s[at, 2]
        t, low = s1 * e2 - s2 * e1, s1 * e1 + s2 * e2
        high = low + length
        square, near, far = t * t + h * h, s[3, at], s[3, to]
        f = over_distance(low, high, near, far)
        potential += t * f
        first = far - near
        second = (high * far - low * near - square * f) / 2
        moment = second + square * f
        # the potential by its boundary, u = (e2, -e1), and the moment times (E.C)/L; r = t u + l e in the plane, -h out of it
        late, late_along = (first - low * f) / length, (second - low * first) / length
        early, early_along = f - late, first - late_along
        along = e1 * c1 + e2 * c2
        total += moment * along
        g_bar, way = outer * along, outer * moment
        p1, p2 = p1 + way * e1, p2 + way * e2
        # along the edge's outward normal, and along the edge: of its start, its end
        a, b = (weighted + g_bar * t) * early, (weighted + g_bar * t) * late
        stretch = (g_bar * moment - way * along) / length
        g1, g2 = way * c1 / length + stretch * e1, way * c2 / length + stretch * e2
        a1, a2 = a * e2 + g_bar * early_along * e1, -a * e1 + g_bar * early_along * e2
        b1, b2 = b * e2 + g_bar * late_along * e1, -b * e1 + g_bar * late_along * e2
        onto_x[at, 1] += a1 - g1
        onto_x[at, 2] += a2 - g2
        onto_x[to, 1] += b1 + g1
        onto_x[to, 2] += b2 + g2
        onto_y[0] += g_bar * h * f
        onto_y[1] -= a1 + b1
        onto_y[2] -= a2 + b2
    onto_y[0] -= weighted * angle
    area_bar = total / (2 * area)
    f1 = potential * (bar[0] * frame[0, 1] + bar[1] * frame[1, 1] + bar[2] * frame[2, 1])
    f2 = potential * (bar[0] * frame[0, 2] + bar[1] * frame[1, 2] + bar[2] * frame[2, 2])
    onto_y[1] += f1
    onto_y[2] += f2
    for m in range(3):
        p, g, b = x[(m + 1) % 3], frame[m], bar[m]
        beta = (y[1] - p[1]) * g[1] + (y[2] - p[2]) * g[2]
        onto_x[m, 1] += area_bar * g[1] - beta * f1
        onto_x[m, 2] += area_bar * g[2] - beta * f2
        one, two = onto_x[(m + 2) % 3], onto_x[(m + 1) % 3]
        one[1] += b * p1
        one[2] += b * p2
        two[1] -= b * p1
        two[2] -= b * p2
    return weighted * potential + outer * total
