"""Pressure away from the surface: at infinity and at points."""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from evenfield.base import DataError, message
from evenfield.radiation.midpoint_grid import MidpointGrid
from evenfield.radiation.quadrature import interior_rule
from evenfield.radiation.sine_cosine import sine_cosine
from evenfield.radiation.sources import point_strengths
from evenfield.radiation.surface_body import Floats, SurfaceBody
from evenfield.radiation.workers import in_order, spans

Complex = NDArray[np.complexfloating[Any, Any]]


def far_field(
    body: SurfaceBody,
    grid: MidpointGrid,
    wavenumber: float,
    pressure: Complex,
    derivative: Complex,
    directions: Floats,
    threads: int,
    real: type[np.floating[Any]] = np.float32,
) -> Complex:
    """(K, D) lim r p e^{jkr} about (0, 0, 0), of surface pressures (K, V) and normal derivatives (K, T).

    An image of the body seen from u is the body seen from u's image, so each distinct direction is summed once.
    """
    distinct, place = distinct_directions(body, directions)
    middle = (pressure[:, grid.vertex[:, 0]] + pressure[:, grid.vertex[:, 1]]) / 2
    strength = point_strengths(derivative, grid.triangle, body.area)
    planes = np.ascontiguousarray(np.stack([middle.real, middle.imag, strength.real, strength.imag], axis=1).astype(real))
    points = np.ascontiguousarray(np.concatenate([grid.position, grid.normal], axis=1).T.astype(real))
    out = np.empty((len(pressure), 2, len(distinct)), np.float64)

    def work(span: tuple[int, int]) -> None:
        sum_plane_waves(wavenumber, points, planes, distinct[span[0] : span[1]], out[:, :, span[0] : span[1]])

    for _ in in_order(work, spans(len(distinct), 4 * threads), threads):
        pass
    once = out[:, 0] + 1j * out[:, 1]
    return np.asarray(once[:, place].sum(axis=1) * np.exp(1j * wavenumber * (directions @ body.origin)))


def distinct_directions(body: SurfaceBody, directions: Floats) -> tuple[Floats, NDArray[np.int64]]:
    """(E, 3) the different ones among the directions' images, and (G, D) which of them each image of each direction is."""
    seen = (directions[None] * body.images[:, None]).reshape(-1, 3)
    _, first, place = np.unique((seen / 1e-7).round().astype(np.int64), axis=0, return_index=True, return_inverse=True)
    return np.ascontiguousarray(seen[first]), place.reshape(len(body.images), -1)


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def sum_plane_waves(wavenumber, points, planes, directions, out):  # type: ignore[no-untyped-def]
    """Sum over points (6, P) of (jk (u.N) p - q) e^{jk u.y}/(4 pi), planes (K, 4, P); out (K, 2, D)."""
    # slices, so that the compiler sees offsets from zero up and makes vector code
    real = points.dtype.type
    turns, k = real(wavenumber / (2 * np.pi)), real(wavenumber)
    count, chunk = points.shape[1], 512
    cosine, sine, slope = np.empty(chunk, points.dtype), np.empty(chunk, points.dtype), np.empty(chunk, points.dtype)
    out[:] = 0.0
    for begin in range(0, count, chunk):
        size = min(chunk, count - begin)
        here = slice(begin, begin + size)
        x, y, z, nx, ny, nz = points[0, here], points[1, here], points[2, here], points[3, here], points[4, here], points[5, here]
        for d in range(directions.shape[0]):
            ux, uy, uz = real(directions[d, 0]), real(directions[d, 1]), real(directions[d, 2])
            for i in range(size):
                sn, cs = sine_cosine(turns * (ux * x[i] + uy * y[i] + uz * z[i]))
                sine[i] = sn
                cosine[i] = cs
                slope[i] = k * (ux * nx[i] + uy * ny[i] + uz * nz[i])
            for m in range(planes.shape[0]):
                p, q, s, t = planes[m, 0, here], planes[m, 1, here], planes[m, 2, here], planes[m, 3, here]
                re, im = real(0), real(0)
                for i in range(size):
                    a = -slope[i] * q[i] - s[i]
                    b = slope[i] * p[i] - t[i]
                    re += a * cosine[i] - b * sine[i]
                    im += a * sine[i] + b * cosine[i]
                out[m, 0, d] += re
                out[m, 1, d] += im
    out /= 4 * np.pi


def pressure_at(body: SurfaceBody, wavenumber: float, pressure: Complex, derivative: Complex, points: Floats) -> Complex:
    """(K, P) pressure at points outside; triangles near a point are cut finer.

    Raises DataError for points inside the body or on its surface (nearer than 1/20 of an edge length).
    """
    place = points - body.origin
    if body.plane is not None:
        body.plane.refuse_beyond(points, body.side)
    refuse_inside(body, place, points)
    return integrate_at(body, wavenumber, pressure, derivative, place)


def integrate_at(body: SurfaceBody, wavenumber: float, pressure: Complex, derivative: Complex, place: Floats) -> Complex:
    """(K, P) the representation's integral at places (P, 3) in the body's coordinates, off its surface; none is refused."""
    result: Complex = np.zeros((len(pressure), len(place)), np.complex128)
    centre = body.corners.mean(axis=1)
    tree = cKDTree(centre)
    reach = float(body.edge_length.max())
    for image in body.images:
        for i, point in enumerate(place * image):
            near = np.asarray(tree.query_ball_point(point, 3 * reach), np.int64)
            far = np.ones(len(centre), bool)
            far[near] = False
            for chosen, cuts in _levels(body, np.flatnonzero(far), near, point):
                result[:, i] += _integrate(body, wavenumber, pressure, derivative, chosen, cuts, point)
    return result


