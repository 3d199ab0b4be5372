"""Sound field of a body flush in an infinite rigid baffle: flat parts, recesses and protrusions of any shape, in 3-D."""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base import Air, DesignError, MeshError, message
from evenfield.data import SurfaceMesh
from evenfield.data.mesh import Mirror, PartName
from evenfield.data.mesh_faults import check_simple
from evenfield.radiation.block_gmres import Iteration
from evenfield.radiation.flush_body import FlushBody, split_body
from evenfield.radiation.flush_error import flush_errors_db
from evenfield.radiation.flush_matrix import FlushMatrix
from evenfield.radiation.flush_solution import FlushFrequency, FlushSolution
from evenfield.radiation.flush_solve import JoinedSystem
from evenfield.radiation.gpu_device import choose_devices
from evenfield.radiation.solver_rules import Accuracy
from evenfield.radiation.surface_checks import check_frequencies, check_memory, check_resolution, part_edges
from evenfield.radiation.surface_error import hold_reference
from evenfield.radiation.surface_motion import Motion, check_symmetric, part_motion
from evenfield.radiation.surface_solver import SurfaceSolver, choose_solver
from evenfield.radiation.velocities import given_patterns, no_velocity, pattern_velocity

Complex = NDArray[np.complexfloating[Any, Any]]
Progress = Callable[[int, int], None]


