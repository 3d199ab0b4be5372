"""Pressure away from a meridian: at infinity and at points."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numba import njit

from evenfield.base import DataError, message
from evenfield.radiation.meridian_body import Floats, MeridianBody
from evenfield.radiation.meridian_elements import graded, nearest, place, pressure_shape, strength
from evenfield.radiation.meridian_matrix import Complex, Grid, radius_points, shape_values
from evenfield.radiation.meridian_motion import Sources
from evenfield.radiation.meridian_rings import ring, ring_tables

CLOSEST = 1e-3
"""Element lengths from the surface: nearer points are refused."""


@dataclass(frozen=True)
class Boundary:
    """Pressure and normal derivative on all of a domain's boundary, from which its field follows.

    pressure : (K, n) Pa at the unknowns; derivative : Pa/m, as sources
    """

    body: MeridianBody
    grid: Grid
    order: int
    pressure: Complex
    derivative: Sources

    def at_gauss_points(self) -> tuple[dict[str, Any], Complex, Complex]:
        """Positions (see `radius_points`), pressures (K, E, q) and normal derivatives times the line element (K, E, q)."""
        points = radius_points(self.grid)
        shape = np.array([shape_values(self.grid.degree, t) for t in self.grid.node])
        dof = self.grid.degree * np.arange(self.body.count)[:, None] + np.arange(self.grid.degree + 1)
        return points, self.pressure[:, dof] @ shape.T, strengths(self.grid, self.derivative, points)


def strengths(grid: Grid, sources: Sources, points: dict[str, Any]) -> Complex:
    """(K, E, q) strength of each pattern times the line element at the Gauss points."""
    x, r, tx, tr = (points[n] for n in ("x", "r", "tx", "tr"))
    result = np.zeros((sources.count, *x.shape), complex)
    element = np.repeat(np.arange(len(x)), np.diff(sources.start))
    c, t = sources.coefficient[:, :, None], grid.node
    jacobian = np.hypot(tx, tr)[element]
    value = jacobian * (c[:, 0] + t * (c[:, 1] + t * c[:, 2])) - c[:, 3] * tr[element]
    value = value - c[:, 4] * (r[element] * tr[element] + (x[element] - sources.pivot[:, None]) * tx[element])
    np.add.at(result, (sources.which, element), value)
    return result


def far_field(boundary: Boundary, wavenumber: float, cosine: Floats, azimuth: Floats) -> Complex:
    """(K, D) lim r p e^{jkr} about (0, 0, 0), towards directions at an angle of given cosine from the axis."""
    points, pressure, derivative = boundary.at_gauss_points()
    left, right = far_factors(boundary, wavenumber, cosine, points)
    k = len(pressure)
    once = pressure.reshape(k, -1) @ left.T - derivative.reshape(k, -1) @ right.T
    return np.asarray(once * np.cos(boundary.order * azimuth))


def far_factors(boundary: Boundary, wavenumber: float, cosine: Floats, points: dict[str, Any]) -> tuple[Complex, Complex]:
    """(D, Q) factors of pressure and of derivative times line element at each Gauss point, azimuth 0.

    The plane wave over a ring is 2 pi j^m J_m(k r sin) (Abramowitz & Stegun 9.1.21).
    """
    x, r, tx, tr, w = (points[n].ravel() for n in ("x", "r", "tx", "tr", "w"))
    m, distinct, back = boundary.order, *np.unique(cosine, return_inverse=True)
    sine = np.sqrt(np.maximum(0.0, 1 - distinct**2))[:, None]
    z = wavenumber * sine * r
    bessel = bessel_slopes(m, z)
    wave, slope = 1j**m * bessel[0], 1j ** (m - 1) * bessel[1]
    left, right = np.zeros((2, len(distinct), len(x)), complex)
    for sign in (1.0, -1.0)[: boundary.grid.images]:
        c = sign * distinct[:, None]
        phase = np.exp(1j * wavenumber * c * x) * (w * r / 2)
        left += phase * 1j * wavenumber * (-c * tr * wave + sine * tx * slope)
        right += phase * wave
    if boundary.grid.images == 2:
        left[distinct < -1e-12], right[distinct < -1e-12] = 0, 0
    return left[back], right[back]


def bessel_slopes(order: int, z: Floats) -> tuple[Floats, Floats, Floats]:
    """J_m(z), its first and second derivative (Abramowitz & Stegun 9.1.27 and 9.1.1), quickly for order 0."""
    from scipy.special import j0, j1, jv, jvp

    if order > 0:
        one_slope, two_slopes = (np.asarray(jvp(order, z, n), np.float64) for n in (1, 2))
        return np.asarray(jv(order, z), np.float64), one_slope, two_slopes
    zero, one = np.asarray(j0(z), np.float64), np.asarray(j1(z), np.float64)
    ratio: Floats = np.where(z > 1e-8, one / np.maximum(z, 1e-8), 0.5)
    return zero, -one, ratio - zero


def pressure_at(boundary: Boundary, wavenumber: float, effort: float, points: Floats) -> Complex:
    """(K, P) pressure at (x, r) points of the domain at azimuth 0."""
    out = np.zeros((len(points), len(boundary.pressure)), complex)
    sum_rings(
        wavenumber, boundary.order, effort, boundary.grid, ring_tables(boundary.order), boundary.derivative.table,
        np.ascontiguousarray(boundary.pressure), np.ascontiguousarray(points), out,
    )  # fmt: skip
    return out.T


def solid_share(boundary: Boundary, points: Floats) -> Floats:
    """(P,) -1 behind the boundary, 0 beyond it (+1 in a domain that it encloses): its static double layer of unit strength."""
    unit = Boundary(boundary.body, boundary.grid, 0, np.ones((1, boundary.body.unknowns), complex), _silent(boundary.body))
    return np.asarray(pressure_at(unit, 1e-9, 6.0, points)[0].real)


def _silent(body: MeridianBody) -> Sources:
    none = np.zeros(0, np.int64)
    return Sources(1, np.zeros(body.count + 1, np.int64), none, np.zeros((0, 5), complex), np.zeros(0))


def refuse_close(boundary: Boundary, points: Floats) -> None:
    """Raise DataError for points on the surface."""
    gap = np.full(len(points), np.inf)
    for ex, er, length in zip(boundary.grid.ex, boundary.grid.er, boundary.grid.length, strict=True):
        for i in np.flatnonzero(np.hypot(points[:, 0] - ex[1], points[:, 1] - er[1]) < 2 * length):
            gap[i] = min(gap[i], nearest(ex, er, points[i, 0], points[i, 1])[1] / length)
    if np.any(gap < CLOSEST):
        at = int(np.argmin(gap))
        raise DataError(message("points", "off the surface", f"x = {points[at, 0]:.4g} m, r = {points[at, 1]:.4g} m, on it",
                                where=f"point {at}", fix="surface_pressure for the pressure on the surface"))  # fmt: skip


@njit(nogil=True, error_model="numpy", cache=True)
def sum_rings(k, order, effort, grid, tables, sources, pressure, points, out):  # type: ignore[no-untyped-def]
    """Sum over the boundary of p dG/dn - G q at points (P, 2); out (P, K)."""
    start, which, coefficient, pivot = sources
    degree = grid.degree
    at, share = np.empty(2 * len(grid.near_node)), np.empty(2 * len(grid.near_node))
    ex = np.empty(3)
    for p in range(len(points)):
        x, r = points[p]
        for e in range(len(grid.length)):
            for image in range(grid.images):
                sign = 1.0 - 2.0 * image
                for i in range(3):
                    ex[i] = sign * grid.ex[e, i]
                count = len(grid.node)
                if np.hypot(x - ex[1], r - grid.er[e, 1]) < 2 * grid.length[e]:
                    t0, away = nearest(ex, grid.er[e], x, r)
                    count = graded(t0, away, grid.length[e], grid.near_node, grid.near_weight, at, share)
                else:
                    at[:count] = grid.node
                    share[:count] = grid.weight
                for b in range(count):
                    y, s, ty, ts = place(grid.ex[e], grid.er[e], at[b])
                    g, _, _, f, d = ring(k, order, effort, r, x, s, sign * y, tables)
                    w = share[b] * s
                    across = w * (ty * ((s - r) * f + r * d) - sign * ts * (sign * y - x) * f)
                    shape = pressure_shape(degree, at[b])
                    for n in range(out.shape[1]):
                        for i in range(degree + 1):
                            out[p, n] += across * shape[i] * pressure[n, degree * e + i]
                    for i in range(start[e], start[e + 1]):
                        out[p, which[i]] -= w * g * strength(coefficient[i], pivot[i], at[b], y, s, ty, ts)
