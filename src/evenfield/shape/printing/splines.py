"""Closed rings of points as one cubic spline surface: smooth all round, through every point."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class SplineSurface:
    """A cubic tensor-product spline with clamped ends.

    Parameters
        poles : (U, V, 3) mm, U along, V around
        along, around : knots, the first and last four times
    """

    poles: Array
    along: Array
    around: Array

    def at(self, u: Array, v: Array) -> Array:
        """(N, M, 3) points at the parameters u (N,) and v (M,), mm."""
        from scipy.interpolate import BSpline

        first = BSpline(self.along, self.poles, 3)(u)
        return np.asarray(np.swapaxes(BSpline(self.around, np.swapaxes(first, 0, 1), 3)(v), 0, 1))


def through_rings(rings: Array, theta: Array, along: Array) -> SplineSurface:
    """The surface through rings (N, M, 3) at the angles `theta` (M,) from 0, closed with continuous curvature; `along` (N,)
    rises.
    """
    from scipy.interpolate import make_interp_spline

    first = make_interp_spline(along, rings, k=3)
    around, poles = _closed(np.swapaxes(first.c, 0, 1), np.append(theta, theta[0] + 2 * np.pi))
    return SplineSurface(np.swapaxes(poles, 0, 1), np.asarray(first.t, float), around)


def _closed(values: Array, at: Array) -> tuple[Array, Array]:
    """Clamped knots and coefficients of the cubic spline through values (M, ...), its ends meeting in slope and curvature."""
    from scipy.interpolate import BSpline

    knots = np.concatenate([[at[0]] * 3, at, [at[-1]] * 3])
    count = len(at) + 2
    matrix = np.zeros((count, count))
    matrix[: len(at)] = BSpline.design_matrix(at, knots, 3).toarray()
    unit = BSpline(knots, np.eye(count), 3)
    for row, order in ((count - 2, 1), (count - 1, 2)):
        slope = unit.derivative(order)
        matrix[row] = slope(at[0]) - slope(at[-1])
    flat = values.reshape(len(values), -1)
    right = np.vstack([flat, flat[:1], np.zeros((2, flat.shape[1]))])
    poles = np.linalg.solve(matrix, right).reshape(count, *values.shape[1:])
    return np.asarray(knots, np.float64), np.asarray(poles, np.float64)
