"""An element's surface as tables over station and angle, from which the rings of many meshes are read.

Made for derivatives by differences: one table an element serves the meshes of all frequencies.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from evenfield.shape.elements import Element
from evenfield.shape.rings import RingPlace, pole_of
from evenfield.shape.strips import strips_of

Array = NDArray[np.float64]
Table = tuple[Array, Array, Array]

STATIONS, ANGLES = 97, 61
"""Nodes along a strip, and over the quarter circle: every outline is symmetric in both axes."""


@lru_cache(maxsize=160)
def tables_of(element: Element) -> tuple[tuple[Table, ...], float]:
    """Per strip x and radius (STATIONS, ANGLES), m, and the half ring's integral of r^2 over theta (STATIONS,), m2; the pole's
    height, m.
    """
    strips = strips_of(element)
    station, theta = np.linspace(0, 1, STATIONS), np.linspace(0, math.pi / 2, ANGLES)
    found = []
    for strip in strips:
        x, r = strip.surface(station, theta)
        found.append((x, r, np.asarray(2 * np.trapezoid(r**2, theta, axis=1))))
    return tuple(found), pole_of(strips)


class TabledRings:
    """Rings of one mesh, their stations and angles as weights on the tables' nodes."""

    def __init__(self, rings: tuple[RingPlace, ...]) -> None:
        self.rings = rings
        self._strips = sorted({r.strip for r in rings})
        self._weights = {k: self._of_strip([r for r in rings if r.strip == k]) for k in self._strips}

    @staticmethod
    def _of_strip(rings: list[RingPlace]) -> tuple[object, Array]:
        from scipy.sparse import csr_matrix

        station = np.concatenate([np.full(len(r.theta), r.station) for r in rings])
        theta = np.abs(np.concatenate([r.theta for r in rings]))
        i, wi = cubic_weights(station * (STATIONS - 1), STATIONS)
        j, wj = cubic_weights(theta / (math.pi / 2) * (ANGLES - 1), ANGLES)
        column = (i[:, :, None] * ANGLES + j[:, None, :]).reshape(len(theta), 16)
        weight = (wi[:, :, None] * wj[:, None, :]).reshape(len(theta), 16)
        row = np.repeat(np.arange(len(theta)), 16)
        points = csr_matrix((weight.ravel(), (row, column.ravel())), (len(theta), STATIONS * ANGLES))
        along = np.zeros((len(rings), STATIONS))
        i, wi = cubic_weights(np.array([r.station for r in rings]) * (STATIONS - 1), STATIONS)
        np.add.at(along, (np.arange(len(rings))[:, None], i), wi)
        return points, along

    def vertices(self, element: Element) -> Array:
        """(P, 3) m, as `ring_vertices` of the element's strips, within the tables' interpolation."""
        tables, pole = tables_of(element)
        points: list[Array] = []
        for k in self._strips:
            weights, along = self._weights[k]
            table_x, table_r, table_area = tables[k]
            x, r = weights @ table_x.ravel(), weights @ table_r.ravel()  # type: ignore[operator]
            area, start = along @ table_area, 0
            for n, ring in enumerate(r_ for r_ in self.rings if r_.strip == k):
                end = start + len(ring.theta)
                points.append(spread_ring(ring.theta, x[start:end], r[start:end], float(area[n])))
                start = end
        return np.vstack([*points, [[pole, 0.0, 0.0]]])


def cubic_weights(place: Array, count: int) -> tuple[NDArray[np.int64], Array]:
    """(P, 4) node numbers and Lagrange weights of a cubic through four neighbouring nodes, at fractional node numbers."""
    first = np.clip(np.floor(place).astype(np.int64) - 1, 0, count - 4)
    u = place - first
    weight = np.ones((len(place), 4))
    for a in range(4):
        for b in range(4):
            if a != b:
                weight[:, a] *= (u - b) / (a - b)
    return first[:, None] + np.arange(4), weight


def spread_ring(theta: Array, x: Array, radius: Array, area: float) -> Array:
    """(m, 3) half a ring spread so that its polygon has the ring's own `area` (integral of r^2 over the half circle, m2); its
    ends lie on the element's mirror plane.
    """
    scale = math.sqrt(area / float(np.sum(radius[1:] * radius[:-1] * np.sin(np.diff(theta)))))
    y = scale * radius * np.cos(theta)
    y[[0, -1]] = 0.0
    return np.column_stack([x, y, scale * radius * np.sin(theta)])


__all__ = ["TabledRings", "cubic_weights", "spread_ring", "tables_of"]
