"""Contraction of the near pairs' kernels with two fields: how their product changes as the corners move.

The formula of `adjoint_far` under the rules of `near_integrals`, in coordinates local to the pair: geometry and sums over pairs
in double, the points of a rule in the solve's precision, LANES pairs side by side. Linear functions are written by their value at
the first corner and the two differences from it, so that a point needs two of its three barycentric coordinates. d.n is again a
linear function
of one triangle's point that vanishes at shared corners however they move, so that its derivative is left out there: that keeps
the derivative of the singular kernels integrable.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from evenfield.radiation.midpoint_grid import LANES
from evenfield.radiation.near_integrals import near_rule
from evenfield.radiation.near_pairs import NearPairs
from evenfield.radiation.quadrature import PairRule
from evenfield.radiation.sine_cosine import sine_cosine
from evenfield.radiation.surface_body import SurfaceBody
from evenfield.radiation.surface_solver import SurfaceSolver
from evenfield.radiation.workers import in_order

Complex = NDArray[np.complexfloating[Any, Any]]
Floats = NDArray[np.float64]

PAIRS_PER_TASK = 2048

# Columns of a block of pairs, flat rows of lanes (see `far_assembly`): d of the first corners, edges of x and of y from there,
# areas, N_x.N_y, curls; values (re, im) by corner of s, s' (nine each), of t, t' (three each); d.N_y over x, -d.N_x over y
BASE, EDGES_X, EDGES_Y, AREAS, FACING, CURLS = (i * LANES for i in (0, 3, 9, 15, 17, 18))
S, Z, T, V, F, B, COLUMNS = (i * LANES for i in (20, 38, 56, 62, 68, 71, 74))
"""Where each column begins."""
PUSH, BY_F, BY_B, SINGLE, BY_FACING, GREEN, BY_COUPLING, SUMS = (i * LANES for i in (0, 15, 18, 21, 22, 23, 25, 26))
"""Where each sum over a rule's points begins: by d (3), each alone and times the four coordinates; by F and by B; of the single
layer; by N_x.N_y; of G; by the coupling."""


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
    real = np.float32 if solver.precision == "single" else np.float64
    tables = {g.shared: _rule_rows(near_rule(g.shared, solver)).astype(real) for g in near}
    tasks = [(g, slice(a, a + PAIRS_PER_TASK)) for g in near for a in range(0, len(g), PAIRS_PER_TASK)]
    result, by_coupling = np.zeros_like(body.vertices), 0.0

    def work(task: tuple[NearPairs, slice]) -> tuple[NearPairs, slice, Floats, float]:
        g, s = task
        out = np.zeros((len(g.first[s]), 2, 3, 3))
        share = contract_pairs(  # type: ignore[call-arg]
            wavenumber, coupling, body.vertices, body.triangles, body.images, *fields, max(g.shared, 0), g.first[s], g.second[s],
            g.image[s], g.turn_first[s], g.turn_second[s], tables[g.shared], out,
        )  # fmt: skip
        return g, s, out, share

    for g, s, out, share in in_order(work, tasks, solver.worker_count):
        add_corners(body.triangles, g.first[s], g.second[s], out, result)
        by_coupling += share
    return result, by_coupling


def _rule_rows(rule: PairRule) -> Floats:
    """(Q, 5) second and third coordinate on x, then on y, and weight over 4 pi."""
    x, y, weight = rule
    return np.column_stack([x[:, 1:], y[:, 1:], weight / (4 * np.pi)])


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


@njit(nogil=True, error_model="numpy", cache=True)
def opposite(x, turn, out):  # type: ignore[no-untyped-def]
    """(2, 3) edges of corners (3, 3) that lie opposite the second and third in turned order."""
    for a in range(2):
        p = turn[a + 1]
        for c in range(3):
            out[a, c] = x[(p + 2) % 3, c] - x[(p + 1) % 3, c]


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def sum_rule(wavenumber, coupling, rule, pair, sums):  # type: ignore[no-untyped-def]
    """Set `sums` (SUMS,) to those over a rule (Q, 5) for a block of pairs (COLUMNS,)."""
    real = pair.dtype.type
    one, three, tiny, least = real(1), real(3), real(1e-13), real(1e-30)
    k, turns, eta = real(wavenumber), real(wavenumber / (2 * np.pi)), real(coupling)
    k2 = k * k
    sums[:] = real(0)
    for q in range(rule.shape[0]):
        p1, p2, q1, q2, w = rule[q, 0], rule[q, 1], rule[q, 2], rule[q, 3], rule[q, 4]
        # coincident midpoints are left out as in the regular rule; no other rule has coincident points
        nearest = tiny if w < real(0) else real(-1)
        for i in range(LANES):
            d0 = pair[BASE + i] + q1 * pair[EDGES_Y + i] + q2 * pair[EDGES_Y + 3 * LANES + i]
            d1 = pair[BASE + LANES + i] + q1 * pair[EDGES_Y + LANES + i] + q2 * pair[EDGES_Y + 4 * LANES + i]
            d2 = pair[BASE + 2 * LANES + i] + q1 * pair[EDGES_Y + 2 * LANES + i] + q2 * pair[EDGES_Y + 5 * LANES + i]
            d0 -= p1 * pair[EDGES_X + i] + p2 * pair[EDGES_X + 3 * LANES + i]
            d1 -= p1 * pair[EDGES_X + LANES + i] + p2 * pair[EDGES_X + 4 * LANES + i]
            d2 -= p1 * pair[EDGES_X + 2 * LANES + i] + p2 * pair[EDGES_X + 5 * LANES + i]
            square = d0 * d0 + d1 * d1 + d2 * d2
            apart = square > nearest
            inverse = one / np.sqrt(square + least if apart else one)
            r = square * inverse
            green = w * inverse if apart else real(0)
            sn, cs = sine_cosine(turns * r)
            gr, gi = cs * green, -sn * green
            over, kr = inverse * inverse, k * r
            hr, hi = (gr - gi * kr) * over, (gi + gr * kr) * over
            sr = bilinear(pair, S + i, p1, p2, q1, q2)
            si = bilinear(pair, S + LANES + i, p1, p2, q1, q2)
            zr = bilinear(pair, Z + i, p1, p2, q1, q2)
            zi = bilinear(pair, Z + LANES + i, p1, p2, q1, q2)
            tr = pair[T + i] + p1 * pair[T + 2 * LANES + i] + p2 * pair[T + 4 * LANES + i]
            ti = pair[T + LANES + i] + p1 * pair[T + 3 * LANES + i] + p2 * pair[T + 5 * LANES + i]
            vr = pair[V + i] + q1 * pair[V + 2 * LANES + i] + q2 * pair[V + 4 * LANES + i]
            vi = pair[V + LANES + i] + q1 * pair[V + 3 * LANES + i] + q2 * pair[V + 5 * LANES + i]
            onto_y = pair[F + i] + p1 * pair[F + LANES + i] + p2 * pair[F + 2 * LANES + i]
            onto_x = pair[B + i] + q1 * pair[B + LANES + i] + q2 * pair[B + 2 * LANES + i]
            ax, ay, facing = pair[AREAS + i], pair[AREAS + LANES + i], k2 * pair[FACING + i]
            ur, ui = sr - eta * vi, si + eta * vr
            wr, wi = zr - eta * ti, zi + eta * tr
            br, bi = sr + zr, si + zi
            er, ei = pair[CURLS + i] - facing * br, pair[CURLS + LANES + i] - facing * bi
            fx, fy = ax * onto_y, ay * onto_x
            slope_r, slope_i = -fx * ur - fy * wr, -fx * ui - fy * wi
            tr, ti, area = tr + vr, ti + vi, ax * ay
            plain_r, plain_i = -eta * ei - area * tr, eta * er - area * ti
            cr, ci, over = kr * kr - three, -three * kr, over * over
            fr, fi = (gr * cr - gi * ci) * over, (gr * ci + gi * cr) * over
            both = (fr * slope_r - fi * slope_i) - (hr * plain_r - hi * plain_i)
            d0, d1, d2 = both * d0, both * d1, both * d2
            sums[PUSH + i] += d0
            sums[PUSH + LANES + i] += d1
            sums[PUSH + 2 * LANES + i] += d2
            sums[PUSH + 3 * LANES + i] += p1 * d0
            sums[PUSH + 4 * LANES + i] += p1 * d1
            sums[PUSH + 5 * LANES + i] += p1 * d2
            sums[PUSH + 6 * LANES + i] += p2 * d0
            sums[PUSH + 7 * LANES + i] += p2 * d1
            sums[PUSH + 8 * LANES + i] += p2 * d2
            sums[PUSH + 9 * LANES + i] += q1 * d0
            sums[PUSH + 10 * LANES + i] += q1 * d1
            sums[PUSH + 11 * LANES + i] += q1 * d2
            sums[PUSH + 12 * LANES + i] += q2 * d0
            sums[PUSH + 13 * LANES + i] += q2 * d1
            sums[PUSH + 14 * LANES + i] += q2 * d2
            onto = hi * ui - hr * ur
            sums[BY_F + i] += onto
            sums[BY_F + LANES + i] += p1 * onto
            sums[BY_F + 2 * LANES + i] += p2 * onto
            onto = hi * wi - hr * wr
            sums[BY_B + i] += onto
            sums[BY_B + LANES + i] += q1 * onto
            sums[BY_B + 2 * LANES + i] += q2 * onto
            sums[SINGLE + i] += gr * tr - gi * ti
            sums[BY_FACING + i] += gr * bi + gi * br
            sums[GREEN + i] += gr
            sums[GREEN + LANES + i] += gi
            # j times the rest: real part is minus the imaginary one
            tr, ti = tr - vr, ti - vi
            sums[BY_COUPLING + i] += fx * (hr * vi + hi * vr) + fy * (hr * ti + hi * tr) - (gr * ei + gi * er)


@njit(forceinline=True, fastmath=True, error_model="numpy")
def bilinear(pair, at, p1, p2, q1, q2):  # type: ignore[no-untyped-def]
    """A function linear on both triangles, from its nine values by (x, y), two columns apart."""
    a = pair[at] + q1 * pair[at + 2 * LANES] + q2 * pair[at + 4 * LANES]
    b = pair[at + 6 * LANES] + q1 * pair[at + 8 * LANES] + q2 * pair[at + 10 * LANES]
    c = pair[at + 12 * LANES] + q1 * pair[at + 14 * LANES] + q2 * pair[at + 16 * LANES]
    return a + p1 * b + p2 * c


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def from_first(field, triangle, turn, out):  # type: ignore[no-untyped-def]
    """(3, K) values of a field (V, K) at a triangle's corners in turned order, the second and third less the first."""
    a, b, c = triangle[turn[0]], triangle[turn[1]], triangle[turn[2]]
    for m in range(field.shape[1]):
        first = field[a, m]
        out[0, m] = first
        out[1, m] = field[b, m] - first
        out[2, m] = field[c, m] - first


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def place_fields(lx, px, ly, py, back, ex, ey, pair, i):  # type: ignore[no-untyped-def]
    """Products of a pair's fields (3, K), x and y, into lane i of a block; ex, ey (2, 3) edges, for the product of the curls."""
    total_r, total_i = 0.0, 0.0
    for a in range(3):
        for d in range(3):
            sr, si, zr, zi, at = 0.0, 0.0, 0.0, 0.0, 2 * (3 * a + d) * LANES + i
            for m in range(lx.shape[1]):
                v, w = lx[a, m], py[d, m]
                sr += v.real * w.real - v.imag * w.imag
                si += v.real * w.imag + v.imag * w.real
                v, w = px[a, m], ly[d, m]
                zr += v.real * w.real - v.imag * w.imag
                zi += v.real * w.imag + v.imag * w.real
            zr, zi = back * zr, back * zi
            pair[S + at], pair[S + LANES + at], pair[Z + at], pair[Z + LANES + at] = sr, si, zr, zi
            if a > 0 and d > 0:
                both = ex[a - 1, 0] * ey[d - 1, 0] + ex[a - 1, 1] * ey[d - 1, 1] + ex[a - 1, 2] * ey[d - 1, 2]
                total_r += both * (sr + zr)
                total_i += both * (si + zi)
    pair[CURLS + i], pair[CURLS + LANES + i] = total_r / 4, total_i / 4


