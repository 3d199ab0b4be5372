"""GMRES on several right-hand sides in step: one pass over the matrix serves them all."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from evenfield.base import EvenfieldError
from evenfield.radiation.near_factor import NearFactor
from evenfield.radiation.workers import in_order, spans

Complex = NDArray[np.complexfloating[Any, Any]]


@dataclass(frozen=True)
class Iteration:
    """solution : (N, K); iterations : (K,); residual : (K,) relative."""

    solution: Complex
    iterations: NDArray[np.int64]
    residual: NDArray[np.float64]


def solve_in_step(
    matrix: Complex, near: NearFactor, right: Complex, tolerance: float, limit: int, threads: int, transposed: bool = False
) -> Iteration:
    """Solve matrix x = right (N, K), or that with the matrix `transposed`, by GMRES with `near` as right preconditioner.

    Each side keeps its own Krylov space (orthogonal by two passes of Gram-Schmidt); they share the products.
    Raises EvenfieldError when `limit` iterations do not reach `tolerance`.
    Source: Saad & Schultz, SIAM J. Sci. Stat. Comput. 7 (1986) 856.
    """
    count, sides = right.shape
    apply = transposed_product if transposed else product
    limit = min(limit, count)
    size = np.linalg.norm(right, axis=0)
    iterations, residual = np.zeros(sides, np.int64), np.where(size > 0, 1.0, 0.0)
    basis: Complex = np.zeros((sides, limit + 1, count), matrix.dtype)
    basis[:, 0] = (right / np.maximum(size, 1e-300)).T
    hessenberg: Complex = np.zeros((sides, limit + 1, limit), np.complex128)
    weights: list[Complex] = [np.zeros(0, np.complex128)] * sides
    active = [k for k in range(sides) if size[k] > 0]
    for step in range(limit):
        if not active:
            break
        image = apply(matrix, near.solve(basis[active, step].T, transposed), threads)
        for column, k in enumerate(active):
            orthogonalise(np.ascontiguousarray(image[:, column]), basis[k], hessenberg[k], step)
            weights[k], residual[k] = _least_squares(hessenberg[k], step)
            iterations[k] = step + 1
        active = [k for k in active if residual[k] > tolerance]
    if active:
        raise EvenfieldError(
            f"The iteration stopped at a relative residual of {residual.max():.2g} after {limit} steps (asked {tolerance:.2g}). "
            "A mesh with very small or flat triangles may cause this. Try a more even mesh."
        )
    solution = np.stack([size[k] * combine(weights[k], basis[k]) for k in range(sides)], axis=1)
    return Iteration(near.solve(solution, transposed), iterations, residual)


def product(matrix: Complex, vectors: Complex, threads: int) -> Complex:
    """matrix (N, N) times vectors (N, K), rows shared among threads."""
    packed = vectors.T.astype(matrix.dtype)
    re, im = np.ascontiguousarray(packed.real), np.ascontiguousarray(packed.imag)
    out = np.empty((len(matrix), len(packed)), matrix.dtype)

    def work(span: tuple[int, int]) -> None:
        multiply_rows(matrix[span[0] : span[1]], re, im, out[span[0] : span[1]])

    for _ in in_order(work, spans(len(matrix), threads), threads):
        pass
    return out


def transposed_product(matrix: Complex, vectors: Complex, threads: int) -> Complex:
    """The transposed matrix (not conjugated) times vectors (N, K); the matrix is read row by row as it lies."""
    packed = np.ascontiguousarray(vectors.T.astype(matrix.dtype))
    total = np.zeros(packed.shape, np.complex128)

    def work(span: tuple[int, int]) -> Complex:
        out = np.zeros_like(packed)
        multiply_columns(matrix[span[0] : span[1]], packed[:, span[0] : span[1]], out)
        return out

    for part in in_order(work, spans(len(matrix), 2 * threads), threads):
        total += part
    return np.ascontiguousarray(total.T.astype(matrix.dtype))


def combine(weights: Complex, basis: Complex) -> Complex:
    """(N,) sum of weights[i] basis[i]."""
    total: Complex = np.zeros(basis.shape[1], np.complex128)
    for weight, vector in zip(weights, basis, strict=False):
        total += weight * vector
    return total


@njit(nogil=True, fastmath=True, cache=True)
def multiply_rows(matrix, re, im, out):  # type: ignore[no-untyped-def]
    """out (n, K) = matrix (n, N) times vectors, real and imaginary parts (K, N) each, transposed; three vectors side by side."""
    sides = re.shape[0]
    threes = sides - sides % 3
    for i in range(matrix.shape[0]):
        row = matrix[i]
        zero = row[0].real * 0
        for k in range(0, threes, 3):
            a, b, c, d, e, f = zero, zero, zero, zero, zero, zero
            r0, r1, r2, i0, i1, i2 = re[k], re[k + 1], re[k + 2], im[k], im[k + 1], im[k + 2]
            for j in range(row.size):
                x, y = row[j].real, row[j].imag
                a += x * r0[j] - y * i0[j]
                b += x * i0[j] + y * r0[j]
                c += x * r1[j] - y * i1[j]
                d += x * i1[j] + y * r1[j]
                e += x * r2[j] - y * i2[j]
                f += x * i2[j] + y * r2[j]
            out[i, k] = complex(a, b)
            out[i, k + 1] = complex(c, d)
            out[i, k + 2] = complex(e, f)
        for k in range(threes, sides):
            a, b = zero, zero
            r0, i0 = re[k], im[k]
            for j in range(row.size):
                x, y = row[j].real, row[j].imag
                a += x * r0[j] - y * i0[j]
                b += x * i0[j] + y * r0[j]
            out[i, k] = complex(a, b)


@njit(nogil=True, fastmath=True, cache=True)
def multiply_columns(matrix, vectors, out):  # type: ignore[no-untyped-def]
    """Add to out (K, N) the vectors (K, n) times matrix (n, N)."""
    for i in range(matrix.shape[0]):
        row = matrix[i]
        for k in range(vectors.shape[0]):
            target, re, im = out[k], vectors[k, i].real, vectors[k, i].imag
            for j in range(row.size):
                a = row[j]
                target[j] += complex(re * a.real - im * a.imag, re * a.imag + im * a.real)


@njit(nogil=True, fastmath=True, cache=True)
def orthogonalise(fresh, basis, hessenberg, step):  # type: ignore[no-untyped-def]
    """Make `fresh` (N,) orthogonal to basis[:step+1] (Gram-Schmidt, twice) and put it, scaled, at step + 1.

    Compiled here rather than left to BLAS, whose threads, where they have not been turned off, stall on vectors this short.
    """
    for _ in range(2):
        for m in range(step + 1):
            known = basis[m]
            re, im = fresh[0].real * 0, fresh[0].real * 0
            for i in range(fresh.size):
                a, b = known[i], fresh[i]
                re += a.real * b.real + a.imag * b.imag
                im += a.real * b.imag - a.imag * b.real
            part = complex(re, im)
            hessenberg[m, step] += part
            for i in range(fresh.size):
                a = known[i]
                fresh[i] -= complex(re * a.real - im * a.imag, re * a.imag + im * a.real)
    total = 0.0
    for i in range(fresh.size):
        total += fresh[i].real * fresh[i].real + fresh[i].imag * fresh[i].imag
    size = np.sqrt(total)
    hessenberg[step + 1, step] = size
    scale = fresh[0].real * 0 + 1 / max(size, 1e-300)
    for i in range(fresh.size):
        basis[step + 1, i] = scale * fresh[i]


def _least_squares(hessenberg: Complex, step: int) -> tuple[Complex, float]:
    block = hessenberg[: step + 2, : step + 1]
    unit = np.zeros(step + 2, np.complex128)
    unit[0] = 1.0
    weights = np.linalg.lstsq(block, unit, rcond=None)[0]
    return weights, float(np.linalg.norm(block @ weights - unit))
