"""Exterior sound field of a closed body with moving parts: Galerkin boundary elements, Burton-Miller.

Linear continuous pressure, constant velocity on each triangle. See docs/theory/radiation.md.
"""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base import Air
from evenfield.data import SurfaceMesh
from evenfield.data.mesh import Mirror, PartName
from evenfield.data.mesh_faults import check_body
from evenfield.radiation.block_gmres import Iteration, solve_in_step
from evenfield.radiation.gpu_device import Device, choose_devices
from evenfield.radiation.gpu_devices import DeviceSystems
from evenfield.radiation.plane import RigidPlane
from evenfield.radiation.solver_rules import Accuracy
from evenfield.radiation.surface_body import SurfaceBody, reduce_body
from evenfield.radiation.surface_checks import (
    check_frequencies,
    check_memory,
    check_resolution,
    part_edges,
)
from evenfield.radiation.surface_error import hold_reference, part_errors_db
from evenfield.radiation.surface_field import far_field
from evenfield.radiation.surface_matrix import SurfaceMatrix
from evenfield.radiation.surface_motion import Motion, check_symmetric, part_motion
from evenfield.radiation.surface_solution import FrequencySolution, SurfaceSolution
from evenfield.radiation.surface_solver import SurfaceSolver, choose_solver
from evenfield.radiation.velocities import given_patterns, no_velocity, pattern_velocity
from evenfield.radiation.workers import in_order

Complex = NDArray[np.complexfloating[Any, Any]]
Progress = Callable[[int, int], None]


