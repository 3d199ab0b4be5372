"""Contraction of the regular rule's kernels with two fields: how their product changes as the midpoints move.

With lambda the adjoint field and p the pressure, both at the midpoints, Q the source strengths and C[.] the weighted curls, the
pair of a point x and a point y of an image of the body, taken both ways round, adds to lambda^T (b - A p)
    G { h [ alpha d.N_x - beta d.N_y ] + j eta (C_x[lambda].C_y[p] + C_x[p].C_y[lambda] - k^2 N_x.N_y (s + s')) - w_x t - w_y t' }
    h = (1 + jkR)/R^2, alpha = w_y s' + j eta t, beta = w_x s + j eta t'
    s = lambda_x p_y, s' = lambda_y p_x, t = lambda_x Q_y, t' = lambda_y Q_x, summed over the parts
(the formula of `far_assembly` and `sources`). Every point receives the derivatives by its own position, normal, weight and curls.
A tile of points is visited by itself and by all later points, which receive their share of the same visit; a task's shares for
later points come back in private memory, which the caller adds in a fixed order.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from evenfield.radiation.midpoint_grid import LANES, MidpointGrid
from evenfield.radiation.sine_cosine import sine_cosine
from evenfield.radiation.workers import in_order

Complex = NDArray[np.complexfloating[Any, Any]]
Floats = NDArray[np.float64]

SHAPE_ROWS = 8
"""Derivatives by position (3), area-weighted normal (3), weight, and by the coupling."""
FIELD_ROWS = 14
"""For each part: sum of G C_y[p] and of G C_y[lambda], three complex components each, and the cotangent of the strength."""
CURLS, PRODUCTS = 8 * LANES, 14 * LANES
"""Products of one point with a block, flat rows of lanes (see `far_assembly`): s, s', t, t', the curls' from CURLS on."""
TEST, BACK, OWN = 8 * LANES, 10 * LANES, 17 * LANES
"""What a point collects from a block, as rows of lanes: G by component of the curls and the right-hand side's kernel tested at
the point; from TEST on that kernel tested at the lanes; from BACK on the derivatives by its position, normal and weight."""
HALF, FEWEST_TILES, MOST_BLOCKS = LANES // 2, 32, 12
"""Lanes to which a point's sums are folded; tiles of a body, unless more blocks than that in a tile."""
ADJOINT, PRESSURE, STRENGTH, CURL_ADJOINT, CURL_PRESSURE = 0, 2, 4, 6, 12
"""Columns of a point's fields, re, im in turn."""
CHUNK = 256
"""Points summed in working precision before they go to double."""