class FlushProblem:
    """A body in a baffle made ready once, to be solved at any frequency. Parameters as `solve_flush`.

    patterns : names of velocity patterns, to be given at each solve, in place of parts
    device : "auto" or "cpu"; both solve on the CPU, and "auto" says so where there are GPUs
    body : the mesh already cut into its domains, where another cut than `split_body`'s is wanted
    Attributes
        parts, body (FlushBody), system, air, solver
    Raises MeshError for triangles that cross the baffle's plane or parts that move behind it, DesignError for another device.
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
        device: str = "auto",
        body: FlushBody | None = None,
    ) -> None:
        self.mesh = mesh
        self.notes = check_device(device)
        self.air = air or Air()
        self.solver = choose_solver(accuracy, solver)
        self.holds_reference = solver is None and accuracy == "reference"
        self.mirror: Mirror = mesh.mirror if mirror is None else mirror
        self.motion = None if patterns is not None else part_motion(mesh, motion, axis)
        self.parts: tuple[PartName, ...] = patterns if self.motion is None else self.motion.parts  # type: ignore[assignment]
        self.axis = np.asarray(axis, float) / np.linalg.norm(axis) if self.motion is not None and motion == "axial" else None
        self.body: FlushBody = body or split_body(mesh, self.mirror)
        if self.motion is not None:
            check_symmetric(mesh, self.motion.shape.astype(complex), self.mirror)
        self.system = FlushMatrix(self.body, self.solver)
        front = SurfaceMesh(mesh.vertices, mesh.triangles[~self.body.behind], mesh.part[~self.body.behind])
        self.edges = part_edges(front)
        self._joined: tuple[JoinedSystem, Complex] | None = None
        self._joined_wavenumber = math.nan
        self._memory: Complex | None = None
        self._turn = threading.RLock()

    def solve(self, frequency_hz: float, velocity: ArrayLike | None = None) -> FlushFrequency:
        """The sound field at one frequency; `velocity` (K, T) complex normal velocities, m/s, for a problem of patterns.

        Cost: time and memory of the square of the unknowns. Raises DataError, MeshError (too coarse).
        """
        start = time.perf_counter()
        frequency = float(check_frequencies(frequency_hz)[0])
        shape = self._velocity(velocity)
        density, notes = check_resolution(self.edges, frequency, self.air.speed_of_sound)
        k = float(self.air.wavenumber(frequency))
        derivative = -1j * 2 * np.pi * frequency * self.air.density * shape
        system = self.system
        with self._turn:
            joined, right, flat = self._assembled(k, derivative)
            found = self._solved(joined, right)
        unknown, n, wall = found.solution, system.unknowns, int(system.first[-1])
        solution = FlushFrequency(
            problem=self,
            frequency_hz=frequency,
            wall_pressure=tuple(np.ascontiguousarray(unknown[system.rows(i)].T) for i in range(len(system.walls))),
            flat_load=np.asarray((flat[:, :n] @ unknown + flat[:, n:]).T),
            derivative=derivative,
            plane_values=system.plane_values(derivative, np.asarray(unknown[wall:].T)),
            iterations=found.iterations,
            seconds=time.perf_counter() - start,
            elements_per_wavelength=density,
            notes=(*notes, *self.notes),
        )
        errors = flush_errors_db(solution)
        if self.holds_reference:
            hold_reference(errors, self.parts, frequency)
        return solution.stating(errors, time.perf_counter() - start)

    def joined_at(self, wavenumber: float, derivative: Complex) -> tuple[JoinedSystem, Complex]:
        """The joined system and the loads of flat elements (T', n) by its unknowns; those in memory where of this wavenumber."""
        with self._turn:
            if self._joined is None or self._joined_wavenumber != wavenumber:
                self._assembled(wavenumber, derivative)
            assert self._joined is not None
            return self._joined

    def solve_transposed(self, wavenumber: float, derivative: Complex, right: Complex) -> Iteration:
        """The transposed system solved for right (n, K), for gradients."""
        with self._turn:
            return self._solved(self.joined_at(wavenumber, derivative)[0], right, transposed=True)

    def lend(self, memory: Complex) -> None:
        """Put the matrix into memory (n,) of its own type instead of fresh memory, which is slow, where it is large enough."""
        self.release()
        if memory.dtype == self.system.complex and memory.size >= self.system.unknowns**2:
            self._memory = memory

    def release(self) -> None:
        """Give the matrix's memory back; the next solve takes it anew."""
        with self._turn:
            self._joined = self._memory = None
            self._joined_wavenumber = math.nan
            self.system.release()

    def _assembled(self, wavenumber: float, derivative: Complex) -> tuple[JoinedSystem, Complex, Complex]:
        """The joined system in its memory, kept until the next, right-hand sides and the loads of flat elements."""
        self._joined, self._joined_wavenumber = None, math.nan  # an interrupted assembly leaves nothing to be used
        if self._memory is None:
            check_memory(self.system.bytes_needed, self.solver.precision)
            self._memory = np.empty(self.system.unknowns**2, self.system.complex)
        blocks, right, flat = self.system.assemble(wavenumber, derivative, self._memory)
        joined = JoinedSystem(blocks)
        self._joined, self._joined_wavenumber = (joined, flat[:, : self.system.unknowns]), wavenumber
        return joined, right, flat

    def _solved(self, joined: JoinedSystem, right: Complex, transposed: bool = False) -> Iteration:
        if not self.system.unknowns:
            return Iteration(right, np.zeros(right.shape[1], np.int64), np.zeros(right.shape[1]))
        s = self.solver
        return joined.solve(right, s.tolerance, s.max_iterations, s.worker_count, transposed)

    def _velocity(self, velocity: ArrayLike | None) -> Complex:
        if self.motion is not None:
            no_velocity(velocity)
            return self.motion.shape.astype(complex)
        shape = pattern_velocity(velocity, len(self.mesh.triangles), self.parts)
        check_symmetric(self.mesh, shape, self.mirror)
        if np.any(shape[:, self.body.behind] != 0):
            raise MeshError(message("velocity", "zero on what lies behind the baffle or is part of it", "not zero"))
        return shape


def check_device(device: str) -> tuple[str, ...]:
    """What there is to say about solving on the CPU. Raises DesignError for "gpu" or a name that is none."""
    if device == "gpu":
        raise DesignError(
            message(
                "device", '"auto" or "cpu" for a body flush in a baffle', device,
                cause="The GPU's kernels are those of free-standing bodies", fix='"auto", which solves a flush body on the CPU',
            )
        )  # fmt: skip
    return ("A body flush in a baffle is solved on the CPU; the GPUs stay idle",) if choose_devices(device) else ()


def iterate_flush(
    mesh: SurfaceMesh,
    frequency_hz: ArrayLike,
    motion: Motion = "normal",
    axis: ArrayLike = (1.0, 0.0, 0.0),
    velocity: ArrayLike | None = None,
    mirror: Mirror = None,
    air: Air | None = None,
    accuracy: Accuracy = "engineering",
    solver: SurfaceSolver | None = None,
    progress: Progress | None = None,
    device: str = "auto",
) -> Iterator[FlushFrequency]:
    """As `solve_flush`, one frequency at a time, so that a caller can keep each and resume after a stop."""
    frequencies = check_frequencies(frequency_hz)
    check_device(device)
    check_simple(mesh)
    given, patterns = given_patterns(velocity, len(mesh.triangles), len(frequencies))
    problem = FlushProblem(mesh, motion, axis, mirror, air, solver, accuracy, patterns, device)
    check_resolution(problem.edges, float(frequencies.max()), problem.air.speed_of_sound)
    check_memory(problem.system.bytes_needed, problem.solver.precision)
    for i, f in enumerate(frequencies):
        yield problem.solve(float(f), None if given is None else given[:, :, i])
        if progress is not None:
            progress(i + 1, len(frequencies))


def solve_flush(
    mesh: SurfaceMesh,
    frequency_hz: ArrayLike,
    motion: Motion = "normal",
    axis: ArrayLike = (1.0, 0.0, 0.0),
    velocity: ArrayLike | None = None,
    mirror: Mirror = None,
    air: Air | None = None,
    accuracy: Accuracy = "engineering",
    solver: SurfaceSolver | None = None,
    progress: Progress | None = None,
    device: str = "auto",
) -> FlushSolution:
    """Sound radiated into the half-space x > 0 by the moving parts of a body set flush in an infinite rigid baffle x = 0.

    Parameters
        mesh : SurfaceMesh, the whole body with its front face in x = 0, or the front's elements alone (open towards the baffle).
            Still triangles in the plane become part of the baffle, moving ones are pistons in it; hollows behind the plane
            are recesses open to the front, what stands out radiates as it stands; the rest of the body is behind the baffle
        frequency_hz : (F,) float > 0
        motion, axis, velocity, mirror, accuracy, solver, progress : as `solve_surface`
        device : "auto" or "cpu": flush bodies are solved on the CPU
    Returns
        FlushSolution : far field (zero behind the baffle), pressure in front and in the recesses, radiation impedances
    Valid for: linear lossless air, at least three elements per wavelength on moving parts (six are good).
    Cost: O(N^2 F), N the vertices in front and in recesses and the elements across the mouths, on one side of the mirror planes.
    Raises MeshError for triangles that cross the plane, parts that move behind it, a mesh that is unsymmetric or too coarse;
    DataError for bad frequencies or velocities; DesignError for device="gpu"; EvenfieldError when memory is short.
    Source: Rayleigh, Theory of Sound, section 278 (the half-space); Burton & Miller 1971 for what stands out.
    """
    found = iterate_flush(mesh, frequency_hz, motion, axis, velocity, mirror, air, accuracy, solver, progress, device)
    return FlushSolution(tuple(found))