def _levels(
    body: SurfaceBody, far: NDArray[np.int64], near: NDArray[np.int64], point: Floats
) -> list[tuple[NDArray[np.int64], int]]:
    """Triangles with the number of cuts of each edge that their distance asks for."""
    levels = [(far, 1)]
    if len(near):
        away = _distance(body, near, point)
        cuts = np.clip(2 ** np.ceil(np.log2(np.maximum(2 * body.edge_length[near] / np.maximum(away, 1e-12), 1))), 1, 32)
        levels += [(near[cuts == c], int(c)) for c in np.unique(cuts)]
    return levels


def _distance(body: SurfaceBody, triangles: NDArray[np.int64], point: Floats) -> Floats:
    """(n,) distance of a point to triangles, by sampling: within a tenth of an edge."""
    grid = _cut_barycentric(8)
    samples = np.einsum("qa,tac->tqc", np.concatenate([grid, np.eye(3)]), body.corners[triangles])
    return np.asarray(np.linalg.norm(samples - point, axis=2).min(axis=1))


def _cut_barycentric(cuts: int) -> Floats:
    """Centroids of a triangle cut into cuts**2 like ones."""
    rows = []
    for i in range(cuts):
        for j in range(cuts - i):
            rows.append((i + 1 / 3, j + 1 / 3))
            if i + j < cuts - 1:
                rows.append((i + 2 / 3, j + 2 / 3))
    a = np.asarray(rows) / cuts
    return np.column_stack([1 - a.sum(axis=1), a])


def _integrate(
    body: SurfaceBody,
    wavenumber: float,
    pressure: Complex,
    derivative: Complex,
    chosen: NDArray[np.int64],
    cuts: int,
    point: Floats,
) -> Complex:
    """(K,) pressure at a point from some triangles, each cut into cuts**2 with three points each (degree 2)."""
    if len(chosen) == 0:
        return np.zeros(len(pressure), np.complex128)
    base, weight = interior_rule(4)
    cells = _sub_triangles(cuts)
    bary = np.einsum("qa,nab->nqb", base, cells).reshape(-1, 3)
    share = np.tile(weight, len(cells)) / len(cells)
    y = np.einsum("qa,tac->tqc", bary, body.corners[chosen])
    d = y - point
    r = np.linalg.norm(d, axis=2)
    green = np.exp(-1j * wavenumber * r) / (4 * np.pi * r) * (share * body.area[chosen][:, None])
    slope = -(1 + 1j * wavenumber * r) / r**2 * np.einsum("tqc,tc->tq", d, body.normal[chosen]) * green
    p = np.einsum("kta,qa->ktq", pressure[:, body.triangles[chosen]], bary)
    return np.asarray(np.einsum("tq,ktq->k", slope, p) - derivative[:, chosen] @ green.sum(axis=1))


def _sub_triangles(cuts: int) -> Floats:
    """(cuts**2, 3 corners, 3 barycentric) of a triangle cut evenly."""
    cells = []
    for i in range(cuts):
        for j in range(cuts - i):
            cells.append([(i, j), (i + 1, j), (i, j + 1)])
            if i + j < cuts - 1:
                cells.append([(i + 1, j + 1), (i, j + 1), (i + 1, j)])
    a = np.asarray(cells, float) / cuts
    return np.concatenate([1 - a.sum(axis=2, keepdims=True), a], axis=2)


def solid_angle(body: SurfaceBody, place: Floats) -> Floats:
    """(P,) solid angle of the body and its images: 4 pi from inside, 0 from outside, negative for a hollow's walls.

    Source: van Oosterom & Strackee 1983.
    """
    angle = np.zeros(len(place))
    for image in body.images:
        for i, point in enumerate(place * image):
            a, b, c = (body.corners[:, n] - point for n in range(3))
            la, lb, lc = (np.linalg.norm(v, axis=1) for v in (a, b, c))
            numerator = np.einsum("ij,ij->i", a, np.cross(b, c))
            dot = la * lb * lc
            dot = dot + np.einsum("ij,ij->i", a, b) * lc + np.einsum("ij,ij->i", b, c) * la
            dot = dot + np.einsum("ij,ij->i", c, a) * lb
            angle[i] += 2 * np.arctan2(numerator, dot).sum()
    return angle


def refuse_inside(body: SurfaceBody, place: Floats, points: Floats) -> None:
    """Raise DataError for places inside the body or on its surface; `points` are the caller's coordinates."""
    inside = np.abs(solid_angle(body, place)) > 2 * np.pi
    if np.any(inside):
        _refuse(points, inside, "inside it")
    refuse_on_surface(body, place, points)


def refuse_on_surface(body: SurfaceBody, place: Floats, points: Floats) -> None:
    """Raise DataError for places nearer to the surface than 1/20 of an edge length."""
    gap = np.full(len(place), np.inf)
    for image in body.images:
        for i, point in enumerate(place * image):
            reach = np.linalg.norm(body.corners - point, axis=2).min(axis=1) / body.edge_length
            nearest = np.argsort(reach)[:8]
            gap[i] = min(gap[i], float((_distance(body, nearest, point) / body.edge_length[nearest]).min()))
    if np.any(gap < 0.05):
        _refuse(points, gap < 0.05, "on its surface")


def _refuse(points: Floats, bad: NDArray[np.bool_], kind: str) -> None:
    first = int(np.flatnonzero(bad)[0])
    raise DataError(
        message("points", "outside the body", f"{np.round(points[first], 4).tolist()} m, {kind}",
                where=f"point {first}, {int(bad.sum())} such", fix="surface_pressure for the pressure on the surface")
    )  # fmt: skip
