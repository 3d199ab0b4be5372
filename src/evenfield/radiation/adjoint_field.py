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

    `elsewhere` may do the sums of `pull_blocks` on another device, for planes (K, P, 4), directions and weights (K, D).
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
        rows = _block_sums(grid, wavenumber, planes, distinct, total, real, threads)
    count = len(grid.position)
    sums = rows[:, 3:].reshape(count, len(pressure), 4, 2).transpose(1, 0, 2, 3)
    waves = sums[..., 0] + 1j * sums[..., 1]
    result.position += rows[:, :3]
    result.normal += np.einsum("kpc,kp->pc", 1j * wavenumber * waves[..., :3], middle).real
    result.strength -= waves[..., 3]
    half = 1j * wavenumber * np.einsum("kpc,pc->kp", waves[..., :3], grid.normal) / 2
    back: Complex = np.zeros(pressure.shape, complex)
    for k, values in enumerate(half):
        for end in range(2):
            np.add.at(back[k], grid.vertex[:, end], values)
    return back


def _block_sums(
    grid: MidpointGrid,
    wavenumber: float,
    planes: Floats,
    distinct: Floats,
    total: Complex,
    real: type[np.floating[Any]],
    threads: int,
) -> Floats:
    """(P, 3 + 8 K) sums of `pull_blocks`."""
    count, padding = len(grid.position), -len(grid.position) % LANES
    columns = [grid.position, grid.normal]
    columns += list(planes)
    points = np.pad(np.concatenate(columns, axis=1), ((0, padding), (0, 0))).astype(real)
    lanes = np.ascontiguousarray(points.reshape(-1, LANES, points.shape[1]).transpose(0, 2, 1))
    weights = np.ascontiguousarray(np.stack([total.real, total.imag], axis=-1).astype(real))
    out = np.zeros((len(lanes), 3 + 8 * len(planes), LANES))

    def work(span: tuple[int, int]) -> None:
        a, b = span
        pull_blocks(wavenumber, lanes[a:b], distinct.astype(real), weights, out[a:b])

    for _ in in_order(work, spans(len(lanes), 4 * threads), threads):
        pass
    return np.asarray(out.transpose(0, 2, 1).reshape(-1, out.shape[1])[:count])


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def pull_blocks(wavenumber, points, directions, weights, out):  # type: ignore[no-untyped-def]
    """Blocks of points (B, 6 + 4 K, L) with weights (K, D, 2); out (B, 3 + 8 K, L): derivatives by position, then for each
    part the sums of weight u e^{jk u.y} and weight e^{jk u.y}, re, im.
    """
    real = points.dtype.type
    turns, wave = real(wavenumber / (2 * np.pi)), real(wavenumber)
    sums = np.empty((out.shape[1], LANES), points.dtype)
    cosine, sine, slope = np.empty(LANES, points.dtype), np.empty(LANES, points.dtype), np.empty(LANES, points.dtype)
    for b in range(points.shape[0]):
        p = points[b]
        for begin in range(0, directions.shape[0], 256):
            sums[:] = 0
            for d in range(begin, min(begin + 256, directions.shape[0])):
                u0, u1, u2 = directions[d, 0], directions[d, 1], directions[d, 2]
                for i in range(LANES):
                    sn, cs = sine_cosine(turns * (u0 * p[0, i] + u1 * p[1, i] + u2 * p[2, i]))
                    sine[i], cosine[i] = sn, cs
                    slope[i] = wave * (u0 * p[3, i] + u1 * p[4, i] + u2 * p[5, i])
                for m in range(weights.shape[0]):
                    cr, ci, row, at = weights[m, d, 0], weights[m, d, 1], 3 + 8 * m, 6 + 4 * m
                    for i in range(LANES):
                        er, ei = cr * cosine[i] - ci * sine[i], cr * sine[i] + ci * cosine[i]
                        # jk e (j slope p - q), real part
                        fr = -slope[i] * p[at + 1, i] - p[at + 2, i]
                        fi = slope[i] * p[at, i] - p[at + 3, i]
                        push = -wave * (er * fi + ei * fr)
                        sums[0, i] += u0 * push
                        sums[1, i] += u1 * push
                        sums[2, i] += u2 * push
                        sums[row, i] += u0 * er
                        sums[row + 1, i] += u0 * ei
                        sums[row + 2, i] += u1 * er
                        sums[row + 3, i] += u1 * ei
                        sums[row + 4, i] += u2 * er
                        sums[row + 5, i] += u2 * ei
                        sums[row + 6, i] += er
                        sums[row + 7, i] += ei
            for r in range(out.shape[1]):
                for i in range(LANES):
                    out[b, r, i] += sums[r, i]
