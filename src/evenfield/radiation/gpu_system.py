"""The Burton-Miller system of a body on a device: what `surface_matrix`, `block_gmres` and `surface_field` do, in its memory."""

from __future__ import annotations

import math
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from evenfield.radiation.block_gmres import Iteration
from evenfield.radiation.gpu_device import Device, Precision
from evenfield.radiation.gpu_iteration import DeviceGmres
from evenfield.radiation.gpu_layout import (
    Scatter,
    VertexTiles,
    chunk_values,
    lists_of,
    mass_entries,
    matrix_scatter,
    pair_columns,
    vertex_tiles,
)
from evenfield.radiation.near_integrals import near_rule
from evenfield.radiation.sources import point_strengths
from evenfield.radiation.surface_field import distinct_directions

if TYPE_CHECKING:
    from evenfield.radiation.near_pairs import NearPairs
    from evenfield.radiation.surface_matrix import SurfaceMatrix

Complex = NDArray[np.complexfloating[Any, Any]]
Floats = NDArray[np.float64]

THREADS = 256
PAIR_THREADS = 64
ROW_TILE, ROW_CHUNK = 64, 32
COLUMN_TILE = {"single": (32, 32), "double": (16, 16)}
"""Vertices of a tile and points of a chunk, as `cuda/common.cu` has them."""
ASIDE = 1e3
"""Where points that fill up a chunk lie, m: rows' at one end, columns' at the other, so that their distances are never zero."""
SOURCE_SPANS = 8
KEPT_DIRECTIONS = 4
DIRECTIONS_PER_BLOCK = 4
ENTRIES_PER_TRIANGLE = 340
"""Of near pairs and mass, at most, for the memory estimate."""


