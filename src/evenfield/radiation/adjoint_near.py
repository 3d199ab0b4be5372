"""Contraction of the near pairs' kernels with two fields: how their product changes as the corners move.

The formula of `adjoint_far` under the rules of `near_integrals`, in double precision throughout. d.n is again a linear function
of one triangle's point that vanishes at shared corners however they move, so that its derivative is left out there: that keeps
the derivative of the singular kernels integrable.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from evenfield.radiation.near_integrals import near_rule, rule_tables
from evenfield.radiation.near_pairs import NearPairs
from evenfield.radiation.sine_cosine import sine_cosine
from evenfield.radiation.surface_body import SurfaceBody
from evenfield.radiation.surface_solver import SurfaceSolver
from evenfield.radiation.workers import in_order

Complex = NDArray[np.complexfloating[Any, Any]]
Floats = NDArray[np.float64]

PAIRS_PER_TASK = 2000


def contract(
    wavenumber: float,
    coupling: float,
    body: SurfaceBody,
    near: list[NearPairs],
    solver: SurfaceSolver,
    adjoint: Complex,
    pressure: Complex,
    derivative: Complex,
) -> tuple[Floats, float]:
    """(V, 3) derivatives by the vertices and the one by the coupling, for adjoint, pressure (K, V) and derivative (K, T)."""
    fields = [np.ascontiguousarray(f.T.astype(np.complex128)) for f in (adjoint, pressure, derivative)]
    tables = {g.shared: rule_tables(near_rule(g.shared, solver), np.float64) for g in near}
    tasks = [(g, slice(a, a + PAIRS_PER_TASK)) for g in near for a in range(0, len(g), PAIRS_PER_TASK)]
    result, by_coupling = np.zeros_like(body.vertices), 0.0

    def work(task: tuple[NearPairs, slice]) -> tuple[NearPairs, slice, Floats, float]:
        g, s = task
        out = np.zeros((len(g.first[s]), 2, 3, 3))
        share = contract_pairs(  # type: ignore[call-arg]
            wavenumber, coupling, body.vertices, body.triangles, body.images, *fields, max(g.shared, 0), g.first[s], g.second[s],
            g.image[s], g.turn_first[s], g.turn_second[s], *tables[g.shared], out,
        )  # fmt: skip
        return g, s, out, share

    for g, s, out, share in in_order(work, tasks, solver.worker_count):
        add_corners(body.triangles, g.first[s], g.second[s], out, result)
        by_coupling += share
    return result, by_coupling


@njit(nogil=True, cache=True)
def add_corners(triangles, first, second, out, result):  # type: ignore[no-untyped-def]
    """Add the corners' derivatives (N, 2, 3, 3) to the vertices (V, 3)."""
    for n in range(first.size):
        for a in range(3):
            for c in range(3):
                result[triangles[first[n], a], c] += out[n, 0, a, c]
                result[triangles[second[n], a], c] += out[n, 1, a, c]


@njit(nogil=True, cache=True)
def area_vector(x, handed, out):  # type: ignore[no-untyped-def]
    """Normal times area of corners (3, 3), `handed` = -1 for a mirrored triangle; returns the area."""
    square = 0.0
    for c in range(3):
        d, e = (c + 1) % 3, (c + 2) % 3
        out[c] = (x[1, d] - x[0, d]) * (x[2, e] - x[0, e]) - (x[1, e] - x[0, e]) * (x[2, d] - x[0, d])
        out[c] *= handed / 2
        square += out[c] * out[c]
    return np.sqrt(square)


@njit(nogil=True, cache=True)
def pull_area_vector(x, handed, cotangent, out):  # type: ignore[no-untyped-def]
    """Add to out (3, 3) what a cotangent (3,) of the area vector means for the corners."""
    for c in range(3):
        d, e = (c + 1) % 3, (c + 2) % 3
        ud, ue = handed / 2 * cotangent[d], handed / 2 * cotangent[e]
        second = (x[2, d] - x[0, d]) * ue - (x[2, e] - x[0, e]) * ud
        third = ud * (x[1, e] - x[0, e]) - ue * (x[1, d] - x[0, d])
        out[1, c] += second
        out[2, c] += third
        out[0, c] -= second + third


