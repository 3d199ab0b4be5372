"""The joined system of recesses, the half-space in front of the baffle, and the velocities in their mouths.

With G_h = G + its image behind the baffle, S_h, D_h, D'_h, N_h its layers, q the derivative along +x in the plane, normals into
the air:
    recess wall   (M/2 - D_h) p - S_h[q mouth] = -S_h q_w
    proud wall    (M/2 - D_h + j eta N_h) p + S_h[q plane] - j eta D'_h[q plane] = -S_h q_w + j eta (M/2 + D'_h) q_w
    mouth         p inside - p in front = 0:  (D_h p - S_h q_w + S_h[q mouth])_recess - (D_h p - S_h q_w)_proud + S_h[q plane] = 0
On the plane D_h of the plane itself vanishes. A recess has no false resonance: a solution without sources continues beyond its
walls and their image as a field without sources there, which is zero. See docs/theory/radiation.md.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from evenfield.radiation.flush_basis import PlaneBasis, PlanePoints, plane_basis, plane_points
from evenfield.radiation.flush_body import FlushBody
from evenfield.radiation.flush_fold import Folds
from evenfield.radiation.flush_near import NearTable, find_pairs, near_table
from evenfield.radiation.flush_points import PointSet, plane_rows, points_themselves, surface_points
from evenfield.radiation.sources import point_strengths
from evenfield.radiation.surface_body import SurfaceBody
from evenfield.radiation.surface_matrix import SurfaceMatrix
from evenfield.radiation.surface_solver import SurfaceSolver
from evenfield.radiation.workers import in_order

Complex = NDArray[np.complexfloating[Any, Any]]
Ints = NDArray[np.int64]

POINTS_PER_TASK = 64


class _Wall(NamedTuple):
    """A domain's surface: its matrix, its points as the plane sees them, the plane's elements that it meets, its images,
    its near pairs with the plane, a recess's pairs with its own image."""

    system: SurfaceMatrix
    points: PointSet
    chosen: Ints
    images: NDArray[np.float64]
    near: NearTable
    folds: Folds | None


class Blocks(NamedTuple):
    """The joined matrix: wall (W, W) pressures' own, up (W, m) of velocities on walls, down (m, W), mouth (m, m)."""

    wall: Complex
    up: Complex
    down: Complex
    mouth: Complex

    @classmethod
    def within(cls, memory: Complex, walls: int, mouths: int) -> Blocks:
        """All zero, one behind the other in memory of at least (walls + mouths)**2 entries."""
        blocks, begin = [], 0
        for shape in ((walls, walls), (walls, mouths), (mouths, walls), (mouths, mouths)):
            size = shape[0] * shape[1]
            blocks.append(memory[begin : begin + size].reshape(shape))
            begin += size
        memory[:begin] = 0
        return cls(*blocks)


