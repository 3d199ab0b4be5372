"""Sound field of a body of revolution with moving parts: Galerkin boundary elements on its meridian, Burton-Miller.

Quadratic (or linear) continuous pressure on curved elements. See docs/theory/meridian.md.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from evenfield.base import Air, DataError, DesignError, message
from evenfield.data import Meridian
from evenfield.data.mesh import PartName
from evenfield.radiation.meridian_body import Elements, MeridianBody, build_body
from evenfield.radiation.meridian_checks import check_resolution, check_shape, coarseness, expected_error_db, part_steps
from evenfield.radiation.meridian_field import Boundary
from evenfield.radiation.meridian_matrix import Complex, MeridianMatrix
from evenfield.radiation.meridian_motion import (
    Motion,
    Sources,
    add_sources,
    nodal_sources,
    part_names,
    part_sources,
    scale_sources,
    velocity_sources,
)
from evenfield.radiation.meridian_recess import FILM_ERROR_DB, Recess, film_note, without_film
from evenfield.radiation.meridian_solution import MeridianFrequency, MeridianSolution
from evenfield.radiation.meridian_solver import MeridianSolver, choose_solver
from evenfield.radiation.solver_rules import Accuracy
from evenfield.radiation.surface_checks import check_frequencies
from evenfield.radiation.velocities import given_patterns, no_velocity, pattern_velocity
from evenfield.radiation.workers import in_order

Progress = Callable[[int, int], None]

FILM_NOTE = "a moving part lies within a hundredth of a step of the baffle: the film of air before it is not resolved"


class MeridianProblem:
    """A body of revolution made ready once, to be solved at any frequency. Parameters as `solve_meridian`.

    patterns : names of velocity patterns, to be given at each solve, in place of parts
    Attributes
        parts, where ("free", "in front", "recess"), body, unknowns
        line, cut : what is solved, and how many of the meridian's points were left out before it (see `without_film`)
        point_dof : the unknown at each of the line's points
    """

    def __init__(
        self,
        meridian: Meridian,
        motion: Motion = "normal",
        baffle: bool = False,
        air: Air | None = None,
        accuracy: Accuracy = "engineering",
        order: int = 0,
        elements: Elements = "quadratic",
        solver: MeridianSolver | None = None,
        patterns: tuple[PartName, ...] | None = None,
    ) -> None:
        if not (isinstance(order, int | np.integer) and 0 <= order <= 8):
            raise DesignError(message("order", "a whole number from 0 to 8", order))
        self.meridian, self.order, self.air = meridian, int(order), air or Air()
        self.motion = motion
        self.solver = choose_solver(accuracy, solver)
        self.line, self.cut, self.film = without_film(meridian) if baffle else (meridian, 0, False)
        self.where = check_shape(self.line, baffle, self.cut)
        self.recess = Recess(self.line, elements, self.solver, self.order) if self.where == "recess" else None
        self.body: MeridianBody = (
            self.recess.body if self.recess else build_body(meridian, elements, self.solver.corner_deg, baffle, side=int(baffle))
        )
        self.system = self.recess.inner if self.recess else MeridianMatrix(self.body, self.solver, self.order)
        self.shapes: Sources | None = None
        if patterns is None:
            self.parts = part_names(meridian)
            self.shapes = part_sources(self.body, self.parts, motion, self.order)
        else:
            self.parts = patterns
        self.steps = part_steps(self.line, self.parts if patterns is None else ())
        self.point_dof = self.body.point_dof[self.added :]
        self.fixed = self._axis_dofs()
        self.shape = coarseness(self.line, self.body, self.solver.corner_deg, self.where)

    @property
    def added(self) -> int:
        """Points of the mouth before the meridian's own."""
        return self.recess.added if self.recess else 0

    @cached_property
    def notes(self) -> tuple[str, ...]:
        """What to know at every frequency."""
        return (film_note(self.meridian, self.cut),) * (self.cut > 0) + (FILM_NOTE,) * self.film

    @property
    def unknowns(self) -> int:
        """Of the linear system."""
        return self.body.unknowns + (self.recess.extra if self.recess else 0)

    def solve(self, frequency_hz: float, velocity: ArrayLike | None = None, keep: bool = False) -> MeridianFrequency:
        """The field at one frequency; `velocity` (K, S) complex normal velocities, m/s, for a problem of patterns.

        `keep` the matrix, 16 n^2 bytes, for a gradient to be taken.
        """
        began = time.perf_counter()
        frequency = float(check_frequencies(frequency_hz)[0])
        sources = self._sources(velocity)
        nodes, notes = self.check(frequency)
        matrix, right = self.assemble(frequency, sources)
        factor = self.derivative_factor(frequency)
        found = np.asarray(np.linalg.solve(matrix, factor * right).T, np.complex128)
        n = self.body.unknowns
        wall, outside = self.boundaries(found[:, :n], found[:, n:], scale_sources(sources, factor))
        error = expected_error_db(nodes, self.body.degree, self.shape, self.air.speed_of_sound / frequency)
        error = max(error, FILM_ERROR_DB) if self.film else error
        seconds = time.perf_counter() - began
        kept = matrix if keep else None
        return MeridianFrequency(self, frequency, sources, wall, outside, seconds, error, nodes, notes, kept)

    def check(self, frequency_hz: float) -> tuple[float, tuple[str, ...]]:
        """Nodes per wavelength on the coarsest moving part, and notes. Raises MeshError for a line too coarse."""
        widest = float(self.line.points[:, 1].max())
        nodes, notes = check_resolution(self.steps, widest, frequency_hz, self.air.speed_of_sound)
        return nodes, (*notes, *self.notes)

    def derivative_factor(self, frequency_hz: float) -> complex:
        """Normal derivative of the pressure per unit normal velocity, -j omega rho."""
        return -2j * np.pi * frequency_hz * self.air.density

    def assemble(self, frequency_hz: float, sources: Sources) -> tuple[Complex, Complex]:
        """The linear system at a frequency, right-hand sides for unit normal derivative."""
        k = float(self.air.wavenumber(frequency_hz))
        if self.recess:
            matrix, right = self.recess.assemble(k, sources)
        else:
            matrix, right = self.system.assemble(k, self.system.coupling(k), sources)
        matrix[self.fixed], right[self.fixed] = 0, 0
        matrix[self.fixed, self.fixed] = 1
        return matrix, right

    def boundaries(self, pressure: Complex, mouth: Complex, derivative: Sources) -> tuple[Boundary, Boundary]:
        """Boundary values of the domain of the moving parts, and of the space in front."""
        pressure = np.ascontiguousarray(pressure)
        if not self.recess:
            whole = Boundary(self.body, self.system.grid, self.order, pressure, derivative)
            return whole, whole
        r = self.recess
        total = add_sources(self.body, derivative, nodal_sources(self.body, r.mouth, mouth))
        wall = Boundary(self.body, self.system.grid, self.order, pressure, total)
        front = nodal_sources(r.outside, r.mouth, -mouth)
        still = np.zeros((len(pressure), r.outside.unknowns), complex)
        return wall, Boundary(r.outside, r.outer.grid, self.order, still, front)

    def _axis_dofs(self) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
        """Unknowns on the axis, zero in Fourier orders above 0."""
        if self.order == 0:
            return np.zeros(0, np.int64)
        ends = [0, self.body.unknowns - 1]
        fixed = [d for d, r in zip(ends, self.body.points[[0, -1], 1], strict=True) if r < 1e-9 * np.abs(self.body.points).max()]
        return np.array(fixed + ([self.body.unknowns] if self.recess else []), np.int64)

    def _sources(self, velocity: ArrayLike | None) -> Sources:
        if self.shapes is not None:
            no_velocity(velocity)
            return self.shapes
        given = pattern_velocity(velocity, len(self.meridian.part), self.parts)
        if np.any(given[:, : self.cut]):
            raise DataError(message("velocity", f"zero on the first {self.cut} segments", "a motion there",
                                    cause="They lie in the baffle's plane, as part of it"))  # fmt: skip
        still = np.zeros((len(given), self.added), complex)
        return velocity_sources(self.body, np.concatenate([still, given[:, self.cut :]], axis=1))