@njit(nogil=True, cache=True)
def edge_curl(values, side, x, handed, out):  # type: ignore[no-untyped-def]
    """Surface curl times twice the area of corner values (3, K): out (3,) complex, for one part."""
    for c in range(3):
        out[c] = 0
        for p in range(3):
            out[c] += handed * values[p, side] * (x[(p + 2) % 3, c] - x[(p + 1) % 3, c])


@njit(nogil=True, cache=True)
def pull_curl(values, side, handed, cotangent, out):  # type: ignore[no-untyped-def]
    """Add to out (3, 3) the real part of a complex cotangent (3,) of `edge_curl`."""
    for p in range(3):
        for c in range(3):
            share = handed * (values[p, side] * cotangent[c]).real
            out[(p + 2) % 3, c] += share
            out[(p + 1) % 3, c] -= share


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def sum_rule(wavenumber, coupling, x, y, facts, px, py, weight, products, ss, zz, tt, vv, turned, f, b):  # type: ignore[no-untyped-def]
    """Sum over the points of a rule, x and y the turned corners. ss, zz (9, 2): products of corner values for s and s';
    tt, vv (3, 2): for t and t'; f, b (3,): d.N_y at x's corners, -d.N_x at y's.

    turned (2, 3, 3) += derivatives by x and y through the distance; f, b become the derivatives by themselves;
    facts : (A_x, A_y, N_x.N_y, curls re, im) in; derivatives by A_x, A_y, N_x.N_y, sum of G re, im, by the coupling, from 5 on.
    """
    ax, ay, facing, curl_r, curl_i = facts[0], facts[1], facts[2], facts[3] / 4, facts[4] / 4
    k, turns, count = wavenumber, wavenumber / (2 * np.pi), weight.size
    k2 = k * k
    rows = np.empty((5, count))
    a0, a1, a2, a3, a4, a5 = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    for q in range(count):
        d0 = (
            py[0, q] * y[0, 0]
            + py[1, q] * y[1, 0]
            + py[2, q] * y[2, 0]
            - px[0, q] * x[0, 0]
            - px[1, q] * x[1, 0]
            - px[2, q] * x[2, 0]
        )
        d1 = (
            py[0, q] * y[0, 1]
            + py[1, q] * y[1, 1]
            + py[2, q] * y[2, 1]
            - px[0, q] * x[0, 1]
            - px[1, q] * x[1, 1]
            - px[2, q] * x[2, 1]
        )
        d2 = (
            py[0, q] * y[0, 2]
            + py[1, q] * y[1, 2]
            + py[2, q] * y[2, 2]
            - px[0, q] * x[0, 2]
            - px[1, q] * x[1, 2]
            - px[2, q] * x[2, 2]
        )
        square = d0 * d0 + d1 * d1 + d2 * d2
        inverse = 1.0 / np.sqrt(square + 1e-30)
        r = square * inverse
        green = weight[q] * inverse / (4 * np.pi) if square > 1e-13 or weight[q] > 0.0 else 0.0
        sn, cs = sine_cosine(turns * r)
        gr, gi = cs * green, -sn * green
        over, kr = inverse * inverse, k * r
        hr, hi = (gr - gi * kr) * over, (gi + gr * kr) * over
        sr, si, zr, zi = 0.0, 0.0, 0.0, 0.0
        for c in range(9):
            sr += products[c, q] * ss[c, 0]
            si += products[c, q] * ss[c, 1]
            zr += products[c, q] * zz[c, 0]
            zi += products[c, q] * zz[c, 1]
        tr = px[0, q] * tt[0, 0] + px[1, q] * tt[1, 0] + px[2, q] * tt[2, 0]
        ti = px[0, q] * tt[0, 1] + px[1, q] * tt[1, 1] + px[2, q] * tt[2, 1]
        vr = py[0, q] * vv[0, 0] + py[1, q] * vv[1, 0] + py[2, q] * vv[2, 0]
        vi = py[0, q] * vv[0, 1] + py[1, q] * vv[1, 1] + py[2, q] * vv[2, 1]
        onto_y = px[0, q] * f[0] + px[1, q] * f[1] + px[2, q] * f[2]
        onto_x = py[0, q] * b[0] + py[1, q] * b[1] + py[2, q] * b[2]
        ur, ui = sr - coupling * vi, si + coupling * vr
        wr, wi = zr - coupling * ti, zi + coupling * tr
        er, ei = curl_r - k2 * facing * (sr + zr), curl_i - k2 * facing * (si + zi)
        slope_r, slope_i = -ax * onto_y * ur - ay * onto_x * wr, -ax * onto_y * ui - ay * onto_x * wi
        plain_r, plain_i = -coupling * ei - ax * ay * (tr + vr), coupling * er - ax * ay * (ti + vi)
        cr, ci = kr * kr - 3, -3 * kr
        fr, fi = (gr * cr - gi * ci) * over * over, (gr * ci + gi * cr) * over * over
        both = (fr * slope_r - fi * slope_i) - (hr * plain_r - hi * plain_i)
        rows[0, q], rows[1, q], rows[2, q] = both * d0, both * d1, both * d2
        along_y, along_x = -(hr * ur - hi * ui), -(hr * wr - hi * wi)
        rows[3, q], rows[4, q] = ax * along_y, ay * along_x
        single = gr * (tr + vr) - gi * (ti + vi)
        a0 += along_y * onto_y - ay * single
        a1 += along_x * onto_x - ax * single
        a2 += coupling * k2 * (gr * (si + zi) + gi * (sr + zr))
        a3 += gr
        a4 += gi
        # j times the rest: real part is minus the imaginary one
        a5 += ax * onto_y * (hr * vi + hi * vr) + ay * onto_x * (hr * ti + hi * tr) - (gr * ei + gi * er)
    facts[5], facts[6], facts[7], facts[8], facts[9], facts[10] = a0, a1, a2, a3, a4, a5
    for a in range(3):
        sf, sb = 0.0, 0.0
        for q in range(count):
            sf += rows[3, q] * px[a, q]
            sb += rows[4, q] * py[a, q]
        f[a], b[a] = sf, sb
        for c in range(3):
            gx, gy = 0.0, 0.0
            for q in range(count):
                gx += rows[c, q] * px[a, q]
                gy += rows[c, q] * py[a, q]
            turned[0, a, c] -= gx
            turned[1, a, c] += gy