@njit(nogil=True, error_model="numpy", cache=True)
def place_strength(field, strength, factor, pair, at):  # type: ignore[no-untyped-def]
    """A field (3, K) times strengths (K,), from column place `at` on."""
    moves = False
    for m in range(strength.size):
        moves |= strength[m] != 0
    for a in range(3):
        total = 0j
        if moves:
            for m in range(strength.size):
                total += field[a, m] * strength[m]
        pair[at + 2 * a * LANES], pair[at + (2 * a + 1) * LANES] = factor * total.real, factor * total.imag


@njit(nogil=True, error_model="numpy", cache=True)
def place_linear(values, pair, at):  # type: ignore[no-untyped-def]
    """A linear function (3,) as its first value and the differences from it, from column place `at` on."""
    pair[at] = values[0]
    pair[at + LANES] = values[1] - values[0]
    pair[at + 2 * LANES] = values[2] - values[0]


@njit(nogil=True, error_model="numpy", cache=True)
def place_corners(x, y, turn_x, turn_y, shared, nx, ny, f, b, pair, i):  # type: ignore[no-untyped-def]
    """Corners (3, 3), areas and the linear functions d.n of a pair into lane i of a block; f, b (3,) are set."""
    for a in range(3):
        f[a], b[a] = 0.0, 0.0
        for c in range(3):
            if a >= shared:
                f[a] += (y[turn_y[0], c] - x[turn_x[a], c]) * ny[c]
                b[a] -= (y[turn_y[a], c] - x[turn_x[0], c]) * nx[c]
    place_linear(f, pair, F + i)
    place_linear(b, pair, B + i)
    for c in range(3):
        pair[BASE + c * LANES + i] = y[turn_y[0], c]
        for a in range(2):
            pair[EDGES_X + (3 * a + c) * LANES + i] = x[turn_x[a + 1], c]
            pair[EDGES_Y + (3 * a + c) * LANES + i] = y[turn_y[a + 1], c] - y[turn_y[0], c]


