"""A graded triangulation of a plane region whose boundary points are given.

Points of hexagonal lattices, one per size octave, relaxed towards the weighted centroids of their triangles (Chen, "Mesh
smoothing schemes based on optimal Delaunay triangulations", 13th International Meshing Roundtable, 2004), with Delaunay
triangulations from scipy. Deterministic: same boundary and size, same mesh.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from evenfield.base.errors import MeshError, message

Array = NDArray[np.float64]
Index = NDArray[np.int64]
SizeField = Callable[[Array], Array]


class BoundaryLost(MeshError):
    """Some boundary edges are no edges of the triangulation: the boundary is sampled too coarsely for its gaps."""


def inside(points: Array, start: Array, end: Array) -> NDArray[np.bool_]:
    """(P,) True where an upward ray crosses the boundary segments (S, 2) an odd number of times."""
    found = np.zeros(len(points), bool)
    run = end[:, 0] - start[:, 0]
    rise = (end[:, 1] - start[:, 1]) / np.where(run == 0, 1, run)
    for piece in np.array_split(np.arange(len(points)), max(1, len(points) * len(start) // 400_000)):
        x, y = points[piece, 0][:, None], points[piece, 1][:, None]
        spans = (start[:, 0] > x) != (end[:, 0] > x)
        above = start[:, 1] + (x - start[:, 0]) * rise > y
        found[piece] = np.count_nonzero(spans & above, axis=1) % 2 == 1
    return found


class _Grid:
    """A size field sampled on a regular grid, read bilinearly."""

    def __init__(self, low: Array, high: Array, spacing: float, field: SizeField) -> None:
        self.count = np.clip(np.ceil((high - low) / spacing).astype(int), 2, 90)
        self.low, self.step = low, (high - low) / self.count
        axes = [low[i] + self.step[i] * np.arange(self.count[i] + 1) for i in range(2)]
        nodes = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 2)
        self.value = field(nodes).reshape(self.count[0] + 1, self.count[1] + 1)

    def __call__(self, points: Array) -> Array:
        place = (points - self.low) / self.step
        i = np.clip(place.astype(int), 0, self.count - 1)
        u, v = (place - i).T
        p, q = i.T
        g = self.value
        low, high = (1 - v) * g[p, q] + v * g[p, q + 1], (1 - v) * g[p + 1, q] + v * g[p + 1, q + 1]
        return np.asarray((1 - u) * low + u * high)


class Region:
    """The region between closed loops, with its size field."""

    def __init__(self, loops: list[Array], size: SizeField, grading: float) -> None:
        self.border = np.vstack(loops)
        first = np.concatenate([[0], np.cumsum([len(p) for p in loops])])
        self.start = np.arange(len(self.border))
        self.end = np.concatenate([np.roll(np.arange(a, b), -1) for a, b in itertools.pairwise(first)])
        edge = self.border[self.end] - self.border[self.start]
        self.length = np.linalg.norm(edge, axis=1)
        self.middle = self.border[self.start] + edge / 2
        middle, length = self.middle, self.length

        def graded(points: Array) -> Array:
            from scipy.spatial import cKDTree

            distance, which = cKDTree(middle).query(points, k=min(6, len(middle)))
            return np.asarray(np.minimum(size(points), (length[which] + grading * distance).min(axis=1)))

        low, high = self.border.min(axis=0), self.border.max(axis=0)
        self.size = _Grid(low, high, float(self.length.min()), graded)

    def rim(self, count: int) -> Index:
        """The boundary edges as numbers lower end * `count` + upper end."""
        ends = np.sort(np.column_stack([self.start, self.end]), axis=1).astype(np.int64)
        number: Index = ends[:, 0] * np.int64(count) + ends[:, 1]
        return number

    def contains(self, points: Array) -> NDArray[np.bool_]:
        """(P,) True inside."""
        return inside(points, self.border[self.start], self.border[self.end])

    def clear(self, points: Array, share: float) -> NDArray[np.bool_]:
        """(P,) True where no boundary point is nearer than `share` of the size and no edge's circle holds the point."""
        from scipy.spatial import cKDTree

        far = cKDTree(self.border).query(points)[0] > share * self.size(points)
        near = cKDTree(self.middle).query(points, k=min(3, len(self.middle)))
        distance, which = (np.reshape(v, (len(points), -1)) for v in near)
        return np.asarray(far & np.all(distance > 0.58 * self.length[which], axis=1))

    def lattice(self) -> Array:
        """Starting points: per octave of size a hexagonal lattice, finer ones first, none too near another."""
        from scipy.spatial import cKDTree

        low, high = self.border.min(axis=0), self.border.max(axis=0)
        smallest, largest = float(self.size.value.min()), float(self.size.value.max())
        levels = int(np.ceil(np.log2(largest / smallest) * 2 - 1e-9)) + 1
        chosen = np.zeros((0, 2))
        for level in range(levels):
            h = smallest * 2 ** (level / 2)
            points = _hexagons(low, high, h)
            own = self.size(points)
            points = points[(own >= h * 0.841) & (own < h * 1.19)] if levels > 1 else points
            points = points[self.contains(points)] if len(points) else points
            points = points[self.clear(points, 0.65)] if len(points) else points
            if len(chosen) and len(points):
                points = points[cKDTree(chosen).query(points)[0] > 0.75 * h]
            chosen = np.vstack([chosen, points])
        return chosen