class FlushMatrix:
    """What the joined matrix needs at any frequency. Unknowns: the pressures on each wall, then q in the mouths."""

    def __init__(self, body: FlushBody, solver: SurfaceSolver) -> None:
        self.body, self.solver = body, solver
        self.real: type[np.floating[Any]] = np.float32 if solver.precision == "single" else np.float64
        self.complex: type[np.complexfloating[Any, Any]] = np.complex64 if solver.precision == "single" else np.complex128
        self.basis: PlaneBasis = plane_basis(body.plane, len(body.recesses))
        self.points: PlanePoints = plane_points(body.plane, self.basis)
        self.walls = [self._wall(b, n) for n, b in enumerate(body.bodies)]
        plane, every = body.plane, np.arange(len(body.plane))
        pairs = find_pairs(plane.corners, plane, every, body.images, solver.near_distance)
        forward = np.tile([1.0, 0.0, 0.0], (len(plane), 1))
        self.plane_near: NearTable = near_table(
            plane.corners, forward, plane.area, plane, body.images, pairs, solver.worker_count
        )  # fmt: skip
        self.first = np.concatenate([[0], np.cumsum([len(b.vertices) for b in body.bodies])]).astype(np.int64)

    @property
    def unknowns(self) -> int:
        """Rows of the matrix."""
        return int(self.first[-1]) + self.basis.mouths

    @property
    def bytes_needed(self) -> int:
        """Largest memory of a solve: the joined matrix, and the largest blocks while it is set up."""
        item = np.dtype(self.complex).itemsize
        # a wall alone is set up in its place, several one after the other beside the joined matrix
        block = max((w.system.bytes_needed for w in self.walls), default=0)
        if len(self.walls) == 1:
            block -= item * len(self.walls[0].system.body.vertices) ** 2
        across = max((2 * item * self.basis.count * len(w.system.body.vertices) for w in self.walls), default=0)
        return int(item * (self.unknowns**2 + self.basis.count**2) + max(block, across))

    def rows(self, number: int) -> slice:
        """The unknowns of a wall."""
        return slice(int(self.first[number]), int(self.first[number + 1]))

    def assemble(self, wavenumber: float, derivative: Complex, memory: Complex | None = None) -> tuple[Blocks, Complex, Complex]:
        """The matrix, right-hand sides (n, K), and the loads of flat elements (T', n + K): by the unknowns, then given.

        derivative : (K, T_mesh) given normal derivatives on the mesh's triangles; memory : for the matrix, at least n**2 entries.
        """
        n, m, walls = self.unknowns, self.basis.mouths, int(self.first[-1])
        blocks = Blocks.within(np.empty(n * n, self.complex) if memory is None else memory, walls, m)
        right: Complex = np.zeros((n, len(derivative)), complex)
        known = self._known(derivative)
        between, entries = self._plane_block(wavenumber)
        # the pressure in front, tested with the plane's functions: share of the unknowns (flat ones only), and what is given
        front: Complex = -(between @ known.T)
        share: Complex = np.zeros((self.basis.count - m, n), self.complex)
        share[:, walls:] = -between[m:, :m]
        blocks.mouth[:] = between[:m, :m]
        for number, wall in enumerate(self.walls):
            at = self.rows(number)
            own = derivative[:, wall.system.body.full_triangle]
            if len(self.walls) == 1:
                self._wall_matrix(wavenumber, wall, blocks.wall)
            else:
                blocks.wall[at, at] = self._wall_matrix(wavenumber, wall)
            right[at] += wall.system.right_sides(wavenumber, own)
            green, normal, load = self._wall_block(wavenumber, wall, own)
            if number < len(self.body.recesses):
                c = self.basis.of_recess(number)
                mouth = slice(walls + c.start, walls + c.stop)
                blocks.up[at, c] = -green[c].T
                blocks.down[c, at] = normal[c]
                blocks.mouth[c, c] += self._own_plane_block(wavenumber, number, wall, between, entries)
                right[mouth] += load[c]
            else:
                coupling = self.solver.coupling(wavenumber, wall.system.body.volume)
                seen = green - 1j * coupling * normal
                blocks.up[at] = seen[:m].T
                blocks.down[:, at] = -normal[:m]
                right[at] -= seen.T @ known.T
                share[:, at] = normal[m:]
                front -= load
        right[walls:] += front[:m]
        return blocks, right, np.concatenate([share, front[m:]], axis=1)

    def plane_values(self, derivative: Complex, mouth: Complex) -> Complex:
        """(K, count) q of the plane's functions from given (K, T_mesh) and solved (K, m)."""
        values = self._known(derivative)
        values[:, : self.basis.mouths] = mouth
        return values

    def _known(self, derivative: Complex) -> Complex:
        """(K, count) the plane's functions as far as they are given."""
        full = self.body.plane.full_triangle
        known: Complex = np.zeros((len(derivative), self.basis.count), complex)
        known[:, self.basis.mouths :] = derivative[:, full[full >= 0]]
        return known

    def _wall(self, body: SurfaceBody, number: int) -> _Wall:
        system = SurfaceMatrix(body, self.solver)
        points = surface_points(system.grid, body.origin, len(body.vertices))
        plane = self.body.plane
        recess = number < len(self.body.recesses)
        chosen = np.flatnonzero(plane.recess == number) if recess else np.arange(len(plane))
        images = body.images[: body.copies]
        corners = body.corners + body.origin
        pairs = find_pairs(corners, plane, chosen, images, self.solver.near_distance)
        near = near_table(corners, body.normal, body.area, plane, images, pairs, self.solver.worker_count)
        return _Wall(system, points, chosen, images, near, Folds(system) if recess else None)

    def _wall_matrix(self, wavenumber: float, wall: _Wall, out: Complex | None = None) -> Complex:
        block = wall.system.assemble(wavenumber, out)
        if wall.folds is not None:
            wall.folds.add(wavenumber, block)
        return block

    def _plane_block(self, wavenumber: float) -> tuple[Complex, Complex]:
        """(count, count) S_h between the plane's functions under all mirror planes; its near pairs' entries."""
        every = np.arange(len(self.body.plane))
        found, _, _ = self._rows(wavenumber, every, self.body.images, None, self._silent)
        entries = self.plane_near.entries(wavenumber, self.solver.worker_count)[:, 0]
        self._add_plane_pairs(found, entries, np.ones(len(entries), bool))
        return found, entries

    def _add_plane_pairs(self, block: Complex, entries: Complex, chosen: NDArray[np.bool_]) -> None:
        p, node = self.plane_near.pairs, self.basis.node
        _add_pairs(block, entries[chosen], node[p.plane[chosen]], node[p.outer[chosen]])

    def _own_plane_block(self, wavenumber: float, number: int, wall: _Wall, between: Complex, entries: Complex) -> Complex:
        """S_h between a mouth's own functions, as its recess sees them: without mirror planes that do not run through it."""
        c = self.basis.of_recess(number)
        if len(wall.images) == len(self.body.images):
            return between[c, c]
        green, _, _ = self._rows(wavenumber, wall.chosen, wall.images, None, self._silent)
        images = [int(np.flatnonzero(np.all(self.body.images == g, axis=1))[0]) for g in wall.images]
        p = self.plane_near.pairs
        own = np.isin(p.outer, wall.chosen) & np.isin(p.plane, wall.chosen) & np.isin(p.image, images)
        self._add_plane_pairs(green, entries, own)
        return green[c, c]

    def release(self) -> None:
        """Give the walls' private blocks back."""
        for wall in self.walls:
            wall.system.release()

    @property
    def _silent(self) -> NDArray[np.float64]:
        return np.zeros((0, 2, len(self.points.position)))

    def _wall_block(self, wavenumber: float, wall: _Wall, derivative: Complex) -> tuple[Complex, Complex, Complex]:
        """(count, V) integrals of G_h and dG_h/dn over the plane's and the wall's functions; (count, K) S_h of its sources."""
        body, pairs = wall.system.body, wall.near.pairs
        strength = point_strengths(derivative, wall.system.grid.triangle, body.area)
        source = np.stack([strength.real, strength.imag], axis=1)
        green, normal, load = self._rows(wavenumber, wall.chosen, wall.images, wall.points, source)
        entries = wall.near.entries(wavenumber, self.solver.worker_count)
        node = self.basis.node[pairs.plane]
        for block, values in ((green, entries[:, 0]), (normal, entries[:, 1])):
            _add_pairs(block, values, node, body.triangles[pairs.outer])
        whole = entries[:, 0].sum(axis=2).ravel()
        onto = csr_array((whole, (node.ravel(), np.repeat(pairs.outer, 3))), shape=(self.basis.count, len(body.triangles)))
        return green, normal, load + onto @ derivative.T

    def _rows(
        self, wavenumber: float, chosen: Ints, images: NDArray[np.float64], points: PointSet | None, source: NDArray[Any]
    ) -> tuple[Complex, Complex, Complex]:
        """Regular rule: (count, n) of G_h and of dG_h/dn, tested with the plane's functions on the chosen elements, against the
        unknowns of `points` (None: the plane's own functions, and no dG_h/dn); (count, K) of G_h times `source`.
        """
        against = points or points_themselves(self.points.position)
        tables = against.tables(self.real)
        width = self.basis.count if points is None else points.count
        green: Complex = np.zeros((self.basis.count, width), self.complex)
        normal: Complex = np.zeros((0 if points is None else self.basis.count, width), self.complex)
        load: Complex = np.zeros((self.basis.count, len(source)), np.complex128)
        given = np.ascontiguousarray(source.astype(self.real))
        mirror = np.ascontiguousarray(images.astype(self.real))
        weight = self.points.weight.astype(self.real)
        own = np.unique(self.points.member[chosen])

        def work(begin: int) -> tuple[Ints, Complex, Complex, Complex]:
            part = own[begin : begin + POINTS_PER_TASK]
            g, d = (np.zeros((len(part), against.count), self.complex) for _ in range(2))
            loads: Complex = np.zeros((len(part), len(source)), np.complex128)
            plane_rows(wavenumber, mirror, self.points.position[part].astype(self.real), *tables, given, g, d, loads)
            onto = weight[part]
            functions = np.unique(onto.indices)
            turned = onto[:, functions].T
            return functions, turned @ (g @ weight if points is None else g), turned @ d, turned @ loads

        for functions, g, d, loads in in_order(work, range(0, len(own), POINTS_PER_TASK), self.solver.worker_count):
            green[functions] += g
            load[functions] += loads
            if points is not None:
                normal[functions] += d
        return green, normal, load


def _add_pairs(block: Complex, entries: Complex, rows: Ints, columns: Ints) -> None:
    """Add entries (N, 3, 3) at rows (N, 3) and columns (N, 3) of a matrix; many fall on one place."""
    shape = (len(entries), 3, 3)
    row, column = np.broadcast_to(rows[:, :, None], shape), np.broadcast_to(columns[:, None], shape)
    change = csr_array((entries.ravel(), (row.ravel(), column.ravel())), shape=block.shape).tocoo()
    block[change.row, change.col] += change.data.astype(block.dtype)
