"""Near pairs of triangles: an accurate rule put in place of the regular one.

The same three kernels as in `far_assembly`, times linear functions on both triangles, in coordinates local to the pair, so that
single precision suffices. d.n is written as a linear function of one triangle's point alone, which is exact where both
lie in one plane.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit

from evenfield.radiation.quadrature import (
    CLOSE,
    MIDPOINTS,
    SEPARATE,
    TIGHT,
    PairRule,
    cut_rule,
    interior_rule,
    product_rule,
    touching_rule,
)
from evenfield.radiation.sine_cosine import sine_cosine
from evenfield.radiation.surface_solver import SurfaceSolver

Array = np.ndarray[Any, np.dtype[Any]]


def near_rule(shared: int, solver: SurfaceSolver) -> PairRule:
    """The accurate rule less the regular one (edge midpoints on both), as one rule."""
    plain, fine = product_rule(MIDPOINTS, MIDPOINTS), fine_rule(shared, solver)
    return (
        np.concatenate([fine[0], plain[0]]),
        np.concatenate([fine[1], plain[1]]),
        np.concatenate([fine[2], -plain[2]]),
    )


def fine_rule(shared: int, solver: SurfaceSolver) -> PairRule:
    """The accurate rule of pairs that share so many vertices, or none (SEPARATE, CLOSE, TIGHT)."""
    if shared > SEPARATE:
        return touching_rule(shared, solver.touching_order)
    one = interior_rule({SEPARATE: solver.near_degree, CLOSE: 5, TIGHT: 5}[shared])
    if shared == TIGHT:
        one = cut_rule(one, solver.tight_cuts)
    return product_rule(one, one)


def rule_tables(rule: PairRule, real: type[np.floating[Any]]) -> tuple[Array, Array, Array, Array]:
    """(3, Q) points on either triangle, (Q,) weights, (9, Q) products of the linear functions, in precision `real`."""
    x, y, w = rule
    products = np.einsum("qa,qb->abq", x, y).reshape(9, -1)
    return tuple(np.ascontiguousarray(v.astype(real)) for v in (x.T, y.T, w, products))  # type: ignore[return-value]


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def place_pair(corners, normal, area, images, first, second, image, turn_first, turn_second, x, y, xs, ys, facts):  # type: ignore[no-untyped-def]
    """Local corners of a pair in turned order, x and y (3, 3), curls xs and ys (3, 3), and the linear functions d.n.

    facts: (8,) d.n_y at x's corners, -d.n_x at y's corners, n_x.n_y, product of the areas over 4 pi.
    """
    g = images[image]
    handed = g[0] * g[1] * g[2]
    for a in range(3):
        for c in range(3):
            x[a, c] = corners[first, turn_first[a], c] - corners[first, turn_first[0], c]
            y[a, c] = g[c] * corners[second, turn_second[a], c] - corners[first, turn_first[0], c]
            p, q = turn_first[a], turn_second[a]
            xs[a, c] = (corners[first, (p + 2) % 3, c] - corners[first, (p + 1) % 3, c]) / (2 * area[first])
            ys[a, c] = handed * g[c] * (corners[second, (q + 2) % 3, c] - corners[second, (q + 1) % 3, c])
            ys[a, c] /= 2 * area[second]
    facts[6] = 0.0
    for c in range(3):
        facts[6] += normal[first, c] * g[c] * normal[second, c]
    for a in range(3):
        facts[a] = 0.0
        facts[3 + a] = 0.0
        for c in range(3):
            facts[a] += (y[0, c] - x[a, c]) * g[c] * normal[second, c]
            facts[3 + a] -= y[a, c] * normal[first, c]
    facts[7] = area[first] * area[second] / (4 * np.pi)


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def pair_kernels(wavenumber, x, y, facts, px, py, weight, wave):  # type: ignore[no-untyped-def]
    """Green's function and both double-layer kernels at the points of a rule; wave (6, Q): re, im of each."""
    real = px.dtype.type
    one, zero, tiny = real(1), real(0), real(1e-13)
    turns, k, total = real(wavenumber / (2 * np.pi)), real(wavenumber), real(facts[7])
    x10, x11, x12 = real(x[1, 0]), real(x[1, 1]), real(x[1, 2])
    x20, x21, x22 = real(x[2, 0]), real(x[2, 1]), real(x[2, 2])
    y00, y01, y02 = real(y[0, 0]), real(y[0, 1]), real(y[0, 2])
    y10, y11, y12 = real(y[1, 0]), real(y[1, 1]), real(y[1, 2])
    y20, y21, y22 = real(y[2, 0]), real(y[2, 1]), real(y[2, 2])
    f0, f1, f2 = real(facts[0]), real(facts[1]), real(facts[2])
    b0, b1, b2 = real(facts[3]), real(facts[4]), real(facts[5])
    for q in range(weight.size):
        dx = py[0, q] * y00 + py[1, q] * y10 + py[2, q] * y20 - px[1, q] * x10 - px[2, q] * x20
        dy = py[0, q] * y01 + py[1, q] * y11 + py[2, q] * y21 - px[1, q] * x11 - px[2, q] * x21
        dz = py[0, q] * y02 + py[1, q] * y12 + py[2, q] * y22 - px[1, q] * x12 - px[2, q] * x22
        square = dx * dx + dy * dy + dz * dz
        # coincident midpoints are left out here as in the regular rule; no other rule has coincident points
        inverse = one / np.sqrt(square + real(1e-30))
        r = square * inverse
        green = total * weight[q] * inverse if square > tiny or weight[q] > zero else zero
        sn, cs = sine_cosine(turns * r)
        gr, gi = cs * green, -sn * green
        scale = inverse * inverse
        forward = (px[0, q] * f0 + px[1, q] * f1 + px[2, q] * f2) * scale
        backward = (py[0, q] * b0 + py[1, q] * b1 + py[2, q] * b2) * scale
        kr = k * r
        wave[0, q] = gr
        wave[1, q] = gi
        wave[2, q] = (gr - gi * kr) * forward
        wave[3, q] = (gi + gr * kr) * forward
        wave[4, q] = (gr - gi * kr) * backward
        wave[5, q] = (gi + gr * kr) * backward


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def matrix_pairs(  # type: ignore[no-untyped-def]
    wavenumber, coupling, corners, normal, area, images, first, second, image, turn_first, turn_second,
    px, py, weight, products, out,
):  # fmt: skip
    """Entries of a list of pairs; out (N, 2, 3, 3) complex: rows of `first` and columns of `second`, then the other way."""
    real = px.dtype.type
    x, y, xs, ys = np.empty((3, 3)), np.empty((3, 3)), np.empty((3, 3)), np.empty((3, 3))
    facts = np.empty(8)
    wave = np.empty((6, weight.size), px.dtype)
    for n in range(first.size):
        place_pair(
            corners, normal, area, images, first[n], second[n], image[n], turn_first[n], turn_second[n], x, y, xs, ys, facts
        )
        pair_kernels(wavenumber, x, y, facts, px, py, weight, wave)
        even = coupling * wavenumber * wavenumber * facts[6]
        total_r, total_i = real(0), real(0)
        for q in range(weight.size):
            total_r += wave[0, q]
            total_i += wave[1, q]
        for a in range(3):
            for b in range(3):
                s0, s1, s2, s3, s4, s5 = real(0), real(0), real(0), real(0), real(0), real(0)
                shape = products[3 * a + b]
                for q in range(weight.size):
                    s0 += shape[q] * wave[0, q]
                    s1 += shape[q] * wave[1, q]
                    s2 += shape[q] * wave[2, q]
                    s3 += shape[q] * wave[3, q]
                    s4 += shape[q] * wave[4, q]
                    s5 += shape[q] * wave[5, q]
                curls = coupling * (xs[a, 0] * ys[b, 0] + xs[a, 1] * ys[b, 1] + xs[a, 2] * ys[b, 2])
                hyper_r = -even * s1 + curls * total_i
                hyper_i = even * s0 - curls * total_r
                i, j = turn_first[n, a], turn_second[n, b]
                out[n, 0, i, j] = complex(s2 + hyper_r, s3 + hyper_i)
                out[n, 1, j, i] = complex(s4 + hyper_r, s5 + hyper_i)


