"""How the triangles across a recess's mouth follow its rim when that moves in the baffle's plane.

Points on the rim stay where they are between their two rim vertices. Those within move as the harmonic extension of the rim's
motion (linear elements on the triangles themselves, so that a mouth that is stretched or turned stretches or turns as a whole);
points on a mirror plane stay on it. Where they are is no part of the problem: it changes the field by the error of the mesh only.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array, csc_array, csr_array

from evenfield.radiation.flush_basis import PlaneBasis
from evenfield.radiation.flush_body import FlushBody
from evenfield.radiation.surface_body import SurfaceBody

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

ON_RIM = 1e-6
"""Rim edges; points this near to an edge lie on it."""


class MouthMotion:
    """One recess's mouth. Points in the order of their functions in the basis, vertices those of the recess's wall."""

    def __init__(self, body: FlushBody, basis: PlaneBasis, number: int) -> None:
        wall, own = body.recesses[number], np.flatnonzero(body.plane.recess == number)
        node = basis.node[own] - basis.of_recess(number).start
        count = int(node.max()) + 1
        place = np.zeros((count, 2))
        place[node.ravel()] = body.plane.corners[own].reshape(-1, 3)[:, 1:]
        self._rim = _on_rim(wall, place)
        rigid = _stiffness(place, node)
        bound = np.diff(self._rim.indptr) > 0
        held = []
        for axis in (1, 2):
            cut = np.abs(place[:, axis - 1]) < ON_RIM * float(wall.edge_length.mean())
            held.append(bound | (cut & wall.symmetric[axis]))
        self._inside = [_Extension(rigid, h) for h in held]

    def follow(self, wall: Floats) -> Floats:
        """(n, 2) how the points move, m, for displacements (V, 3) of the wall's vertices."""
        rim = self._rim @ wall[:, 1:]
        return np.stack([inside.spread(rim[:, c]) for c, inside in enumerate(self._inside)], axis=1)

    def pull(self, points: Floats) -> Floats:
        """(V, 3) derivatives by the wall's vertices of one by the points (n, 2): the transpose of `follow`."""
        rim = np.stack([inside.gather(points[:, c]) for c, inside in enumerate(self._inside)], axis=1)
        return np.concatenate([np.zeros((self._rim.shape[1], 1)), self._rim.T @ rim], axis=1)


class _Extension:
    """Values on held points carried on to the others."""

    def __init__(self, stiffness: csr_array, held: NDArray[np.bool_]) -> None:
        from scipy.sparse.linalg import splu

        self.held, self.free = np.flatnonzero(held), np.flatnonzero(~held)
        self._across = stiffness[self.free][:, self.held]
        self._factor: Any = splu(csc_array(stiffness[self.free][:, self.free])) if len(self.free) else None

    def spread(self, values: Floats) -> Floats:
        """All points' values from those held; the others' are not read."""
        result = values.copy()
        if self._factor is not None:
            result[self.free] = -self._factor.solve(self._across @ values[self.held])
        return result

    def gather(self, values: Floats) -> Floats:
        """The transpose: derivatives by the held points, zero by the others."""
        result = np.zeros_like(values)
        result[self.held] = values[self.held]
        if self._factor is not None:
            result[self.held] -= self._across.T @ self._factor.solve(values[self.free], "T")
        return result


def _on_rim(wall: SurfaceBody, place: Floats) -> csr_array:
    """(n, V) shares of the wall's rim vertices in the points that lie on its rim; empty rows for the others."""
    t, count = wall.triangles, len(wall.vertices)
    start, end = t.ravel(), np.roll(t, -1, axis=1).ravel()
    flat = (wall.vertices[start, 0] == 0) & (wall.vertices[end, 0] == 0)
    start, end = start[flat], end[flat]
    lonely = ~np.isin(start * count + end, end * count + start)
    start, end = start[lonely], end[lonely]
    at = (wall.vertices + wall.origin)[:, 1:]
    edge = at[end] - at[start]
    length = np.linalg.norm(edge, axis=1)
    away = place[:, None] - at[start]
    along = np.clip(np.einsum("nei,ei->ne", away, edge) / length**2, 0, 1)
    gap = np.linalg.norm(away - along[..., None] * edge, axis=2) / length
    nearest = np.argmin(gap, axis=1)
    on = np.flatnonzero(gap[np.arange(len(place)), nearest] < ON_RIM)
    which, share = nearest[on], along[on, nearest[on]]
    entries = (np.concatenate([1 - share, share]), (np.tile(on, 2), np.concatenate([start[which], end[which]])))
    found = coo_array(entries, shape=(len(place), count)).tocsr()
    found.eliminate_zeros()
    return csr_array(found)


def _stiffness(place: Floats, node: Ints) -> csr_array:
    """(n, n) of linear elements for Laplace's equation on triangles (T, 3) of points (n, 2)."""
    a = place[node]
    edge = np.roll(a, -2, axis=1) - np.roll(a, -1, axis=1)  # across from each corner
    twice = edge[:, 0, 0] * edge[:, 1, 1] - edge[:, 0, 1] * edge[:, 1, 0]
    value = np.einsum("tac,tbc->tab", edge, edge) / (2 * np.abs(twice))[:, None, None]
    rows, columns = np.repeat(node, 3, axis=1).ravel(), np.tile(node, (1, 3)).ravel()
    return csr_array(coo_array((value.ravel(), (rows, columns)), shape=(len(place), len(place))).tocsr())
