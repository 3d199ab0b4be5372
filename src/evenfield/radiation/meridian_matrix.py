"""The Galerkin matrix of a meridian and its right-hand sides. See docs/theory/meridian.md for the equations."""

from __future__ import annotations

from functools import cache
from typing import Any, NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from evenfield.radiation.meridian_body import Floats, MeridianBody
from evenfield.radiation.meridian_elements import graded, nearest, place, pressure_shape, strength
from evenfield.radiation.meridian_motion import Sources
from evenfield.radiation.meridian_rings import ring, ring_tables
from evenfield.radiation.meridian_solver import MeridianSolver

Complex = NDArray[np.complex128]


class Grid(NamedTuple):
    """Elements and rules, as compiled code takes them.

    ex, er : (E, 3) nodes; length : (E,); degree : of the pressure; node, weight : Gauss rule of an element (on 0 to 1);
    near_node, near_weight : of either side of a nearest point; near : (2, E, E) bool, of the element itself and of its
    image; images : 1 or 2; half : (E, 2) factors of the pressure and of its derivative in the two equations
    """

    ex: Floats
    er: Floats
    length: Floats
    degree: int
    node: Floats
    weight: Floats
    near_node: Floats
    near_weight: Floats
    near: NDArray[np.bool_]
    images: int
    half: Floats


class MeridianMatrix:
    """Assembles the matrix of a body at any frequency."""

    def __init__(self, body: MeridianBody, solver: MeridianSolver, order: int) -> None:
        self.body, self.solver, self.order = body, solver, order
        self.tables = ring_tables(order)
        self.grid = make_grid(body, solver)

    def coupling(self, wavenumber: float) -> float:
        """The Burton-Miller coupling, m."""
        return self.solver.coupling(wavenumber, self.body.volume)

    def assemble(self, wavenumber: float, coupling: float, sources: Sources) -> tuple[Complex, Complex]:
        """(n, n) matrix and (n, K) right-hand sides for normal derivatives of the sources' strength (not times -j omega rho)."""
        n = self.body.unknowns
        matrix, right = np.zeros((n, n), complex), np.zeros((n, sources.count), complex)
        far_blocks(
            wavenumber, coupling, self.order, self.solver.ring_effort, self.grid, self.tables, sources.table, matrix, right
        )
        near_blocks(
            wavenumber, coupling, self.order, self.solver.ring_effort, self.grid, self.tables, sources.table, matrix, right
        )
        own_blocks(coupling, self.grid, sources.table, matrix, right)
        return matrix, right


@cache
def gauss(count: int) -> tuple[Floats, Floats]:
    """Points and weights on 0 to 1."""
    node, weight = np.polynomial.legendre.leggauss(count)
    return (node + 1) / 2, weight / 2


def make_grid(body: MeridianBody, solver: MeridianSolver) -> Grid:
    """The compiled code's view of a body."""
    images = 2 if body.baffle else 1
    near = np.zeros((2, body.count, body.count), bool)
    mark_near(body.corner_x, body.corner_r, body.length, solver.near_distance, images, near)
    half = np.where(body.flush[:, None], [1.0, 0.0], [0.5, 0.5])
    return Grid(
        body.corner_x, body.corner_r, body.length, body.degree, *gauss(solver.element_points), *gauss(solver.near_points),
        near, images, half,
    )  # fmt: skip


