"""Contraction of near pairs with a triangle in the baffle's plane, or with an image behind it: what moving corners change.

The kernels of `flush_near` and `flush_fold` under the same rules, each entry times a coefficient made of two fields. A fold is a
near pair too: the image of the test triangle in the place of the plane's, the double layer alone, half the strength.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from evenfield.radiation.flush_adjoint_still import FRAME, place_frame, pull_double_layer, pull_plane_potential
from evenfield.radiation.flush_fold import Folds
from evenfield.radiation.flush_near import NearTable, corner_order, outer_rules
from evenfield.radiation.quadrature import MIDPOINTS, interior_rule
from evenfield.radiation.sine_cosine import sine_cosine
from evenfield.radiation.workers import in_order, spans

Complex = NDArray[np.complexfloating[Any, Any]]
Floats = NDArray[np.float64]

PAIRS_PER_TASK = 1000


def contract_near(
    wavenumber: float,
    table: NearTable,
    by_green: tuple[Complex, Complex],
    by_slope: tuple[Complex, Complex],
    factor: Floats,
    threads: int,
) -> tuple[Floats, Floats]:
    """Derivatives by the corners of the plane's elements (T', 3, 3) and of the other triangles (T, 3, 3).

    by_green, by_slope : the coefficient of G_h's, and of dG_h/dn's, entry of corners m and i is the sum over n of
        one[T', m, n] two[T, i, n]; no columns for none
    factor : (N,) of each pair
    """
    pairs, corners, plane = table.pairs, table.corners, table.plane
    onto_plane, onto_outer = np.zeros((len(plane), 3, 3)), np.zeros((len(corners), 3, 3))
    fields = [np.ascontiguousarray(f.astype(np.complex128)) for f in (*by_green, *by_slope)]
    waves = (*interior_rule(5), *interior_rule(4), MIDPOINTS[0])

    for close, rule in zip((False, True), outer_rules(), strict=True):
        chosen = np.flatnonzero(pairs.close == close)

        def work(span: tuple[int, int], chosen: Any = chosen, rule: Any = rule) -> tuple[Any, Floats]:
            c = chosen[span[0] : span[1]]
            out = np.zeros((len(c), 2, 3, 3))
            contract_plane_pairs(  # type: ignore[call-arg]
                wavenumber, corners, table.normal, table.area, plane.corners, plane.area, table.images, pairs.plane[c],
                pairs.outer[c], pairs.image[c], factor[c], *fields, *rule, *waves, out,
            )  # fmt: skip
            return c, out

        for c, out in in_order(work, spans(len(chosen), 1 + len(chosen) // PAIRS_PER_TASK), threads):
            add_pairs(pairs.plane[c], pairs.outer[c], out, onto_plane, onto_outer)
    return onto_plane, onto_outer


def contract_folds(wavenumber: float, folds: Folds, adjoint: Complex, pressure: Complex, threads: int) -> Floats:
    """(T, 3, 3) derivatives by corners of minus adjoint (K, V) times the folds' double layers times pressure (K, V)."""
    body = folds.system.body
    result = np.zeros((len(body.triangles), 3, 3))
    one, two = (np.ascontiguousarray(f.T.astype(np.complex128)[body.triangles]) for f in (adjoint, pressure))
    rules = (*outer_rules()[1], *interior_rule(4), *interior_rule(4), MIDPOINTS[0])
    for g in folds.groups:

        def work(span: tuple[int, int], g: Any = g) -> tuple[slice, Floats]:
            s = slice(*span)
            out = np.zeros((span[1] - span[0], 2, 3, 3))
            contract_fold_pairs(
                wavenumber, body.corners, body.normal, body.area, body.images, g.first[s], g.second[s], g.image[s], one, two,
                *rules, out,
            )  # fmt: skip
            return s, out

        for s, out in in_order(work, spans(len(g), 1 + len(g) // (PAIRS_PER_TASK // 4)), threads):
            add_pairs(g.first[s], g.second[s], out, result, result)
    return result


@njit(nogil=True, cache=True)
def add_pairs(one, two, out, onto_one, onto_two):  # type: ignore[no-untyped-def]
    """Add the pairs' derivatives (N, 2, 3, 3) to their triangles'."""
    for n in range(one.size):
        for a in range(3):
            for i in range(3):
                onto_one[one[n], a, i] += out[n, 0, a, i]
                onto_two[two[n], a, i] += out[n, 1, a, i]


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def pull_normal_area(frame, by_normal, by_area, out):  # type: ignore[no-untyped-def]
    """Add to out (3, 3) what cotangents of a triangle's unit normal (3,) and of the area's logarithm mean for its corners."""
    for m in range(3):
        g, n = frame[m], frame[10]
        lean = by_normal[0] * g[0] + by_normal[1] * g[1] + by_normal[2] * g[2]
        for i in range(3):
            out[m, i] += by_area * g[i] - lean * n[i]


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def pull_still(x, frame_x, area_x, y, frame_y, area_y, green, slope, c0, c1, points, weights, onto_x, onto_y):  # type: ignore[no-untyped-def]
    """The closed forms' share in `pull_pair`: real coefficients c0, c1 (3, 3); returns what either area multiplies."""
    at, bar, by_at, by_x, by_y = np.empty(3), np.empty(3), np.empty(3), 0.0, 0.0
    work = np.empty((4, 3))
    scale_x, scale_y = area_x / (2 * np.pi), area_y / (2 * np.pi)
    for q in range(weights.size):
        if green:
            for i in range(3):
                at[i] = points[q, 0] * y[0, i] + points[q, 1] * y[1, i] + points[q, 2] * y[2, i]
                bar[i] = points[q, 0] * c0[i, 0] + points[q, 1] * c0[i, 1] + points[q, 2] * c0[i, 2]
                bar[i] *= scale_y * weights[q]
                by_at[i] = 0.0
            by_y += pull_plane_potential(x, frame_x, area_x, at, bar, onto_x, by_at, work)
            for a in range(3):
                for i in range(3):
                    onto_y[a, i] += points[q, a] * by_at[i]
        if slope:
            for i in range(3):
                at[i] = points[q, 0] * x[0, i] + points[q, 1] * x[1, i] + points[q, 2] * x[2, i]
                bar[i] = points[q, 0] * c1[0, i] + points[q, 1] * c1[1, i] + points[q, 2] * c1[2, i]
                bar[i] *= scale_x * weights[q]
                by_at[i] = 0.0
            by_x += pull_double_layer(y, frame_y, area_y, at, bar, onto_y, by_at, work)
            for a in range(3):
                for i in range(3):
                    onto_x[a, i] += points[q, a] * by_at[i]
    return by_x, by_y


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def pull_waves(k, still, x, y, n, scale, c0, c1, point_y, weight_y, point_x, weight_x, onto_x, onto_y, by_normal):  # type: ignore[no-untyped-def]
    """One rule's share in `pull_pair`: the kernels, less their static part if `still`; returns its value."""
    at_x, onto = np.empty((weight_x.size, 3)), np.zeros((weight_x.size, 3))
    at, g, h = np.empty(3), np.empty(3, np.complex128), np.empty(3, np.complex128)
    total, one = 0.0, 1.0 if still else 0.0
    for p in range(weight_x.size):
        for i in range(3):
            at_x[p, i] = point_x[p, 0] * x[0, i] + point_x[p, 1] * x[1, i] + point_x[p, 2] * x[2, i]
    for q in range(weight_y.size):
        w0, w1, w2 = point_y[q, 0], point_y[q, 1], point_y[q, 2]
        for i in range(3):
            at[i] = w0 * y[0, i] + w1 * y[1, i] + w2 * y[2, i]
            g[i] = w0 * c0[i, 0] + w1 * c0[i, 1] + w2 * c0[i, 2]
            h[i] = w0 * c1[i, 0] + w1 * c1[i, 1] + w2 * c1[i, 2]
        s0, s1, s2 = 0.0, 0.0, 0.0
        for p in range(weight_x.size):
            d0, d1, d2 = at[0] - at_x[p, 0], at[1] - at_x[p, 1], at[2] - at_x[p, 2]
            square = d0 * d0 + d1 * d1 + d2 * d2
            r = np.sqrt(square)
            if square <= 1e-13 or (still and k * r <= 1e-4):
                continue
            along = d0 * n[0] + d1 * n[1] + d2 * n[2]
            v0, v1, v2 = point_x[p, 0], point_x[p, 1], point_x[p, 2]
            share = scale * weight_y[q] * weight_x[p]
            a, b = share * (v0 * g[0] + v1 * g[1] + v2 * g[2]), share * (v0 * h[0] + v1 * h[1] + v2 * h[2])
            sn, cs = sine_cosine(k * r / (2 * np.pi))
            over, under, kr = 1 / r, 1 / square, k * r
            # (wave - one)/r, less its slope over r, which is the double layer's factor, and that one's slope over r
            green_r, green_i = (cs - one) * over, -sn * over
            slope_r, slope_i = (one - cs - kr * sn) * over * under, (sn - kr * cs) * over * under
            bend_r, bend_i = -(k * k * cs * over + 3 * slope_r) * under, (k * k * sn * over - 3 * slope_i) * under
            turn = b.real * slope_r - b.imag * slope_i
            pull = a.real * slope_r - a.imag * slope_i + (b.real * bend_r - b.imag * bend_i) * along
            total += a.real * green_r - a.imag * green_i + turn * along
            e0, e1, e2 = pull * d0 + turn * n[0], pull * d1 + turn * n[1], pull * d2 + turn * n[2]
            s0, s1, s2 = s0 + e0, s1 + e1, s2 + e2
            onto[p, 0] -= e0
            onto[p, 1] -= e1
            onto[p, 2] -= e2
            by_normal[0] += turn * d0
            by_normal[1] += turn * d1
            by_normal[2] += turn * d2
        for a in range(3):
            onto_y[a, 0] += point_y[q, a] * s0
            onto_y[a, 1] += point_y[q, a] * s1
            onto_y[a, 2] += point_y[q, a] * s2
    for p in range(weight_x.size):
        for a in range(3):
            for i in range(3):
                onto_x[a, i] += point_x[p, a] * onto[p, i]
    return total


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def pull_pair(  # type: ignore[no-untyped-def]
    k, x, nx, ax, y, ny, ay, green, slope, c0, c1, points, weights, point_y, weight_y, point_x, weight_x, middle, onto_x, onto_y
):  # fmt: skip
    """Derivatives by corners x and y (3, 3) of the sum of c0 times the entries of G_h = 2 G and c1 times those of dG_h/dn_y."""
    fx, fy = np.empty((FRAME, 3)), np.empty((FRAME, 3))
    place_frame(x, nx, ax, fx)
    place_frame(y, ny, ay, fy)
    by_x, by_y = pull_still(x, fx, ax, y, fy, ay, green, slope, c0.real, c1.real, points, weights, onto_x, onto_y)
    by_normal, scale, third = np.zeros(3), ax * ay / (2 * np.pi), np.full(3, 1 / 3)
    both = pull_waves(
        k, True, x, y, ny, scale, c0, c1, point_y, weight_y, point_x, weight_x, onto_x, onto_y, by_normal
    ) + pull_waves(k, False, x, y, ny, -scale, c0, c1, middle, third, middle, third, onto_x, onto_y, by_normal)
    pull_normal_area(fy, by_normal, by_y + both, onto_y)
    by_normal[:] = 0.0
    pull_normal_area(fx, by_normal, by_x + both, onto_x)


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def contract_plane_pairs(  # type: ignore[no-untyped-def]
    k, corners, normal, area, flat, flat_area, images, plane, outer, image, factor, green_x, green_y, slope_x, slope_y, points,
    weights, point_y, weight_y, point_x, weight_x, middle, out,
):  # fmt: skip
    """Pairs of `flush_near`: out (N, 2, 3, 3) derivatives by the plane's corners, then the other's."""
    x, forward = np.empty((3, 3)), np.array([1.0, 0.0, 0.0])
    c0, c1 = np.empty((3, 3), np.complex128), np.empty((3, 3), np.complex128)
    by_green, by_slope = green_x.shape[2] > 0, slope_x.shape[2] > 0
    for n in range(plane.size):
        t, s, g = plane[n], outer[n], images[image[n]]
        turn = corner_order(g)
        onto = np.zeros((3, 3))
        for m in range(3):
            for i in range(3):
                x[m, i] = g[i] * flat[t, turn[m], i]
                c0[m, i], c1[m, i] = 0j, 0j
                for w in range(green_x.shape[2]):
                    c0[m, i] += green_x[t, turn[m], w] * green_y[s, i, w]
                for w in range(slope_x.shape[2]):
                    c1[m, i] += slope_x[t, turn[m], w] * slope_y[s, i, w]
                c0[m, i], c1[m, i] = factor[n] * c0[m, i], factor[n] * c1[m, i]
        pull_pair(
            k, x, forward, flat_area[t], corners[s], normal[s], area[s], by_green, by_slope, c0, c1, points, weights, point_y,
            weight_y, point_x, weight_x, middle, onto, out[n, 1],
        )  # fmt: skip
        for m in range(3):
            for i in range(3):
                out[n, 0, turn[m], i] += g[i] * onto[m, i]


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def contract_fold_pairs(  # type: ignore[no-untyped-def]
    k, corners, normal, area, images, first, second, image, adjoint, pressure, points, weights, point_y, weight_y, point_x,
    weight_x, middle, out,
):  # fmt: skip
    """Pairs of `flush_fold`: out (N, 2, 3, 3) derivatives by the corners of `first`, then of `second`."""
    x, turned = np.empty((3, 3)), np.empty(3)
    none, c = np.zeros((3, 3), np.complex128), np.empty((3, 3), np.complex128)
    for n in range(first.size):
        g = images[image[n]]
        handed = g[0] * g[1] * g[2]
        for way in range(2 if first[n] != second[n] else 1):
            test, source = (first[n], second[n]) if way == 0 else (second[n], first[n])
            onto = np.zeros((3, 3))
            for m in range(3):
                turned[m] = handed * g[m] * normal[test, m]
                for i in range(3):
                    x[m, i] = g[i] * corners[test, m, i]
                    c[m, i] = 0j
                    # minus the matrix's entry, which is minus G's double layer, half of G_h's
                    for w in range(adjoint.shape[2]):
                        c[m, i] += adjoint[test, m, w] * pressure[source, i, w] / 2
            pull_pair(
                k, x, turned, area[test], corners[source], normal[source], area[source], False, True, none, c, points, weights,
                point_y, weight_y, point_x, weight_x, middle, onto, out[n, 1 - way],
            )  # fmt: skip
            for m in range(3):
                for i in range(3):
                    out[n, way, m, i] += g[i] * onto[m, i]
