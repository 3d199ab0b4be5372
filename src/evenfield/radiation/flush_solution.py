"""What a flush solve returns: pressure on walls, velocities in the mouths, and from them the field in front."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree

from evenfield.base import DataError, message
from evenfield.data import Directions
from evenfield.data.mesh import PartName
from evenfield.radiation import surface_field
from evenfield.radiation.flush_body import BAFFLE
from evenfield.radiation.surface_body import SurfaceBody
from evenfield.radiation.surface_solution import SurfaceStatistics
from evenfield.radiation.sweep import Sweep
from evenfield.radiation.workers import in_order, spans

if TYPE_CHECKING:
    from evenfield.radiation.flush import FlushProblem

Complex = NDArray[np.complexfloating[Any, Any]]
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class FlushFrequency:
    """One frequency's solution; see FlushSolution, whose arrays have a frequency axis last.

    wall_pressure : for each recess, then what stands out, (part, V') Pa on its solved vertices
    flat_load : (part, T') N, integral of the pressure over each moving flat element
    derivative : (part, T) Pa/m, given on the mesh's triangles; plane_values : (part, T'') found in the plane
    part_error_db : (part,) estimated error of each part's level
    """

    problem: FlushProblem = field(repr=False)
    frequency_hz: float
    wall_pressure: tuple[Complex, ...] = field(repr=False)
    flat_load: Complex = field(repr=False)
    derivative: Complex = field(repr=False)
    plane_values: Complex = field(repr=False)
    iterations: NDArray[np.int64]
    seconds: float
    elements_per_wavelength: float
    notes: tuple[str, ...] = ()
    part_error_db: Floats = field(default_factory=lambda: np.zeros(0))

    def stating(self, error_db: Floats, seconds: float) -> FlushFrequency:
        """The same with its error."""
        return replace(self, part_error_db=error_db, seconds=seconds)

    @property
    def parts(self) -> tuple[PartName, ...]:
        """Names of the moving parts or patterns: the order of the first axis everywhere."""
        return self.problem.parts

    @property
    def error_db(self) -> float:
        """Estimated error of the worst part's level, dB, in front, within 20 dB of its maximum."""
        return float(self.part_error_db.max())

    @property
    def wavenumber(self) -> float:
        """rad/m."""
        return float(self.problem.air.wavenumber(self.frequency_hz))

    @property
    def solved_pressure(self) -> Complex:
        """(part, unknowns) all that was solved for: pressures on the walls, then derivatives in the mouths."""
        mouths = self.plane_values[:, : self.problem.system.basis.mouths]
        return np.concatenate([*self.wall_pressure, mouths], axis=1)

    def far_field(self, directions: Directions | ArrayLike) -> Complex:
        """(part, D) lim r p e^{jkr} about (0, 0, 0), Pa at 1 m per 1 m/s, towards unit vectors (D, 3); zero behind the baffle.

        Along the baffle itself (x = 0) the pressure in front.
        """
        u = (directions if isinstance(directions, Directions) else Directions(np.asarray(directions, float))).vectors
        p, k = self.problem, self.wavenumber
        result: Complex = np.zeros((len(self.parts), len(u)), complex)
        front = np.flatnonzero(u[:, 0] > -1e-12)
        result[:, front] = self._plane_far_field(u[front])
        if p.body.proud is not None:
            wall = p.system.walls[-1].system
            q = self.derivative[:, p.body.proud.full_triangle]
            result[:, front] += surface_field.far_field(
                p.body.proud, wall.grid, k, self.wall_pressure[-1], q, u[front], p.solver.worker_count, p.system.real
            )
        return result

    def gradient(
        self,
        directions: Directions | ArrayLike = (),
        far_field_bar: ArrayLike | None = None,
        impedance_bar: ArrayLike | None = None,
    ) -> Floats:
        """(V, 3) gradient of a real function J of the far field F and the radiation impedance Z by the mesh's vertices, 1/m.

        Parameters, returns, cost and errors as `FrequencySolution.gradient`.
        Valid for: vertices that keep to their side of the baffle. Those in its plane (rims, flat parts, what is closed as a film,
        `flush_body.FILM`) move in the plane only: their derivative across it is given as zero. Of rim vertices it is the
        derivative with the triangles across the mouth following (see `flush_follow`, and `flush_moved` for differences of
        the same); of vertices behind the baffle and of still flat parts it is zero.
        Source: Giles & Pierce, Flow Turbul. Combust. 65 (2000) 393, section 2 (discrete adjoint).
        """
        from evenfield.radiation.flush_adjoint import flush_gradient

        if far_field_bar is None:
            return flush_gradient(self, np.zeros((0, 3)), None, impedance_bar)
        u = directions if isinstance(directions, Directions) else Directions(np.asarray(directions, float))
        return flush_gradient(self, u.vectors, far_field_bar, impedance_bar)

    @property
    def _plane_means(self) -> Complex:
        """(part, T'') means of q over the plane's elements."""
        return self.problem.system.basis.on_elements(self.plane_values)

    def _plane_far_field(self, u: Floats) -> Complex:
        p, system = self.problem, self.problem.system
        share = np.asarray((system.points.weight @ self.plane_values.T).T)
        position = system.points.position
        place = np.concatenate([position, 0 * position], axis=1).T
        planes = np.stack([0 * share.real, 0 * share.real, share.real, share.imag], axis=1)
        tables = (np.ascontiguousarray(place.astype(system.real)), np.ascontiguousarray(planes.astype(system.real)))
        total: Complex = np.zeros((len(self.parts), len(u)), complex)
        for image in p.body.images:
            seen, out = np.ascontiguousarray(u * image), np.empty((len(share), 2, len(u)))

            def work(span: tuple[int, int], seen: Floats = seen, out: Floats = out) -> None:
                part = slice(*span)
                surface_field.sum_plane_waves(self.wavenumber, *tables, seen[part], out[:, :, part])

            for _ in in_order(work, spans(len(u), 4 * p.solver.worker_count), p.solver.worker_count):
                pass
            total += out[:, 0] + 1j * out[:, 1]
        return 2 * total

    def pressure_at(self, points: ArrayLike) -> Complex:
        """(part, P) pressure, Pa per 1 m/s, at points (P, 3) m in front of the baffle or in a recess.

        Raises DataError for points elsewhere, or on a surface.
        """
        x = np.asarray(points, float)
        if x.ndim != 2 or x.shape[1] != 3 or not np.all(np.isfinite(x)):
            raise DataError(message("points", "a finite (P, 3) array", f"shape {x.shape}"))
        result: Complex = np.zeros((len(self.parts), len(x)), complex)
        left = x[:, 0] < 0
        front = np.flatnonzero(~left)
        result[:, front] = self._in_front(x[front])
        bodies = self.problem.body
        for number, recess in enumerate(bodies.recesses):
            for image in bodies.images:
                seen = x * image
                within = np.flatnonzero(left & (np.abs(surface_field.solid_angle(recess, seen - recess.origin)) > 2 * np.pi))
                if len(within):
                    surface_field.refuse_on_surface(recess, seen[within] - recess.origin, x[within])
                    result[:, within] = self._in_recess(number, seen[within])
                    left[within] = False
        if np.any(left):
            bad = int(np.flatnonzero(left)[0])
            raise DataError(message("points", "in front of the baffle x = 0 or in a recess", np.round(x[bad], 4).tolist(),
                                    where=f"point {bad}, {int(left.sum())} such"))  # fmt: skip
        return result

    def _in_front(self, x: Floats) -> Complex:
        p = self.problem.body
        nothing = np.zeros((len(self.parts), 3 * len(p.plane)), complex)
        q = self._plane_means
        flat = self._plane_body(np.ones(len(p.plane), bool), p.images)
        total = surface_field.integrate_at(flat, self.wavenumber, nothing, q, x)
        if p.proud is not None:
            place = x - p.proud.origin
            surface_field.refuse_inside(p.proud, place, x)
            given = self.derivative[:, p.proud.full_triangle]
            total += surface_field.integrate_at(p.proud, self.wavenumber, self.wall_pressure[-1], given, place)
        return total

    def _in_recess(self, number: int, x: Floats) -> Complex:
        p = self.problem.body
        wall = p.recesses[number]
        total = surface_field.integrate_at(
            wall, self.wavenumber, self.wall_pressure[number], self.derivative[:, wall.full_triangle], x - wall.origin
        )
        chosen = p.plane.recess == number
        mouth = self._plane_body(chosen, wall.images[: wall.copies])
        q = -self._plane_means[:, chosen]
        return total + surface_field.integrate_at(mouth, self.wavenumber, np.zeros((len(q), 3 * q.shape[1]), complex), q, x)

    def _plane_body(self, chosen: NDArray[np.bool_], images: Floats) -> SurfaceBody:
        """Elements of the plane as a surface of their own, with their images behind the plane."""
        corners = self.problem.body.plane.corners[chosen]
        count = len(corners)
        doubled = np.concatenate([images, images * [-1, 1, 1]])
        return SurfaceBody(
            vertices=corners.reshape(-1, 3), triangles=np.arange(3 * count).reshape(-1, 3), images=doubled,
            full_triangle=np.arange(count), full_vertex=np.arange(3 * count), origin=np.zeros(3), volume=0.0, plane=BAFFLE,
        )  # fmt: skip

    @property
    def surface_pressure(self) -> Complex:
        """(part, V) pressure at the vertices of the whole mesh, Pa per 1 m/s; nan where it is not known: on still flat parts
        of the baffle and behind it. At a flat part's vertices the mean of its elements around.
        """
        p = self.problem
        place, value = self._flat_vertices()
        places, values = [place], [value]
        for body, pressure in zip(p.body.bodies, self.wall_pressure, strict=True):
            places.append(body.vertices + body.origin)
            values.append(pressure)
        known, found = np.concatenate(places), np.concatenate(values, axis=1)
        folded = p.mesh.vertices.copy()
        for axis in range(3):
            if np.any(p.body.images[:, axis] < 0):
                folded[:, axis] = np.abs(folded[:, axis])
        # a recess that no mirror plane runs through stands on the solved side; one across keeps both
        size = float(np.ptp(p.mesh.vertices, axis=0).max())
        distance, index = cKDTree(known).query(folded)
        return np.where(np.asarray(distance) < 1e-6 * size, found[:, np.asarray(index)], np.nan)

    def _flat_vertices(self) -> tuple[Floats, Complex]:
        plane = self.problem.body.plane
        flat = plane.full_triangle >= 0
        corners = plane.corners[flat].reshape(-1, 3)
        if not len(corners):
            return np.zeros((0, 3)), np.zeros((len(self.parts), 0), complex)
        _, first, which = np.unique((corners * 1e9).round(), axis=0, return_index=True, return_inverse=True)
        mean = np.repeat(self.flat_load / plane.area[flat], 3, axis=1)
        weight = np.repeat(plane.area[flat], 3)
        total = np.bincount(which.ravel(), weight)
        value: Complex = np.stack(
            [
                (np.bincount(which.ravel(), m.real * weight) + 1j * np.bincount(which.ravel(), m.imag * weight)) / total
                for m in mean
            ]
        )
        return corners[first], value

    @property
    def radiation_impedance(self) -> Complex:
        """(part, part) generalised force on the first part per unit velocity of the second, N s/m; see SurfaceSolution."""
        return self._load(self._shape)

    @property
    def volume_velocity(self) -> Complex:
        """(part,) m3/s into the air per unit motion of each part."""
        scale = -1j * self.problem.air.density * 2 * np.pi * self.frequency_hz
        return np.asarray(self.derivative @ self.problem.mesh.area / scale)

    @cached_property
    def _shape(self) -> Complex:
        return np.asarray(self.derivative.conj() / (1j * self.problem.air.density * 2 * np.pi * self.frequency_hz))

    def _load(self, shape: Complex) -> Complex:
        """Integral of the pressure times shapes (n, T) of the mesh's triangles: (n, part)."""
        p = self.problem.body
        total: Complex = np.zeros((len(shape), len(self.parts)), complex)
        for body, pressure in zip(p.bodies, self.wall_pressure, strict=True):
            mean = pressure[:, body.triangles].mean(axis=2)
            total += (shape[:, body.full_triangle] * body.area) @ mean.T
        flat = p.plane.full_triangle >= 0
        total += shape[:, p.plane.full_triangle[flat]] @ self.flat_load.T
        return len(p.images) * total


@dataclass(frozen=True)
class FlushSolution(Sweep[FlushFrequency]):
    """Sound radiated by each moving part of a body in an infinite baffle. e^{+j omega t}, RMS phasors.

    frequency_hz : (F,). The methods add that axis last to those of FlushFrequency.
    """

    @property
    def part_error_db(self) -> Floats:
        """(part, F) estimated error of each part's level, dB, likewise."""
        return np.stack([s.part_error_db for s in self.frequencies], axis=-1)

    @property
    def statistics(self) -> SurfaceStatistics:
        """Unknowns, iterations, seconds, bytes, notes."""
        p = self.frequencies[0].problem
        return SurfaceStatistics(
            unknowns=p.system.unknowns,
            triangles=sum(len(b.triangles) for b in p.body.bodies) + len(p.body.plane),
            iterations=np.stack([s.iterations for s in self.frequencies], axis=-1),
            seconds=np.array([s.seconds for s in self.frequencies]),
            bytes=p.system.bytes_needed,
            elements_per_wavelength=np.array([s.elements_per_wavelength for s in self.frequencies]),
            notes=self.notes,
        )