@njit(nogil=True, error_model="numpy", cache=True)
def contract_pairs(  # type: ignore[no-untyped-def]
    wavenumber, coupling, vertices, triangles, images, adjoint, pressure, derivative, shared, first, second, image,
    turn_first, turn_second, rule, out,
):  # fmt: skip
    """Derivatives by the corners of a list of pairs, out (N, 2, 3, 3); returns the derivative by the coupling."""
    sides, by_coupling = adjoint.shape[1], 0.0
    pair, sums = np.zeros(COLUMNS, rule.dtype), np.empty(SUMS, rule.dtype)
    corners, area, linear = np.empty((LANES, 2, 3, 3)), np.empty((LANES, 2, 3)), np.empty((LANES, 2, 3))
    edges, room = np.empty((LANES, 2, 2, 3)), np.empty((4, 3))
    fields = np.empty((4, 3, sides), np.complex128)
    for begin in range(0, first.size, LANES):
        count = min(LANES, first.size - begin)
        for i in range(count):
            n = begin + i
            one, two, g = triangles[first[n]], triangles[second[n]], images[image[n]]
            turn_x, turn_y = turn_first[n], turn_second[n]
            handed, back = g[0] * g[1] * g[2], 1.0 if first[n] != second[n] else 0.0
            x, y, nx, ny = corners[i, 0], corners[i, 1], area[i, 0], area[i, 1]
            origin = one[turn_x[0]]
            for a in range(3):
                for c in range(3):
                    x[a, c] = vertices[one[a], c] - vertices[origin, c]
                    y[a, c] = g[c] * vertices[two[a], c] - vertices[origin, c]
            pair[AREAS + i], pair[AREAS + LANES + i] = area_vector(x, 1.0, nx), area_vector(y, handed, ny)
            pair[FACING + i] = nx[0] * ny[0] + nx[1] * ny[1] + nx[2] * ny[2]
            place_corners(x, y, turn_x, turn_y, shared, nx, ny, linear[i, 0], linear[i, 1], pair, i)
            opposite(x, turn_x, edges[i, 0])
            opposite(y, turn_y, edges[i, 1])
            edges[i, 1] *= handed
            from_first(adjoint, one, turn_x, fields[0])
            from_first(pressure, one, turn_x, fields[1])
            from_first(adjoint, two, turn_y, fields[2])
            from_first(pressure, two, turn_y, fields[3])
            place_fields(fields[0], fields[1], fields[2], fields[3], back, edges[i, 0], edges[i, 1], pair, i)
            place_strength(fields[0], derivative[second[n]], 1.0, pair, T + i)
            place_strength(fields[2], derivative[first[n]], back, pair, V + i)
        sum_rule(wavenumber, coupling, rule, pair, sums)
        for i in range(count):
            n = begin + i
            by_coupling += sums[BY_COUPLING + i]
            pull_pair(
                coupling, wavenumber, sums, pair, i, shared, images[image[n]], turn_first[n], turn_second[n], corners[i], area[i],
                linear[i], edges[i], room, out[n],
            )  # fmt: skip
    return by_coupling


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def pull_curls(wave_r, wave_i, pair, i, turn, edges, across, second, out):  # type: ignore[no-untyped-def]
    """Add to out (3, 3) what Re of wave times the product of the curls means for the corners of x or (`second`) of y.

    edges (2, 3) : those of the other triangle, opposite its second and third corner.
    """
    for a in range(2):
        p = turn[a + 1]
        for d in range(2):
            at = 2 * (3 * (a + 1) + d + 1) * LANES + i
            if second:
                at = 2 * (3 * (d + 1) + a + 1) * LANES + i
            value = wave_r * (pair[S + at] + pair[Z + at]) - wave_i * (pair[S + LANES + at] + pair[Z + LANES + at])
            for c in range(3):
                share = across * value * edges[d, c]
                out[(p + 2) % 3, c] += share
                out[(p + 1) % 3, c] -= share


