"""How a body is laid out for the kernels: tiles of vertices with the points of their edges, and lists for sums of fixed order."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenfield.radiation.midpoint_grid import MidpointGrid
from evenfield.radiation.near_pairs import NearPairs

Indices = NDArray[np.int32]

MINUS = 256
"""Added to a list entry whose curl has the minus sign."""


@dataclass(frozen=True)
class VertexTiles:
    """Vertices cut into tiles of equal size, each with all points at which one of its linear functions or curls lives.

    chunk_first : (tiles+1,) first chunk of points of each tile; chunk_point : (chunks, size) points, -1 where there is none
    lists : (chunks, 2 tile + 1 + 4 size) : where each vertex's two lists begin, then the lists: first the points on whose edge
        it lies, then those opposite to it: place in the chunk, plus MINUS
    """

    chunk_first: Indices
    chunk_point: Indices
    lists: NDArray[np.uint16]

    @property
    def count(self) -> int:
        """How many tiles."""
        return len(self.chunk_first) - 1


def vertex_tiles(grid: MidpointGrid, vertices: int, tile: int, size: int) -> VertexTiles:
    """Tiles of `tile` consecutive vertices, points in chunks of `size`."""
    points = len(grid.position)
    vertex = grid.vertex.ravel()
    point, corner = np.repeat(np.arange(points), 4), np.tile(np.arange(4), points)
    tiles = -(-vertices // tile)
    key, place = np.unique((vertex // tile) * points + point, return_inverse=True)
    owner = key // points
    start = np.searchsorted(owner, np.arange(tiles + 1))
    chunk_first = np.concatenate([[0], np.cumsum(-(-np.diff(start) // size))])
    offset = np.arange(len(key)) - start[owner]
    slot = chunk_first[owner] * size + offset
    chunk_point = np.full(chunk_first[-1] * size, -1, np.int32)
    chunk_point[slot] = key % points
    at = slot[place]
    row = ((at // size) * tile + vertex % tile) * 2 + corner // 2
    order = np.lexsort((at, row))
    code = (at % size + np.where(corner % 2 == 1, MINUS, 0))[order]
    chunks = int(chunk_first[-1])
    first = first_of(row[order], 2 * chunks * tile)
    # each chunk's first list, then relative to it
    begin = first[: -1 : 2 * tile]
    lists = np.zeros((chunks, 2 * tile + 1 + 4 * size), np.uint16)
    lists[:, : 2 * tile] = first[:-1].reshape(chunks, -1) - begin[:, None]
    lists[:, 2 * tile] = first[2 * tile :: 2 * tile] - begin
    owner = row[order] // (2 * tile)
    lists[owner, 2 * tile + 1 + np.arange(len(code)) - begin[owner]] = code
    return VertexTiles(chunk_first.astype(np.int32), chunk_point.reshape(chunks, size), lists)


def chunk_values(tiles: VertexTiles, points: NDArray[np.floating[Any]], aside: float) -> NDArray[np.floating[Any]]:
    """(chunks, columns, size) of `points` (P, columns); a missing point lies at `aside` m and has no weight."""
    idle = np.zeros(points.shape[1], points.dtype)
    idle[:3] = aside
    return np.ascontiguousarray(np.concatenate([points, idle[None]])[tiles.chunk_point].transpose(0, 2, 1))


def first_of(sorted_keys: Any, count: int, arrays: Any = np) -> Any:
    """(count+1,) where each key 0 .. count-1 begins in sorted keys."""
    return arrays.searchsorted(sorted_keys, arrays.arange(count + 1)).astype(arrays.int32)


def lists_of(keys: Any, count: int, arrays: Any = np) -> tuple[Any, Any]:
    """Lists by key: (first (count+1,), order), so that those of key i are order[first[i]:first[i+1]], ascending."""
    order = arrays.argsort(keys, kind="stable").astype(arrays.int32)
    return first_of(keys[order], count, arrays), order


def pair_columns(pairs: NearPairs) -> Indices:
    """(9, N) first, second, image, and the turns of both."""
    rows = [pairs.first[None], pairs.second[None], pairs.image[None], pairs.turn_first.T, pairs.turn_second.T]
    return np.ascontiguousarray(np.concatenate(rows).astype(np.int32))


@dataclass(frozen=True)
class Scatter:
    """Where the entries of near pairs and of the mass matrix go: place s takes the sum of order[first[s]:first[s+1]].

    Entries: (N, 2, 3, 3) of all pairs, then (T, 3, 3) of the mass matrix.
    """

    first: Any
    row: Any
    column: Any
    order: Any

    def __len__(self) -> int:
        return len(self.row)


def matrix_scatter(triangles: NDArray[np.int64], groups: list[NearPairs], vertices: int, arrays: Any = np) -> Scatter:
    """Made where `arrays` makes arrays: a sort of some 300 entries for each triangle."""
    t = arrays.asarray(triangles.astype(np.int32))
    first = arrays.asarray(np.concatenate([g.first for g in groups]))
    second = arrays.asarray(np.concatenate([g.second for g in groups]))

    def keys(rows: Any, columns: Any) -> Any:
        return (t[rows].astype(arrays.int64)[:, :, None] * vertices + t[columns][:, None, :]).reshape(len(rows), 9)

    everyone = arrays.arange(len(triangles))
    # a triangle with an image of itself counts once
    again = arrays.where((first == second)[:, None], -1, keys(second, first))
    key = arrays.concatenate([arrays.concatenate([keys(first, second), again], axis=1).ravel(), keys(everyone, everyone).ravel()])
    order = arrays.argsort(key, kind="stable").astype(arrays.int32)
    key = key[order]
    idle = int((key < 0).sum())
    order, key = order[idle:], key[idle:]
    begins = arrays.flatnonzero(arrays.concatenate([arrays.ones(1, bool), key[1:] != key[:-1]]))
    places = key[begins]
    ends = arrays.asarray(np.array([len(key)]))
    return Scatter(
        arrays.concatenate([begins, ends]).astype(arrays.int32),
        (places // vertices).astype(arrays.int32),
        (places % vertices).astype(arrays.int32),
        order,
    )


def mass_entries(area: NDArray[np.float64]) -> NDArray[np.float64]:
    """(T, 3, 3) half the mass matrix of each triangle: area/12 on the diagonal, area/24 off it."""
    return np.asarray(area[:, None, None] / 24 * (1 + np.eye(3)))