def contract(
    wavenumber: float,
    coupling: float,
    images: Floats,
    grid: MidpointGrid,
    adjoint: Complex,
    pressure: Complex,
    strength: Complex,
    real: type[np.floating[Any]],
    threads: int,
) -> tuple[Floats, Complex]:
    """Derivatives at each midpoint, for adjoint and pressure (K, V) and strengths (K, P).

    Returns (P, SHAPE_ROWS) real derivatives (the last column to be halved in the sum) and (K, P, 7) complex: the sums of
    G C[p], of G C[lambda], and the cotangent of the strength.
    """
    count, sides = len(grid.position), len(pressure)
    geometry = np.concatenate([grid.position, grid.normal, grid.weight[:, None]], axis=1)
    fields = np.concatenate([_planes(x) for x in point_fields(grid, adjoint, pressure, strength)], axis=2)
    padding = -count % LANES
    idle = np.zeros((padding, 7))
    idle[:, :3] = grid.position.max(axis=0) + 1.0
    points = np.concatenate([geometry, idle])
    fields = np.ascontiguousarray(np.pad(fields, ((0, 0), (0, padding), (0, 0))).transpose(1, 0, 2)).astype(real)
    # images: vectors mirrored, curls (pseudovectors) with the determinant besides
    mirror = np.concatenate([images, images, np.ones((len(images), 1))], axis=1)
    turns = np.concatenate([images * images.prod(axis=1, keepdims=True), images], axis=1).astype(real)
    y = (mirror[:, None] * points).astype(real)
    x, x_fields = _lanes(points.astype(real)), _lanes(fields)
    width = SHAPE_ROWS + FIELD_ROWS * sides
    blocks = max(1, min(MOST_BLOCKS, len(x) // FEWEST_TILES))
    out, back = np.zeros((len(x), width * LANES)), np.zeros((len(points), width))

    def work(begin: int) -> tuple[int, NDArray[np.floating[Any]]]:
        end = min(begin + blocks, len(x))
        later = np.empty((len(points) - end * LANES, width), real)
        contract_tile(wavenumber, coupling, begin, end, x, x_fields, y, turns, fields, out[begin:end], later)
        return end * LANES, later

    for first, later in in_order(work, range(0, len(x), blocks), threads):
        back[first:] += later
    rows = (out.reshape(len(x), width, LANES).transpose(0, 2, 1).reshape(len(points), width) + back)[:count]
    parts = rows[:, SHAPE_ROWS:].reshape(count, sides, 7, 2).transpose(1, 0, 2, 3)
    return rows[:, :SHAPE_ROWS], parts[..., 0] + 1j * parts[..., 1]


def point_fields(grid: MidpointGrid, adjoint: Complex, pressure: Complex, strength: Complex) -> tuple[Complex, ...]:
    """(K, P, 1) adjoint, pressure, strength and (K, P, 3) weighted curls of adjoint and pressure at the midpoints."""
    s, e, a, b = grid.vertex.T

    def middle(f: Complex) -> Complex:
        return ((f[:, s] + f[:, e]) / 2)[..., None]

    def curl(f: Complex) -> Complex:
        return np.asarray((f[:, s] - f[:, e])[..., None] * grid.across + (f[:, a] - f[:, b])[..., None] * grid.along)

    return middle(adjoint), middle(pressure), strength[..., None], curl(adjoint), curl(pressure)


def _planes(field: Complex) -> Floats:
    """(K, P, 2 n) real and imaginary parts in turn of (K, P, n)."""
    return np.asarray(np.stack([field.real, field.imag], axis=-1).reshape(*field.shape[:2], -1), np.float64)


def _lanes(points: NDArray[np.floating[Any]]) -> NDArray[np.floating[Any]]:
    """(P, ..., n) to (P/LANES, ..., n LANES)."""
    blocks = np.ascontiguousarray(np.moveaxis(points.reshape(-1, LANES, *points.shape[1:]), 1, -1))
    return blocks.reshape(*blocks.shape[:-2], -1)


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def contract_tile(wavenumber, coupling, begin, end, x, x_fields, y, turns, y_fields, out, later):  # type: ignore[no-untyped-def]
    """Blocks begin .. end of x (B, 7 L), x_fields (B, K, 18 L) with their own and all later points of y (G, P, 7), y_fields
    (P, K, 18), P whole blocks; turns (G, 6) : the sign of each component of an image's curls and vectors.

    out (end - begin, rows L) += what the blocks receive; later (., rows) is set to what the points after them do.
    """
    count, sides = y.shape[1], y_fields.shape[1]
    products, own = np.zeros(PRODUCTS, y.dtype), np.empty(2 * OWN, y.dtype)
    shape = np.empty((end - begin, SHAPE_ROWS * LANES), y.dtype)
    onto, folded = np.empty((end - begin, sides, FIELD_ROWS * LANES), y.dtype), np.empty((2, sides, FIELD_ROWS * HALF), y.dtype)
    moving, given = np.empty(end - begin, np.bool_), np.empty(count, np.bool_)
    for b in range(end - begin):
        moving[b] = np.any(x_fields[begin + b, :, STRENGTH * LANES : (STRENGTH + 2) * LANES] != 0)
    for q in range(begin * LANES, count):
        given[q] = np.any(y_fields[q, :, STRENGTH : STRENGTH + 2] != 0)
    start = begin * LANES
    while start < count:
        beyond = start >= end * LANES
        stop = min(start + CHUNK, count) if beyond else end * LANES
        shape[:] = 0
        onto[:] = 0
        for q in range(start, stop, 2):
            own[:] = 0
            folded[:] = 0
            for b in range(end - begin):
                block, fields = x[begin + b], x_fields[begin + b]
                for side in range(2):
                    here = own[side * OWN :]
                    here[:BACK] = 0
                    visit(
                        wavenumber, coupling, block, fields, y, turns, y_fields[q + side], q + side, moving[b], given[q + side],
                        products, shape[b], here,
                    )  # fmt: skip
                    if beyond:
                        point_sums(fields, given[q + side], here, folded[side])
                field_sums(y_fields[q], y_fields[q + 1], moving[b], own, onto[b])
            if beyond:
                for side in range(2):
                    fold(own[side * OWN + BACK :], folded[side], later[q + side - end * LANES])
        for b in range(end - begin):
            # later points leave their derivatives by the coupling to the block
            for i in range(SHAPE_ROWS * LANES):
                out[b, i] += shape[b, i] * (2.0 if beyond and i >= 7 * LANES else 1.0)
            for m in range(sides):
                for i in range(FIELD_ROWS * LANES):
                    out[b, (SHAPE_ROWS + m * FIELD_ROWS) * LANES + i] += onto[b, m, i]
        start = stop


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def visit(wavenumber, coupling, block, fields, y, turns, f, q, moving, given, products, shape, own):  # type: ignore[no-untyped-def]
    """All images of point q, with fields f (K, 18), visit a block: its `shape` and the point's `own` collect."""
    pair_products(fields, f, products)
    strengths, images = moving or given, y.shape[0]
    if strengths:
        strength_products(fields, f, given, moving, products)
    for g in range(0, images, 2):
        last = min(g + 1, images - 1)
        ends = (block, y[g, q], turns[g], y[last, q], turns[last])
        if last > g and strengths:
            pair_derivatives(wavenumber, coupling, ends, (0, 0), (0,), products, shape, own)
        elif last > g:
            pair_derivatives(wavenumber, coupling, ends, (0, 0), (), products, shape, own)
        elif strengths:
            pair_derivatives(wavenumber, coupling, ends, (0,), (0,), products, shape, own)
        else:
            pair_derivatives(wavenumber, coupling, ends, (0,), (), products, shape, own)


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def pair_products(a, b, out):  # type: ignore[no-untyped-def]
    """Set s, s' and the curls' products by component, up to three parts at a time.

    a : (K, 18 L) fields at the lanes; b : (K, 18) at one point
    """
    keep, one = a.dtype.type(0), a.dtype.type(1)
    for m in range(0, b.shape[0], 3):
        left = b.shape[0] - m
        if left == 1:
            products_of(a[m:], b[m:], (0,), keep, out)
        elif left == 2:
            products_of(a[m:], b[m:], (0, 0), keep, out)
        else:
            products_of(a[m:], b[m:], (0, 0, 0), keep, out)
        keep = one


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def products_of(a, b, parts, keep, out):  # type: ignore[no-untyped-def]
    """As many parts as `parts` is long (the compiler knows): sums stay in registers. What was in `out` is kept `keep` times."""
    n = len(parts)
    second, third = min(1, n - 1), min(2, n - 1)
    fields, curls = PRESSURE * LANES, CURL_PRESSURE * LANES
    a0, a1, a2, b0, b1, b2 = a[0], a[second], a[third], b[0], b[second], b[third]
    l0, m0, p0, q0 = b0[0], b0[1], b0[2], b0[3]
    l1, m1, p1, q1 = b1[0], b1[1], b1[2], b1[3]
    l2, m2, p2, q2 = b2[0], b2[1], b2[2], b2[3]
    for i in range(LANES):
        ur, ui, vr, vi = a0[i], a0[LANES + i], a0[fields + i], a0[fields + LANES + i]
        sr, si, zr, zi = ur * p0 - ui * q0, ur * q0 + ui * p0, vr * l0 - vi * m0, vr * m0 + vi * l0
        if n > 1:
            ur, ui, vr, vi = a1[i], a1[LANES + i], a1[fields + i], a1[fields + LANES + i]
            sr, si = sr + (ur * p1 - ui * q1), si + (ur * q1 + ui * p1)
            zr, zi = zr + (vr * l1 - vi * m1), zi + (vr * m1 + vi * l1)
        if n > 2:
            ur, ui, vr, vi = a2[i], a2[LANES + i], a2[fields + i], a2[fields + LANES + i]
            sr, si = sr + (ur * p2 - ui * q2), si + (ur * q2 + ui * p2)
            zr, zi = zr + (vr * l2 - vi * m2), zi + (vr * m2 + vi * l2)
        out[i] = keep * out[i] + sr
        out[LANES + i] = keep * out[LANES + i] + si
        out[2 * LANES + i] = keep * out[2 * LANES + i] + zr
        out[3 * LANES + i] = keep * out[3 * LANES + i] + zi
    for c in range(3):
        at, to = CURL_ADJOINT + 2 * c, CURL_PRESSURE + 2 * c
        l0, m0, p0, q0 = b0[at], b0[at + 1], b0[to], b0[to + 1]
        l1, m1, p1, q1 = b1[at], b1[at + 1], b1[to], b1[to + 1]
        l2, m2, p2, q2 = b2[at], b2[at + 1], b2[to], b2[to + 1]
        here, target, fields = (CURL_ADJOINT + 2 * c) * LANES, out[CURLS + 2 * c * LANES :], curls - CURL_ADJOINT * LANES
        f0, f1, f2 = a0[here:], a1[here:], a2[here:]
        for i in range(LANES):
            ur, ui, vr, vi = f0[i], f0[LANES + i], f0[fields + i], f0[fields + LANES + i]
            sr, si = ur * p0 - ui * q0 + vr * l0 - vi * m0, ur * q0 + ui * p0 + vr * m0 + vi * l0
            if n > 1:
                ur, ui, vr, vi = f1[i], f1[LANES + i], f1[fields + i], f1[fields + LANES + i]
                sr += ur * p1 - ui * q1 + vr * l1 - vi * m1
                si += ur * q1 + ui * p1 + vr * m1 + vi * l1
            if n > 2:
                ur, ui, vr, vi = f2[i], f2[LANES + i], f2[fields + i], f2[fields + LANES + i]
                sr += ur * p2 - ui * q2 + vr * l2 - vi * m2
                si += ur * q2 + ui * p2 + vr * m2 + vi * l2
            target[i] = keep * target[i] + sr
            target[LANES + i] = keep * target[LANES + i] + si


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def strength_products(a, b, given, moving, out):  # type: ignore[no-untyped-def]
    """Set t and t', as `pair_products`; zero where the point (`given`) or no lane (`moving`) has a strength."""
    out[4 * LANES : CURLS] = 0
    for m in range(b.shape[0]):
        f, here = b[m], a[m]
        lr, li, qr, qi = f[0], f[1], f[STRENGTH], f[STRENGTH + 1]
        if given:
            for i in range(LANES):
                ar, ai = here[i], here[LANES + i]
                out[4 * LANES + i] += ar * qr - ai * qi
                out[5 * LANES + i] += ar * qi + ai * qr
        if moving:
            for i in range(LANES):
                ar, ai = here[STRENGTH * LANES + i], here[(STRENGTH + 1) * LANES + i]
                out[6 * LANES + i] += ar * lr - ai * li
                out[7 * LANES + i] += ar * li + ai * lr


@njit(forceinline=True, fastmath=True, error_model="numpy")
def image_share(k, eta, x, y0, y1, y2, m0, m1, m2, wy, u0, u1, u2, strengths, work, i):  # type: ignore[no-untyped-def]
    """One image of one point with lane i: derivatives by the lane's position (3), normal (3), weight, and by the coupling; G, the
    right-hand side's kernel tested at the point and at the lane, re, im each; derivatives by the image's normal (3) and weight.
    `strengths` : empty where t and t' vanish, which leaves that kernel at zero."""
    real = x.dtype.type
    one, zero, three = real(1), real(0), real(3)
    inverse_4pi, turn, tiny = real(1 / (4 * np.pi)), k * real(1 / (2 * np.pi)), real(1e-13)
    d0, d1, d2 = y0 - x[i], y1 - x[LANES + i], y2 - x[2 * LANES + i]
    n0, n1, n2, wx = x[3 * LANES + i], x[4 * LANES + i], x[5 * LANES + i], x[6 * LANES + i]
    square = d0 * d0 + d1 * d1 + d2 * d2
    inverse = one / np.sqrt(square + tiny)
    r = square * inverse
    green = inverse * inverse_4pi if square > tiny else zero
    sn, cs = sine_cosine(turn * r)
    gr, gi = cs * green, -sn * green
    over, kr = inverse * inverse, k * r
    hr, hi = (gr - gi * kr) * over, (gi + gr * kr) * over
    dx, dy = d0 * n0 + d1 * n1 + d2 * n2, d0 * m0 + d1 * m1 + d2 * m2
    facing = k * k * (n0 * m0 + n1 * m1 + n2 * m2)
    sr, si, zr, zi = work[i], work[LANES + i], work[2 * LANES + i], work[3 * LANES + i]
    both_r, both_i = sr + zr, si + zi
    # the hypersingular term without its j eta
    er = u0 * work[CURLS + i] + u1 * work[CURLS + 2 * LANES + i] + u2 * work[CURLS + 4 * LANES + i] - facing * both_r
    ei = u0 * work[CURLS + LANES + i] + u1 * work[CURLS + 3 * LANES + i] + u2 * work[CURLS + 5 * LANES + i] - facing * both_i
    hs, gs, hz, gz = hr * sr - hi * si, gr * sr - gi * si, hr * zr - hi * zi, gr * zr - gi * zi
    onto_x, onto_y, wave_x, wave_y = wy * hz, wx * hs, wy * gz, wx * gs
    plain = -eta * (hr * ei + hi * er)
    weight, weight_y, rest = hs * dy, hz * dx, gr * ei + gi * er
    test_r, test_i, lane_r, lane_i = zero, zero, zero, zero
    if len(strengths) > 0:
        tr, ti, vr, vi = work[4 * LANES + i], work[5 * LANES + i], work[6 * LANES + i], work[7 * LANES + i]
        ht, hv = hr * ti + hi * tr, hr * vi + hi * vr
        onto_x, onto_y = onto_x - eta * ht, onto_y - eta * hv
        wave_x, wave_y = wave_x - eta * (gr * ti + gi * tr), wave_y - eta * (gr * vi + gi * vr)
        plain -= hr * (wx * tr + wy * vr) - hi * (wx * ti + wy * vi)
        weight += gr * tr - gi * ti
        rest += ht * dx - hv * dy
        weight_y -= gr * vr - gi * vi
        lane_r, lane_i = -(eta * hi * dx + wx * gr), eta * hr * dx - wx * gi
        test_r, test_i = eta * hi * dy - wy * gr, -(eta * hr * dy + wy * gi)
    # derivative by R^2: of G is -G h/2, of G h is (k^2 G - 3 G h)/(2 R^2)
    along = over * (k * k * (wave_x * dx - wave_y * dy) - three * (onto_x * dx - onto_y * dy)) - plain
    across = eta * k * k * (gr * both_i + gi * both_r)
    return (
        onto_y * m0 - along * d0 - onto_x * n0, onto_y * m1 - along * d1 - onto_x * n1, onto_y * m2 - along * d2 - onto_x * n2,
        onto_x * d0 + across * m0, onto_x * d1 + across * m1, onto_x * d2 + across * m2,
        -weight, -rest, gr, gi, test_r, test_i, lane_r, lane_i,
        across * n0 - onto_y * d0, across * n1 - onto_y * d1, across * n2 - onto_y * d2, weight_y,
    )  # fmt: skip


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def pair_derivatives(wavenumber, coupling, ends, images, strengths, work, shape, own):  # type: ignore[no-untyped-def]
    """Add the share of one or two images (`images` is as long) of a point to a block's `shape` and to the point's `own`."""
    x, y, turn, z, bend = ends
    k, eta = x.dtype.type(wavenumber), x.dtype.type(coupling)
    y0, y1, y2, m0, m1, m2, w = y[0], y[1], y[2], y[3], y[4], y[5], y[6]
    z0, z1, z2, l0, l1, l2 = z[0], z[1], z[2], z[3], z[4], z[5]
    u0, u1, u2, v0, v1, v2 = turn[0], turn[1], turn[2], bend[0], bend[1], bend[2]
    s0, s1, s2, t0, t1, t2 = turn[3], turn[4], turn[5], bend[3], bend[4], bend[5]
    for i in range(LANES):
        p0, p1, p2, n0, n1, n2, a, c, gr, gi, er, ei, fr, fi, o0, o1, o2, b = image_share(
            k, eta, x, y0, y1, y2, m0, m1, m2, w, u0, u1, u2, strengths, work, i
        )
        w0, w1, w2, w3, w4, w5 = u0 * gr, u0 * gi, u1 * gr, u1 * gi, u2 * gr, u2 * gi
        q0, q1, q2, o0, o1, o2 = s0 * p0, s1 * p1, s2 * p2, s0 * o0, s1 * o1, s2 * o2
        if len(images) > 1:
            a0, a1, a2, b0, b1, b2, d, e, gr, gi, hr, hi, kr, ki, c0, c1, c2, f = image_share(
                k, eta, x, z0, z1, z2, l0, l1, l2, w, v0, v1, v2, strengths, work, i
            )
            p0, p1, p2, n0, n1, n2 = p0 + a0, p1 + a1, p2 + a2, n0 + b0, n1 + b1, n2 + b2
            a, c, er, ei, fr, fi, b = a + d, c + e, er + hr, ei + hi, fr + kr, fi + ki, b + f
            w0, w1, w2, w3, w4, w5 = w0 + v0 * gr, w1 + v0 * gi, w2 + v1 * gr, w3 + v1 * gi, w4 + v2 * gr, w5 + v2 * gi
            q0, q1, q2, o0, o1, o2 = q0 + t0 * a0, q1 + t1 * a1, q2 + t2 * a2, o0 + t0 * c0, o1 + t1 * c1, o2 + t2 * c2
        shape[i] += p0
        shape[LANES + i] += p1
        shape[2 * LANES + i] += p2
        shape[3 * LANES + i] += n0
        shape[4 * LANES + i] += n1
        shape[5 * LANES + i] += n2
        shape[6 * LANES + i] += a
        shape[7 * LANES + i] += c
        own[i] += w0
        own[LANES + i] += w1
        own[2 * LANES + i] += w2
        own[3 * LANES + i] += w3
        own[4 * LANES + i] += w4
        own[5 * LANES + i] += w5
        if len(strengths) > 0:
            own[6 * LANES + i] += er
            own[7 * LANES + i] += ei
            own[TEST + i] += fr
            own[TEST + LANES + i] += fi
        own[BACK + i] -= q0
        own[BACK + LANES + i] -= q1
        own[BACK + 2 * LANES + i] -= q2
        own[BACK + 3 * LANES + i] += o0
        own[BACK + 4 * LANES + i] += o1
        own[BACK + 5 * LANES + i] += o2
        own[BACK + 6 * LANES + i] += b


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def field_sums(one, two, moving, own, onto):  # type: ignore[no-untyped-def]
    """Add G C_y[p], G C_y[lambda] and the strength's cotangent of every part, for two points, to onto (K, 14 L)."""
    for m in range(one.shape[0]):
        f, e = one[m], two[m]
        for c in range(3):
            at, to = CURL_ADJOINT + 2 * c, CURL_PRESSURE + 2 * c
            lr, li, pr, pi = f[at], f[at + 1], f[to], f[to + 1]
            kr, ki, qr, qi = e[at], e[at + 1], e[to], e[to + 1]
            here, target = own[2 * c * LANES :], onto[m, 2 * c * LANES :]
            for i in range(LANES):
                gr, gi, hr, hi = here[i], here[LANES + i], here[OWN + i], here[OWN + LANES + i]
                target[i] += (gr * pr - gi * pi) + (hr * qr - hi * qi)
                target[LANES + i] += (gr * pi + gi * pr) + (hr * qi + hi * qr)
                target[6 * LANES + i] += (gr * lr - gi * li) + (hr * kr - hi * ki)
                target[7 * LANES + i] += (gr * li + gi * lr) + (hr * ki + hi * kr)
        if not moving:
            continue
        lr, li, kr, ki = f[0], f[1], e[0], e[1]
        here, target = own[6 * LANES :], onto[m, 12 * LANES :]
        for i in range(LANES):
            gr, gi, hr, hi = here[i], here[LANES + i], here[OWN + i], here[OWN + LANES + i]
            target[i] += (gr * lr - gi * li) + (hr * kr - hi * ki)
            target[LANES + i] += (gr * li + gi * lr) + (hr * ki + hi * kr)


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def point_sums(fields, given, own, folded):  # type: ignore[no-untyped-def]
    """Add G C_x[p], G C_x[lambda] and the strength's cotangent of every part at a point, lanes folded once, to (K, 14 L/2)."""
    for m in range(fields.shape[0]):
        for c in range(3):
            g, target = own[2 * c * LANES :], folded[m, 2 * c * HALF :]
            f, e = fields[m, (CURL_ADJOINT + 2 * c) * LANES :], fields[m, (CURL_PRESSURE + 2 * c) * LANES :]
            for i in range(HALF):
                gr, gi, hr, hi = g[i], g[LANES + i], g[HALF + i], g[LANES + HALF + i]
                lr, li, kr, ki = f[i], f[LANES + i], f[HALF + i], f[LANES + HALF + i]
                pr, pi, qr, qi = e[i], e[LANES + i], e[HALF + i], e[LANES + HALF + i]
                target[i] += (gr * pr - gi * pi) + (hr * qr - hi * qi)
                target[HALF + i] += (gr * pi + gi * pr) + (hr * qi + hi * qr)
                target[6 * HALF + i] += (gr * lr - gi * li) + (hr * kr - hi * ki)
                target[7 * HALF + i] += (gr * li + gi * lr) + (hr * ki + hi * kr)
        if not given:
            continue
        g, target, f = own[TEST:], folded[m, 12 * HALF :], fields[m]
        for i in range(HALF):
            gr, gi, hr, hi = g[i], g[LANES + i], g[HALF + i], g[LANES + HALF + i]
            lr, li, kr, ki = f[i], f[LANES + i], f[HALF + i], f[LANES + HALF + i]
            target[i] += (gr * lr - gi * li) + (hr * kr - hi * ki)
            target[HALF + i] += (gr * li + gi * lr) + (hr * ki + hi * kr)


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def fold(shape, folded, row):  # type: ignore[no-untyped-def]
    """Set a point's row to the sums over the lanes of its shape (7 L) and its fields (K, 14 L/2)."""
    zero = folded.dtype.type(0)
    for r in range(7):
        total = zero
        for i in range(LANES):
            total += shape[r * LANES + i]
        row[r] = total
    row[7] = zero
    for m in range(folded.shape[0]):
        part, target = folded[m], row[SHAPE_ROWS + m * FIELD_ROWS :]
        for r in range(FIELD_ROWS):
            total = zero
            for i in range(HALF):
                total += part[r * HALF + i]
            target[r] = total
