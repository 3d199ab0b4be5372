"""The far field's own share in a gradient: what its cotangent means for the surface, pressure held and pressure moving."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from evenfield.radiation.adjoint_shape import ShapeDerivatives
from evenfield.radiation.midpoint_grid import LANES, MidpointGrid
from evenfield.radiation.sine_cosine import sine_cosine
from evenfield.radiation.surface_body import Floats, SurfaceBody
from evenfield.radiation.surface_field import distinct_directions
from evenfield.radiation.workers import in_order, spans

Complex = NDArray[np.complexfloating[Any, Any]]


def pull_far_field(
    body: SurfaceBody,
    grid: MidpointGrid,
    wavenumber: float,
    pressure: Complex,
    strength: Complex,
    directions: Floats,
    cotangent: Complex,
    real: type[np.floating[Any]],
    threads: int,
    result: ShapeDerivatives,
    elsewhere: Callable[[Floats, Floats, Complex], Floats | None] = lambda *_: None,
) -> Complex:
    """(K, V) cotangent of the pressure (K, V) from one of the far field (K, D); derivatives by the shape go to `result`.

    `elsewhere` may do the sums on another device, as `gpu_adjoint.pull_far`, for planes (K, P, 4), directions and weights (K, D).
    """
    distinct, place = distinct_directions(body, directions)
    total: Complex = np.zeros((len(cotangent), len(distinct)), complex)
    turned = cotangent * np.exp(1j * wavenumber * (directions @ body.origin)) / (4 * np.pi)
    for row in place:
        for k, values in enumerate(turned):
            np.add.at(total[k], row, values)
    middle = (pressure[:, grid.vertex[:, 0]] + pressure[:, grid.vertex[:, 1]]) / 2
    planes = np.stack([middle.real, middle.imag, strength.real, strength.imag], axis=-1)
    rows = elsewhere(planes, distinct, total)
    if rows is None:
        position, normal, slopes, waves = block_sums(
            np.concatenate([grid.position, grid.normal], axis=1), wavenumber, planes, distinct, total, real, threads
        )
    else:
        position, normal, slopes, waves = _from_vectors(rows, grid, wavenumber, middle)
    result.position += position
    result.normal += normal
    result.strength -= waves
    half = 0.5j * slopes
    back: Complex = np.zeros(pressure.shape, complex)
    for k, values in enumerate(half):
        for end in range(2):
            np.add.at(back[k], grid.vertex[:, end], values)
    return back


def _from_vectors(
    rows: Floats, grid: MidpointGrid, wavenumber: float, middle: Complex
) -> tuple[Floats, Floats, Complex, Complex]:
    """As `block_sums`, from rows (P, 3 + 8 K): derivatives by position, and for each part the sums of weight u e^{jk u.y} and
    weight e^{jk u.y}, re, im."""
    sums = rows[:, 3:].reshape(len(rows), len(middle), 4, 2).transpose(1, 0, 2, 3)
    waves = sums[..., 0] + 1j * sums[..., 1]
    normal = np.einsum("kpc,kp->pc", 1j * wavenumber * waves[..., :3], middle).real
    return rows[:, :3], normal, wavenumber * np.einsum("kpc,pc->kp", waves[..., :3], grid.normal), waves[..., 3]


def block_sums(
    points: Floats,
    wavenumber: float,
    planes: NDArray[np.floating[Any]],
    distinct: Floats,
    total: Complex,
    real: type[np.floating[Any]],
    threads: int,
) -> tuple[Floats, Floats, Complex, Complex]:
    """(P, 3) derivatives by position and by normal, and for each part (K, P) the sums over the directions of
    weight k (u.n) e^{jk u.y} and of weight e^{jk u.y}; for points (P, 6) position and normal, planes (K, P, 4) pressure and
    strength re, im, and weights `total` (K, D) of directions `distinct` (D, 3)."""
    count, padding = len(points), -len(points) % LANES
    columns = np.pad(np.concatenate([points, *planes], axis=1), ((0, padding), (0, 0))).astype(real)
    lanes = np.ascontiguousarray(columns.reshape(-1, LANES, columns.shape[1]).transpose(0, 2, 1)).reshape(
        -1, columns.shape[1] * LANES
    )
    # an even number of directions, the last of weight zero where need be
    odd = len(distinct) % 2
    u = np.pad(distinct, ((0, odd), (0, 0))).astype(real)
    weights = np.pad(np.stack([total.real, total.imag], axis=-1), ((0, 0), (0, odd), (0, 0))).transpose(1, 0, 2).astype(real)
    weights = np.ascontiguousarray(weights)
    out = np.zeros((len(lanes), (6 + 4 * len(planes)) * LANES))

    def work(span: tuple[int, int]) -> None:
        a, b = span
        pull_blocks(wavenumber, lanes[a:b], u, weights, out[a:b])

    for _ in in_order(work, spans(len(lanes), 4 * threads), threads):
        pass
    rows = out.reshape(len(lanes), -1, LANES).transpose(0, 2, 1).reshape(len(lanes) * LANES, -1)[:count]
    sums = rows[:, 6:].reshape(count, len(planes), 4).transpose(1, 0, 2)
    return rows[:, :3], rows[:, 3:6], sums[..., 0] + 1j * sums[..., 1], sums[..., 2] + 1j * sums[..., 3]


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def pull_blocks(wavenumber, points, directions, weights, out):  # type: ignore[no-untyped-def]
    """Blocks of points (B, (6 + 4 K) L) with an even number of weights (D, K, 2); out (B, (6 + 4 K) L), all flat rows of lanes
    (see `far_assembly`): derivatives by position and normal, then for each part the sums that `block_sums` gives, re, im.
    """
    sums, work = np.empty(out.shape[1], points.dtype), np.empty(WORK, points.dtype)
    for b in range(points.shape[0]):
        p, count = points[b], weights.shape[1]
        moving = np.empty(count, np.bool_)
        for m in range(count):
            moving[m] = np.any(p[(8 + 4 * m) * LANES : (10 + 4 * m) * LANES] != 0)
        for begin in range(0, directions.shape[0], 256):
            sums[:] = 0
            for d in range(begin, min(begin + 256, directions.shape[0]), 2):
                for side in range(2):
                    plane_wave(wavenumber, p, directions[d + side], work[side * LANES :])
                work[BOTH:] = 0
                for m in range(count):
                    at = (6 + 4 * m) * LANES
                    pull_part(p[at:], weights[d, m], weights[d + 1, m], moving[m], work, sums[at:])
                push(wavenumber, directions[d], directions[d + 1], work, sums)
            for i in range(out.shape[1]):
                out[b, i] += sums[i]


COSINE, SINE, SLOPE, BOTH, STRENGTH, WORK = (2 * i * LANES for i in (0, 1, 2, 3, 5, 6))
"""Work space of a block, two directions side by side: of weight e^{jk u.y} p over the parts, re, im; of that of q, im."""


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def plane_wave(wavenumber, p, u, work):  # type: ignore[no-untyped-def]
    """Set e^{jk u.y} and k u.n towards one direction, at a block of points p."""
    turns, k = p.dtype.type(wavenumber / (2 * np.pi)), p.dtype.type(wavenumber)
    u0, u1, u2 = u[0], u[1], u[2]
    for i in range(LANES):
        sn, cs = sine_cosine(turns * (u0 * p[i] + u1 * p[LANES + i] + u2 * p[2 * LANES + i]))
        work[SINE + i], work[COSINE + i] = sn, cs
        work[SLOPE + i] = k * (u0 * p[3 * LANES + i] + u1 * p[4 * LANES + i] + u2 * p[5 * LANES + i])


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def pull_part(p, c, e, moving, work, sums):  # type: ignore[no-untyped-def]
    """One part's share for two directions with weights c and e (2,): p (4 L,) its pressure and strength."""
    cr, ci, er, ei = c[0], c[1], e[0], e[1]
    for i in range(LANES):
        pr, pi = p[i], p[LANES + i]
        cosine, sine, slope = work[COSINE + i], work[SINE + i], work[SLOPE + i]
        ar, ai = cr * cosine - ci * sine, cr * sine + ci * cosine
        work[BOTH + i] += ar * pr - ai * pi
        work[BOTH + 2 * LANES + i] += ar * pi + ai * pr
        cosine, sine, tilt = work[COSINE + LANES + i], work[SINE + LANES + i], work[SLOPE + LANES + i]
        br, bi = er * cosine - ei * sine, er * sine + ei * cosine
        work[BOTH + LANES + i] += br * pr - bi * pi
        work[BOTH + 3 * LANES + i] += br * pi + bi * pr
        sums[i] += slope * ar + tilt * br
        sums[LANES + i] += slope * ai + tilt * bi
        sums[2 * LANES + i] += ar + br
        sums[3 * LANES + i] += ai + bi
    if not moving:
        return
    for i in range(LANES):
        qr, qi = p[2 * LANES + i], p[3 * LANES + i]
        cosine, sine = work[COSINE + i], work[SINE + i]
        work[STRENGTH + i] += (cr * cosine - ci * sine) * qi + (cr * sine + ci * cosine) * qr
        cosine, sine = work[COSINE + LANES + i], work[SINE + LANES + i]
        work[STRENGTH + LANES + i] += (er * cosine - ei * sine) * qi + (er * sine + ei * cosine) * qr


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def push(wavenumber, u, v, work, sums):  # type: ignore[no-untyped-def]
    """Real part of jk e (j k (u.n) p - q) by position and of jk e p by normal, over the parts, for two directions."""
    k = work.dtype.type(wavenumber)
    u0, u1, u2, v0, v1, v2 = k * u[0], k * u[1], k * u[2], k * v[0], k * v[1], k * v[2]
    for i in range(LANES):
        one = work[STRENGTH + i] - work[SLOPE + i] * work[BOTH + i]
        two = work[STRENGTH + LANES + i] - work[SLOPE + LANES + i] * work[BOTH + LANES + i]
        a, b = work[BOTH + 2 * LANES + i], work[BOTH + 3 * LANES + i]
        sums[i] += u0 * one + v0 * two
        sums[LANES + i] += u1 * one + v1 * two
        sums[2 * LANES + i] += u2 * one + v2 * two
        sums[3 * LANES + i] -= u0 * a + v0 * b
        sums[4 * LANES + i] -= u1 * a + v1 * b
        sums[5 * LANES + i] -= u2 * a + v2 * b
