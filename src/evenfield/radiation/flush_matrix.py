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

from evenfield.radiation.flush_body import FlushBody
from evenfield.radiation.flush_fold import Folds
from evenfield.radiation.flush_near import NearTable, find_pairs, near_table
from evenfield.radiation.flush_points import PlanePoints, PointSet, plane_points, plane_rows, surface_points
from evenfield.radiation.sources import point_strengths
from evenfield.radiation.surface_body import SurfaceBody
from evenfield.radiation.surface_matrix import SurfaceMatrix
from evenfield.radiation.surface_solver import SurfaceSolver
from evenfield.radiation.workers import in_order

Complex = NDArray[np.complexfloating[Any, Any]]
Ints = NDArray[np.int64]

ELEMENTS_PER_TASK = 48


class _Wall(NamedTuple):
    """A domain's surface: its matrix, its points as the plane sees them, the plane's elements that it meets, its images,
    its near pairs with the plane, a recess's pairs with its own image."""

    system: SurfaceMatrix
    points: PointSet
    chosen: Ints
    images: NDArray[np.float64]
    near: NearTable
    folds: Folds | None


class FlushMatrix:
    """What the joined matrix needs at any frequency. Unknowns: the pressures on each wall, then q in the mouths."""

    def __init__(self, body: FlushBody, solver: SurfaceSolver) -> None:
        self.body, self.solver = body, solver
        self.real: type[np.floating[Any]] = np.float32 if solver.precision == "single" else np.float64
        self.complex: type[np.complexfloating[Any, Any]] = np.complex64 if solver.precision == "single" else np.complex128
        self.points: PlanePoints = plane_points(body.plane)
        self.plane_set = self.points.as_set(body.plane)
        self.walls = [self._wall(b, n) for n, b in enumerate(body.bodies)]
        plane, every = body.plane, np.arange(len(body.plane))
        pairs = find_pairs(plane.corners, plane, every, body.images, solver.near_distance)
        normal = np.tile([1.0, 0.0, 0.0], (len(plane), 1))
        self.plane_near: NearTable = near_table(
            plane.corners, normal, plane.area, plane, body.images, pairs, solver.worker_count
        )  # fmt: skip
        self.first = np.concatenate([[0], np.cumsum([len(b.vertices) for b in body.bodies])]).astype(np.int64)

    @property
    def mouths(self) -> int:
        """Unknown velocities."""
        return int(self.body.mouth.sum())

    @property
    def unknowns(self) -> int:
        """Rows of the matrix."""
        return int(self.first[-1]) + self.mouths

    @property
    def bytes_needed(self) -> int:
        """Largest memory of a solve: the joined matrix, and the largest block while it is set up."""
        item = np.dtype(self.complex).itemsize
        block = max((w.system.bytes_needed for w in self.walls), default=0)
        return int(item * self.unknowns**2 + max(block, 2 * item * len(self.body.plane) ** 2))

    def rows(self, number: int) -> slice:
        """The unknowns of a wall."""
        return slice(int(self.first[number]), int(self.first[number + 1]))

    def assemble(self, wavenumber: float, derivative: Complex) -> tuple[Complex, Complex, Complex]:
        """The matrix (n, n), right-hand sides (n, K), and what flat parts need: (T, n + T') rows of `front` (see `front_rows`).

        derivative : (K, T_mesh) given normal derivatives on the mesh's triangles.
        """
        n, m, plane = self.unknowns, self.mouths, self.body.plane
        walls = int(self.first[-1])
        matrix: Complex = np.zeros((n, n), self.complex)
        right: Complex = np.zeros((n, len(derivative)), complex)
        between, _, _ = self._plane_block(wavenumber)
        known = np.zeros((len(derivative), len(plane)), complex)
        flat = plane.full_triangle >= 0
        known[:, flat] = derivative[:, plane.full_triangle[flat]]
        front: Complex = np.zeros((len(plane), len(derivative)), complex)  # p in front, less the unknowns' share
        front -= between @ known.T
        share: Complex = np.zeros((int(flat.sum()), n), self.complex)
        share[:, walls:] = -between[flat][:, :m]
        matrix[walls:, walls:] = between[:m, :m]
        right[walls:] += front[:m]
        for number, wall in enumerate(self.walls):
            at = self.rows(number)
            own = derivative[:, wall.system.body.full_triangle]
            coupling = self.solver.coupling(wavenumber, wall.system.body.volume)
            block = wall.system.assemble(wavenumber)
            if wall.folds is not None:
                wall.folds.add(wavenumber, block)
            matrix[at, at] = block
            right[at] += wall.system.right_sides(wavenumber, own)
            green, normal, load = self._wall_block(wavenumber, wall, own)
            if number < len(self.body.recesses):
                c = wall.chosen
                matrix[at, walls + c] = -green.T
                matrix[walls + c, at] = normal
                matrix[np.ix_(walls + c, walls + c)] += self._own_plane_block(wavenumber, wall, between)
                right[walls + c] += load
            else:
                seen = green - 1j * coupling * normal
                matrix[at, walls:] = seen[:m].T
                matrix[walls:, at] = -normal[:m]
                right[walls:] -= load[:m]
                right[at] -= seen.T @ known.T
                share[:, at] = normal[flat]
                front[flat] -= load[flat]
        return matrix, right, np.concatenate([share, front[flat]], axis=1)

    def plane_derivative(self, derivative: Complex, mouth: Complex) -> Complex:
        """(K, T) q on all of the plane's elements from given (K, T_mesh) and solved (K, m)."""
        plane = self.body.plane
        q: Complex = np.zeros((len(derivative), len(plane)), complex)
        flat = plane.full_triangle >= 0
        q[:, flat] = derivative[:, plane.full_triangle[flat]]
        q[:, ~flat] = mouth
        return q

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

    def _plane_block(self, wavenumber: float) -> tuple[Complex, Complex, Complex]:
        """(T, T) S_h between the plane's elements under all mirror planes."""
        every, b = np.arange(len(self.body.plane)), self.body
        found = self._rows(wavenumber, every, b.images, self.plane_set, np.zeros((0, 2, len(self.points.position))))
        p = self.plane_near.pairs
        self._plane_entries = self.plane_near.entries(wavenumber, self.solver.worker_count)[:, 0].sum(axis=1).astype(self.complex)
        np.add.at(found[0], (p.plane, p.outer), self._plane_entries)
        return found

    def _own_plane_block(self, wavenumber: float, wall: _Wall, between: Complex) -> Complex:
        """S_h between a mouth's own elements, as its recess sees them: without the mirror planes that do not run through it."""
        c = wall.chosen
        if len(wall.images) == len(self.body.images):
            return between[np.ix_(c, c)]
        source = np.zeros((0, 2, len(self.points.position)))
        green = self._rows(wavenumber, c, wall.images, self.plane_set, source)[0]
        p = self.plane_near.pairs
        images = [int(np.flatnonzero(np.all(self.body.images == g, axis=1))[0]) for g in wall.images]
        own = np.isin(p.outer, c) & np.isin(p.plane, c) & np.isin(p.image, images)
        np.add.at(green, (np.searchsorted(c, p.plane[own]), p.outer[own]), self._plane_entries[own])
        return np.asarray(green[:, c])

    def _wall_block(self, wavenumber: float, wall: _Wall, derivative: Complex) -> tuple[Complex, Complex, Complex]:
        """(T', V) integrals of G_h and dG_h/dn over plane elements and the wall's functions; (T', K) S_h of its own sources."""
        body = wall.system.body
        strength = point_strengths(derivative, wall.system.grid.triangle, body.area)
        source = np.stack([strength.real, strength.imag], axis=1)
        green, normal, load = self._rows(wavenumber, wall.chosen, wall.images, wall.points, source)
        pairs = wall.near.pairs
        entries = wall.near.entries(wavenumber, self.solver.worker_count)
        row = np.searchsorted(wall.chosen, pairs.plane)
        for corner in range(3):
            vertex = body.triangles[pairs.outer, corner]
            np.add.at(green, (row, vertex), entries[:, 0, corner].astype(self.complex))
            np.add.at(normal, (row, vertex), entries[:, 1, corner].astype(self.complex))
        whole = entries[:, 0].sum(axis=1)
        for k, q in enumerate(derivative):
            np.add.at(load[:, k], row, whole * q[pairs.outer])
        return green, normal, load

    def _rows(
        self, wavenumber: float, chosen: Ints, images: NDArray[np.float64], points: PointSet, source: NDArray[Any]
    ) -> tuple[Complex, Complex, Complex]:
        place, strength, slope, target = points.tables(self.real)
        green: Complex = np.zeros((len(chosen), points.count), self.complex)
        normal: Complex = np.zeros_like(green)
        load: Complex = np.zeros((len(chosen), len(source)), np.complex128)
        given = np.ascontiguousarray(source.astype(self.real))
        mirror = np.ascontiguousarray(images.astype(self.real))

        def work(begin: int) -> None:
            part = slice(begin, begin + ELEMENTS_PER_TASK)
            names, member = np.unique(self.points.member[chosen[part]], return_inverse=True)
            plane_rows(
                wavenumber, mirror, self.points.position[names].astype(self.real), member.reshape(-1, 3),
                self.body.plane.area[chosen[part]].astype(self.real), place, strength, slope, target, given,
                green[part], normal[part], load[part],
            )  # fmt: skip

        for _ in in_order(work, range(0, len(chosen), ELEMENTS_PER_TASK), self.solver.worker_count):
            pass
        return green, normal, load