@njit(nogil=True, error_model="numpy", cache=True)
def three_sums(sums, at, out):  # type: ignore[no-untyped-def]
    """Sums times the three coordinates, from those alone and times the second and third."""
    out[1], out[2] = sums[at + LANES], sums[at + 2 * LANES]
    out[0] = sums[at] - out[1] - out[2]


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def pull_pair(  # type: ignore[no-untyped-def]
    coupling, wavenumber, sums, pair, i, shared, image, turn_x, turn_y, corners, area, linear, edges, room, out,
):  # fmt: skip
    """Set out (2, 3, 3) to the derivatives by a pair's corners, from its sums in lane i; room (4, 3)."""
    x, y, nx, ny, f, b = corners[0], corners[1], area[0], area[1], linear[0], linear[1]
    onto_f, onto_b, dnx, dny = room[0], room[1], room[2], room[3]
    handed = image[0] * image[1] * image[2]
    ax, ay = np.sqrt(nx[0] ** 2 + nx[1] ** 2 + nx[2] ** 2), np.sqrt(ny[0] ** 2 + ny[1] ** 2 + ny[2] ** 2)
    three_sums(sums, BY_F + i, onto_f)
    three_sums(sums, BY_B + i, onto_b)
    by_ax, by_ay = -ay * sums[SINGLE + i], -ax * sums[SINGLE + i]
    for a in range(3):
        by_ax += onto_f[a] * f[a]
        by_ay += onto_b[a] * b[a]
        onto_f[a] *= ax
        onto_b[a] *= ay
    by_facing = coupling * wavenumber * wavenumber * sums[BY_FACING + i]
    for c in range(3):
        at = PUSH + c * LANES + i
        alone = sums[at]
        x1, x2, y1, y2 = sums[at + 3 * LANES], sums[at + 6 * LANES], sums[at + 9 * LANES], sums[at + 12 * LANES]
        out[0, turn_x[0], c], out[0, turn_x[1], c], out[0, turn_x[2], c] = x1 + x2 - alone, -x1, -x2
        out[1, turn_y[0], c], out[1, turn_y[1], c], out[1, turn_y[2], c] = alone - y1 - y2, y1, y2
        dnx[c] = by_facing * ny[c] + by_ax * nx[c] / ax
        dny[c] = by_facing * nx[c] + by_ay * ny[c] / ay
        for a in range(shared, 3):
            out[1, turn_y[0], c] += onto_f[a] * ny[c]
            out[0, turn_x[a], c] -= onto_f[a] * ny[c]
            dny[c] += onto_f[a] * (y[turn_y[0], c] - x[turn_x[a], c])
            out[1, turn_y[a], c] -= onto_b[a] * nx[c]
            out[0, turn_x[0], c] += onto_b[a] * nx[c]
            dnx[c] -= onto_b[a] * (y[turn_y[a], c] - x[turn_x[0], c])
    pull_area_vector(x, 1.0, dnx, out[0])
    pull_area_vector(y, handed, dny, out[1])
    # j eta/4 times the sum of G
    wave_r, wave_i = -coupling / 4 * sums[GREEN + LANES + i], coupling / 4 * sums[GREEN + i]
    pull_curls(wave_r, wave_i, pair, i, turn_x, edges[1], 1.0, False, out[0])
    pull_curls(wave_r, wave_i, pair, i, turn_y, edges[0], handed, True, out[1])
    for a in range(3):
        for c in range(3):
            out[1, a, c] *= image[c]
