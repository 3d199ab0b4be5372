"""Right-hand sides: given normal derivatives on the surface, constant on each triangle."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from evenfield.radiation import near_integrals
from evenfield.radiation.midpoint_grid import LANES
from evenfield.radiation.sine_cosine import sine_cosine
from evenfield.radiation.workers import in_order, spans

if TYPE_CHECKING:
    from evenfield.radiation.surface_matrix import Complex, SurfaceMatrix


def point_strengths(derivative: Complex, triangle: NDArray[np.int64], area: NDArray[np.float64]) -> Complex:
    """(K, P) strengths at edge midpoints of derivatives (K, T): a third of the area of each triangle beside."""
    total: Complex = np.zeros((len(derivative), len(triangle)), np.complex128)
    for side in range(2):
        there = triangle[:, side] >= 0
        owner = triangle[there, side]
        total[:, there] += derivative[:, owner] * (area[owner] / 3)
    return total


def add_far(system: SurfaceMatrix, wavenumber: float, coupling: float, derivative: Complex, result: Complex) -> None:
    """Regular rule: edge midpoints on both sides."""
    grid, lanes = system.grid, system.tiles.lanes
    strength = point_strengths(derivative, grid.triangle, system.body.area)
    active = np.flatnonzero(np.any(strength != 0, axis=0))
    if len(active) == 0:
        return
    position = np.ascontiguousarray(grid.position[active].astype(system.real))
    weight = np.stack([strength[:, active].real, strength[:, active].imag], axis=-1).astype(system.real)
    out = np.empty((len(lanes), len(derivative), 2 * LANES), system.real)

    def work(span: tuple[int, int]) -> None:
        a, b = span
        source_points(wavenumber, coupling, system.images, lanes[a:b], position, weight, out[a:b])

    for _ in in_order(work, spans(len(lanes), 4 * system.solver.worker_count), system.solver.worker_count):
        pass
    values = (out[..., :LANES] + 1j * out[..., LANES:].astype(np.float64)).transpose(1, 0, 2).reshape(len(derivative), -1)
    values = values[:, : len(grid.position)] / 2
    for k in range(len(derivative)):
        for end in range(2):
            np.add.at(result[:, k], grid.vertex[:, end], values[k])


def add_near(system: SurfaceMatrix, wavenumber: float, coupling: float, derivative: Complex, result: Complex) -> None:
    """Near pairs of which at least one moves."""
    moving = np.any(derivative != 0, axis=0)
    t = system.body.triangles
    for group in system.near:
        g = group.select(np.flatnonzero(moving[group.first] | moving[group.second]))
        if len(g) == 0:
            continue
        out = np.empty((len(g), 2, 3), system.complex)
        px, py, weight, _ = system.rule(group)

        def work(span: tuple[int, int], g: Any = g, px: Any = px, py: Any = py, w: Any = weight, out: Any = out) -> None:
            s = slice(*span)
            near_integrals.source_pairs(
                wavenumber, coupling, *system.shape, g.first[s], g.second[s], g.image[s], g.turn_first[s],
                g.turn_second[s], px, py, w, out[s],
            )  # fmt: skip

        for _ in in_order(work, spans(len(g), 1 + len(g) // 2000), system.solver.worker_count):
            pass
        other = g.first != g.second
        for k, q in enumerate(derivative):
            for corner in range(3):
                np.add.at(result[:, k], t[g.first, corner], out[:, 0, corner] * q[g.second])
                both = out[other, 1, corner] * q[g.first[other]]
                np.add.at(result[:, k], t[g.second[other], corner], both)


def add_mass(system: SurfaceMatrix, coupling: float, derivative: Complex, result: Complex) -> None:
    """j eta/2 times the derivative tested with each linear function."""
    t, share = system.body.triangles, 1j * coupling / 2 * system.body.area / 3
    for k, q in enumerate(derivative):
        for corner in range(3):
            np.add.at(result[:, k], t[:, corner], share * q)


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def source_points(wavenumber, coupling, images, lanes, position, weight, out):  # type: ignore[no-untyped-def]
    """Fields of point sources (S, 3) of strengths (K, S, 2), tested at blocks of lanes (B, 13 L); out (B, K, 2 L)."""
    real = lanes.dtype.type
    one, zero, tiny = real(1), real(0), real(1e-13)
    k, eta, turns = real(wavenumber), real(coupling), real(wavenumber / (2 * np.pi))
    inverse_4pi = real(1 / (4 * np.pi))
    u = np.empty(2 * LANES, lanes.dtype)
    for b in range(lanes.shape[0]):
        block = lanes[b]
        for m in range(weight.shape[0]):
            for i in range(2 * LANES):
                out[b, m, i] = zero
        for s in range(position.shape[0]):
            for g in range(images.shape[0]):
                px, py, pz = images[g, 0] * position[s, 0], images[g, 1] * position[s, 1], images[g, 2] * position[s, 2]
                for i in range(LANES):
                    dx, dy, dz = px - block[i], py - block[1 * LANES + i], pz - block[2 * LANES + i]
                    square = dx * dx + dy * dy + dz * dz
                    inverse = one / np.sqrt(square + tiny)
                    green = inverse * inverse_4pi if square > tiny else zero
                    r = square * inverse
                    sn, cs = sine_cosine(turns * r)
                    gr, gi = cs * green, -sn * green
                    slope = (
                        eta
                        * (dx * block[3 * LANES + i] + dy * block[4 * LANES + i] + dz * block[5 * LANES + i])
                        * inverse
                        * inverse
                    )
                    # (-w + j eta dG/dn_x / G) G, with dG/dn_x / G = (1 + jkR) (d.N_x)/R^2
                    a, c = -block[6 * LANES + i] - slope * k * r, slope
                    u[i] = gr * a - gi * c
                    u[LANES + i] = gr * c + gi * a
                for m in range(weight.shape[0]):
                    wr, wi = weight[m, s, 0], weight[m, s, 1]
                    if wr == zero and wi == zero:
                        continue
                    row = out[b, m]
                    for i in range(LANES):
                        row[i] += wr * u[i] - wi * u[LANES + i]
                        row[LANES + i] += wr * u[LANES + i] + wi * u[i]
