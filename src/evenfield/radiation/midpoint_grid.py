"""The points of the regular rule: the edge midpoints, shared by the triangles on either side, in tiles.

At the midpoint of an edge from vertex s to vertex e, with a the third vertex of the triangle that runs along it and b that of
the one that runs against it, the surface curl of a linear function with values p, times the points' area weight, is
(p_s - p_e) across + (p_a - p_b) along, with across = (x_a - x_b)/6 and along = (x_e - x_s)/6.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenfield.radiation.surface_body import Floats, Ints, SurfaceBody, space_filling_order

LANES = 32
"""Points handled side by side by one vector loop."""


@dataclass(frozen=True)
class MidpointGrid:
    """Edge midpoints of a body.

    position : (P, 3) m; normal : (P, 3) area-weighted, m2; weight : (P,) area weight, m2
    across, along : (P, 3) m, see the module
    vertex : (P, 4) start, end, a, b; on a mirror plane, where one of a and b is not there, start again in its place
    triangle : (P, 2) the triangles on either side, -1 where there is none
    """

    position: Floats
    normal: Floats
    weight: Floats
    across: Floats
    along: Floats
    vertex: Ints
    triangle: Ints


@dataclass(frozen=True)
class Tiles:
    """The grid cut into tiles of neighbouring points, laid out for the assembly kernel (see `far_assembly`).

    lanes : (P'/LANES, 13 * LANES) position, normal, weight, across, along; the last block filled up with points of weight zero
    first : (N+1,) first point of each tile, multiples of LANES
    slot : (P', 4) place of each point's four vertices among its tile's, -1 where there is none
    vertex_first : (N+1,), vertex : the tiles' vertices
    even_first, even : the points (offsets in the tile) at which each tile vertex's linear function is 1/2; groups of three,
        filled up with an idle point
    curl_first, curl, curl_factor : the points at which its curl does not vanish, likewise, and the factors (., 3)
    """

    lanes: NDArray[np.floating[Any]]
    first: Ints
    slot: Ints
    vertex_first: Ints
    vertex: Ints
    even_first: Ints
    even: Ints
    curl_first: Ints
    curl: Ints
    curl_factor: NDArray[np.floating[Any]]

    @property
    def count(self) -> int:
        """How many tiles."""
        return len(self.first) - 1

    @property
    def largest(self) -> tuple[int, int]:
        """Most points and most vertices in a tile."""
        return int(np.diff(self.first).max()), int(np.diff(self.vertex_first).max())


def midpoint_grid(body: SurfaceBody) -> MidpointGrid:
    """Edge midpoints with their weights, in an order that keeps neighbours together."""
    t, count = body.triangles, np.int64(len(body.vertices))
    start, end, third = t.ravel(), np.roll(t, -1, axis=1).ravel(), np.roll(t, -2, axis=1).ravel()
    owner = np.repeat(np.arange(len(t)), 3)
    key, edge = np.unique(np.minimum(start, end) * count + np.maximum(start, end), return_inverse=True)
    s, e = key // count, key % count
    forward = start < end
    vertex = np.full((len(key), 4), -1, np.int64)
    triangle = np.full((len(key), 2), -1, np.int64)
    vertex[:, 0], vertex[:, 1] = s, e
    vertex[edge[forward], 2], vertex[edge[~forward], 3] = third[forward], third[~forward]
    triangle[edge[forward], 0], triangle[edge[~forward], 1] = owner[forward], owner[~forward]
    weight, normal = np.zeros(len(key)), np.zeros((len(key), 3))
    share = body.area / 3
    np.add.at(weight, edge, share[owner])
    np.add.at(normal, edge, (share[:, None] * body.normal)[owner])
    x = body.vertices
    # an edge with one triangle only: its start stands in for the missing vertex, which gives that triangle's curl alone
    vertex[:, 2:] = np.where(vertex[:, 2:] >= 0, vertex[:, 2:], s[:, None])
    a, b = x[vertex[:, 2]], x[vertex[:, 3]]
    order = space_filling_order((x[s] + x[e]) / 2)
    return MidpointGrid(
        position=((x[s] + x[e]) / 2)[order],
        normal=normal[order],
        weight=weight[order],
        across=((a - b) / 6)[order],
        along=((x[e] - x[s]) / 6)[order],
        vertex=vertex[order],
        triangle=triangle[order],
    )


def cut_tiles(grid: MidpointGrid, points_per_tile: int, real: type[np.floating[Any]]) -> Tiles:
    """Tiles of about `points_per_tile` points (rounded to whole blocks of LANES), in precision `real`."""
    count = len(grid.position)
    padding = -count % LANES
    columns = [grid.position, grid.normal, grid.weight[:, None], grid.across, grid.along]
    lanes = np.concatenate(columns, axis=1)
    idle = np.zeros((padding, lanes.shape[1]))
    # an idle point far off keeps its distances finite and its weights zero
    idle[:, :3] = grid.position.max(axis=0) + 1.0
    vertex = np.concatenate([grid.vertex, np.full((padding, 4), -1, np.int64)])
    blocks = len(vertex) // LANES
    tile_count = max(1, round(count / points_per_tile))
    first = np.unique(np.linspace(0, blocks, tile_count + 1).round().astype(np.int64)) * LANES
    slot = np.full_like(vertex, -1)
    tile_vertices, even, curl = [], [], []
    for begin, end in pairwise(first):
        own = vertex[begin:end]
        real_points = own[:, 0] >= 0
        names, place = np.unique(own[real_points], return_inverse=True)
        place = place.reshape(-1, 4)
        slot[begin:end][real_points] = place
        offset = np.flatnonzero(real_points)
        # the idle point of a tile: one row past its last, kept at zero by the kernel
        spare = int(end - begin)
        even.append(_in_threes(place[:, :2].ravel(), np.repeat(offset, 2), None, len(names), spare))
        vectors = np.stack([grid.across, -grid.across, grid.along, -grid.along], axis=1)[begin:end][: len(offset)]
        curl.append(_in_threes(place.ravel(), np.repeat(offset, 4), vectors.reshape(-1, 3), len(names), spare))
        tile_vertices.append(names)
    even_first, even_points, _ = _chain(even)
    curl_first, curl_points, factor_rows = _chain(curl)
    return Tiles(
        lanes=_in_blocks(np.concatenate([lanes, idle]).astype(real)),
        first=first,
        slot=slot,
        vertex_first=np.concatenate([[0], np.cumsum([len(v) for v in tile_vertices])]).astype(np.int64),
        vertex=np.concatenate(tile_vertices),
        even_first=even_first,
        even=even_points,
        curl_first=curl_first,
        curl=curl_points,
        curl_factor=np.ascontiguousarray(factor_rows.astype(real)),
    )


def _in_blocks(lanes: NDArray[np.floating[Any]]) -> NDArray[np.floating[Any]]:
    return np.ascontiguousarray(lanes.reshape(-1, LANES, lanes.shape[1]).transpose(0, 2, 1)).reshape(len(lanes) // LANES, -1)


_Threes = tuple[Ints, Ints, Floats]


def _in_threes(place: Ints, point: Ints, vector: Floats | None, vertices: int, spare: int) -> _Threes:
    """Per vertex its points, filled up to a multiple of three: (first (vertices+1,), points, vectors)."""
    order = np.argsort(place, kind="stable")
    count = np.bincount(place, minlength=vertices)
    room = -(-count // 3) * 3
    first = np.concatenate([[0], np.cumsum(room)]).astype(np.int64)
    start = np.concatenate([[0], np.cumsum(count)])
    target = first[place[order]] + np.arange(len(order)) - start[place[order]]
    points = np.full(first[-1], spare, np.int64)
    points[target] = point[order]
    vectors = np.zeros((first[-1], 3))
    if vector is not None:
        vectors[target] = vector[order]
    return first, points, vectors


def _chain(pieces: list[_Threes]) -> _Threes:
    """Tiles after each other; tile t's vertex v has its list at first[vertex_first[t] + v + t]."""
    base, firsts = 0, []
    for first, _, _ in pieces:
        firsts.append(first + base)
        base += int(first[-1])
    points, vectors = np.concatenate([p[1] for p in pieces]), np.concatenate([p[2] for p in pieces])
    return np.concatenate(firsts), points, vectors
