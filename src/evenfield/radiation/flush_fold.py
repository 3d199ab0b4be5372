"""Double layer between a recess's wall and its own image behind the baffle, where the wall meets the plane at a grazing angle.

There a triangle and the image of its neighbour are almost folded onto one another, which the rules for touching triangles do not
resolve. The source's static part is taken in closed form (`flush_near.double_layer`), the rest by a Gauss rule.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from evenfield.radiation import near_integrals
from evenfield.radiation.flush_near import double_layer, outer_rules
from evenfield.radiation.near_pairs import NearPairs
from evenfield.radiation.quadrature import MIDPOINTS, interior_rule
from evenfield.radiation.surface_matrix import SurfaceMatrix
from evenfield.radiation.workers import in_order, spans

Complex = NDArray[np.complexfloating[Any, Any]]

PAIRS_PER_TASK = 250


class Folds:
    """The image pairs of a recess's wall, with the closed forms' double layers."""

    def __init__(self, system: SurfaceMatrix) -> None:
        self.system = system
        body = system.body
        self.groups = [g.select(np.flatnonzero(body.images[g.image, 0] < 0)) for g in system.near]
        self.groups = [g for g in self.groups if len(g)]
        (_, _), (points, weights) = outer_rules()
        self.still = [np.zeros((len(g), 2, 3, 3)) for g in self.groups]
        for g, out in zip(self.groups, self.still, strict=True):

            def work(span: tuple[int, int], g: NearPairs = g, out: NDArray[np.float64] = out) -> None:
                s = slice(*span)
                fold_still(
                    body.corners, body.normal, body.area, body.images, g.first[s], g.second[s], g.image[s], points, weights,
                    out[s],
                )  # fmt: skip

            _in_threads(work, len(g), system.solver.worker_count)

    def add(self, wavenumber: float, matrix: Complex) -> None:
        """Put the accurate double layer of the pairs in the place of the near rule's; no coupling."""
        body, inner = self.system.body, interior_rule(4)
        for g, still in zip(self.groups, self.still, strict=True):
            out = still.astype(complex)

            def work(span: tuple[int, int], g: NearPairs = g, out: Complex = out) -> None:
                s = slice(*span)
                fold_waves(
                    wavenumber, body.corners, body.normal, body.area, body.images, g.first[s], g.second[s], g.image[s], *inner,
                    MIDPOINTS[0], out[s],
                )  # fmt: skip

            _in_threads(work, len(g), self.system.solver.worker_count)
            change = (out - _usual(self.system, wavenumber, g)).astype(self.system.complex)
            near_integrals.add_pairs(body.triangles, g.first, g.second, change, matrix)


def _in_threads(work: Callable[[tuple[int, int]], None], pairs: int, threads: int) -> None:
    for _ in in_order(work, spans(pairs, 1 + pairs // PAIRS_PER_TASK), threads):
        pass


def _usual(system: SurfaceMatrix, wavenumber: float, g: NearPairs) -> Complex:
    """What the near rule, less the regular one, found for the pairs: (N, 2, 3, 3)."""
    out = np.empty((len(g), 2, 3, 3), system.complex)
    near_integrals.matrix_pairs(
        wavenumber, 0.0, *system.shape, g.first, g.second, g.image, g.turn_first, g.turn_second, *system.rule(g), out
    )
    return out


@njit(nogil=True, error_model="numpy", cache=True)
def fold_still(corners, normal, area, images, first, second, image, points, weights, out):  # type: ignore[no-untyped-def]
    """Add to out (N, 2, 3, 3) minus the static double layer, tested on `first` with the image of `second` as source, and back."""
    y, field, one, work = np.empty(3), np.empty(3), np.empty((3, 3)), np.empty((4, 3))
    for n in range(first.size):
        g = images[image[n]]
        for way in range(2):
            test, source = (first[n], second[n]) if way == 0 else (second[n], first[n])
            # the source stays, the image of the test triangle comes to it
            for a in range(3):
                for i in range(3):
                    one[a, i] = g[i] * corners[test, a, i]
            scale = area[test] / (4 * np.pi)
            for q in range(weights.size):
                for i in range(3):
                    y[i] = points[q, 0] * one[0, i] + points[q, 1] * one[1, i] + points[q, 2] * one[2, i]
                double_layer(corners[source], normal[source], area[source], y, field, work)
                for a in range(3):
                    for b in range(3):
                        out[n, way, a, b] -= scale * weights[q] * points[q, a] * field[b]


@njit(nogil=True, error_model="numpy", cache=True)
def fold_waves(wavenumber, corners, normal, area, images, first, second, image, inner, weight, middle, out):  # type: ignore[no-untyped-def]
    """Add what e^{-jkR} adds to the static double layer, less the regular rule (see `near_integrals`)."""
    for n in range(first.size):
        g = images[image[n]]
        for way in range(2):
            test, source = (first[n], second[n]) if way == 0 else (second[n], first[n])
            scale = area[test] * area[source] / (4 * np.pi)
            for q in range(weight.size):
                for p in range(weight.size):
                    square, along = 0.0, 0.0
                    for i in range(3):
                        d = (
                            inner[q, 0] * corners[test, 0, i]
                            + inner[q, 1] * corners[test, 1, i]
                            + inner[q, 2] * corners[test, 2, i]
                        )
                        d *= g[i]
                        for a in range(3):
                            d -= inner[p, a] * corners[source, a, i]
                        square += d * d
                        along += d * normal[source, i]
                    r = np.sqrt(square)
                    if wavenumber * r > 1e-4:
                        kr = 1j * wavenumber * r
                        # d/dn' = -d/dn: (1 + jkR) e^{-jkR} (d.n')/R^3, less its static part
                        value = ((1 + kr) * np.exp(-kr) - 1) * along / (square * r)
                        value *= scale * weight[q] * weight[p]
                        for a in range(3):
                            for b in range(3):
                                out[n, way, a, b] -= value * inner[q, a] * inner[p, b]
            for q in range(3):
                for p in range(3):
                    square, along = 0.0, 0.0
                    for i in range(3):
                        d = 0.0
                        for a in range(3):
                            d += g[i] * middle[q, a] * corners[test, a, i] - middle[p, a] * corners[source, a, i]
                        square += d * d
                        along += d * normal[source, i]
                    if square > 1e-13:
                        r = np.sqrt(square)
                        kr = 1j * wavenumber * r
                        value = scale / 9 * (1 + kr) * np.exp(-kr) * along / (square * r)
                        for a in range(3):
                            for b in range(3):
                                out[n, way, a, b] += value * middle[q, a] * middle[p, b]