def solve_meridian(
    meridian: Meridian,
    frequency_hz: ArrayLike,
    motion: Motion = "normal",
    velocity: ArrayLike | None = None,
    baffle: bool = False,
    air: Air | None = None,
    accuracy: Accuracy = "engineering",
    order: int = 0,
    elements: Elements = "quadratic",
    solver: MeridianSolver | None = None,
    progress: Progress | None = None,
) -> MeridianSolution:
    """Sound radiated by each moving part of a body of revolution, all other walls rigid.

    Parameters
        meridian : Meridian. In free space, from the rear pole to the front pole. With `baffle`, the space is the half x > 0
            in front of an infinite rigid plane x = 0, and the line starts on that plane, off the axis, and ends on the axis: in
            front of it (x >= 0; a flush piston lies in it), or behind it, as a recess whose mouth is the first point's circle;
            a rigid wall that runs into the plane tangentially ends where less than a hundredth of a step is left (noted)
        frequency_hz : (F,) float > 0
        motion : "normal" (unit normal velocity everywhere on the part) or "axial" (unit velocity along x; at order 1, rocking:
            1 rad/s about the line across the axis through the centre of the part's widest circle)
        velocity : (S, F) or (K, S, F) complex normal velocities of the segments, m/s: K patterns, numbered from 1, in place of
            the parts
        accuracy : "engineering" or "reference"; `solver` (MeridianSolver) overrides
        order : Fourier order m: velocities and pressures go like cos(m azimuth), azimuth 0 towards +y
        elements : "quadratic" (two segments of a smooth line make one curved element) or "linear" (each segment one)
        progress : called with (done, total) after each frequency
    Returns
        MeridianSolution : far field, pressure anywhere in the air, surface pressure, radiation impedances
    Valid for: linear lossless air, at least three points per wavelength on moving parts (ten are good), 2 k r up to about 300.
    Cost: O(N^2) kernels and O(N^3) for the solution of N unknowns, each frequency on one thread.
    Raises MeshError for a line that is not closed, runs backwards, crosses itself or is too coarse; DataError for bad frequencies
    or velocities; DesignError for a bad order or accuracy.
    Source: Burton & Miller, Proc. R. Soc. A 323 (1971) 201, doi 10.1098/rspa.1971.0097.
    """
    frequencies = check_frequencies(frequency_hz)
    given, patterns = given_patterns(velocity, len(meridian.part), len(frequencies))
    problem = MeridianProblem(meridian, motion, baffle, air, accuracy, order, elements, solver, patterns)
    problem.check(float(frequencies.max()))

    def work(i: int) -> MeridianFrequency:
        return problem.solve(float(frequencies[i]), None if given is None else given[:, :, i])

    # the slowest first, so that no thread is left alone with one at the end
    slowest_first = sorted(range(len(frequencies)), key=lambda i: -frequencies[i])
    found: dict[int, MeridianFrequency] = {}
    for i, solution in zip(slowest_first, in_order(work, slowest_first, problem.solver.worker_count), strict=True):
        found[i] = solution
        if progress is not None:
            progress(len(found), len(frequencies))
    return MeridianSolution(tuple(found[i] for i in range(len(frequencies))))
