"""The Burton-Miller system of a body: matrix and right-hand sides at one frequency.

With q the normal derivative, M the mass matrix, S, D, D', N the Galerkin single, double, adjoint double layer and hypersingular
operators, and coupling eta > 0, for e^{+j omega t} and outward normals:
    (M/2 - D + j eta N) p = -S q + j eta (M/2 + D') q
Source: Burton & Miller, Proc. R. Soc. A 323 (1971) 201; N by Maue, Z. Physik 126 (1949) 601.
"""

from __future__ import annotations

from functools import cached_property
from queue import SimpleQueue
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenfield.radiation import far_assembly, near_integrals, sources
from evenfield.radiation.midpoint_grid import MidpointGrid, Tiles, cut_tiles, midpoint_grid
from evenfield.radiation.near_factor import NearFactor, NearPattern
from evenfield.radiation.near_pairs import NearPairs, find_near_pairs
from evenfield.radiation.quadrature import CLOSE, IDENTICAL, SEPARATE, SHARED_EDGE, SHARED_VERTEX, TIGHT
from evenfield.radiation.surface_body import SurfaceBody
from evenfield.radiation.surface_solver import SurfaceSolver
from evenfield.radiation.workers import IN_FLIGHT, in_order

FourArrays = tuple[NDArray[Any], NDArray[Any], NDArray[Any], NDArray[Any]]
Complex = NDArray[np.complexfloating[Any, Any]]

POINTS_PER_TILE = 384
PAIRS_PER_TASK = {TIGHT: 200, CLOSE: 4000, SEPARATE: 8000, SHARED_VERTEX: 4000, SHARED_EDGE: 2000, IDENTICAL: 2000}