@njit(nogil=True, error_model="numpy", cache=True)
def contract_pairs(  # type: ignore[no-untyped-def]
    wavenumber, coupling, vertices, triangles, images, adjoint, pressure, derivative, shared, first, second, image,
    turn_first, turn_second, px, py, weight, products, out,
):  # fmt: skip
    """Derivatives by the corners of a list of pairs, out (N, 2, 3, 3); returns the derivative by the coupling."""
    sides, by_coupling = adjoint.shape[1], 0.0
    x, y, tx, ty = np.empty((3, 3)), np.empty((3, 3)), np.empty((3, 3)), np.empty((3, 3))
    nx, ny, dnx, dny = np.empty(3), np.empty(3), np.empty(3), np.empty(3)
    ss, zz, tt, vv = np.empty((9, 2)), np.empty((9, 2)), np.empty((3, 2)), np.empty((3, 2))
    f, b, facts, turned = np.empty(3), np.empty(3), np.empty(11), np.empty((2, 3, 3))
    curls = np.empty((4, sides, 3), np.complex128)
    for n in range(first.size):
        one, two, g = triangles[first[n]], triangles[second[n]], images[image[n]]
        lx, qx, ly, qy = adjoint[one], pressure[one], adjoint[two], pressure[two]
        handed, back = g[0] * g[1] * g[2], 1.0 if first[n] != second[n] else 0.0
        turn_x, turn_y = turn_first[n], turn_second[n]
        for a in range(3):
            for c in range(3):
                x[a, c] = vertices[one[a], c] - vertices[one[turn_x[0]], c]
                y[a, c] = g[c] * vertices[two[a], c] - vertices[one[turn_x[0]], c]
        facts[0], facts[1] = area_vector(x, 1.0, nx), area_vector(y, handed, ny)
        facts[2] = nx[0] * ny[0] + nx[1] * ny[1] + nx[2] * ny[2]
        ax, ay = facts[0], facts[1]
        total = 0j
        for m in range(sides):
            edge_curl(lx, m, x, 1.0, curls[0, m])
            edge_curl(qx, m, x, 1.0, curls[1, m])
            edge_curl(ly, m, y, handed, curls[2, m])
            edge_curl(qy, m, y, handed, curls[3, m])
            for c in range(3):
                total += curls[0, m, c] * curls[3, m, c] + back * curls[1, m, c] * curls[2, m, c]
        facts[3], facts[4] = total.real, total.imag
        for a in range(3):
            for c in range(3):
                tx[a, c], ty[a, c] = x[turn_x[a], c], y[turn_y[a], c]
            t, v = 0j, 0j
            for m in range(sides):
                t += lx[turn_x[a], m] * derivative[second[n], m]
                v += back * ly[turn_y[a], m] * derivative[first[n], m]
            tt[a, 0], tt[a, 1], vv[a, 0], vv[a, 1] = t.real, t.imag, v.real, v.imag
            for d in range(3):
                s, z = 0j, 0j
                for m in range(sides):
                    s += lx[turn_x[a], m] * qy[turn_y[d], m]
                    z += back * qx[turn_x[a], m] * ly[turn_y[d], m]
                ss[3 * a + d, 0], ss[3 * a + d, 1], zz[3 * a + d, 0], zz[3 * a + d, 1] = s.real, s.imag, z.real, z.imag
        for a in range(3):
            f[a], b[a] = 0.0, 0.0
            if a >= shared:
                for c in range(3):
                    f[a] += (ty[0, c] - tx[a, c]) * ny[c]
                    b[a] -= (ty[a, c] - tx[0, c]) * nx[c]
        turned[:] = 0.0
        sum_rule(wavenumber, coupling, tx, ty, facts, px, py, weight, products, ss, zz, tt, vv, turned, f, b)
        by_coupling += facts[10]
        for c in range(3):
            dnx[c] = facts[7] * ny[c] + facts[5] * nx[c] / ax
            dny[c] = facts[7] * nx[c] + facts[6] * ny[c] / ay
            for a in range(shared, 3):
                turned[1, 0, c] += f[a] * ny[c]
                turned[0, a, c] -= f[a] * ny[c]
                dny[c] += f[a] * (ty[0, c] - tx[a, c])
                turned[1, a, c] -= b[a] * nx[c]
                turned[0, 0, c] += b[a] * nx[c]
                dnx[c] -= b[a] * (ty[a, c] - tx[0, c])
        for a in range(3):
            for c in range(3):
                out[n, 0, turn_x[a], c] = turned[0, a, c]
                out[n, 1, turn_y[a], c] = turned[1, a, c]
        pull_area_vector(x, 1.0, dnx, out[n, 0])
        pull_area_vector(y, handed, dny, out[n, 1])
        wave = 1j * coupling / 4 * (facts[8] + 1j * facts[9])
        for m in range(sides):
            pull_curl(lx, m, 1.0, wave * curls[3, m], out[n, 0])
            pull_curl(qx, m, 1.0, back * wave * curls[2, m], out[n, 0])
            pull_curl(qy, m, handed, wave * curls[0, m], out[n, 1])
            pull_curl(ly, m, handed, back * wave * curls[1, m], out[n, 1])
        for a in range(3):
            for c in range(3):
                out[n, 1, a, c] *= g[c]
    return by_coupling
