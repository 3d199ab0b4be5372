"""GMRES on several right-hand sides in step, on a device: the method of `block_gmres` with classical Gram-Schmidt, twice."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_triangular

from evenfield.base import EvenfieldError
from evenfield.radiation.block_gmres import Iteration
from evenfield.radiation.gpu_device import Device, Precision

Complex = NDArray[np.complexfloating[Any, Any]]

THREADS = 256
PRODUCT_THREADS, ROWS_PER_BLOCK = 64, 8
"""Small blocks, so that the last ones to run leave few processors idle."""
SPANS = 32
"""Of rows, in the transposed product, so that a small matrix too fills the device."""


class _Triangle:
    """The Hessenberg matrix made triangular column by column with Givens rotations. Source: Saad & Schultz 1986, section 3.2."""

    def __init__(self, limit: int) -> None:
        self.size = 0
        self.columns = np.zeros((limit, limit), complex)
        self.turns: list[tuple[float, complex]] = []
        self.right: list[complex] = [1.0 + 0j]

    def add(self, column: list[complex]) -> float:
        """Take the next column, of size + 2 numbers; returns the relative residual."""
        for i, (c, s) in enumerate(self.turns):
            above, below = column[i], column[i + 1]
            column[i], column[i + 1] = c * above + s * below, c * below - s.conjugate() * above
        above, below = column[self.size], column[self.size + 1]
        length = math.sqrt(abs(above) ** 2 + abs(below) ** 2)
        if length == 0:
            c, s = 1.0, 0j
        elif above == 0:
            c, s = 0.0, 1.0 + 0j
        else:
            c, s = abs(above) / length, above / abs(above) * below.conjugate() / length
        self.turns.append((c, s))
        self.columns[: self.size, self.size] = column[: self.size]
        self.columns[self.size, self.size] = c * above + s * below
        last = self.right[self.size]
        self.right[self.size :] = [c * last, -s.conjugate() * last]
        self.size += 1
        return abs(self.right[self.size])

    def weights(self) -> Complex:
        """(size,) of the directions in the solution."""
        n = self.size
        return (
            np.asarray(solve_triangular(self.columns[:n, :n], np.array(self.right[:n], complex))) if n else np.zeros(0, complex)
        )


class DeviceGmres:
    """Solves with one matrix (V, V) in the memory of a device, or with its transpose."""

    def __init__(self, device: Device, precision: Precision, matrix: Any) -> None:
        self.device, self.precision, self.matrix = device, precision, matrix
        self.size = np.int32(len(matrix))
        self.blocks = -(-len(matrix) // THREADS)
        self.inverse = device.arrays.empty(len(matrix), matrix.dtype)
        self._run("diagonal_inverse", (self.blocks,), self.size, matrix, self.inverse)

    def solve(self, right: Any, tolerance: float, limit: int, transposed: bool = False) -> Iteration:
        """Solve for right (K, V) complex128 of the device; solution (V, K) as in `block_gmres.solve_in_step`.

        Raises EvenfieldError when `limit` iterations do not reach `tolerance`.
        """
        a = self.device.arrays
        sides, limit = len(right), min(limit, int(self.size))
        length = np.sqrt(self.device.fetch((right.real**2 + right.imag**2).sum(axis=1)))
        depth = np.int32(limit + 1)
        basis = a.empty((sides, int(depth), int(self.size)), self.matrix.dtype)
        scale = a.asarray(1.0 / np.maximum(length, 1e-300))
        self._run("first_direction", (self.blocks, sides), self.size, depth, scale, right, basis)
        iterations, residual = np.zeros(sides, np.int64), np.where(length > 0, 1.0, 0.0)
        columns = [_Triangle(limit) for _ in range(sides)]
        active = [k for k in range(sides) if length[k] > 0]
        for step in range(limit):
            if not active:
                break
            found = self._extend(basis, active, depth, step, transposed)
            for column, k in zip(found.tolist(), active, strict=True):
                residual[k] = columns[k].add(column)
                iterations[k] = step + 1
            active = [k for k in active if residual[k] > tolerance]
        if active:
            raise EvenfieldError(
                f"The iteration stopped at a relative residual of {residual.max():.2g} after {limit} steps "
                f"(asked {tolerance:.2g}). A mesh with very small or flat triangles may cause this. Try a more even mesh."
            )
        solution = self._combine(basis, [c.weights() for c in columns], length, depth, iterations)
        return Iteration(np.ascontiguousarray(self.device.fetch(solution).T), iterations, residual)

    def _extend(self, basis: Any, active: list[int], depth: np.int32, step: int, transposed: bool) -> Any:
        """The next direction of every active side; returns their columns of the Hessenberg matrix (n, step + 2)."""
        a, n, at, many = self.device.arrays, self.size, np.int32(step), len(active)
        side = a.asarray(np.array(active, np.int32))
        vectors = a.empty((many, int(n)), self.matrix.dtype)
        self._run("scaled", (self.blocks, many), n, np.int32(many), depth, at, side, self.inverse, basis, vectors)
        vectors = self.apply(vectors, transposed)
        inner = a.zeros((3, many, int(depth)), a.complex128)
        for i in range(2):
            self._run("inner_products", (step + 1, many), n, depth, np.int32(0), at, side, basis, vectors, inner[i])
            self._run("subtract_parts", (self.blocks, many), n, depth, at, side, basis, inner[i], vectors)
        self._run("inner_products", (1, many), n, depth, np.int32(step + 1), at, side, basis, vectors, inner[2])
        self._run("keep_direction", (self.blocks, many), n, depth, at, side, inner[2], vectors, basis)
        found = self.device.fetch(inner[:, :, : step + 2])
        column = found[0] + found[1]
        column[:, step + 1] = np.sqrt(found[2, :, step + 1].real)
        return column

    def apply(self, vectors: Any, transposed: bool = False) -> Any:
        """The matrix, or its transpose, times vectors (K, V)."""
        a, sides = self.device.arrays, np.int32(len(vectors))
        out = a.empty(vectors.shape, self.matrix.dtype)
        if not transposed:
            blocks = -(-int(self.size) // ROWS_PER_BLOCK)
            self.device.run(self.precision, "product", (blocks,), PRODUCT_THREADS, self.size, sides, self.matrix, vectors, out)
            return out
        parts = a.empty((SPANS, *vectors.shape), self.matrix.dtype)
        self._run("transposed_product", (self.blocks, SPANS), self.size, sides, self.matrix, vectors, parts)
        count = out.size
        self._run("sum_spans", (-(-count // THREADS),), np.int32(count), np.int32(SPANS), parts, out)
        return out

    def _combine(self, basis: Any, weights: list[Any], length: Any, depth: np.int32, steps: Any) -> Any:
        a, sides = self.device.arrays, len(weights)
        table = np.zeros((sides, int(depth)), complex)
        for k, w in enumerate(weights):
            table[k, : len(w)] = length[k] * w
        solution = a.empty((sides, int(self.size)), a.complex128)
        self._run(
            "combine", (self.blocks, sides), self.size, depth, a.asarray(steps.astype(np.int32)), a.asarray(table),
            self.inverse, basis, solution,
        )  # fmt: skip
        return solution

    def _run(self, kernel: str, grid: tuple[int, ...], *arguments: Any) -> None:
        self.device.run(self.precision, kernel, grid, THREADS, *arguments)
