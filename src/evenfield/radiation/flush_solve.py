"""Solution of the joined system: the mouths' velocities eliminated, the walls' pressures found by GMRES.

Walls alone are cavities with hard mouths, whose resonances make an iteration long. With the mouths eliminated (one triangular
factorisation) each product sees the open front, and some ten products do where a hundred did.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenfield.base import EvenfieldError
from evenfield.radiation.block_gmres import Iteration, combine, orthogonalise, product, transposed_product
from evenfield.radiation.flush_matrix import Blocks

Complex = NDArray[np.complexfloating[Any, Any]]


class JoinedSystem:
    """The joined matrix, its mouths' block factored in place, ready for any right-hand sides, also of its transpose."""

    def __init__(self, blocks: Blocks) -> None:
        from scipy.linalg import lu_factor

        self.wall, self.up, self.down = blocks.wall, blocks.up, blocks.down
        # the transposed block is what lies in memory as the factorisation wants it
        self._mouth = lu_factor(blocks.mouth.T, overwrite_a=True, check_finite=False) if len(blocks.mouth) else None

    def solve(self, right: Complex, tolerance: float, limit: int, threads: int, transposed: bool = False) -> Iteration:
        """Pressures on walls, then velocities in mouths, for right-hand sides (N, K) in that order.

        Each side keeps its own Krylov space; they share the products. Right preconditioner: the diagonal.
        Raises EvenfieldError when `limit` products do not reach `tolerance`.
        Source: Saad & Schultz, SIAM J. Sci. Stat. Comput. 7 (1986) 856.
        """
        wall, walls, kind, sides = self.wall, len(self.wall), self.wall.dtype, right.shape[1]
        through = self._through_mouths
        if walls == 0:
            return Iteration(through(right.astype(kind), transposed), np.ones(sides, np.int64), np.zeros(sides))
        inverse = (1.0 / np.diagonal(wall)).astype(np.complex128)[:, None]

        def up(vectors: Complex) -> Complex:
            return np.asarray((vectors.T @ self.down).T) if transposed else product(self.up, vectors, threads)

        def down(vectors: Complex) -> Complex:
            return np.asarray((vectors.T @ self.up).T) if transposed else product(self.down, vectors, threads)

        def apply(vectors: Complex) -> Complex:
            pressure = (inverse * vectors).astype(kind)
            image = (transposed_product if transposed else product)(wall, pressure, threads)
            return image if self._mouth is None else image - up(through(down(pressure), transposed))

        given = right[:walls]
        if self._mouth is not None:
            given = given - up(through(right[walls:].astype(kind), transposed))
        solution, iterations, residual = _iterate(apply, given, kind, tolerance, min(limit, walls))
        pressure = inverse * solution
        if self._mouth is None:
            return Iteration(pressure, iterations, residual)
        velocity = through((right[walls:] - down(pressure.astype(kind))).astype(kind), transposed)
        return Iteration(np.concatenate([pressure, velocity]), iterations, residual)

    def _through_mouths(self, vectors: Complex, transposed: bool) -> Complex:
        from scipy.linalg import lu_solve

        if self._mouth is None:
            return vectors
        return np.asarray(lu_solve(self._mouth, vectors, trans=0 if transposed else 1, check_finite=False))


def _iterate(
    apply: Any, right: Complex, kind: Any, tolerance: float, limit: int
) -> tuple[Complex, NDArray[np.int64], NDArray[np.float64]]:
    count, sides = right.shape
    size = np.linalg.norm(right, axis=0)
    iterations, residual = np.zeros(sides, np.int64), np.where(size > 0, 1.0, 0.0)
    basis: Complex = np.zeros((sides, limit + 1, count), kind)
    basis[:, 0] = (right / np.maximum(size, 1e-300)).T
    hessenberg: Complex = np.zeros((sides, limit + 1, limit), np.complex128)
    weights: list[Complex] = [np.zeros(0, np.complex128)] * sides
    active = [k for k in range(sides) if size[k] > 0]
    for step in range(limit):
        if not active:
            break
        image = apply(basis[active, step].T)
        for column, k in enumerate(active):
            orthogonalise(np.ascontiguousarray(image[:, column].astype(kind)), basis[k], hessenberg[k], step)
            weights[k], residual[k] = _least_squares(hessenberg[k], step)
            iterations[k] = step + 1
        active = [k for k in active if residual[k] > tolerance]
    if active:
        raise EvenfieldError(
            f"The iteration stopped at a relative residual of {residual.max():.2g} after {limit} steps (asked {tolerance:.2g}). "
            "A mesh with very small or flat triangles may cause this. Try a more even mesh."
        )
    return np.stack([size[k] * combine(weights[k], basis[k]) for k in range(sides)], axis=1), iterations, residual


def _least_squares(hessenberg: Complex, step: int) -> tuple[Complex, float]:
    block = hessenberg[: step + 2, : step + 1]
    unit = np.zeros(step + 2, np.complex128)
    unit[0] = 1.0
    weights = np.linalg.lstsq(block, unit, rcond=None)[0]
    return weights, math.sqrt(float((np.abs(block @ weights - unit) ** 2).sum()))
