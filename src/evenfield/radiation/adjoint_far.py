"""Contraction of the regular rule's kernels with two fields: how their product changes as the midpoints move.

With lambda the adjoint field and p the pressure, both at the midpoints, Q the source strengths and C[.] the weighted curls, the
pair of a point x and a point y of an image of the body, taken both ways round, adds to lambda^T (b - A p)
    G { h [ alpha d.N_x - beta d.N_y ] + j eta (C_x[lambda].C_y[p] + C_x[p].C_y[lambda] - k^2 N_x.N_y (s + s')) - w_x t - w_y t' }
    h = (1 + jkR)/R^2, alpha = w_y s' + j eta t, beta = w_x s + j eta t'
    s = lambda_x p_y, s' = lambda_y p_x, t = lambda_x Q_y, t' = lambda_y Q_x, summed over the parts
(the formula of `far_assembly` and `sources`). Every point receives the derivatives by its own position, normal, weight and curls:
no matrix, and no two threads write to the same place.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from evenfield.radiation.midpoint_grid import LANES, MidpointGrid
from evenfield.radiation.sine_cosine import sine_cosine
from evenfield.radiation.workers import in_order, spans

Complex = NDArray[np.complexfloating[Any, Any]]
Floats = NDArray[np.float64]

SHAPE_ROWS = 8
"""Derivatives by position (3), area-weighted normal (3), weight, and by the coupling."""
FIELD_ROWS = 14
"""For each part: sum of G C_y[p] and of G C_y[lambda], three complex components each, and the cotangent of the strength."""
WAVE, SUMS, WORK = 14 * LANES, 22 * LANES, (22 + SHAPE_ROWS) * LANES
"""Work space of a block, flat (see `far_assembly`): products, waves, sums, each a row of lanes."""
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
    fields = np.ascontiguousarray(fields.transpose(1, 0, 2))
    # images: vectors mirrored, curls (pseudovectors) with the determinant besides
    mirror = np.concatenate([images, images, np.ones((len(images), 1))], axis=1)
    turns = (images * images.prod(axis=1, keepdims=True)).astype(real)
    y = (mirror[:, None] * geometry).astype(real)
    y_fields = fields.astype(real)
    x = _lanes(np.concatenate([geometry, idle]).astype(real))
    x_fields = _lanes(np.concatenate([fields, np.zeros((padding, sides, 18))]).astype(real))
    out = np.zeros((len(x), (SHAPE_ROWS + FIELD_ROWS * sides) * LANES))

    def work(span: tuple[int, int]) -> None:
        a, b = span
        contract_blocks(wavenumber, coupling, x[a:b], x_fields[a:b], y, turns, y_fields, out[a:b])

    for _ in in_order(work, spans(len(x), 8 * threads), threads):
        pass
    rows = out.reshape(len(x), -1, LANES).transpose(0, 2, 1).reshape(len(x) * LANES, -1)[:count]
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
def contract_blocks(wavenumber, coupling, x, x_fields, y, turns, y_fields, out):  # type: ignore[no-untyped-def]
    """Blocks of receiving points x (B, 7 L), x_fields (B, K, 18 L) with all images y (G, P, 7), y_fields (P, K, 18);
    turns (G, 3) : the sign of each component of an image's curls. The products of the fields serve all images;
    out (B, rows L).
    """
    count, sides = y.shape[1], y_fields.shape[1]
    work, onto = np.empty(WORK, y.dtype), np.empty((sides, FIELD_ROWS * LANES), y.dtype)
    for b in range(x.shape[0]):
        moving = np.any(x_fields[b, :, 4 * LANES : 6 * LANES] != 0)
        for begin in range(0, count, CHUNK):
            work[:] = 0
            onto[:] = 0
            for q in range(begin, min(begin + CHUNK, count)):
                pair_products(x_fields[b], y_fields[q], moving, work)
                for g in range(y.shape[0]):
                    pair_derivatives(wavenumber, coupling, x[b], y[g, q], turns[g], work)
                field_sums(y_fields[q], moving, work, onto)
            for i in range(SHAPE_ROWS * LANES):
                out[b, i] += work[SUMS + i]
            for m in range(sides):
                for i in range(FIELD_ROWS * LANES):
                    out[b, (SHAPE_ROWS + m * FIELD_ROWS) * LANES + i] += onto[m, i]


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def pair_products(a, b, moving, out):  # type: ignore[no-untyped-def]
    """s, s', t, t' and the curls' products by component (out's first 14 L).

    a : (K, 18 L) fields at the lanes; b : (K, 18) at one point; what follows in `out` is set to zero up to SUMS.

    `moving` : whether any lane has a strength; t' is left at zero where none has.
    """
    for i in range(SUMS):
        out[i] = 0
    for m in range(b.shape[0]):
        f, here = b[m], a[m]
        lr, li, pr, pi, qr, qi = f[0], f[1], f[2], f[3], f[4], f[5]
        for i in range(LANES):
            ar, ai = here[i], here[LANES + i]
            out[i] += ar * pr - ai * pi
            out[LANES + i] += ar * pi + ai * pr
            ar, ai = here[2 * LANES + i], here[3 * LANES + i]
            out[2 * LANES + i] += ar * lr - ai * li
            out[3 * LANES + i] += ar * li + ai * lr
        if qr != 0 or qi != 0:
            for i in range(LANES):
                ar, ai = here[i], here[LANES + i]
                out[4 * LANES + i] += ar * qr - ai * qi
                out[5 * LANES + i] += ar * qi + ai * qr
        if moving:
            for i in range(LANES):
                ar, ai = here[4 * LANES + i], here[5 * LANES + i]
                out[6 * LANES + i] += ar * lr - ai * li
                out[7 * LANES + i] += ar * li + ai * lr
        for c in range(3):
            lr, li, pr, pi = f[6 + 2 * c], f[7 + 2 * c], f[12 + 2 * c], f[13 + 2 * c]
            for i in range(LANES):
                ar, ai = here[(6 + 2 * c) * LANES + i], here[(7 + 2 * c) * LANES + i]
                br, bi = here[(12 + 2 * c) * LANES + i], here[(13 + 2 * c) * LANES + i]
                out[(8 + 2 * c) * LANES + i] += ar * pr - ai * pi + br * lr - bi * li
                out[(9 + 2 * c) * LANES + i] += ar * pi + ai * pr + br * li + bi * lr


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def pair_derivatives(wavenumber, coupling, x, y, turn, work):  # type: ignore[no-untyped-def]
    """Add one point's share to the sums in `work`; its waves become G and the right-hand side's kernel tested at the point."""
    real = x.dtype.type
    one, zero, three = real(1), real(0), real(3)
    inverse_4pi, tiny = real(1 / (4 * np.pi)), real(1e-13)
    turns, k, eta = real(wavenumber / (2 * np.pi)), real(wavenumber), real(coupling)
    y0, y1, y2, m0, m1, m2, wy = y[0], y[1], y[2], y[3], y[4], y[5], y[6]
    u0, u1, u2 = turn[0], turn[1], turn[2]
    for i in range(LANES):
        d0, d1, d2 = y0 - x[i], y1 - x[LANES + i], y2 - x[2 * LANES + i]
        n0, n1, n2, wx = x[3 * LANES + i], x[4 * LANES + i], x[5 * LANES + i], x[6 * LANES + i]
        square = d0 * d0 + d1 * d1 + d2 * d2
        inverse = one / np.sqrt(square + tiny)
        r = square * inverse
        green = inverse * inverse_4pi if square > tiny else zero
        sn, cs = sine_cosine(turns * r)
        gr, gi = cs * green, -sn * green
        over, kr = inverse * inverse, k * r
        hr, hi = (gr - gi * kr) * over, (gi + gr * kr) * over
        dx, dy = d0 * n0 + d1 * n1 + d2 * n2, d0 * m0 + d1 * m1 + d2 * m2
        facing = n0 * m0 + n1 * m1 + n2 * m2
        sr, si, zr, zi = work[i], work[LANES + i], work[2 * LANES + i], work[3 * LANES + i]
        tr, ti, vr, vi = work[4 * LANES + i], work[5 * LANES + i], work[6 * LANES + i], work[7 * LANES + i]
        ar, ai = wy * zr - eta * ti, wy * zi + eta * tr
        br, bi = wx * sr - eta * vi, wx * si + eta * vr
        # the hypersingular term without its j eta
        er = u0 * work[8 * LANES + i] + u1 * work[10 * LANES + i] + u2 * work[12 * LANES + i] - k * k * facing * (sr + zr)
        ei = u0 * work[9 * LANES + i] + u1 * work[11 * LANES + i] + u2 * work[13 * LANES + i] - k * k * facing * (si + zi)
        slope_r, slope_i = ar * dx - br * dy, ai * dx - bi * dy
        plain_r, plain_i = -eta * ei - wx * tr - wy * vr, eta * er - wx * ti - wy * vi
        # derivative by R^2: of G is -G h/2, of G h is G (k^2 R^2 - 3 - 3jkR)/(2 R^4)
        cr, ci = kr * kr - three, -three * kr
        fr, fi = (gr * cr - gi * ci) * over * over, (gr * ci + gi * cr) * over * over
        both = (fr * slope_r - fi * slope_i) - (hr * plain_r - hi * plain_i)
        onto_x, onto_y = hr * ar - hi * ai, hr * br - hi * bi
        work[SUMS + i] -= both * d0 + onto_x * n0 - onto_y * m0
        work[SUMS + LANES + i] -= both * d1 + onto_x * n1 - onto_y * m1
        work[SUMS + 2 * LANES + i] -= both * d2 + onto_x * n2 - onto_y * m2
        across = eta * k * k * (gr * (si + zi) + gi * (sr + zr))
        work[SUMS + 3 * LANES + i] += onto_x * d0 + across * m0
        work[SUMS + 4 * LANES + i] += onto_x * d1 + across * m1
        work[SUMS + 5 * LANES + i] += onto_x * d2 + across * m2
        work[SUMS + 6 * LANES + i] -= (hr * sr - hi * si) * dy + gr * tr - gi * ti
        work[SUMS + 7 * LANES + i] -= hr * (ti * dx - vi * dy) + hi * (tr * dx - vr * dy) + gr * ei + gi * er
        work[WAVE + i] += u0 * gr
        work[WAVE + LANES + i] += u0 * gi
        work[WAVE + 2 * LANES + i] += u1 * gr
        work[WAVE + 3 * LANES + i] += u1 * gi
        work[WAVE + 4 * LANES + i] += u2 * gr
        work[WAVE + 5 * LANES + i] += u2 * gi
        work[WAVE + 6 * LANES + i] += eta * hi * dy - wy * gr
        work[WAVE + 7 * LANES + i] -= eta * hr * dy + wy * gi


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def field_sums(field, moving, work, onto):  # type: ignore[no-untyped-def]
    """Add G C_y[p], G C_y[lambda] and the strength's cotangent of every part to onto (K, 14 L)."""
    for m in range(field.shape[0]):
        f, target = field[m], onto[m]
        for c in range(3):
            lr, li, pr, pi = f[6 + 2 * c], f[7 + 2 * c], f[12 + 2 * c], f[13 + 2 * c]
            for i in range(LANES):
                gr, gi = work[WAVE + (2 * c) * LANES + i], work[WAVE + (2 * c + 1) * LANES + i]
                target[(2 * c) * LANES + i] += gr * pr - gi * pi
                target[(2 * c + 1) * LANES + i] += gr * pi + gi * pr
                target[(6 + 2 * c) * LANES + i] += gr * lr - gi * li
                target[(7 + 2 * c) * LANES + i] += gr * li + gi * lr
        if not moving:
            continue
        lr, li = f[0], f[1]
        for i in range(LANES):
            target[12 * LANES + i] += work[WAVE + 6 * LANES + i] * lr - work[WAVE + 7 * LANES + i] * li
            target[13 * LANES + i] += work[WAVE + 6 * LANES + i] * li + work[WAVE + 7 * LANES + i] * lr