@njit(nogil=True, cache=True)
def add_pairs(triangles, first, second, entries, matrix):  # type: ignore[no-untyped-def]
    """Add what `matrix_pairs` returned to the matrix; a triangle with its own image counts once."""
    for n in range(first.size):
        t, s = first[n], second[n]
        for a in range(3):
            for b in range(3):
                matrix[triangles[t, a], triangles[s, b]] += entries[n, 0, a, b]
                if t != s:
                    matrix[triangles[s, b], triangles[t, a]] += entries[n, 1, b, a]


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def source_pairs(  # type: ignore[no-untyped-def]
    wavenumber, coupling, corners, normal, area, images, first, second, image, turn_first, turn_second,
    px, py, weight, out,
):  # fmt: skip
    """Right-hand side of unit normal derivative on one of a pair; out (N, 2, 3): tested on `first`, then on `second`."""
    real = px.dtype.type
    x, y, xs, ys = np.empty((3, 3)), np.empty((3, 3)), np.empty((3, 3)), np.empty((3, 3))
    facts = np.empty(8)
    wave = np.empty((6, weight.size), px.dtype)
    for n in range(first.size):
        place_pair(
            corners, normal, area, images, first[n], second[n], image[n], turn_first[n], turn_second[n], x, y, xs, ys, facts
        )
        pair_kernels(wavenumber, x, y, facts, px, py, weight, wave)
        for a in range(3):
            g0, g1, h0, h1, f0, f1, b0, b1 = real(0), real(0), real(0), real(0), real(0), real(0), real(0), real(0)
            for q in range(weight.size):
                g0 += px[a, q] * wave[0, q]
                g1 += px[a, q] * wave[1, q]
                h0 += py[a, q] * wave[0, q]
                h1 += py[a, q] * wave[1, q]
                # the adjoint double layer is the double layer of the exchanged pair, with the sign that `backward` has
                b0 += px[a, q] * wave[4, q]
                b1 += px[a, q] * wave[5, q]
                f0 += py[a, q] * wave[2, q]
                f1 += py[a, q] * wave[3, q]
            out[n, 0, turn_first[n, a]] = complex(-g0 + coupling * b1, -g1 - coupling * b0)
            out[n, 1, turn_second[n, a]] = complex(-h0 + coupling * f1, -h1 - coupling * f0)
