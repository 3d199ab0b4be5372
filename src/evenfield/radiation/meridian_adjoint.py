"""Gradient of a function of the far field and of the radiation impedance by the meridian's points: the adjoint way.

One solve with the transposed matrix, all parts at once, and one pass over the pairs of points (`meridian_contract`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base import DataError, message
from evenfield.data import Directions
from evenfield.radiation import meridian_field
from evenfield.radiation.meridian_body import Floats, MeridianBody
from evenfield.radiation.meridian_contract import contract
from evenfield.radiation.meridian_field import Boundary
from evenfield.radiation.meridian_matrix import Complex, shape_values
from evenfield.radiation.meridian_motion import Sources, rocking_point
from evenfield.radiation.meridian_rings import ring_tables
from evenfield.radiation.meridian_solution import MeridianFrequency, to_angles


def meridian_gradient(
    solution: MeridianFrequency,
    directions: Directions | ArrayLike | None = None,
    far_field: ArrayLike | None = None,
    impedance: ArrayLike | None = None,
) -> Floats:
    """Gradient of a real function of the far field and the radiation impedance, by the meridian's points.

    Parameters
        solution : one frequency's
        directions : of the far field, as for `far_field`
        far_field : (part, D) complex, dJ/dRe P + j dJ/dIm P of the function J by the far field P in those directions
        impedance : (part, part) complex, likewise by the radiation impedance
    Returns
        gradient : (N, 2) by x and r of each point; zero where a point cannot move (r on the axis, x on a baffle's plane)
            and where the wall counts as baffle
    Valid for: small movements; elements, rules and the Burton-Miller coupling are held as they are, so that the error is of the
    order of the discretisation's.   Cost: two to four solves'; less where
    `MeridianProblem.solve` kept the matrix.
    Raises DataError for weights of a wrong shape.
    Source: the adjoint (Lagrange multiplier) method, e.g. Giles & Pierce, Flow Turbul. Combust. 65 (2000) 393.
    """
    work = _Gradient(solution)
    if far_field is not None:
        if directions is None:
            raise DataError(message("directions", "given with far_field", None))
        cosine, azimuth = to_angles(directions)
        work.add_far_field(cosine, azimuth, _weights("far_field", far_field, (len(solution.parts), len(cosine))))
    if impedance is not None:
        work.add_impedance(_weights("impedance", impedance, (len(solution.parts),) * 2))
    work.add_equations()
    return work.by_points()


def _weights(name: str, value: ArrayLike, shape: tuple[int, ...]) -> Complex:
    w: NDArray[Any] = np.asarray(value, complex)
    if w.shape != shape or not np.all(np.isfinite(w)):
        raise DataError(message(name, f"finite, of shape {shape}", f"shape {w.shape}"))
    return w.conj()


@dataclass
class _Slopes:
    """Derivatives by one boundary's nodes (E, 3) and by its sources' pivots."""

    x: Floats
    r: Floats
    turn: Floats

    def give(self, boundary: Boundary, by_x: Floats, by_r: Floats, by_tx: Floats, by_tr: Floats) -> None:
        """Hand on derivatives (E, q) at the Gauss points."""
        shape = np.array([_shape_and_slope(t) for t in boundary.grid.node])
        self.x += by_x @ shape[:, :3] + by_tx @ shape[:, 3:]
        self.r += by_r @ shape[:, :3] + by_tr @ shape[:, 3:]


class _Gradient:
    def __init__(self, solution: MeridianFrequency) -> None:
        self.solution, self.problem = solution, solution.problem
        self.wall, self.outside = solution.wall, solution.outside
        self.slopes = {id(b): _blank(b) for b in (self.wall, self.outside)}
        # derivatives of J by the unknowns: pressures, then derivatives in a mouth
        self.by_unknowns = np.zeros((len(solution.parts), self.problem.unknowns), complex)

    def add_far_field(self, cosine: Floats, azimuth: Floats, weight: Complex) -> None:
        """J depends on the far field by the boundary's values, and by the places of its points."""
        b, k = self.outside, self.solution.wavenumber
        weight = weight * np.cos(b.order * azimuth)
        points, pressure, derivative = b.at_gauss_points()
        left, right = meridian_field.far_factors(b, k, cosine, points)
        shape = points["x"].shape
        by_pressure = (weight @ left).reshape(-1, *shape)
        by_derivative = -(weight @ right).reshape(-1, *shape)
        self._by_values(b, by_pressure, by_derivative, points)
        self._chain(b, b.derivative, by_derivative, points)
        sums = _far_slopes(b, k, cosine, weight, pressure, derivative, points)
        self.slopes[id(b)].give(b, *sums)

    def add_impedance(self, weight: Complex) -> None:
        """Z_mn is the integral of m's shape and n's pressure."""
        b, round_axis = self.wall, 2 * np.pi if self.problem.order == 0 else np.pi
        points, pressure, _ = b.at_gauss_points()
        shapes = self.solution.sources.conjugate()
        shape = meridian_field.strengths(b.grid, shapes, points)
        area = round_axis * points["w"] * points["r"]
        by_pressure = np.einsum("mn,meq->neq", weight, shape) * area
        by_shape = np.einsum("mn,neq->meq", weight, pressure) * area
        self._by_values(b, by_pressure, None, points)
        self._chain(b, shapes, by_shape, points)
        total = np.einsum("mn,meq,neq->eq", weight, shape, pressure).real * round_axis * points["w"]
        zero = np.zeros_like(total)
        self.slopes[id(b)].give(b, zero, total, zero, zero)

    def add_equations(self) -> None:
        """The field changes so that the equations still hold."""
        s, p = self.solution, self.problem
        matrix = p.assemble(s.frequency_hz, s.sources)[0] if s.matrix is None else s.matrix
        adjoint = np.asarray(np.linalg.solve(matrix.T, self.by_unknowns.T).T, np.complex128)
        adjoint[:, p.fixed] = 0
        n = p.body.unknowns
        coupling = 0.0 if p.recess else p.system.coupling(s.wavenumber)
        self._contract(self.wall, coupling, adjoint[:, :n], self.wall.pressure)
        if p.recess:
            self._contract(self.outside, 0.0, adjoint[:, n:], self.wall.pressure[:, : p.recess.extra])

    def by_points(self) -> Floats:
        """(N, 2), derivatives by the meridian's own points."""
        p, slopes = self.problem, self.slopes[id(self.wall)]
        total = _nodes_to_points(self.wall.body, slopes)
        _turn_to_points(total, p.body, self.solution, self.wall, slopes.turn)
        gradient = np.zeros_like(p.meridian.points)
        solved = gradient[p.cut :]
        solved[:] = total[p.added :]
        if p.recess:
            share = p.body.points[: p.added, 1] / p.line.points[0, 1]
            solved[0, 1] += share @ total[: p.added, 1]
            front = _nodes_to_points(self.outside.body, self.slopes[id(self.outside)])
            solved[0, 1] += np.append(share, 1.0) @ front[:, 1]
        gradient[p.meridian.points[:, 1] < 1e-9 * np.abs(p.meridian.points).max(), 1] = 0
        if p.where != "free":
            solved[0, 0] = 0
        return gradient

    def _by_values(self, b: Boundary, by_pressure: Complex, by_derivative: Complex | None, points: dict[str, Any]) -> None:
        """Hand derivatives by the pressure (K, E, q) and normal derivative at Gauss points on to the unknowns."""
        degree = b.grid.degree
        shape = np.array([shape_values(degree, t) for t in b.grid.node])
        dof = degree * np.arange(b.body.count)[:, None] + np.arange(degree + 1)
        if b is self.wall:
            for k, row in enumerate(by_pressure @ shape):
                np.add.at(self.by_unknowns[k], dof, row)
        elif by_derivative is not None:
            # in a mouth the outside's derivative is minus the recess's
            jacobian = np.hypot(points["tx"], points["tr"])
            for k, row in enumerate(-(by_derivative * jacobian) @ shape):
                np.add.at(self.by_unknowns[k, self.problem.body.unknowns :], dof, row)

    def _chain(self, b: Boundary, sources: Sources, factor: Complex, points: dict[str, Any]) -> None:
        """Derivatives of the sources' strengths by the places of their points; `factor` (K, E, q) the one by the strengths."""
        x, r, tx, tr = (points[n] for n in ("x", "r", "tx", "tr"))
        element = np.repeat(np.arange(len(x)), np.diff(sources.start))
        c, t = sources.coefficient[:, :, None], b.grid.node
        given = factor[sources.which, element]
        even = given * (c[:, 0] + t * (c[:, 1] + t * c[:, 2])) / np.hypot(tx, tr)[element]
        rock = given * c[:, 4]
        by = np.zeros((4, *x.shape))
        away = x[element] - sources.pivot[:, None]
        parts = (
            -rock * tx[element], -rock * tr[element], even * tx[element] - rock * away,
            even * tr[element] - given * c[:, 3] - rock * r[element],
        )  # fmt: skip
        for row, value in zip(by, parts, strict=True):
            np.add.at(row, element, value.real)
        slopes = self.slopes[id(b)]
        slopes.give(b, *by)
        if b is self.wall:
            slopes.turn[: len(element)] += (rock * tx[element]).sum(axis=1).real

    def _contract(self, b: Boundary, coupling: float, adjoint: Complex, pressure: Complex) -> None:
        slopes, solver = self.slopes[id(b)], self.problem.solver
        contract(
            self.solution.wavenumber, coupling, b.order, solver.ring_effort, b.grid, ring_tables(b.order), b.derivative.table,
            np.ascontiguousarray(adjoint), np.ascontiguousarray(pressure), slopes.x, slopes.r, slopes.turn,
        )  # fmt: skip


def _blank(b: Boundary) -> _Slopes:
    return _Slopes(np.zeros_like(b.grid.ex), np.zeros_like(b.grid.er), np.zeros(len(b.derivative.which)))


def _shape_and_slope(t: float) -> tuple[float, ...]:
    return *shape_values(2, t), 4 * t - 3, 4 - 8 * t, 4 * t - 1


def _nodes_to_points(body: MeridianBody, slopes: _Slopes) -> Floats:
    nodes = np.zeros_like(body.nodes)
    index = 2 * np.arange(body.count)[:, None] + np.arange(3)
    np.add.at(nodes[:, 0], index, slopes.x)
    np.add.at(nodes[:, 1], index, slopes.r)
    return np.asarray(body.matrix.T @ nodes)


def _turn_to_points(total: Floats, body: MeridianBody, solution: MeridianFrequency, wall: Boundary, turn: Floats) -> None:
    """A part rocks about the centre of its widest circle, whose place is a point's."""
    if solution.problem.shapes is None or solution.problem.motion != "axial" or solution.problem.order != 1:
        return
    for k, part in enumerate(solution.parts):
        mine = (wall.derivative.which == k) & (wall.derivative.coefficient[:, 4] != 0)
        total[rocking_point(body, part), 0] += turn[mine].sum()


def _far_slopes(
    b: Boundary, k: float, cosine: Floats, weight: Complex, pressure: Complex, derivative: Complex, points: dict[str, Any]
) -> tuple[Floats, Floats, Floats, Floats]:
    """Derivatives (E, q) by x, r, tx, tr of the far field's factors, pressures and strengths held."""
    x, r, tx, tr, w = (points[n].ravel() for n in ("x", "r", "tx", "tr", "w"))
    m, sine = b.order, np.sqrt(np.maximum(0.0, 1 - cosine**2))[:, None]
    z, ks = k * sine * r, k * sine
    bessel = meridian_field.bessel_slopes(m, z)
    wave, slope = 1j**m * bessel[0], 1j ** (m - 1) * bessel[1]
    wave_r, slope_r = ks * 1j**m * bessel[1], ks * 1j ** (m - 1) * bessel[2]
    seen = np.ones(len(cosine), bool) if b.grid.images == 1 else cosine >= -1e-12
    # sums over directions first: (K, Q)
    by = np.zeros((4, len(x)))
    for sign in (1.0, -1.0)[: b.grid.images]:
        c = sign * cosine[:, None]
        phase = np.exp(1j * k * c * x) * (w / 2) * seen[:, None]
        inner = 1j * k * (-c * tr * wave + sine * tx * slope)
        inner_r = 1j * k * (-c * tr * wave_r + sine * tx * slope_r)
        for n in range(len(pressure)):
            p, q, u = pressure[n].ravel(), derivative[n].ravel(), weight[n][:, None]
            total = inner * p - wave * q
            by[0] += (u * phase * 1j * k * c * r * total).sum(axis=0).real
            by[1] += (u * phase * (total + r * (inner_r * p - wave_r * q))).sum(axis=0).real
            by[2] += (u * phase * r * p * 1j * k * sine * slope).sum(axis=0).real
            by[3] -= (u * phase * r * p * 1j * k * c * wave).sum(axis=0).real
    one, two, three, four = (v.reshape(points["x"].shape) for v in by)
    return one, two, three, four