@njit(nogil=True, error_model="numpy", cache=True)
def mark_near(ex, er, length, ratio, images, near):  # type: ignore[no-untyped-def]
    """Pairs of elements closer than `ratio` of the longer one's length, by distances between five points on each."""
    count = len(length)
    for image in range(images):
        sign = 1.0 - 2.0 * image
        for e in range(count):
            for f in range(e, count):
                limit = ratio * max(length[e], length[f])
                away = np.hypot(ex[e, 1] - sign * ex[f, 1], er[e, 1] - er[f, 1])
                if away > limit + length[e] + length[f]:
                    continue
                best = np.inf
                for i in range(5):
                    x, r, _, _ = place(ex[e], er[e], i / 4)
                    for j in range(5):
                        y, s, _, _ = place(ex[f], er[f], j / 4)
                        best = min(best, np.hypot(x - sign * y, r - s))
                if best < limit:
                    near[image, e, f] = True
                    near[image, f, e] = True


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True, inline="always")
def factors(k, eta, order, sign, kernels, x, r, tx, tr, y, s, ty, ts):  # type: ignore[no-untyped-def]
    """Factors of the matrix between a point (x, r) with tangent and a source point (y, s), both per unit of t.

    Of (test, pressure) as (function, function), (slope, slope), (function, slope), (slope, function), and of a source's
    strength. `sign` is -1 for an image, whose normal times J is (sign -ts, ty).
    """
    g, c, o, f, e = kernels
    rs = r * s
    jx, m = np.sqrt(tx * tx + tr * tr), float(order)
    across = ty * ((s - r) * f + r * e) - sign * ts * (sign * y - x) * f
    along = tx * ((r - s) * f + s * e) - tr * (x - sign * y) * f
    same = -rs * jx * across
    push = -rs * jx * g + 1j * eta * rs * along
    if eta == 0.0:
        return same, 0j, 0j, 0j, push
    h = m * m * (sign * c * tr * ts + g * tx * ty) - k * k * rs * (c * tx * ty + sign * g * tr * ts)
    j = -1j * eta
    return same + j * h, j * sign * rs * c, j * sign * m * s * tr * o, j * sign * m * r * ts * o, push


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def far_blocks(k, eta, order, effort, grid, tables, sources, matrix, right):  # type: ignore[no-untyped-def]
    """Pairs of elements that are not near, by Gauss points of both; a pair of points serves both orders."""
    count, q, degree = len(grid.length), len(grid.node), grid.degree
    at = np.empty((count, q, 4))
    basis = np.empty((q, 6))
    for a in range(q):
        basis[a, 0], basis[a, 1], basis[a, 2], basis[a, 3], basis[a, 4], basis[a, 5] = pressure_shape(degree, grid.node[a])
        for e in range(count):
            at[e, a, 0], at[e, a, 1], at[e, a, 2], at[e, a, 3] = place(grid.ex[e], grid.er[e], grid.node[a])
    pushed = np.zeros((count, q, right.shape[1]), np.complex128)
    loud = source_points(grid, at, sources, right.shape[1])
    block, mirror = np.empty((3, 3), np.complex128), np.empty((3, 3), np.complex128)
    for image in range(grid.images):
        sign = 1.0 - 2.0 * image
        for e in range(count):
            for f in range(e, count):
                if grid.near[image, e, f]:
                    continue
                block[:] = 0
                mirror[:] = 0
                for a in range(q):
                    x, r, tx, tr = at[e, a, 0], at[e, a, 1], at[e, a, 2], at[e, a, 3]
                    for b in range(q):
                        y, s, ty, ts = at[f, b, 0], at[f, b, 1], at[f, b, 2], at[f, b, 3]
                        kernels = ring(k, order, effort, r, x, s, sign * y, tables)
                        w = grid.weight[a] * grid.weight[b]
                        fs, ss, fl, lf, push = factors(k, eta, order, sign, kernels, x, r, tx, tr, y, s, ty, ts)
                        add_block(block, w, basis[a], basis[b], fs, ss, fl, lf, order)
                        for n in range(sources[0][f], sources[0][f + 1]):
                            pushed[e, a, sources[1][n]] += w * push * loud[n, b]
                        if f == e:
                            continue
                        fs, ss, fl, lf, push = factors(k, eta, order, sign, kernels, y, s, ty, ts, x, r, tx, tr)
                        add_block(mirror, w, basis[b], basis[a], fs, ss, fl, lf, order)
                        for n in range(sources[0][e], sources[0][e + 1]):
                            pushed[f, b, sources[1][n]] += w * push * loud[n, a]
                for i in range(degree + 1):
                    for j in range(degree + 1):
                        matrix[degree * e + i, degree * f + j] += block[i, j]
                        if f != e:
                            matrix[degree * f + i, degree * e + j] += mirror[i, j]
    for e in range(count):
        for a in range(q):
            for i in range(degree + 1):
                for n in range(right.shape[1]):
                    right[degree * e + i, n] += basis[a, i] * pushed[e, a, n]


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True, inline="always")
def add_block(block, w, test, trial, fs, ss, fl, lf, order):  # type: ignore[no-untyped-def]
    """Add one pair of points to a 3 by 3 block; functions first, slopes after them."""
    for i in range(3):
        one, two = w * test[i] * fs, w * test[3 + i] * ss
        if order > 0:
            one += w * test[3 + i] * lf
            two += w * test[i] * fl
        for j in range(3):
            block[i, j] += one * trial[j] + two * trial[3 + j]


