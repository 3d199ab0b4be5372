"""Gradient by the vertices of any real function of a flush body's far field and radiation impedance: the discrete adjoint.

As `surface_adjoint`, on the joined system of `flush_matrix`: one transposed solve for the adjoint of the walls' pressures and of
the mouths' velocities, one pass over the kernels. With lambda on a wall, and Lambda on the plane's functions (of mouths from the
transposed solve, of moving flat elements the cotangent of their load), what lies between a wall and the plane adds
    s { q^T dG lambda + Lambda^T dG q_w - Lambda^T dN p - j eta q^T dN lambda },   s = 1 in a recess, -1 for what stands out,
and the plane with itself -Lambda^T dG q, once more for a mouth seen from its recess.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base import DataError, message
from evenfield.data.mesh import mirror_axes
from evenfield.radiation import adjoint_far, adjoint_near, flush_adjoint_near, flush_adjoint_points
from evenfield.radiation.adjoint_field import block_sums, pull_far_field
from evenfield.radiation.adjoint_shape import ShapeDerivatives, from_points, to_vertices, volume_derivative
from evenfield.radiation.flush_follow import MouthMotion
from evenfield.radiation.sources import point_strengths
from evenfield.radiation.surface_adjoint import _check_bar, _near_sources, _pull_mass, _pull_near_sources

if TYPE_CHECKING:
    from evenfield.radiation.flush import FlushProblem
    from evenfield.radiation.flush_matrix import FlushMatrix, _Wall
    from evenfield.radiation.flush_solution import FlushFrequency
    from evenfield.radiation.surface_body import SurfaceBody

Complex = NDArray[np.complexfloating[Any, Any]]
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass
class PlaneDerivatives:
    """Of the baffle's plane: by the elements' corners (T', 3, 3), by the points' positions (P, 3), and by the values at points
    times their weights, q's and Lambda's, (K, P) complex."""

    corners: Floats
    position: Floats
    q: Complex
    adjoint: Complex


def flush_gradient(
    solution: FlushFrequency, directions: Floats, far_field_bar: ArrayLike | None, impedance_bar: ArrayLike | None
) -> Floats:
    """(V, 3) gradient on the whole mesh; see FlushFrequency.gradient."""
    problem, sides = solution.problem, len(solution.parts)
    if far_field_bar is None and impedance_bar is None:
        raise DataError(message("far_field_bar or impedance_bar", "given", None))
    far = _check_bar("far_field_bar", far_field_bar, (sides, len(directions)))
    load = _check_bar("impedance_bar", impedance_bar, (sides, sides))
    system, body = problem.system, problem.body
    points = len(system.points.position)
    plane = PlaneDerivatives(
        np.zeros((len(body.plane), 3, 3)), np.zeros((points, 3)), np.zeros((sides, points), complex),
        np.zeros((sides, points), complex),
    )  # fmt: skip
    found = [ShapeDerivatives.none(w.system.body, w.system.grid, sides) for w in system.walls]
    right: Complex = np.zeros((sides, system.unknowns), complex)
    if far is not None:
        _pull_far(solution, directions, far, found, plane, right)
    flat = np.zeros((sides, system.basis.flat), complex) if load is None else _pull_impedance(solution, load, found, right)
    right += flat @ problem.joined_at(solution.wavenumber, solution.derivative)[1]
    adjoint = problem.solve_transposed(solution.wavenumber, solution.derivative, right.T).solution.T
    across = np.concatenate([adjoint[:, int(system.first[-1]) :], flat], axis=1)
    _pull_plane(solution, across, plane)
    for number, wall in enumerate(system.walls):
        _pull_wall(solution, number, np.ascontiguousarray(adjoint[:, system.rows(number)]), across, found[number], plane)
        _pull_motion(problem, solution, wall, found[number])
    _pull_points(solution, across, plane)
    return _on_mesh(problem, [to_vertices(f, w.system.body) for f, w in zip(found, system.walls, strict=True)], plane.corners)


def _pull_far(
    solution: FlushFrequency,
    directions: Floats,
    cotangent: Complex,
    found: list[ShapeDerivatives],
    plane: PlaneDerivatives,
    right: Complex,
) -> None:
    """The far field's share, with the cotangent of the unknowns added to `right` (K, n)."""
    problem, k, system = solution.problem, solution.wavenumber, solution.problem.system
    front = np.flatnonzero(directions[:, 0] > -1e-12)
    u, bar = directions[front], cotangent[:, front]
    if len(u) == 0:
        return
    share = np.asarray((system.points.weight @ solution.plane_values.T).T)
    for image in problem.body.images:
        position, waves = _plane_waves(system, k, share, np.ascontiguousarray(u * image), bar / (2 * np.pi))
        plane.position += position
        plane.q -= waves
    by_function = np.asarray((system.points.weight.T @ plane.q.T).T)
    right[:, int(system.first[-1]) :] += by_function[:, : system.basis.mouths]
    if problem.body.proud is not None:
        wall, given = system.walls[-1].system, solution.derivative[:, problem.body.proud.full_triangle]
        strength = point_strengths(given, wall.grid.triangle, wall.body.area)
        right[:, system.rows(len(system.walls) - 1)] += pull_far_field(
            wall.body, wall.grid, k, solution.wall_pressure[-1], strength, u, bar, system.real, problem.solver.worker_count,
            found[-1],
        )  # fmt: skip


def _plane_waves(system: FlushMatrix, k: float, share: Complex, u: Floats, weight: Complex) -> tuple[Floats, Complex]:
    """Derivatives (P, 3) by the plane's points of minus the sum of weight (K, D) times share (K, P) e^{jk u.y}, and (K, P) the
    sums of weight e^{jk u.y}."""
    points = np.pad(system.points.position, ((0, 0), (0, 3)))
    planes = np.stack([0 * share.real, 0 * share.real, share.real, share.imag], axis=-1)
    position, _, _, waves = block_sums(points, k, planes, u, weight, system.real, system.solver.worker_count)
    return position, waves


def _pull_impedance(solution: FlushFrequency, cotangent: Complex, found: list[ShapeDerivatives], right: Complex) -> Complex:
    """(K, T') cotangent of the loads of flat elements from one of the impedance (K, K); that of pressures goes to `right`."""
    problem, system = solution.problem, solution.problem.system
    omega, copies = 2 * np.pi * solution.frequency_hz, len(problem.body.images)
    shape = solution.derivative.conj() / (1j * problem.air.density * omega)
    for number, (wall, pressure) in enumerate(zip(system.walls, solution.wall_pressure, strict=True)):
        body = wall.system.body
        t, into = body.triangles, found[number]
        weighted = copies * cotangent.T @ shape[:, body.full_triangle]
        mean = pressure[:, t].mean(axis=2)
        into.area += np.einsum("nt,nt->t", weighted, mean).real
        if problem.axis is not None:
            by_shape = (copies * cotangent @ mean * body.area).real
            into.derivative += by_shape / (-1j * omega * problem.air.density)
        onto = right[:, system.rows(number)]
        for n, values in enumerate(weighted * body.area / 3):
            for corner in range(3):
                np.add.at(onto[n], t[:, corner], values)
    full = problem.body.plane.full_triangle
    return np.asarray(copies * cotangent.T @ shape[:, full[full >= 0]])


def _pull_plane(solution: FlushFrequency, across: Complex, plane: PlaneDerivatives) -> None:
    """The plane with itself: in front of it, and each mouth once more as its recess sees it."""
    problem, system, k = solution.problem, solution.problem.system, solution.wavenumber
    weight, position, element = system.points.weight, system.points.position, problem.body.plane
    q, seen = (np.asarray((weight @ v.T).T) for v in (solution.plane_values, -across))
    factor = np.ones(len(system.plane_near.pairs))
    pairs = system.plane_near.pairs
    for number in (*range(len(problem.body.recesses)), -1):
        own = np.unique(system.points.member[element.recess == number])
        if len(own) == 0:
            continue
        twice: Floats = np.ones(len(position))
        if number >= 0:
            images = system.walls[number].images
            same = len(images) == len(problem.body.images)
            twice[own] = 2.0 if same else 1.0
            if not same:
                _add_plane(plane, own, own, k, images, problem, q, seen)
            rows = [int(np.flatnonzero(np.all(problem.body.images == g, axis=1))[0]) for g in images]
            factor += (
                (element.recess[pairs.outer] == number) & (element.recess[pairs.plane] == number) & np.isin(pairs.image, rows)
            )
        _add_plane(plane, own, np.arange(len(position)), k, problem.body.images, problem, q, np.asarray(seen * twice), twice)
    node = system.basis.node
    nothing: Complex = np.zeros((len(element), 3, 0), np.complex128)
    by_plane, by_outer = flush_adjoint_near.contract_near(
        k, system.plane_near, (np.moveaxis(across[:, node], 0, 2), -np.moveaxis(solution.plane_values[:, node], 0, 2)),
        (nothing, nothing), factor, system.solver.worker_count,
    )  # fmt: skip
    plane.corners += by_plane + by_outer


def _add_plane(
    plane: PlaneDerivatives,
    own: Ints,
    every: Ints,
    k: float,
    images: Floats,
    problem: FlushProblem,
    q: Complex,
    seen: Complex,
    factor: Floats | float = 1.0,
) -> None:
    """Between some of the plane's points and others."""
    position, system = problem.system.points.position, problem.system
    none: Complex = np.zeros((0, len(every)), np.complex128)
    found = flush_adjoint_points.contract(
        k, 0.0, images, (position[own], 0 * q[:, own], q[:, own]),
        (position[every], np.zeros((len(every), 3)), np.ones(len(every))), (none, none, seen[:, every]),
        system.real, system.solver.worker_count,
    )  # fmt: skip
    plane.position[own] += found.position
    plane.position[every] += found.outer_position
    plane.q[:, own] += found.adjoint
    plane.adjoint[:, every] -= found.strength * factor


def _pull_wall(
    solution: FlushFrequency, number: int, adjoint: Complex, across: Complex, found: ShapeDerivatives, plane: PlaneDerivatives
) -> None:
    """A wall's own system, and what lies between it and the plane."""
    problem, k = solution.problem, solution.wavenumber
    wall, p = problem.system.walls[number], solution.wall_pressure[number]
    body, grid = wall.system.body, wall.system.grid
    q, coupling = solution.derivative[:, body.full_triangle], problem.solver.coupling(k, body.volume)
    by_coupling = _pull_own(problem, wall, k, coupling, adjoint, p, q, found)
    by_coupling += _pull_between(solution, number, coupling, adjoint, across, q, found, plane)
    from_points(found, body, grid, q)
    found.vertex += by_coupling * problem.solver.coupling_slope(k, body.volume) * volume_derivative(body)


def _pull_own(
    problem: FlushProblem,
    wall: _Wall,
    k: float,
    coupling: float,
    adjoint: Complex,
    p: Complex,
    q: Complex,
    found: ShapeDerivatives,
) -> float:
    """lambda^T (db - dA p) of a wall's own system, as `surface_adjoint`, folds by their own rule; returns the derivative by the
    coupling."""
    system, solver = wall.system, problem.solver
    body, grid = system.body, system.grid
    strength = point_strengths(q, grid.triangle, body.area)
    rows, sums = adjoint_far.contract(
        k, coupling, body.images, grid, adjoint, p, strength, system.real, solver.worker_count
    )  # fmt: skip
    found.position += rows[:, :3]
    found.normal += rows[:, 3:6]
    found.weight += rows[:, 6]
    found.strength += sums[..., 6]
    s, e, a, b = grid.vertex.T
    for field, onto in ((adjoint, 1j * coupling * sums[..., :3]), (p, 1j * coupling * sums[..., 3:6])):
        found.across += np.einsum("kp,kpc->pc", field[:, s] - field[:, e], onto).real
        found.along += np.einsum("kp,kpc->pc", field[:, a] - field[:, b], onto).real
    groups = system.near
    if wall.folds is not None:
        # of these pairs the near rule gives the single layer of moving triangles only
        groups = [g.select(np.flatnonzero(body.images[g.image, 0] > 0)) for g in system.near]
        moving = np.any(q != 0, axis=0)
        behind = [g.select(np.flatnonzero(moving[g.first] | moving[g.second])) for g in wall.folds.groups]
        found.vertex += adjoint_near.contract(k, coupling, body, [g for g in behind if len(g)], solver, adjoint, 0 * p, q)[0]
        corners = flush_adjoint_near.contract_folds(k, wall.folds, adjoint, p, solver.worker_count)
        np.add.at(found.vertex, body.triangles, corners)
    near, by_coupling = adjoint_near.contract(k, coupling, body, [g for g in groups if len(g)], solver, adjoint, p, q)
    found.vertex += near
    if problem.axis is not None:
        for group, entries in _near_sources(system, k, coupling, q):
            _pull_near_sources(group, entries, adjoint, body.triangles, found)
    return float(rows[:, 7].sum() / 2 + by_coupling + _pull_mass(system, coupling, adjoint, p, q, found))  # type: ignore[arg-type]


def _pull_between(
    solution: FlushFrequency,
    number: int,
    coupling: float,
    adjoint: Complex,
    across: Complex,
    q: Complex,
    found: ShapeDerivatives,
    plane: PlaneDerivatives,
) -> float:
    """Between a wall and the plane; returns the derivative by the coupling."""
    problem, system, k = solution.problem, solution.problem.system, solution.wavenumber
    wall, values = system.walls[number], solution.plane_values
    body, grid, sign = wall.system.body, wall.system.grid, 1.0 if number < len(problem.body.recesses) else -1.0
    p = solution.wall_pressure[number]
    own = np.unique(system.points.member[wall.chosen])
    at_q, at_across = (np.asarray((system.points.weight @ v.T).T)[:, own] for v in (values, across))
    s, e = grid.vertex[:, 0], grid.vertex[:, 1]
    strength = point_strengths(q, grid.triangle, body.area)
    far = flush_adjoint_points.contract(
        k, coupling, wall.images, (system.points.position[own], at_q, at_across),
        (grid.position + body.origin, grid.normal, grid.weight),
        (sign * (adjoint[:, s] + adjoint[:, e]) / 2, sign * (p[:, s] + p[:, e]) / 2, sign * strength),
        system.real, problem.solver.worker_count,
    )  # fmt: skip
    plane.position[own] += far.position
    plane.q[:, own] += far.q
    plane.adjoint[:, own] += far.adjoint
    found.position += far.outer_position
    found.normal += far.outer_normal
    found.weight += far.outer_weight
    found.strength += sign * far.strength
    node = system.basis.node
    here, there = np.moveaxis(values[:, node], 0, 2), np.moveaxis(across[:, node], 0, 2)
    lam, pressure = (sign * np.moveaxis(f[:, body.triangles], 0, 2) for f in (adjoint, p))
    given = np.broadcast_to(sign * q.T[:, None], lam.shape)
    by_plane, by_outer = flush_adjoint_near.contract_near(
        k, wall.near, (np.concatenate([here, there], axis=2), np.concatenate([lam, given], axis=2)),
        (np.concatenate([there, here], axis=2), np.concatenate([-pressure, -1j * coupling * lam], axis=2)),
        np.ones(len(wall.near.pairs)), problem.solver.worker_count,
    )  # fmt: skip
    plane.corners += by_plane
    np.add.at(found.vertex, body.triangles, by_outer)
    if problem.axis is not None:
        _pull_near_load(wall, k, problem.solver.worker_count, sign * there, q, found)
    if sign > 0 or coupling == 0:
        return 0.0
    # the joined matrix holds dG_h/dn between the plane and what stands out: below, and in the flat elements' loads
    joined, loads = problem.joined_at(k, solution.derivative)
    at = system.rows(number)
    normal = np.concatenate([-joined.down[:, at], loads[:, at]])
    return float((1j * ((values @ normal) * adjoint).sum()).real)


def _pull_near_load(wall: _Wall, k: float, threads: int, across: Complex, q: Complex, found: ShapeDerivatives) -> None:
    """Cotangent of the normal derivative from near pairs of the plane's loads; across (T', 3, K)."""
    moving = np.any(q != 0, axis=0)
    pairs = wall.near.pairs
    chosen = np.flatnonzero(moving[pairs.outer])
    if len(chosen) == 0:
        return
    entries = wall.near.entries(k, threads)[chosen, 0].sum(axis=2)
    for n in range(len(q)):
        np.add.at(found.derivative[n], pairs.outer[chosen], (entries * across[pairs.plane[chosen], :, n]).sum(axis=1))


def _pull_motion(problem: FlushProblem, solution: FlushFrequency, wall: _Wall, found: ShapeDerivatives) -> None:
    """A rigid part's normal velocity n.axis turns with the triangle; all other motions stay as they are."""
    if problem.axis is None:
        return
    by_shape = (-1j * 2 * np.pi * solution.frequency_hz * problem.air.density * found.derivative).real
    for name, values in zip(problem.parts, by_shape, strict=True):
        moves = problem.mesh.of_part(name)[wall.system.body.full_triangle]
        found.unit_normal += np.where(moves, values, 0.0)[:, None] * problem.axis


def _pull_points(solution: FlushFrequency, across: Complex, plane: PlaneDerivatives) -> None:
    """Move what the plane's points collected on to the elements' corners: positions, and areas by their weights."""
    system, element = solution.problem.system, solution.problem.body.plane
    member, node = system.points.member, system.basis.node
    area = np.zeros(len(element))
    for side in range(3):
        for by, values in ((plane.q, solution.plane_values), (plane.adjoint, across)):
            ends = values[:, node[:, side]] + values[:, node[:, (side + 1) % 3]]
            area += (by[:, member[:, side]] * ends).sum(axis=0).real / 6
    _, first = np.unique(member.ravel(), return_index=True)
    owner, start = np.divmod(first, 3)
    for end in (start, (start + 1) % 3):
        np.add.at(plane.corners, (owner, end), plane.position / 2)
    a, b, c = (element.corners[:, i] for i in range(3))
    for corner, (one, two) in enumerate(((c, b), (a, c), (b, a))):
        edge = (one - two) / 2  # the area grows across the opposite edge: +x cross it
        plane.corners[:, corner] += area[:, None] * np.stack([0 * edge[:, 0], -edge[:, 2], edge[:, 1]], axis=1)


def _on_mesh(problem: FlushProblem, walls: list[Floats], corners: Floats) -> Floats:
    """(V, 3) on all the mesh's vertices, images sharing equally."""
    mesh, body, system = problem.mesh, problem.body, problem.system
    total = np.zeros_like(mesh.vertices)
    for number, gradient in enumerate(walls):
        wall = body.bodies[number]
        if number < len(body.recesses):
            own, functions = np.flatnonzero(body.plane.recess == number), system.basis.of_recess(number)
            points = np.zeros((functions.stop - functions.start, 2))
            np.add.at(points, system.basis.node[own] - functions.start, corners[own][..., 1:])
            gradient = gradient + MouthMotion(body, system.basis, number).pull(points)
        np.add.at(total, mesh_vertices(wall, mesh.vertices), gradient)
    flat = np.flatnonzero(body.plane.full_triangle >= 0)
    by_flat = corners[flat] * [0.0, 1.0, 1.0]
    np.add.at(total, mesh.triangles[body.plane.full_triangle[flat]], by_flat)
    return _shared(total, mesh.vertices, mirror_axes(problem.mirror))


def mesh_vertices(wall: SurfaceBody, vertices: Floats) -> Ints:
    """(V',) the mesh's vertex at the place of each of a wall's."""
    used = np.flatnonzero(wall.full_vertex >= 0)
    solved = wall.full_vertex[used]
    away = np.linalg.norm(vertices[used] - wall.origin - wall.vertices[solved], axis=1)
    result = np.zeros(len(wall.vertices), np.int64)
    # the nearest last, so that it stays
    order = np.argsort(-away, kind="stable")
    result[solved[order]] = used[order]
    return result


def _shared(gradient: Floats, vertices: Floats, axes: tuple[int, ...]) -> Floats:
    """A gradient by the vertices on one side of the mirror planes, shared out among each vertex's images."""
    from scipy.spatial import cKDTree

    for axis in axes:
        turn = np.where(np.arange(3) == axis, -1.0, 1.0)
        image = np.asarray(cKDTree(vertices).query(vertices * turn)[1])
        gradient = (gradient + turn * gradient[image]) / 2
    return gradient
