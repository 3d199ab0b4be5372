"""Pairs of triangles too near for the regular rule: which they are, and how they touch or how near they come."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from scipy.spatial import cKDTree

from evenfield.radiation.quadrature import CLOSE, IDENTICAL, SEPARATE, TIGHT
from evenfield.radiation.surface_body import Floats, Ints, SurfaceBody

CLOSE_BELOW, TIGHT_BELOW = 0.6, 0.35
"""Least distance of two triangles' corners, edge midpoints and centroids over the longer mean edge. Ordinary neighbours that
share no vertex are some 0.87 apart, triangles that face each other across a narrow gap at most 0.3 more than the gap."""


@dataclass(frozen=True)
class NearPairs:
    """Unordered pairs of a triangle with an image of a triangle, of one way of touching.

    first, second : (N,) triangles, first <= second; image : (N,) row of the body's images that acts on `second`
    turn_first, turn_second : (N, 3) corner order in which the shared vertices come first and correspond
    shared : how many vertices they share, or CLOSE or TIGHT if none but near (see `quadrature`)
    """

    shared: int
    first: Ints
    second: Ints
    image: Ints
    turn_first: Ints
    turn_second: Ints

    def __len__(self) -> int:
        return len(self.first)

    def select(self, chosen: Ints) -> NearPairs:
        """Some of the pairs."""
        columns = (self.first, self.second, self.image, self.turn_first, self.turn_second)
        return NearPairs(self.shared, *(np.ascontiguousarray(c[chosen]) for c in columns))


def find_near_pairs(body: SurfaceBody, distance: float) -> list[NearPairs]:
    """All pairs whose centroids are nearer than `distance` times the longer mean edge, by way of touching."""
    first, second, image = _within(body, distance)
    here, there = _vertex_names(body, first, second, image)
    equal = here[:, :, None] == there[:, None, :]
    shared = equal.sum(axis=(1, 2))
    groups = []
    apart = np.flatnonzero(shared == SEPARATE)
    gap = least_distances(body.corners, body.images, first[apart], second[apart], image[apart])
    gap /= np.maximum(body.edge_length[first[apart]], body.edge_length[second[apart]])
    shared[apart] = np.where(gap < TIGHT_BELOW, TIGHT, np.where(gap < CLOSE_BELOW, CLOSE, SEPARATE))
    for count in range(TIGHT, IDENTICAL + 1):
        chosen = np.flatnonzero(shared == count)
        turn_first, turn_second = _matching_turns(equal[chosen], count)
        groups.append(NearPairs(count, first[chosen], second[chosen], image[chosen], turn_first, turn_second))
    return [g for g in groups if len(g)]


def _within(body: SurfaceBody, distance: float) -> tuple[Ints, Ints, Ints]:
    centre = body.corners.mean(axis=1)
    count = np.int64(len(centre))
    tree = cKDTree(centre)
    found = []
    for image in body.images:
        # the distance of two centroids is the same whichever of them is mirrored
        lists = tree.query_ball_point(centre * image, distance * body.edge_length)
        sizes = np.fromiter((len(x) for x in lists), np.int64, len(lists))
        one = np.repeat(np.arange(count), sizes)
        two = np.concatenate([np.asarray(x, np.int64) for x in lists])
        # sorted, as np.unique's hash table is many times slower on so many
        key = np.sort(np.minimum(one, two) * count + np.maximum(one, two))
        found.append(key[np.diff(key, prepend=-1) != 0])
    keys = np.concatenate(found)
    return keys // count, keys % count, np.repeat(np.arange(len(found)), [len(f) for f in found])


def _vertex_names(body: SurfaceBody, first: Ints, second: Ints, image: Ints) -> tuple[Ints, Ints]:
    """Vertex numbers such that equal numbers are equal points; a vertex moved by the image gets a name of its own."""
    here, there = body.triangles[first], body.triangles[second]
    stays = np.all(body.vertices[None] * body.images[:, None] == body.vertices[None], axis=2)
    return here, np.where(stays[image[:, None], there], there, -1 - there)


def _matching_turns(equal: Floats, count: int) -> tuple[Ints, Ints]:
    """Corner orders with the shared vertices first, alike on both sides; equal (N, 3, 3)."""
    pairs = len(equal)
    turn_first = np.tile(np.arange(3), (pairs, 1))
    turn_second = turn_first.copy()
    if count <= SEPARATE:
        return turn_first, turn_second
    turn_first = np.argsort(~equal.any(axis=2), axis=1, kind="stable")
    rows = np.arange(pairs)
    used = np.zeros((pairs, 3), bool)
    for corner in range(count):
        turn_second[:, corner] = np.argmax(equal[rows, turn_first[:, corner]], axis=1)
        used[rows, turn_second[:, corner]] = True
    rest = np.argsort(used, axis=1, kind="stable")
    turn_second[:, count:] = rest[:, : 3 - count]
    return turn_first, turn_second


@njit(nogil=True, cache=True)
def least_distances(corners, images, first, second, image):  # type: ignore[no-untyped-def]
    """(N,) least distance between the corners, edge midpoints and centroids of pairs of triangles, the second mirrored."""
    out = np.empty(first.size)
    x, y = np.empty((7, 3)), np.empty((7, 3))
    for n in range(first.size):
        for c in range(3):
            g = images[image[n], c]
            x[6, c], y[6, c] = 0.0, 0.0
            for a in range(3):
                x[a, c] = corners[first[n], a, c]
                y[a, c] = g * corners[second[n], a, c]
                x[6, c] += x[a, c] / 3
                y[6, c] += y[a, c] / 3
            for a in range(3):
                x[3 + a, c] = (x[a, c] + x[(a + 1) % 3, c]) / 2
                y[3 + a, c] = (y[a, c] + y[(a + 1) % 3, c]) / 2
        best = np.inf
        for a in range(7):
            for b in range(7):
                square = (x[a, 0] - y[b, 0]) ** 2 + (x[a, 1] - y[b, 1]) ** 2 + (x[a, 2] - y[b, 2]) ** 2
                best = min(best, square)
        out[n] = np.sqrt(best)
    return out
