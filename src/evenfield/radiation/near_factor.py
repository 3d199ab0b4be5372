"""The preconditioner of the iteration: the matrix's own entries between neighbouring vertices, factored sparsely."""

from __future__ import annotations

from contextlib import suppress
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix, csc_matrix

from evenfield.radiation.surface_body import Ints

Complex = NDArray[np.complexfloating[Any, Any]]


class NearFactor:
    """A factor of what a matrix holds between vertices that share a triangle.

    The hypersingular operator makes high spatial frequencies large; it is nearly local, so that its neighbours' entries undo
    that: a third to a half of the iterations that the diagonal takes.
    Cost: O(V^1.5) time and O(V log V) memory on a surface (George, SIAM J. Numer. Anal. 10 (1973) 345, from memory).
    """

    def __init__(self, pattern: NearPattern, matrix: Complex) -> None:
        from scipy.sparse.linalg import splu

        entries = matrix[pattern.rows, pattern.columns].astype(np.complex128)
        near = csc_matrix((entries, pattern.rows, pattern.starts), shape=matrix.shape)
        self._diagonal = np.diagonal(matrix).astype(np.complex128)[:, None]
        self._factor: Any = None
        with suppress(RuntimeError):  # singular: the diagonal alone still helps
            self._factor = splu(near)

    def solve(self, vectors: Complex, transposed: bool = False) -> Complex:
        """(V, K) near matrix, or its transpose, solved for vectors (V, K)."""
        if self._factor is None:
            return np.asarray(vectors / self._diagonal)
        return np.asarray(self._factor.solve(np.asarray(vectors, np.complex128), "T" if transposed else "N"))


class NearPattern:
    """Which entries of a body's matrix are near: those between vertices of one triangle, column by column.

    Parameters
        triangles : (T, 3); count : number of vertices
    Attributes
        rows, columns : (n,); starts : (V+1,) where each column begins
    """

    def __init__(self, triangles: Ints, count: int) -> None:
        one, two = np.repeat(triangles, 3, axis=1).ravel(), np.tile(triangles, (1, 3)).ravel()
        found = coo_matrix((np.ones(len(one)), (one, two)), shape=(count, count)).tocsc()
        found.sort_indices()
        self.rows, self.starts = found.indices, found.indptr

    @cached_property
    def columns(self) -> NDArray[np.integer[Any]]:
        """(n,)."""
        return np.repeat(np.arange(len(self.starts) - 1), np.diff(self.starts))
