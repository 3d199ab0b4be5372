"""Near pairs of a triangle in the baffle's plane and one of a surface: the accurate rule less the regular one.

The static potential of a plane triangle of uniform strength and the static double layer of linear strength are closed forms
(Wilton et al., IEEE Trans. Antennas Propag. 32 (1984) 276, and Graglia, ibid. 41 (1993) 1448); what e^{-jkR} adds is bounded and
takes a Gauss rule. The closed form is always that of the source, so that a constant pressure gives the exact solid angle at every
point, and a wall may meet the mouth, or its own image behind the baffle, at any angle, however sharp.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from evenfield.radiation.flush_body import PlaneElements
from evenfield.radiation.quadrature import MIDPOINTS, interior_rule
from evenfield.radiation.workers import in_order, spans

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Array = np.ndarray[Any, np.dtype[Any]]

CLOSE = 1.3
"""Centroid distance over the longer mean edge below which the outer triangle is cut in 16."""


@dataclass(frozen=True)
class PlanePairs:
    """plane, outer : (N,) triangles; image : (N,) row of the images, acting on the plane's; close : (N,) bool."""

    plane: Ints
    outer: Ints
    image: Ints
    close: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.plane)


def find_pairs(corners: Floats, plane: PlaneElements, chosen: Ints, images: Floats, distance: float) -> PlanePairs:
    """Pairs of the chosen plane elements with triangles (T, 3, 3) nearer than `distance` times the longer mean edge."""
    if len(chosen) == 0 or len(corners) == 0:
        none = np.zeros(0, np.int64)
        return PlanePairs(none, none, none, np.zeros(0, bool))
    centre, edge = corners.mean(axis=1), _edges(corners)
    own, own_edge = plane.corners[chosen].mean(axis=1), _edges(plane.corners[chosen])
    tree, columns = cKDTree(centre), []
    reach = distance * max(float(edge.max()), float(own_edge.max()))
    for g, image in enumerate(images):
        lists = tree.query_ball_point(own * image, reach)
        sizes = np.fromiter((len(x) for x in lists), np.int64, len(lists))
        one = np.repeat(np.arange(len(own)), sizes)
        two = np.concatenate([np.asarray(x, np.int64) for x in lists])
        away = np.linalg.norm(own[one] * image - centre[two], axis=1) / np.maximum(own_edge[one], edge[two])
        kept = away < distance
        columns.append((chosen[one[kept]], two[kept], np.full(kept.sum(), g), away[kept] < CLOSE))
    return PlanePairs(*(np.concatenate([c[i] for c in columns]) for i in range(4)))


def _edges(corners: Floats) -> Floats:
    return np.asarray(np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).mean(axis=1))


def outer_rules() -> tuple[tuple[Array, Array], tuple[Array, Array]]:
    """Points (Q, 3) and weights (Q,) of degree 5 on a triangle, and on one cut in 16."""
    points, weights = interior_rule(5)
    cells = _quarters(_quarters(np.eye(3)[None]))
    fine = np.einsum("qa,nab->nqb", points, cells).reshape(-1, 3)
    return (points, weights), (np.ascontiguousarray(fine), np.tile(weights, len(cells)) / len(cells))


def _quarters(cells: Floats) -> Floats:
    a, b, c = (cells[:, i] for i in range(3))
    ab, bc, ca = (a + b) / 2, (b + c) / 2, (c + a) / 2
    return np.concatenate([np.stack(t, axis=1) for t in ((a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca))])