class SurfaceProblem:
    """A body made ready once, to be solved at any frequency.

    Parameters
        mesh : the whole closed body, outward normals
        motion, axis : each part moves with unit normal velocity, or as a rigid body with unit velocity along `axis`
        mirror : symmetry planes to use, verified; None takes what the mesh declares, () solves the whole body
        air : Air, or the default
        accuracy, solver : how finely; "reference" states at most 0.05 dB for every part or raises; `solver` overrides both
        patterns : names of velocity patterns, to be given at each solve, in place of parts
        device : "auto" (GPUs where there are any with room and the body is worth it), "cpu", "gpu", or which devices
        plane : an infinite rigid plane beside the body
    Attributes
        parts, body, system, air, solver, devices
    Raises MeshError for a mesh that is open, inside out, not symmetric, or wholly rigid.
    """

    def __init__(
        self,
        mesh: SurfaceMesh,
        motion: Motion = "normal",
        axis: ArrayLike = (1.0, 0.0, 0.0),
        mirror: Mirror = None,
        air: Air | None = None,
        solver: SurfaceSolver | None = None,
        accuracy: Accuracy = "engineering",
        patterns: tuple[PartName, ...] | None = None,
        device: str | Sequence[Device] = "auto",
        plane: RigidPlane | None = None,
    ) -> None:
        mesh.check_closed()
        self.mesh = mesh
        self.air = air or Air()
        self.solver = choose_solver(accuracy, solver)
        self.holds_reference = solver is None and accuracy == "reference"
        self.mirror: Mirror = mesh.mirror if mirror is None else mirror
        if plane is not None:
            self.mirror = plane.mirror_beside(mesh.mirror, mirror)
        self.motion = None if patterns is not None else part_motion(mesh, motion, axis)
        self.parts: tuple[PartName, ...] = patterns if self.motion is None else self.motion.parts  # type: ignore[assignment]
        self.axis = np.asarray(axis, float) / np.linalg.norm(axis) if self.motion is not None and motion == "axial" else None
        self.body: SurfaceBody = reduce_body(mesh, self.mirror, plane)
        if self.motion is not None:
            check_symmetric(mesh, self.motion.shape.astype(complex), self.mirror)
        self.system = SurfaceMatrix(self.body, self.solver)
        self.devices = DeviceSystems(self.system, device)
        self.edges = part_edges(mesh)
        self._matrix: Complex | None = None
        self._matrix_wavenumber = math.nan
        self._lent: Complex | None = None
        self._turn = threading.RLock()

    def solve(self, frequency_hz: float, velocity: ArrayLike | None = None) -> FrequencySolution:
        """The sound field at one frequency; `velocity` (K, T) complex normal velocities, m/s, for a problem of patterns.

        Cost: time and memory of the square of the solved vertices. Raises DataError, MeshError (too coarse).
        """
        start = time.perf_counter()
        frequency = float(check_frequencies(frequency_hz)[0])
        shape = self._velocity(velocity)
        density, notes = check_resolution(self.edges, frequency, self.air.speed_of_sound)
        k = float(self.air.wavenumber(frequency))
        derivative = -1j * 2 * np.pi * frequency * self.air.density * shape[:, self.body.full_triangle]
        found, device = self._solve_system(k, derivative)
        pressure = np.ascontiguousarray(found.solution.T)
        errors = part_errors_db(self.body, k, pressure, lambda u: self.far_field(k, pressure, derivative, u))
        if self.holds_reference:
            hold_reference(errors, self.parts, frequency)
        return FrequencySolution(
            problem=self,
            frequency_hz=frequency,
            solved_pressure=pressure,
            derivative=derivative,
            iterations=found.iterations,
            seconds=time.perf_counter() - start,
            part_error_db=errors,
            elements_per_wavelength=density,
            notes=(*notes, *self.devices.notes),
            device=device,
        )

    def _solve_system(self, wavenumber: float, derivative: Complex) -> tuple[Iteration, str]:
        """The surface pressure, and what solved for it."""
        found = self.devices.solve(wavenumber, derivative)
        if found is not None:
            return found
        s = self.solver
        with self._turn:
            matrix, right = self.matrix_at(wavenumber), self.system.right_sides(wavenumber, derivative)
            near = self.system.near_factor(matrix)
            return solve_in_step(matrix, near, right, s.tolerance, s.max_iterations, s.worker_count), "cpu"

    def solve_transposed(self, wavenumber: float, right: Complex) -> Iteration:
        """The transposed system solved for right (V', K), for gradients."""
        found = self.devices.solve_transposed(wavenumber, right)
        if found is not None:
            return found[0]
        s = self.solver
        with self._turn:
            matrix = self.matrix_at(wavenumber)
            near = self.system.near_factor(matrix)
            return solve_in_step(matrix, near, right, s.tolerance, s.max_iterations, s.worker_count, transposed=True)

    def far_field(self, wavenumber: float, pressure: Complex, derivative: Complex, directions: NDArray[np.float64]) -> Complex:
        """(K, D) far field of surface pressures (K, V') and normal derivatives (K, T') towards unit vectors (D, 3)."""
        found = self.devices.far_field(wavenumber, pressure, derivative, directions)
        if found is not None:
            return found
        given = (self.body, self.system.grid, wavenumber, pressure, derivative, directions)
        return far_field(*given, self.solver.worker_count, self.system.real)

    def matrix_at(self, wavenumber: float) -> Complex:
        """The system's matrix (V', V'); the one in memory where it is of this wavenumber, else assembled in its place."""
        if self._matrix is None:
            self._matrix = self._take_memory()
        elif self._matrix_wavenumber == wavenumber:
            return self._matrix
        self._matrix_wavenumber = math.nan  # an interrupted assembly leaves nothing to be used
        self._matrix = self.system.assemble(wavenumber, self._matrix)
        self._matrix_wavenumber = wavenumber
        return self._matrix

    def lend(self, memory: Complex) -> None:
        """Put the matrix into memory (n,) of its own type instead of fresh memory, which is slow, where it is large enough."""
        self.release()
        if memory.dtype == self.system.complex and memory.size >= self.system.unknowns**2:
            self._lent = memory

    def release(self) -> None:
        """Give the matrix's memory back; the next solve takes it anew."""
        with self._turn:
            self._matrix = self._lent = None
            self._matrix_wavenumber = math.nan
            self.system.release()
        self.devices.release()

    def _take_memory(self) -> Complex:
        count = self.system.unknowns
        if self._lent is not None:
            return np.asarray(self._lent[: count**2].reshape(count, count))
        check_memory(self.system.bytes_needed, self.solver.precision)
        return np.empty((count, count), self.system.complex)

    def _velocity(self, velocity: ArrayLike | None) -> Complex:
        if self.motion is not None:
            no_velocity(velocity)
            return self.motion.shape.astype(complex)
        shape = pattern_velocity(velocity, len(self.mesh.triangles), self.parts)
        check_symmetric(self.mesh, shape, self.mirror)
        return shape


