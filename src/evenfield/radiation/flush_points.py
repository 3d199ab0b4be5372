"""Regular rule between the baffle's plane and a surface: edge midpoints on both sides.

With x in the plane, a source y and its image behind the plane are at one distance, so the half-space's Green function is
twice the free one: G_h = 2 G, dG_h/dn_y = 2 dG/dn_y, summed over the images of the mirror planes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from evenfield.radiation.midpoint_grid import MidpointGrid
from evenfield.radiation.sine_cosine import sine_cosine

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Array = np.ndarray[Any, np.dtype[Any]]

STRIP = 512
"""Points handled by one vector loop."""


@dataclass(frozen=True)
class PointSet:
    """Midpoints of a surface and what they stand for.

    position, normal : (P, 3), normal area-weighted; strength : (P, 2) share of each of two unknowns in G;
    slope : (P, 2) in dG/dn; target : (P, 2) the unknowns, -1 for none; count : unknowns
    """

    position: Floats
    normal: Floats
    strength: Floats
    slope: Floats
    target: Ints
    count: int

    def tables(self, real: type[np.floating[Any]]) -> tuple[Array, Array, Array, Ints]:
        """As the kernel takes them: (6, P), (2, P), (2, P), (2, P)."""
        place = np.concatenate([self.position, self.normal], axis=1).T
        return (
            np.ascontiguousarray(place.astype(real)), np.ascontiguousarray(self.strength.T.astype(real)),
            np.ascontiguousarray(self.slope.T.astype(real)), np.ascontiguousarray(self.target.T),
        )  # fmt: skip


def surface_points(grid: MidpointGrid, origin: Floats, vertices: int) -> PointSet:
    """Of linear functions: half a midpoint's weight for the vertex at either end of its edge."""
    half = np.full((len(grid.position), 2), 0.5)
    return PointSet(
        grid.position + origin, grid.normal, half * grid.weight[:, None], half, np.ascontiguousarray(grid.vertex[:, :2]), vertices
    )


def points_themselves(position: Floats) -> PointSet:
    """Unit strength at each point, no slope: the plane seen from itself."""
    count = len(position)
    one, none = np.column_stack([np.ones(count), np.zeros(count)]), np.zeros((count, 2))
    target = np.column_stack([np.arange(count), np.full(count, -1)])
    return PointSet(position, np.zeros((count, 3)), one, none, target, count)


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def plane_rows(wavenumber, images, test, place, strength, slope, target, source, green, normal, load):  # type: ignore[no-untyped-def]
    """Rows of some points of the plane, test (E, 3), against a set of points.

    place .. target : see PointSet.tables; source : (K, 2, P) strengths of known sources, re and im
    green, normal : (E, N) complex, added to: G_h and dG_h/dn summed over the points; load : (E, K) complex: of G_h times `source`
    """
    real = place.dtype.type
    one, zero, tiny = real(1), real(0), real(1e-13)
    turns, k = real(wavenumber / (2 * np.pi)), real(wavenumber)
    inverse_2pi = real(1 / (2 * np.pi))
    points = place.shape[1]
    row = np.empty((4, STRIP), place.dtype)
    for e in range(test.shape[0]):
        for begin in range(0, points, STRIP):
            size = min(STRIP, points - begin)
            row[:] = zero
            for g in range(images.shape[0]):
                x0, x1, x2 = test[e, 0] * images[g, 0], test[e, 1] * images[g, 1], test[e, 2] * images[g, 2]
                for i in range(size):
                    p = begin + i
                    d0, d1, d2 = place[0, p] - x0, place[1, p] - x1, place[2, p] - x2
                    square = d0 * d0 + d1 * d1 + d2 * d2
                    inverse = one / np.sqrt(square + tiny)
                    r = square * inverse
                    size_green = inverse * inverse_2pi if square > tiny else zero
                    sn, cs = sine_cosine(turns * r)
                    gr, gi = cs * size_green, -sn * size_green
                    # dG/dn = -(1 + jkR) G (d.n)/R^2, d from x to y
                    along = -(d0 * place[3, p] + d1 * place[4, p] + d2 * place[5, p]) * inverse * inverse
                    row[0, i] += gr
                    row[1, i] += gi
                    row[2, i] += (gr - k * r * gi) * along
                    row[3, i] += (gi + k * r * gr) * along
            for m in range(2):
                for i in range(size):
                    p = begin + i
                    v = target[m, p]
                    if v >= 0:
                        w, s = strength[m, p], slope[m, p]
                        green[e, v] += complex(w * row[0, i], w * row[1, i])
                        normal[e, v] += complex(s * row[2, i], s * row[3, i])
            for n in range(source.shape[0]):
                re, im = zero, zero
                for i in range(size):
                    p = begin + i
                    re += row[0, i] * source[n, 0, p] - row[1, i] * source[n, 1, p]
                    im += row[0, i] * source[n, 1, p] + row[1, i] * source[n, 0, p]
                load[e, n] += complex(re, im)