@dataclass(frozen=True)
class NearTable:
    """Pairs with what does not depend on frequency: still (N, 2, 3, 3), the closed forms' integrals of G_h and dG_h/dn with the
    linear functions of the plane element's corners and of the other's, the free Green function static.
    """

    corners: Floats
    normal: Floats
    area: Floats
    plane: PlaneElements
    images: Floats
    pairs: PlanePairs
    still: Floats

    def entries(self, wavenumber: float, threads: int) -> NDArray[np.complex128]:
        """(N, 2, 3, 3) corrections to the regular rule at a wavenumber."""
        out = self.still.astype(complex)
        p, outer, inner = self.pairs, interior_rule(5), interior_rule(4)

        def work(span: tuple[int, int]) -> None:
            s = slice(*span)
            add_waves(
                wavenumber, self.corners, self.normal, self.area, self.plane.corners, self.plane.area, self.images, p.plane[s],
                p.outer[s], p.image[s], *outer, *inner, MIDPOINTS[0], out[s],
            )  # fmt: skip

        for _ in in_order(work, spans(len(p), 1 + len(p) // 2000), threads):
            pass
        return out


def near_table(
    corners: Floats, normal: Floats, area: Floats, plane: PlaneElements, images: Floats, pairs: PlanePairs, threads: int
) -> NearTable:
    """Set up the closed forms; a surface in the plane itself (all x = 0) has no double layer."""
    still = np.zeros((len(pairs), 2, 3, 3))
    flat = bool(np.all(corners[:, :, 0] == 0))
    for close, (points, weights) in zip((False, True), outer_rules(), strict=True):
        chosen = np.flatnonzero(pairs.close == close)
        part = np.zeros((len(chosen), 2, 3, 3))

        def work(
            span: tuple[int, int], chosen: Ints = chosen, part: Floats = part, points: Array = points, weights: Array = weights
        ) -> None:
            c = chosen[span[0] : span[1]]
            integrate_still(
                corners, normal, area, plane.corners, plane.area, images, pairs.plane[c], pairs.outer[c], pairs.image[c], flat,
                points, weights, part[span[0] : span[1]],
            )  # fmt: skip

        for _ in in_order(work, spans(len(chosen), 1 + len(chosen) // 500), threads):
            pass
        still[chosen] = part
    return NearTable(corners, normal, area, plane, images, pairs, still)


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def over_distance(low, high, near, far):  # type: ignore[no-untyped-def]
    """Integral of 1/R along an edge from `low` to `high` of the point's foot, its ends `near` and `far` from the point."""
    if low + high > 0:
        return np.log((far + high + 1e-30) / (near + low + 1e-30))
    return np.log((near - low + 1e-30) / (far - high + 1e-30))


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def place_point(x, y, out):  # type: ignore[no-untyped-def]
    """Corners (3, 3) from the point, out (3, 3), and their distances, out[3]; returns the solid angle's denominator.

    Source: van Oosterom & Strackee, IEEE Trans. Biomed. Eng. 30 (1983) 125.
    """
    for m in range(3):
        a, b, c = x[m, 0] - y[0], x[m, 1] - y[1], x[m, 2] - y[2]
        out[m, 0], out[m, 1], out[m, 2] = a, b, c
        out[3, m] = np.sqrt(a * a + b * b + c * c)
    p, q, r, far = out[0], out[1], out[2], out[3]
    total = far[0] * far[1] * far[2] + (p[0] * q[0] + p[1] * q[1] + p[2] * q[2]) * far[2]
    total += (q[0] * r[0] + q[1] * r[1] + q[2] * r[2]) * far[0]
    return total + (r[0] * p[0] + r[1] * p[1] + r[2] * p[2]) * far[1]


@njit(nogil=True, error_model="numpy", cache=True)
def plane_potential(x, y, out, s):  # type: ignore[no-untyped-def]
    """Integral of 1/R times each corner's linear function over a triangle (3, 3) in x = 0, counter-clockwise seen from +x:
    out (3,); s : (4, 3) work space."""
    under, h = place_point(x, y, s), y[0]
    twice = (x[1, 1] - x[0, 1]) * (x[2, 2] - x[0, 2]) - (x[1, 2] - x[0, 2]) * (x[2, 1] - x[0, 1])
    total = -2 * h * np.arctan2(twice * h, under) if h != 0.0 else 0.0
    m1, m2 = 0.0, 0.0
    for side in range(3):
        to = (side + 1) % 3
        e1, e2 = s[to, 1] - s[side, 1], s[to, 2] - s[side, 2]
        length = np.sqrt(e1 * e1 + e2 * e2)
        e1, e2 = e1 / length, e2 / length
        t, low = s[side, 1] * e2 - s[side, 2] * e1, s[side, 1] * e1 + s[side, 2] * e2
        high, near, far = low + length, s[3, side], s[3, to]
        f = over_distance(low, high, near, far)
        total += t * f
        # the moment about the point's foot, outwards from each edge
        moment = ((t * t + h * h) * f + high * far - low * near) / 2
        m1 += e2 * moment
        m2 -= e1 * moment
    for side in range(3):
        p, q = s[(side + 1) % 3], s[(side + 2) % 3]
        # gradient of the corner's function: +x across the opposite edge, over twice the area
        g1, g2 = -(q[2] - p[2]) / twice, (q[1] - p[1]) / twice
        out[side] = -(p[1] * g1 + p[2] * g2) * total + g1 * m1 + g2 * m2


@njit(nogil=True, error_model="numpy", cache=True)
def double_layer(corner, n, area, y, out, s):  # type: ignore[no-untyped-def]
    """Integral of (d/dn 1/R) times each corner's linear function over a triangle (3, 3) of unit normal n, at y: out (3,);
    s : (4, 3) work space."""
    under = place_point(corner, y, s)
    h = -(s[0, 0] * n[0] + s[0, 1] * n[1] + s[0, 2] * n[2])
    angle = 2 * np.arctan2(2 * area * h, under) if h != 0.0 else 0.0
    a0, a1, a2 = 0.0, 0.0, 0.0
    for side in range(3):
        p, q = s[side], s[(side + 1) % 3]
        e0, e1, e2 = q[0] - p[0], q[1] - p[1], q[2] - p[2]
        length = np.sqrt(e0 * e0 + e1 * e1 + e2 * e2)
        e0, e1, e2 = e0 / length, e1 / length, e2 / length
        low = p[0] * e0 + p[1] * e1 + p[2] * e2
        f = over_distance(low, low + length, s[3, side], s[3, (side + 1) % 3])
        # outwards in the triangle's plane: edge x normal
        a0 -= (e1 * n[2] - e2 * n[1]) * f
        a1 -= (e2 * n[0] - e0 * n[2]) * f
        a2 -= (e0 * n[1] - e1 * n[0]) * f
    for side in range(3):
        p, q = s[(side + 1) % 3], s[(side + 2) % 3]
        e0, e1, e2 = q[0] - p[0], q[1] - p[1], q[2] - p[2]
        # gradient of the corner's function: normal x opposite edge over twice the area
        g0, g1, g2 = n[1] * e2 - n[2] * e1, n[2] * e0 - n[0] * e2, n[0] * e1 - n[1] * e0
        value = -(p[0] * g0 + p[1] * g1 + p[2] * g2) / (2 * area)
        slope = (a0 * g0 + a1 * g1 + a2 * g2) / (2 * area)
        out[side] = value * angle + h * slope


@njit(nogil=True, error_model="numpy", cache=True)
def corner_order(g):  # type: ignore[no-untyped-def]
    """In which order an image's corners are counter-clockwise seen from the front."""
    return (0, 2, 1) if g[1] * g[2] < 0 else (0, 1, 2)


@njit(nogil=True, error_model="numpy", cache=True)
def integrate_still(  # type: ignore[no-untyped-def]
    corners, normal, area, flat, flat_area, images, plane, outer, image, in_plane, point, weight, out
):  # fmt: skip
    """See NearTable: the outer triangle's points under the element's potential, the element's points under its double layer."""
    a = np.empty((3, 3))
    x, y, field, work = np.empty(3), np.empty(3), np.empty(3), np.empty((4, 3))
    for n in range(plane.size):
        t, s, g = plane[n], outer[n], images[image[n]]
        turn = corner_order(g)
        for m in range(3):
            for i in range(3):
                a[m, i] = g[i] * flat[t, turn[m], i]
        # G_h = 2 G
        scale, turned = area[s] / (2 * np.pi), flat_area[t] / (2 * np.pi)
        for q in range(weight.size):
            for i in range(3):
                y[i] = point[q, 0] * corners[s, 0, i] + point[q, 1] * corners[s, 1, i] + point[q, 2] * corners[s, 2, i]
                x[i] = point[q, 0] * a[0, i] + point[q, 1] * a[1, i] + point[q, 2] * a[2, i]
            plane_potential(a, y, field, work)
            for m in range(3):
                for i in range(3):
                    out[n, 0, turn[m], i] += scale * weight[q] * point[q, i] * field[m]
            if not in_plane:
                double_layer(corners[s], normal[s], area[s], x, field, work)
                for m in range(3):
                    for i in range(3):
                        out[n, 1, turn[m], i] += turned * weight[q] * point[q, m] * field[i]


@njit(nogil=True, error_model="numpy", cache=True)
def add_waves(  # type: ignore[no-untyped-def]
    wavenumber, corners, normal, area, flat, flat_area, images, plane, outer, image, wave_point, wave_weight, inner_point,
    inner_weight, middle, out,
):  # fmt: skip
    """Add to out (N, 2, 3, 3) what e^{-jkR} adds to the static kernels, less the regular rule."""
    k = wavenumber
    d = np.empty(3)
    for n in range(plane.size):
        t, s, g = plane[n], outer[n], images[image[n]]
        scale = area[s] * flat_area[t] / (2 * np.pi)
        for q in range(wave_weight.size):
            for p in range(inner_weight.size):
                square, along = 0.0, 0.0
                for i in range(3):
                    d[i] = 0.0
                    for m in range(3):
                        d[i] += wave_point[q, m] * corners[s, m, i] - inner_point[p, m] * g[i] * flat[t, m, i]
                    square += d[i] * d[i]
                    along += d[i] * normal[s, i]
                r = np.sqrt(square)
                if k * r > 1e-4:
                    wave = np.exp(-1j * k * r)
                    green, slope = (wave - 1) / r, (1 - (1 + 1j * k * r) * wave) * along / (square * r)
                else:
                    green, slope = -1j * k, 0j
                share = scale * wave_weight[q] * inner_weight[p]
                for m in range(3):
                    for i in range(3):
                        both = share * inner_point[p, m] * wave_point[q, i]
                        out[n, 0, m, i] += both * green
                        out[n, 1, m, i] += both * slope
        for q in range(3):
            for p in range(3):
                square, along = 0.0, 0.0
                for i in range(3):
                    d[i] = 0.0
                    for m in range(3):
                        d[i] += middle[q, m] * corners[s, m, i] - middle[p, m] * g[i] * flat[t, m, i]
                    square += d[i] * d[i]
                    along += d[i] * normal[s, i]
                if square > 1e-13:
                    r = np.sqrt(square)
                    wave = np.exp(-1j * k * r) / r
                    slope = -(1 + 1j * k * r) * wave * along / square
                    for m in range(3):
                        for i in range(3):
                            both = scale / 9 * middle[p, m] * middle[q, i]
                            out[n, 0, m, i] -= both * wave
                            out[n, 1, m, i] -= both * slope