@njit(nogil=True, error_model="numpy", cache=True)
def source_points(grid, at, sources, patterns):  # type: ignore[no-untyped-def]
    """(entries, q) strength of each entry of the sources at its element's Gauss points."""
    start, which, coefficient, pivot = sources
    loud = np.zeros((len(which), len(grid.node)), np.complex128)
    for e in range(len(grid.length)):
        for n in range(start[e], start[e + 1]):
            for a in range(len(grid.node)):
                x, r, tx, tr = at[e, a, 0], at[e, a, 1], at[e, a, 2], at[e, a, 3]
                loud[n, a] = strength(coefficient[n], pivot[n], grid.node[a], x, r, tx, tr)
    return loud


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def near_blocks(k, eta, order, effort, grid, tables, sources, matrix, right):  # type: ignore[no-untyped-def]
    """Near pairs: for each Gauss point of the first, a rule on the second that is dense where it comes nearest."""
    count, q, degree = len(grid.length), len(grid.node), grid.degree
    start, which, coefficient, pivot = sources
    at, share = np.empty(2 * len(grid.near_node)), np.empty(2 * len(grid.near_node))
    block = np.empty((3, 3), np.complex128)
    test, trial = np.empty(6), np.empty(6)
    mirrored = np.empty(3)
    pushed = np.empty(right.shape[1], np.complex128)
    for image in range(grid.images):
        sign = 1.0 - 2.0 * image
        for e in range(count):
            for f in range(count):
                if not grid.near[image, e, f]:
                    continue
                for i in range(3):
                    mirrored[i] = sign * grid.ex[f, i]
                block[:] = 0
                for a in range(q):
                    t = grid.node[a]
                    x, r, tx, tr = place(grid.ex[e], grid.er[e], t)
                    test[0], test[1], test[2], test[3], test[4], test[5] = pressure_shape(degree, t)
                    if e == f and image == 0:
                        t0, away = t, 0.0
                    else:
                        t0, away = nearest(mirrored, grid.er[f], x, r)
                    points = graded(t0, away, grid.length[f], grid.near_node, grid.near_weight, at, share)
                    pushed[:] = 0
                    for b in range(points):
                        y, s, ty, ts = place(grid.ex[f], grid.er[f], at[b])
                        kernels = ring(k, order, effort, r, x, s, sign * y, tables)
                        w = grid.weight[a] * share[b]
                        fs, ss, fl, lf, push = factors(k, eta, order, sign, kernels, x, r, tx, tr, y, s, ty, ts)
                        trial[0], trial[1], trial[2], trial[3], trial[4], trial[5] = pressure_shape(degree, at[b])
                        add_block(block, w, test, trial, fs, ss, fl, lf, order)
                        for n in range(start[f], start[f + 1]):
                            pushed[which[n]] += w * push * strength(coefficient[n], pivot[n], at[b], y, s, ty, ts)
                    for i in range(degree + 1):
                        for n in range(right.shape[1]):
                            right[degree * e + i, n] += test[i] * pushed[n]
                for i in range(degree + 1):
                    for j in range(degree + 1):
                        matrix[degree * e + i, degree * f + j] += block[i, j]


@njit(nogil=True, error_model="numpy", cache=True)
def own_blocks(eta, grid, sources, matrix, right):  # type: ignore[no-untyped-def]
    """The terms of a point with itself: half the pressure, half its derivative."""
    degree = grid.degree
    start, which, coefficient, pivot = sources
    for e in range(len(grid.length)):
        for a in range(len(grid.node)):
            t = grid.node[a]
            x, r, tx, tr = place(grid.ex[e], grid.er[e], t)
            basis = pressure_shape(degree, t)
            w = grid.weight[a] * r
            jacobian = np.sqrt(tx * tx + tr * tr)
            for i in range(degree + 1):
                for j in range(degree + 1):
                    matrix[degree * e + i, degree * e + j] += grid.half[e, 0] * w * jacobian * basis[i] * basis[j]
                for n in range(start[e], start[e + 1]):
                    given = strength(coefficient[n], pivot[n], t, x, r, tx, tr)
                    right[degree * e + i, which[n]] += 1j * eta * grid.half[e, 1] * w * basis[i] * given


def mass(grid: Grid, unknowns: int) -> Floats:
    """(n, n) integrals of products of the pressure's functions, r ds."""
    matrix = np.zeros((unknowns, unknowns), complex)
    empty = (np.zeros(len(grid.length) + 1, np.int64), np.zeros(0, np.int64), np.zeros((0, 5), complex), np.zeros(0))
    own_blocks(0.0, grid._replace(half=np.ones_like(grid.half)), empty, matrix, np.zeros((unknowns, 0), complex))
    return np.ascontiguousarray(matrix.real)


def radius_points(grid: Grid) -> dict[str, Any]:
    """Positions, tangents and weights at all Gauss points, (E, q) each: x, r, tx, tr, w."""
    rows = [np.array([_quadratic(t) for t in grid.node])[:, i : i + 3] for i in (0, 3)]
    x, tx = (grid.ex @ v.T for v in rows)
    r, tr = (grid.er @ v.T for v in rows)
    return {"x": x, "r": r, "tx": tx, "tr": tr, "w": np.broadcast_to(grid.weight, x.shape)}


def shape_values(degree: int, t: float) -> tuple[float, ...]:
    """The pressure's functions at t."""
    return _quadratic(t)[:3] if degree == 2 else (1 - t, t)


def _quadratic(t: float) -> tuple[float, ...]:
    return (1 - t) * (1 - 2 * t), 4 * t * (1 - t), t * (2 * t - 1), 4 * t - 3, 4 - 8 * t, 4 * t - 1