class DeviceSystem:
    """A body in the memory of a device; one thread at a time may use it.

    Parameters
        system : SurfaceMatrix, whose grid, near pairs and rules are used
        device : Device
    Attributes
        wavenumber : of the matrix in memory, rad/m; nan where there is none
    """

    def __init__(self, system: SurfaceMatrix, device: Device) -> None:
        self.system, self.device = system, device
        self.precision: Precision = system.solver.precision
        self._gmres: DeviceGmres | None = None
        self.wavenumber = math.nan
        self._near_sources: tuple[bytes, Any] | None = None
        self._strength: tuple[Complex, Complex] | None = None
        self._directions: dict[bytes, tuple[Floats, NDArray[np.int64]]] = {}

    @property
    def bytes_needed(self) -> int:
        """Memory of the matrix, the near entries with their sort, and the iteration's basis for four sides."""
        item, n = np.dtype(self.system.complex).itemsize, self.system.unknowns
        entries = ENTRIES_PER_TRIANGLE * len(self.system.body.triangles) * (item + 24)
        return int(item * n * n + entries + 4 * item * n * min(n, self.system.solver.max_iterations))

    def solve(self, wavenumber: float, derivative: Complex) -> Iteration:
        """The surface pressure of normal derivatives (K, T), Pa/m, as `solve_in_step` returns it."""
        with self.device.turn, self.device.active():
            gmres = self.matrix_at(wavenumber)
            right = self.right_sides(wavenumber, derivative)
            return gmres.solve(right, self.system.solver.tolerance, self.system.solver.max_iterations)

    def solve_transposed(self, wavenumber: float, right: Complex) -> Iteration:
        """The transposed system solved for right (V, K)."""
        with self.device.turn, self.device.active():
            gmres = self.matrix_at(wavenumber)
            given = self.device.arrays.asarray(np.ascontiguousarray(right.T.astype(complex)))
            return gmres.solve(given, self.system.solver.tolerance, self.system.solver.max_iterations, transposed=True)

    def matrix_at(self, wavenumber: float) -> DeviceGmres:
        """The matrix at a wavenumber, ready to be solved with; the one in memory where it is that."""
        if self.device.holder is not self:
            if self.device.holder is not None:
                self.device.holder.release()
            self.device.holder = self
        if self._gmres is None or self.wavenumber != wavenumber:
            self.wavenumber = math.nan
            matrix = self._gmres.matrix if self._gmres is not None else None
            self._gmres = None
            matrix = self.assemble(wavenumber, matrix)
            self._gmres = DeviceGmres(self.device, self.precision, matrix)
            self.wavenumber = wavenumber
        return self._gmres

    def release(self) -> None:
        """Give the matrix's memory back to the device's pool."""
        with self.device.turn:
            self._gmres, self.wavenumber = None, math.nan
            if self.device.holder is self:
                self.device.holder = None

    def assemble(self, wavenumber: float, out: Any = None) -> Any:
        """(V, V) matrix on the device; `out` is used again when given. Call within `device.active()`."""
        n = self.system.unknowns
        coupling = self.system.solver.coupling(wavenumber, self.system.body.volume)
        matrix = self.device.arrays.empty((n, n), self.system.complex) if out is None else out
        rows, columns = self._row_tiles, self._column_tiles
        self.run(
            "far_matrix", (columns[0], rows[0]), THREADS, wavenumber, coupling, *self.images, np.int32(n),
            *rows[1:], *columns[1:], matrix,
        )  # fmt: skip
        self._add_near(wavenumber, coupling, matrix)
        return matrix

    def right_sides(self, wavenumber: float, derivative: Complex) -> Any:
        """(K, V) complex128 right-hand sides on the device. Call within `device.active()`."""
        a, n, sides = self.device.arrays, self.system.unknowns, len(derivative)
        body, grid = self.system.body, self.system.grid
        coupling = self.system.solver.coupling(wavenumber, body.volume)
        strength = self._strengths(derivative)
        active = np.flatnonzero(np.any(strength != 0, axis=0))
        points = len(grid.position)
        field = a.empty((SOURCE_SPANS, sides, points), self.system.complex)
        self.run(
            "source_points", (-(-points // THREADS), SOURCE_SPANS), THREADS, wavenumber, coupling, *self.images, self.points,
            np.int32(points), np.int32(len(active)), np.int32(sides), self.put(np.append(active, 0).astype(np.int32)),
            self.put(np.append(strength[:, active], np.zeros((sides, 1)), axis=1)[:, : len(active)].astype(self.system.complex)),
            field,
        )  # fmt: skip
        near, near_lists = self._near_fields(wavenumber, coupling, np.any(derivative != 0, axis=0))
        out = a.empty((sides, n), a.complex128)
        self.run(
            "gather_sources", (-(-n * sides // THREADS),), THREADS, coupling, np.int32(n), np.int32(sides), np.int32(points),
            np.int32(SOURCE_SPANS), np.int32(len(body.triangles)), *self._vertex_points, field, *near_lists, near,
            *self._vertex_triangles, self._area, a.asarray(np.ascontiguousarray(derivative.astype(complex))), out,
        )  # fmt: skip
        return out

    def far_field(self, wavenumber: float, pressure: Complex, derivative: Complex, directions: Floats) -> Complex:
        """(K, D) far field, as `surface_field.far_field`."""
        body, grid = self.system.body, self.system.grid
        distinct, place = self._distinct(directions)
        middle = (pressure[:, grid.vertex[:, 0]] + pressure[:, grid.vertex[:, 1]]) / 2
        strength = self._strengths(derivative)
        planes = np.stack([middle.real, middle.imag, strength.real, strength.imag], axis=-1)
        with self.device.active():
            out = self.device.arrays.empty((len(pressure), len(distinct)), np.complex128)
            self.run(
                "far_field", (-(-len(distinct) // DIRECTIONS_PER_BLOCK),), THREADS, wavenumber, np.int32(len(grid.position)),
                np.int32(len(pressure)), np.int32(len(distinct)), self.points, self.put(planes.astype(self.system.real)),
                self.put(distinct), out,
            )  # fmt: skip
            once = self.device.fetch(out)
        return np.asarray(once[:, place].sum(axis=1) * np.exp(1j * wavenumber * (directions @ body.origin)))

    def _add_near(self, wavenumber: float, coupling: float, matrix: Any) -> None:
        begin = 0
        for group, columns, rule in self.groups:
            self._run_pairs("near_matrix", wavenumber, coupling, group, columns, rule, self._entries[begin:])
            begin += 18 * len(group)
        s = self._scatter
        self.run(
            "add_near", (-(-len(s) // THREADS),), THREADS, np.int32(len(s)), np.int32(self.system.unknowns), s.first, s.row,
            s.column, s.order, self._entries, matrix,
        )  # fmt: skip

    def _near_fields(self, wavenumber: float, coupling: float, moving: NDArray[np.bool_]) -> tuple[Any, tuple[Any, Any, Any]]:
        """Right-side entries of the near pairs of which at least one moves, and their lists by vertex."""
        key = moving.tobytes()
        if self._near_sources is None or self._near_sources[0] != key:
            self._near_sources = (key, self._select_sources(moving))
        groups, lists, count = self._near_sources[1]
        near = self.device.arrays.empty(6 * count + 1, self.system.complex)
        begin = 0
        for group, columns, rule in groups:
            self._run_pairs("near_sources", wavenumber, coupling, group, columns, rule, near[begin:])
            begin += 6 * len(group)
        return near, lists

    def _select_sources(self, moving: NDArray[np.bool_]) -> Any:
        t, groups = self.system.body.triangles, []
        vertex, triangle = [np.zeros((0, 6), np.int64)], [np.zeros((0, 6), np.int64)]
        for group in self.system.near:
            g = group.select(np.flatnonzero(moving[group.first] | moving[group.second]))
            if len(g) == 0:
                continue
            groups.append((g, self.put(pair_columns(g)), self._rules[g.shared]))
            other = np.where((g.first == g.second)[:, None], -1, t[g.second])
            vertex.append(np.concatenate([t[g.first], other], axis=1))
            triangle.append(np.concatenate([np.tile(g.second[:, None], 3), np.tile(g.first[:, None], 3)], axis=1))
        place, owner = np.concatenate(vertex).ravel(), np.concatenate(triangle).ravel()
        entry = np.flatnonzero(place >= 0)
        first, order = lists_of(place[entry], self.system.unknowns)
        chosen = np.append(entry[order], 0)
        lists = (self.put(first), self.put(chosen.astype(np.int32)), self.put(owner[chosen[:-1]].astype(np.int32), spare=True))
        return groups, lists, len(place) // 6

    def _run_pairs(
        self, kernel: str, wavenumber: float, coupling: float, group: NearPairs, columns: Any, rule: Any, out: Any
    ) -> None:
        blocks = -(-len(group) // PAIR_THREADS)
        self.run(
            kernel, (blocks,), PAIR_THREADS, wavenumber, coupling, np.int32(len(group)), np.int32(rule.shape[1]),
            *self._shape, columns, rule, out,
        )  # fmt: skip

    def _strengths(self, derivative: Complex) -> Complex:
        """(K, P), kept for the solve's own and the next far field."""
        if self._strength is None or self._strength[0] is not derivative:
            self._strength = (derivative, point_strengths(derivative, self.system.grid.triangle, self.system.body.area))
        return self._strength[1]

    def _distinct(self, directions: Floats) -> tuple[Floats, NDArray[np.int64]]:
        """As `distinct_directions`; the last few sets are kept, as each frequency asks for the same."""
        key = directions.tobytes()
        if key not in self._directions:
            if len(self._directions) >= KEPT_DIRECTIONS:
                self._directions.clear()
            self._directions[key] = distinct_directions(self.system.body, directions)
        return self._directions[key]

    def run(self, kernel: str, grid: tuple[int, ...], threads: int, *arguments: Any) -> None:
        """Run a kernel in the body's precision; floats go in double precision. Call within `device.active()`."""
        given = [np.float64(x) if isinstance(x, float) else x for x in arguments]
        self.device.run(self.precision, kernel, grid, threads, *given)

    def put(self, array: Any, spare: bool = False) -> Any:
        """An array on the device; never empty where `spare`."""
        given = np.append(array, np.zeros(1, array.dtype)) if spare else array
        return self.device.arrays.asarray(np.ascontiguousarray(given))

    @cached_property
    def points(self) -> Any:
        """(P, 13) position, normal, weight, across, along of the midpoints."""
        return self.put(self._point_columns)

    @cached_property
    def _point_columns(self) -> NDArray[np.floating[Any]]:
        g = self.system.grid
        columns = [g.position, g.normal, g.weight[:, None], g.across, g.along]
        return np.concatenate(columns, axis=1).astype(self.system.real)

    @cached_property
    def images(self) -> tuple[Any, Any]:
        """How many images there are, and (G, 3) of +-1."""
        images = self.system.body.images
        return np.int32(len(images)), self.put(images.astype(self.system.real))

    @cached_property
    def _shape(self) -> tuple[Any, ...]:
        b = self.system.body
        return tuple(self.put(x) for x in (b.corners, b.normal, b.area, b.images))

    @cached_property
    def _area(self) -> Any:
        return self.put(self.system.body.area)

    @cached_property
    def _row_tiles(self) -> tuple[Any, ...]:
        return self._tiles(vertex_tiles(self.system.grid, self.system.unknowns, ROW_TILE, ROW_CHUNK), ASIDE)

    @cached_property
    def _column_tiles(self) -> tuple[Any, ...]:
        return self._tiles(vertex_tiles(self.system.grid, self.system.unknowns, *COLUMN_TILE[self.precision]), -ASIDE)

    def _tiles(self, t: VertexTiles, aside: float) -> tuple[Any, ...]:
        values = chunk_values(t, self._point_columns, aside)
        return (t.count, *(self.put(x) for x in (t.chunk_first, values, t.lists)))

    @cached_property
    def _vertex_points(self) -> tuple[Any, Any]:
        ends = self.system.grid.vertex[:, :2].ravel()
        first, order = lists_of(ends, self.system.unknowns)
        return self.put(first), self.put(order // 2)

    @cached_property
    def _vertex_triangles(self) -> tuple[Any, Any]:
        first, order = lists_of(self.system.body.triangles.ravel(), self.system.unknowns)
        return self.put(first), self.put(order // 3)

    @cached_property
    def _rules(self) -> dict[int, Any]:
        tables = {g.shared: self.system.rule(g) for g in self.system.near}
        return {s: self.put(np.concatenate([x, y, w[None]])) for s, (x, y, w, _) in tables.items()}

    @cached_property
    def groups(self) -> list[tuple[NearPairs, Any, Any]]:
        """Near pairs by way of touching, with their columns and rules on the device."""
        return [(g, self.put(pair_columns(g)), self._rules[g.shared]) for g in self.system.near]

    @cached_property
    def point_vertices(self) -> Any:
        """(4, P) vertices of each midpoint, as `MidpointGrid.vertex`, for gradients."""
        return self.put(self.system.grid.vertex.T)

    @cached_property
    def point_curls(self) -> tuple[Any, Any]:
        """(P, 3) across and along, in double precision, for gradients."""
        return self.put(self.system.grid.across), self.put(self.system.grid.along)

    @cached_property
    def double_rules(self) -> dict[int, Any]:
        """The near rules in double precision, for gradients."""
        rules = {g.shared: near_rule(g.shared, self.system.solver) for g in self.system.near}
        return {s: self.put(np.concatenate([x.T, y.T, w[None]])) for s, (x, y, w) in rules.items()}

    @cached_property
    def vertices(self) -> tuple[Any, Any, Any]:
        """Vertices, triangles and images, for gradients."""
        b = self.system.body
        return self.put(b.vertices), self.put(b.triangles.astype(np.int32)), self.put(b.images)

    @cached_property
    def corner_lists(self) -> tuple[Any, Any]:
        """Lists by vertex of the corners of all near pairs, those of the first triangle and then of the second."""
        a, t = self.device.arrays, self.vertices[1]
        corners = [a.concatenate([t[a.asarray(g.first)], t[a.asarray(g.second)]], axis=1) for g in self.system.near]
        first, order = lists_of(a.concatenate(corners).ravel(), self.system.unknowns, a)
        return first, order

    def near_source_entries(self, wavenumber: float, derivative: Complex) -> list[tuple[NearPairs, Complex]]:
        """Pairs of which at least one moves, with what `near_integrals.source_pairs` gives of them, (N, 2, 3)."""
        coupling = self.system.solver.coupling(wavenumber, self.system.body.volume)
        with self.device.active():
            near, _ = self._near_fields(wavenumber, coupling, np.any(derivative != 0, axis=0))
            entries = self.device.fetch(near)
        found, begin = [], 0
        for group, _, _ in (self._near_sources or (b"", ([], [], 0)))[1][0]:
            found.append((group, entries[begin : begin + 6 * len(group)].reshape(-1, 2, 3)))
            begin += 6 * len(group)
        return found

    @cached_property
    def _scatter(self) -> Scatter:
        return matrix_scatter(self.system.body.triangles, self.system.near, self.system.unknowns, self.device.arrays)

    @cached_property
    def _entries(self) -> Any:
        """Room for the near entries, with the mass matrix at its end."""
        a, mass = self.device.arrays, mass_entries(self.system.body.area).ravel()
        pairs = 18 * sum(len(g) for g in self.system.near)
        entries = a.empty(pairs + len(mass), self.system.complex)
        entries[pairs:] = a.asarray(mass)
        return entries
