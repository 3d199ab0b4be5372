"""What a solve of a meridian returns: pressure on the surface, and from it the field anywhere."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base import DataError, message
from evenfield.data import Directions
from evenfield.data.mesh import PartName
from evenfield.radiation import meridian_field
from evenfield.radiation.meridian_field import Boundary
from evenfield.radiation.meridian_matrix import Complex
from evenfield.radiation.meridian_motion import Sources
from evenfield.radiation.sweep import Sweep

if TYPE_CHECKING:
    from evenfield.radiation.meridian import MeridianProblem

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class MeridianStatistics:
    """What a solve took.

    unknowns : pressures (and derivatives in a mouth) solved for; elements : on the line
    seconds : (F,) of one thread; bytes : of one frequency's matrix; nodes_per_wavelength : (F,) on the coarsest moving part
    notes : what to know about the result (coarse parts), one line each
    """

    unknowns: int
    elements: int
    seconds: Floats
    bytes: int
    nodes_per_wavelength: Floats
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class MeridianFrequency:
    """One frequency's solution; see MeridianSolution, whose arrays have a frequency axis last.

    sources : normal velocities; wall : boundary of the domain that the moving parts face; outside : of the space in front
    matrix : of the linear system, where it was to be kept
    """

    problem: MeridianProblem = field(repr=False)
    frequency_hz: float
    sources: Sources = field(repr=False)
    wall: Boundary = field(repr=False)
    outside: Boundary = field(repr=False)
    seconds: float
    error_db: float
    nodes_per_wavelength: float
    notes: tuple[str, ...] = ()
    matrix: Complex | None = field(default=None, repr=False)

    @property
    def parts(self) -> tuple[PartName, ...]:
        """Names of the moving parts or patterns: the order of the first axis everywhere."""
        return self.problem.parts

    @property
    def wavenumber(self) -> float:
        """rad/m."""
        return float(self.problem.air.wavenumber(self.frequency_hz))

    def far_field(self, directions: Directions | ArrayLike) -> Complex:
        """(part, D) lim r p e^{jkr} about (0, 0, 0), Pa at 1 m per 1 m/s, towards unit vectors (D, 3) or angles (D,) rad.

        Angles are from the x axis, at azimuth 0. Silent behind an infinite baffle.
        """
        cosine, azimuth = to_angles(directions)
        return meridian_field.far_field(self.outside, self.wavenumber, cosine, azimuth)

    def pressure_at(self, points: ArrayLike) -> Complex:
        """(part, P) pressure, Pa per 1 m/s, at points (P, 3) m, or (P, 2) as x and r, in the air. Raises DataError elsewhere."""
        x = np.asarray(points, float)
        if x.ndim != 2 or x.shape[1] not in (2, 3) or not np.all(np.isfinite(x)):
            raise DataError(message("points", "a finite (P, 3) or (P, 2) array", f"shape {x.shape}"))
        place = np.column_stack([x[:, 0], np.abs(x[:, 1]) if x.shape[1] == 2 else np.hypot(x[:, 1], x[:, 2])])
        azimuth = np.zeros(len(x)) if x.shape[1] == 2 else np.arctan2(x[:, 2], x[:, 1])
        within = self._within(place)
        result = np.empty((len(self.parts), len(x)), complex)
        for boundary, chosen in ((self.outside, ~within), (self.wall, within)):
            if np.any(chosen):
                effort = self.problem.solver.ring_effort
                result[:, chosen] = meridian_field.pressure_at(boundary, self.wavenumber, effort, place[chosen])
        return np.asarray(result * np.cos(self.problem.order * azimuth))

    def _within(self, place: Floats) -> NDArray[np.bool_]:
        """(P,) in a recess. Raises DataError for points that are not in the air."""
        recess = self.problem.where == "recess"
        within = place[:, 0] < 0 if recess else np.zeros(len(place), bool)
        meridian_field.refuse_close(self.wall, place)
        share = meridian_field.solid_share(self.wall, place)
        bad = np.where(within, share < 0.5, (share < -0.5) & (not recess))
        if self.problem.where == "in front":
            bad |= place[:, 0] < 0
        if np.any(bad):
            at = int(np.argmax(bad))
            raise DataError(message("points", "in the air", f"x = {place[at, 0]:.4g} m, r = {place[at, 1]:.4g} m, in the body "
                                    "or behind the baffle", where=f"point {at}, {int(bad.sum())} such"))  # fmt: skip
        return within

    @property
    def surface_pressure(self) -> Complex:
        """(part, N) pressure at the meridian's points at azimuth 0, Pa per 1 m/s."""
        p = self.problem
        solved = np.asarray(self.wall.pressure[:, p.point_dof])
        if p.cut == 0:
            return solved
        rim = np.column_stack([np.zeros(p.cut), p.meridian.points[: p.cut, 1]])
        before = meridian_field.pressure_at(self.outside, self.wavenumber, p.solver.ring_effort, rim)
        return np.concatenate([before, solved], axis=1)

    @property
    def radiation_impedance(self) -> Complex:
        """(part, part) generalised force on the first part per unit velocity of the second, N s/m.

        The integral of the pressure times the part's own motion shape; its real part radiates. With `velocity=` the
        shapes are the conjugate velocities, so that the diagonal's real part is the radiated power.
        """
        points, pressure, _ = self.wall.at_gauss_points()
        shape = meridian_field.strengths(self.wall.grid, self.sources.conjugate(), points) * points["w"] * points["r"]
        round_axis = 2 * np.pi if self.problem.order == 0 else np.pi
        count = len(pressure)
        return np.asarray(round_axis * shape.reshape(count, -1) @ pressure.reshape(count, -1).T)

    @property
    def volume_velocity(self) -> Complex:
        """(part,) m3/s into the air per unit motion of each part."""
        if self.problem.order > 0:
            return np.zeros(len(self.parts), complex)
        points, _, _ = self.wall.at_gauss_points()
        shape = meridian_field.strengths(self.wall.grid, self.sources, points) * points["w"] * points["r"]
        return np.asarray(2 * np.pi * shape.reshape(len(shape), -1).sum(axis=1))


@dataclass(frozen=True)
class MeridianSolution(Sweep[MeridianFrequency]):
    """Sound radiated by each moving part of a body of revolution, all else rigid. e^{+j omega t}, RMS phasors.

    frequency_hz : (F,). The methods add that axis last to those of MeridianFrequency.
    """

    @property
    def statistics(self) -> MeridianStatistics:
        """Unknowns, seconds, bytes, notes."""
        p = self.frequencies[0].problem
        return MeridianStatistics(
            unknowns=p.unknowns,
            elements=self.frequencies[0].wall.body.count,
            seconds=np.array([s.seconds for s in self.frequencies]),
            bytes=16 * p.unknowns**2,
            nodes_per_wavelength=np.array([s.nodes_per_wavelength for s in self.frequencies]),
            notes=self.notes,
        )


def to_angles(directions: Directions | ArrayLike) -> tuple[Floats, Floats]:
    """Cosine of the angle from the axis, and azimuth (0 towards +y)."""
    if not isinstance(directions, Directions):
        given = np.asarray(directions, float)
        if given.ndim <= 1:
            if not np.all(np.isfinite(given)):
                raise DataError(message("directions", "finite angles", "a value that is not"))
            return np.cos(np.atleast_1d(given)), np.zeros(given.size)
        directions = Directions(given)
    v = directions.vectors
    return v[:, 0], np.arctan2(v[:, 2], v[:, 1])