class SurfaceMatrix:
    """What a body's matrix needs at any frequency, prepared once: O(T) memory."""

    def __init__(self, body: SurfaceBody, solver: SurfaceSolver) -> None:
        self.body, self.solver = body, solver
        self.real: type[np.floating[Any]] = np.float32 if solver.precision == "single" else np.float64
        self.complex: type[np.complexfloating[Any, Any]] = np.complex64 if solver.precision == "single" else np.complex128
        self.grid: MidpointGrid = midpoint_grid(body)
        self.near: list[NearPairs] = find_near_pairs(body, solver.near_distance)
        self.images = body.images.astype(self.real)
        self._rules = {
            g.shared: near_integrals.rule_tables(near_integrals.near_rule(g.shared, solver), self.real) for g in self.near
        }

    @cached_property
    def tiles(self) -> Tiles:
        """The points in tiles, for the CPU's kernels."""
        return cut_tiles(self.grid, POINTS_PER_TILE, self.real)

    @cached_property
    def _pattern(self) -> NearPattern:
        return NearPattern(self.body.triangles, self.unknowns)

    def near_factor(self, matrix: Complex) -> NearFactor:
        """The preconditioner for a matrix that `assemble` made."""
        return NearFactor(self._pattern, matrix)

    @property
    def unknowns(self) -> int:
        """Rows of the matrix."""
        return len(self.body.vertices)

    @property
    def bytes_needed(self) -> int:
        """Largest memory of a solve: the matrix and the threads' private blocks."""
        item = np.dtype(self.complex).itemsize
        tile = 2 * self.tiles.largest[1] * len(self.tiles.vertex) * item
        return int(item * self.unknowns**2 + (self.solver.worker_count + IN_FLIGHT) * tile)

    def assemble(self, wavenumber: float, out: Complex | None = None) -> Complex:
        """(V, V) matrix at `wavenumber`; `out` is used again when given."""
        coupling = self.solver.coupling(wavenumber, self.body.volume)
        matrix: Complex = np.empty((self.unknowns, self.unknowns), self.complex) if out is None else out
        matrix[:] = 0
        self._add_far(wavenumber, coupling, matrix)
        self._add_near(wavenumber, coupling, matrix)
        self._add_mass(matrix)
        return matrix

    def right_sides(self, wavenumber: float, derivative: Complex) -> Complex:
        """(V, K) right-hand sides for normal derivatives `derivative` (K, T), Pa/m."""
        coupling = self.solver.coupling(wavenumber, self.body.volume)
        result: Complex = np.zeros((self.unknowns, len(derivative)), np.complex128)
        sources.add_far(self, wavenumber, coupling, derivative, result)
        sources.add_near(self, wavenumber, coupling, derivative, result)
        sources.add_mass(self, coupling, derivative, result)
        return result

    def rule(self, group: NearPairs) -> FourArrays:
        """The near rule of a group of pairs, as tables."""
        return self._rules[group.shared]

    @property
    def shape(self) -> FourArrays:
        """Corners, normals, areas and images, as the near kernels take them."""
        return self.body.corners, self.body.normal, self.body.area, self.body.images

    def _add_far(self, wavenumber: float, coupling: float, matrix: Complex) -> None:
        t = self.tiles
        points, vertices = t.largest

        buffers = self._buffers

        def work(tile: int) -> tuple[int, Complex, Complex, tuple[NDArray[Any], NDArray[Any]]]:
            start = t.vertex_first[tile]
            own, width = int(t.vertex_first[tile + 1] - start), int(t.vertex_first[-1] - start)
            pair = buffers.get()
            rows, columns = pair[0][: own * width], pair[1][: own * width].reshape(width, own)
            far_assembly.assemble_tile(
                tile, wavenumber, coupling, self.images, t.lanes, t.first, t.slot, t.vertex_first, t.even_first, t.even,
                t.curl_first, t.curl, t.curl_factor, points, vertices, rows, columns,
            )  # fmt: skip
            return tile, rows, columns, pair

        for tile, rows, columns, pair in in_order(work, range(t.count), self.solver.worker_count):
            far_assembly.add_tile(tile, t.vertex_first, t.vertex, rows, columns, matrix)
            buffers.put(pair)

    @cached_property
    def _buffers(self) -> SimpleQueue[tuple[NDArray[Any], NDArray[Any]]]:
        """Private rows and columns for each tile in flight, kept from frequency to frequency: fresh memory is slow."""
        queue: SimpleQueue[tuple[NDArray[Any], NDArray[Any]]] = SimpleQueue()
        size = self.tiles.largest[1] * len(self.tiles.vertex)
        for _ in range(self.solver.worker_count + IN_FLIGHT):
            queue.put((np.empty(size, self.complex), np.empty(size, self.complex)))
        return queue

    def release(self) -> None:
        """Give the private blocks back."""
        self.__dict__.pop("_buffers", None)

    def _add_near(self, wavenumber: float, coupling: float, matrix: Complex) -> None:
        def work(task: tuple[NearPairs, slice]) -> tuple[NearPairs, slice, Complex]:
            g, part = task
            out = np.empty((len(g.first[part]), 2, 3, 3), self.complex)
            near_integrals.matrix_pairs(
                wavenumber, coupling, *self.shape, g.first[part], g.second[part], g.image[part], g.turn_first[part],
                g.turn_second[part], *self.rule(g), out,
            )  # fmt: skip
            return g, part, out

        for g, part, out in in_order(work, self._near_tasks(), self.solver.worker_count):
            near_integrals.add_pairs(self.body.triangles, g.first[part], g.second[part], out, matrix)

    def _near_tasks(self) -> list[tuple[NearPairs, slice]]:
        return [
            (g, slice(a, a + PAIRS_PER_TASK[g.shared])) for g in self.near for a in range(0, len(g), PAIRS_PER_TASK[g.shared])
        ]

    def _add_mass(self, matrix: Complex) -> None:
        """Half the mass matrix: area/12 off the diagonal, area/6 on it, of each triangle."""
        t = self.body.triangles
        share = self.body.area / 24
        for a in range(3):
            for b in range(3):
                np.add.at(matrix, (t[:, a], t[:, b]), (share * (2 if a == b else 1)).astype(self.real))