def iterate_surface(
    mesh: SurfaceMesh,
    frequency_hz: ArrayLike,
    motion: Motion = "normal",
    axis: ArrayLike = (1.0, 0.0, 0.0),
    velocity: ArrayLike | None = None,
    mirror: Mirror = None,
    air: Air | None = None,
    accuracy: Accuracy = "engineering",
    device: str = "auto",
    solver: SurfaceSolver | None = None,
    progress: Progress | None = None,
    plane: RigidPlane | None = None,
) -> Iterator[FrequencySolution]:
    """As `solve_surface`, one frequency at a time, so that a caller can keep each and resume after a stop."""
    frequencies = check_frequencies(frequency_hz)
    choose_devices(device)
    check_body(mesh)
    given, patterns = given_patterns(velocity, len(mesh.triangles), len(frequencies))
    problem = SurfaceProblem(mesh, motion, axis, mirror, air, solver, accuracy, patterns, device, plane)
    edges, speed = problem.edges, problem.air.speed_of_sound
    check_resolution(edges, float(frequencies.max()), speed)
    if not problem.devices:
        check_memory(problem.system.bytes_needed, problem.solver.precision)

    def solve(i: int) -> FrequencySolution:
        return problem.solve(float(frequencies[i]), None if given is None else given[:, :, i])

    # devices share the frequencies, one more thread does what is left to the CPU; on the CPU each solve has all threads
    threads = len(problem.devices) + 1 if problem.devices else 1
    for i, found in enumerate(in_order(solve, range(len(frequencies)), threads)):
        yield found
        if progress is not None:
            progress(i + 1, len(frequencies))


def solve_surface(
    mesh: SurfaceMesh,
    frequency_hz: ArrayLike,
    motion: Motion = "normal",
    axis: ArrayLike = (1.0, 0.0, 0.0),
    velocity: ArrayLike | None = None,
    mirror: Mirror = None,
    air: Air | None = None,
    accuracy: Accuracy = "engineering",
    device: str = "auto",
    solver: SurfaceSolver | None = None,
    progress: Progress | None = None,
    plane: RigidPlane | None = None,
) -> SurfaceSolution:
    """Sound radiated by each moving part of a closed body in free space, all other walls rigid.

    Parameters
        mesh : SurfaceMesh, the whole body
        frequency_hz : (F,) float > 0
        motion : "normal" (unit normal velocity everywhere on the part) or "axial" (unit velocity along `axis`)
        velocity : (T, F) or (K, T, F) complex normal velocities, m/s: K patterns, numbered from 1, in place of the parts
        mirror : None (what the mesh declares), "y", ("y", "z") or () for none; verified
        accuracy : "engineering" (aim 0.2 dB, states its error) or "reference" (states at most 0.05 dB for every part, or raises);
            `solver` (SurfaceSolver) overrides
        device : "auto" (GPUs where there are any with room and the body is worth it), "cpu" or "gpu"
        progress : called with (done, total) after each frequency
        plane : RigidPlane, an infinite floor or wall, the body free of it or standing on it; the far field is that of the
            half-space (beyond the plane, read as the image's), and so are impedance, stated error and gradient
    Returns
        SurfaceSolution : far field, pressure anywhere outside, surface pressure, radiation impedances
    Valid for: closed bodies, linear lossless air, at least three elements per wavelength on moving parts (six are good).
    Cost: O(V^2 F) time, 8 V^2 bytes (16 with "reference"), V the vertices on one side of the mirror planes.
    Raises MeshError for an open, inside-out, self-crossing, unsymmetric or too coarse mesh (for "reference", with the
    estimate), and saves the triangles at fault to a file that it names;
    DataError for bad frequencies or velocities;
    EvenfieldError when memory is short.
    Source: Burton & Miller, Proc. R. Soc. A 323 (1971) 201, doi 10.1098/rspa.1971.0097.
    """
    found = iterate_surface(mesh, frequency_hz, motion, axis, velocity, mirror, air, accuracy, device, solver, progress, plane)
    return SurfaceSolution(tuple(found))