def _hexagons(low: Array, high: Array, h: float) -> Array:
    middle, half = (low + high) / 2, (high - low) / 2
    rows, columns = int(half[1] / (0.866 * h)) + 1, int(half[0] / h) + 1
    i, j = np.meshgrid(np.arange(-columns, columns + 1), np.arange(-rows, rows + 1), indexing="ij")
    points = np.stack([(i + 0.5 * (j % 2)) * h, j * 0.866 * h], axis=-1).reshape(-1, 2) + middle
    return np.asarray(points[np.all((points > low) & (points < high), axis=1)])


def _triangulate(region: Region, points: Array) -> Index:
    """Delaunay triangles inside the region, counter-clockwise."""
    from scipy.spatial import Delaunay

    t = Delaunay(points).simplices.astype(np.int64)
    a, b, c = (points[t[:, i]] for i in range(3))
    twice = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])
    flip = twice < 0
    t[flip] = t[flip][:, [0, 2, 1]]
    border = len(region.border)
    longest = np.maximum(np.maximum(np.sum((a - b) ** 2, axis=1), np.sum((b - c) ** 2, axis=1)), 1e-300)
    keep = np.abs(twice) > 1e-9 * longest
    doubtful = np.flatnonzero(keep & np.all(t < border, axis=1))
    keep[doubtful] = region.contains(points[t[doubtful]].mean(axis=1))
    kept: Index = t[keep]
    return kept


def _relax(region: Region, points: Array, t: Index) -> Array:
    """Move the inner points to the weighted mean of the centroids of their triangles."""
    a, b, c = (points[t[:, i]] for i in range(3))
    middle = (a + b + c) / 3
    area = np.abs((b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0]))
    weight = area / region.size(middle) ** 4  # density h^-4 spreads edge lengths as h in the plane
    total = np.zeros(len(points))
    moved = np.zeros_like(points)
    for i in range(3):
        total += np.bincount(t[:, i], weight, len(points))
        for axis in range(2):
            moved[:, axis] += np.bincount(t[:, i], weight * middle[:, axis], len(points))
    result = points.copy()
    inner = np.arange(len(points)) >= len(region.border)
    inner &= total > 0
    result[inner] = moved[inner] / total[inner, None]
    return result


def _adapt(region: Region, points: Array, t: Index, long: float = 1.4, short: float = 0.6) -> Array:
    """Split edges longer than `long` times the size, drop one end of those shorter than `short` times."""
    edges = np.unique(np.sort(np.vstack([t[:, [0, 1]], t[:, [1, 2]], t[:, [2, 0]]]), axis=1), axis=0)
    edges = edges[~np.isin(edges[:, 0] * np.int64(len(points)) + edges[:, 1], region.rim(len(points)))]
    middle = points[edges].mean(axis=1)
    ratio = np.linalg.norm(points[edges[:, 0]] - points[edges[:, 1]], axis=1) / region.size(middle)
    used = np.zeros(len(points), bool)
    new, drop = [], np.zeros(len(points), bool)
    wrong = np.flatnonzero((ratio > long) | (ratio < short))
    for e in wrong[np.argsort(-np.abs(np.log(ratio[wrong])), kind="stable")]:
        p, q = edges[e]
        if used[p] or used[q]:
            continue
        used[[p, q]] = True
        if ratio[e] > 1:
            new.append(middle[e])
        else:
            drop[q] = q >= len(region.border)
    kept = points[~drop]
    return np.vstack([kept, np.array(new)]) if new else kept


def fill(loops: list[Array], size: SizeField, grading: float, sweeps: int = 8) -> tuple[Array, Index]:
    """Triangulate the region inside the first loop and outside the others.

    Parameters
        loops : closed polygons (N, 2), last point not repeated, in either direction
        size : (P, 2) -> (P,) target edge length
        grading : growth of edge length per distance from the boundary
    Returns
        points (P, 2), the boundary's first, in order; triangles (T, 3), counter-clockwise
    Raises BoundaryLost when a boundary edge is missing from the result.
    """
    region = Region(loops, size, grading)
    border = len(region.border)
    points = np.vstack([region.border, region.lattice()])
    t = _triangulate(region, points)
    for sweep in range(sweeps if len(points) > border else 0):
        points = _relax(region, points, t)
        if sweep in (1, 3, 5):
            points = _adapt(region, points, t)
        inner = points[border:]
        points = np.vstack([region.border, inner[region.clear(inner, 0.4)]]) if len(inner) else points
        t = _triangulate(region, points)
    for _ in range(2):  # what relaxing has drawn out again
        split = _adapt(region, points, t, long=1.43, short=0.0)
        if len(split) == len(points):
            break
        points = split
        t = _triangulate(region, points)
    _check_border(region, t)
    used = np.zeros(len(points), bool)
    used[t] = True
    used[:border] = True
    number = np.cumsum(used) - 1
    return points[used], number[t]


def _check_border(region: Region, t: Index) -> None:
    count = np.int64(t.max()) + 1 if len(t) else np.int64(1)
    directed = np.concatenate([t[:, [0, 1]], t[:, [1, 2]], t[:, [2, 0]]])
    single = directed[:, 0] * count + directed[:, 1]
    back = directed[:, 1] * count + directed[:, 0]
    rim = directed[~np.isin(single, back)]
    found = set(map(tuple, np.sort(rim, axis=1).tolist()))
    wanted = set(map(tuple, np.sort(np.column_stack([region.start, region.end]), axis=1).tolist()))
    if found != wanted:
        raise BoundaryLost(
            message(
                "surface grid",
                "bounded by the lines it was given",
                f"{len(wanted - found)} of {len(wanted)} boundary edges missing",
                cause="Two outlines run closer together than their points",
                fix="moving the elements apart, or shorter edges",
            )
        )
