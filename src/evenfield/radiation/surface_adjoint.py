"""Gradient by the vertices of any real function of the far field and the radiation impedance: the discrete adjoint.

With A p = b the system and J(F, Z) the function, F and Z depending on p and on the shape,
    dJ = Re [ lambda^T (db - dA p) ] + (dF, dZ with p held),   A^T lambda = (dJ/dp)
so one transposed solve and one pass over the kernels serve all vertices. Nothing here depends on the number of vertices moved.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base import DataError, message
from evenfield.radiation import adjoint_far, adjoint_near, gpu_adjoint, near_integrals
from evenfield.radiation.adjoint_field import pull_far_field
from evenfield.radiation.adjoint_shape import ShapeDerivatives, from_points, on_whole_mesh, to_vertices, volume_derivative
from evenfield.radiation.sources import point_strengths

if TYPE_CHECKING:
    from evenfield.radiation.near_pairs import NearPairs
    from evenfield.radiation.surface import SurfaceProblem
    from evenfield.radiation.surface_matrix import SurfaceMatrix
    from evenfield.radiation.surface_solution import FrequencySolution

Complex = NDArray[np.complexfloating[Any, Any]]
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def shape_gradient(
    solution: FrequencySolution, directions: Floats, far_field_bar: ArrayLike | None, impedance_bar: ArrayLike | None
) -> Floats:
    """(V, 3) gradient on the whole mesh; see FrequencySolution.gradient."""
    problem, k, sides = solution.problem, solution.wavenumber, len(solution.parts)
    if far_field_bar is None and impedance_bar is None:
        raise DataError(message("far_field_bar or impedance_bar", "given", None))
    far, load = (
        _check_bar("far_field_bar", far_field_bar, (sides, len(directions))),
        _check_bar("impedance_bar", impedance_bar, (sides, sides)),
    )
    body, system = problem.body, problem.system
    grid, solver = system.grid, problem.solver
    strength = point_strengths(solution.derivative, grid.triangle, body.area)
    found = ShapeDerivatives.none(body, grid, sides)
    right: Complex = np.zeros(solution.solved_pressure.shape, complex)
    if far is not None:
        right += pull_far_field(
            body, grid, k, solution.solved_pressure, strength, directions, far, system.real, solver.worker_count, found,
            lambda *given: problem.devices.work(lambda m: gpu_adjoint.pull_far(m, k, *given)),
        )  # fmt: skip
    if load is not None:
        right += _pull_impedance(solution, load, found)
    iteration = problem.solve_transposed(k, right.T)
    _pull_system(solution, np.ascontiguousarray(iteration.solution.T), strength, found)
    _pull_motion(problem, solution, found)
    return on_whole_mesh(to_vertices(found, body), body, problem.mesh)


def _check_bar(name: str, bar: ArrayLike | None, shape: tuple[int, ...]) -> Complex | None:
    """The conjugate: what multiplies a change in dJ = Re(bar* d)."""
    if bar is None:
        return None
    values: Complex = np.asarray(bar, complex)
    if values.shape != shape or not np.all(np.isfinite(values)):
        raise DataError(message(name, f"finite, of shape {shape}", f"shape {values.shape}"))
    return np.asarray(values.conj())


def _pull_impedance(solution: FrequencySolution, cotangent: Complex, found: ShapeDerivatives) -> Complex:
    """(K, V) cotangent of the pressure from one of the impedance (K, K)."""
    problem, body = solution.problem, solution.problem.body
    t, omega = body.triangles, 2 * np.pi * solution.frequency_hz
    shape = solution.derivative.conj() / (1j * problem.air.density * omega)
    weighted = body.copies * cotangent.T @ shape  # by n, of the integral of p_n
    mean = solution.solved_pressure[:, t].mean(axis=2)
    found.area += np.einsum("nt,nt->t", weighted, mean).real
    if problem.axis is not None:
        # the shapes are real there, and q = -j omega rho shape
        by_shape = (body.copies * cotangent @ mean * body.area).real
        found.derivative += by_shape / (-1j * omega * problem.air.density)
    back: Complex = np.zeros(solution.solved_pressure.shape, complex)
    for n, values in enumerate(weighted * body.area / 3):
        for corner in range(3):
            np.add.at(back[n], t[:, corner], values)
    return back


def _pull_system(solution: FrequencySolution, adjoint: Complex, strength: Complex, found: ShapeDerivatives) -> None:
    """lambda^T (db - dA p): regular rule, near pairs, mass matrices, and the coupling where it follows the volume."""
    problem, k, q, p = solution.problem, solution.wavenumber, solution.derivative, solution.solved_pressure
    body, system, solver = problem.body, problem.system, problem.solver
    grid, coupling = system.grid, solver.coupling(k, body.volume)
    rows, sums = problem.devices.work(lambda m: gpu_adjoint.contract_far(m, k, adjoint, p, strength)) or adjoint_far.contract(
        k, coupling, body.images, grid, adjoint, p, strength, system.real, solver.worker_count
    )
    found.position += rows[:, :3]
    found.normal += rows[:, 3:6]
    found.weight += rows[:, 6]
    found.strength += sums[..., 6]
    s, e, a, b = grid.vertex.T
    onto_adjoint, onto_pressure = 1j * coupling * sums[..., :3], 1j * coupling * sums[..., 3:6]
    for field, onto in ((adjoint, onto_adjoint), (p, onto_pressure)):
        found.across += np.einsum("kp,kpc->pc", field[:, s] - field[:, e], onto).real
        found.along += np.einsum("kp,kpc->pc", field[:, a] - field[:, b], onto).real
    near, near_coupling = problem.devices.work(lambda m: gpu_adjoint.contract_near(m, k, adjoint, p, q)) or adjoint_near.contract(
        k, coupling, body, system.near, solver, adjoint, p, q
    )
    found.vertex += near
    by_coupling = rows[:, 7].sum() / 2 + near_coupling + _pull_mass(problem, coupling, adjoint, p, q, found)
    if problem.axis is not None:
        given = problem.devices.work(lambda m: m.near_source_entries(k, q))
        for group, entries in _near_sources(system, k, coupling, q) if given is None else given:
            _pull_near_sources(group, entries, adjoint, body.triangles, found)
    from_points(found, body, grid, q)
    found.vertex += by_coupling * solver.coupling_slope(k, body.volume) * volume_derivative(body)


def _pull_mass(
    problem: SurfaceProblem, coupling: float, adjoint: Complex, pressure: Complex, derivative: Complex, found: ShapeDerivatives
) -> float:
    """Both mass matrices; returns the derivative by the coupling."""
    body = problem.body
    lam, p = adjoint[:, body.triangles], pressure[:, body.triangles]
    mass = (np.einsum("kta,kta->t", lam, p) + np.einsum("kt,kt->t", lam.sum(axis=2), p.sum(axis=2))) / 24
    given = np.einsum("kt,kt->t", lam.mean(axis=2), derivative)
    found.area += (0.5j * coupling * given - mass).real
    found.derivative += 0.5j * coupling * lam.mean(axis=2) * body.area
    return float((0.5j * given * body.area).real.sum())


def _near_sources(
    system: SurfaceMatrix, wavenumber: float, coupling: float, derivative: Complex
) -> Iterator[tuple[NearPairs, Complex]]:
    """Near pairs of which at least one moves, with their entries in the right-hand side (N, 2, 3)."""
    moving = np.any(derivative != 0, axis=0)
    for group in system.near:
        g = group.select(np.flatnonzero(moving[group.first] | moving[group.second]))
        if len(g) == 0:
            continue
        out = np.empty((len(g), 2, 3), system.complex)
        px, py, weight, _ = system.rule(group)
        near_integrals.source_pairs(
            wavenumber, coupling, *system.shape, g.first, g.second, g.image, g.turn_first, g.turn_second, px, py, weight, out
        )
        yield g, out


def _pull_near_sources(g: NearPairs, entries: Complex, adjoint: Complex, triangles: Ints, found: ShapeDerivatives) -> None:
    """Cotangent of the normal derivative from near pairs of the right-hand side."""
    other = g.first != g.second
    for k, values in enumerate(adjoint):
        np.add.at(found.derivative[k], g.second, np.einsum("na,na->n", entries[:, 0], values[triangles[g.first]]))
        back = np.einsum("na,na->n", entries[other, 1], values[triangles[g.second[other]]])
        np.add.at(found.derivative[k], g.first[other], back)


def _pull_motion(problem: SurfaceProblem, solution: FrequencySolution, found: ShapeDerivatives) -> None:
    """A rigid part's normal velocity n.axis turns with the triangle; all other motions stay as they are."""
    if problem.axis is None:
        return
    by_shape = (-1j * 2 * np.pi * solution.frequency_hz * problem.air.density * found.derivative).real
    for name, values in zip(problem.parts, by_shape, strict=True):
        moves = problem.mesh.of_part(name)[problem.body.full_triangle]
        found.unit_normal += np.where(moves, values, 0.0)[:, None] * problem.axis
