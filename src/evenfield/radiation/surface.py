"""Exterior sound field of a closed body with moving parts: Galerkin boundary elements, Burton-Miller.

Linear continuous pressure, constant velocity on each triangle. See docs/theory/radiation.md.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base import Air, DataError, message
from evenfield.data import SurfaceMesh
from evenfield.data.mesh import Mirror, PartName
from evenfield.data.mesh_faults import check_body
from evenfield.radiation.block_gmres import solve_in_step
from evenfield.radiation.surface_body import SurfaceBody, reduce_body
from evenfield.radiation.surface_checks import (
    check_device,
    check_frequencies,
    check_memory,
    check_resolution,
    part_edges,
)
from evenfield.radiation.surface_error import hold_reference, part_errors_db
from evenfield.radiation.surface_matrix import SurfaceMatrix
from evenfield.radiation.surface_motion import Motion, check_symmetric, check_velocity, part_motion
from evenfield.radiation.surface_solution import FrequencySolution, SurfaceSolution
from evenfield.radiation.surface_solver import Accuracy, SurfaceSolver, choose_solver

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
    Attributes
        parts, body, system, air, solver
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
    ) -> None:
        mesh.check_closed()
        self.mesh = mesh
        self.air = air or Air()
        self.solver = choose_solver(accuracy, solver)
        self.holds_reference = solver is None and accuracy == "reference"
        self.mirror: Mirror = mesh.mirror if mirror is None else mirror
        self.motion = None if patterns is not None else part_motion(mesh, motion, axis)
        self.parts: tuple[PartName, ...] = patterns if self.motion is None else self.motion.parts  # type: ignore[assignment]
        self.axis = np.asarray(axis, float) / np.linalg.norm(axis) if self.motion is not None and motion == "axial" else None
        self.body: SurfaceBody = reduce_body(mesh, self.mirror)
        if self.motion is not None:
            check_symmetric(mesh, self.motion.shape.astype(complex), self.mirror)
        self.system = SurfaceMatrix(self.body, self.solver)
        self.edges = part_edges(mesh)
        self._matrix: Complex | None = None
        self._matrix_wavenumber = math.nan

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
        matrix = self.matrix_at(k)
        right = self.system.right_sides(k, derivative)
        found = solve_in_step(matrix, right, self.solver.tolerance, self.solver.max_iterations, self.solver.worker_count)
        pressure = np.ascontiguousarray(found.solution.T)
        errors = part_errors_db(self.body, self.system.grid, k, pressure, derivative, self.solver.worker_count)
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
            notes=notes,
        )

    def matrix_at(self, wavenumber: float) -> Complex:
        """The system's matrix (V', V'); the one in memory where it is of this wavenumber, else assembled in its place."""
        if self._matrix is None:
            check_memory(self.system.bytes_needed, self.solver.precision)
        elif self._matrix_wavenumber == wavenumber:
            return self._matrix
        self._matrix_wavenumber = math.nan  # an interrupted assembly leaves nothing to be used
        self._matrix = self.system.assemble(wavenumber, self._matrix)
        self._matrix_wavenumber = wavenumber
        return self._matrix

    def release(self) -> None:
        """Give the matrix's memory back; the next solve takes it anew."""
        self._matrix = None

    def _velocity(self, velocity: ArrayLike | None) -> Complex:
        if self.motion is not None:
            if velocity is not None:
                raise DataError(message("velocity", "left out for a problem of parts", "given", fix="patterns="))
            return self.motion.shape.astype(complex)
        if velocity is None:
            raise DataError(message("velocity", "given for a problem of patterns", None))
        shape = check_velocity(np.asarray(velocity)[..., None], len(self.mesh.triangles), 1)[..., 0]
        if len(shape) != len(self.parts):
            raise DataError(message("velocity", f"one pattern for each of {self.parts}", len(shape)))
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
) -> Iterator[FrequencySolution]:
    """As `solve_surface`, one frequency at a time, so that a caller can keep each and resume after a stop."""
    frequencies = check_frequencies(frequency_hz)
    check_device(device)
    check_body(mesh)
    given = None if velocity is None else check_velocity(velocity, len(mesh.triangles), len(frequencies))
    patterns = None if given is None else tuple(range(1, len(given) + 1))
    problem = SurfaceProblem(mesh, motion, axis, mirror, air, solver, accuracy, patterns)
    edges, speed = problem.edges, problem.air.speed_of_sound
    check_resolution(edges, float(frequencies.max()), speed)
    check_memory(problem.system.bytes_needed, problem.solver.precision)
    for i, f in enumerate(frequencies):
        yield problem.solve(float(f), None if given is None else given[:, :, i])
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
        device : "auto", "cpu" or "gpu"
        progress : called with (done, total) after each frequency
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
    found = iterate_surface(mesh, frequency_hz, motion, axis, velocity, mirror, air, accuracy, device, solver, progress)
    return SurfaceSolution(tuple(found))
