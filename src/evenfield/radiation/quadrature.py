"""Quadrature over triangles and over pairs of triangles.

Points are barycentric; the weights of a rule sum to one, so that an integral is area (or area times area) times the sum.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

Real = NDArray[np.floating[Any]]
TriangleRule = tuple[NDArray[np.float64], NDArray[np.float64]]
PairRule = tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]
"""Points on the first triangle (Q, 3), on the second (Q, 3), weights (Q,)."""

SEPARATE, SHARED_VERTEX, SHARED_EDGE, IDENTICAL = 0, 1, 2, 3
"""How two triangles meet: the number of vertices they share."""

CLOSE, TIGHT = -1, -2
"""Triangles that share no vertex but come nearer than ordinary neighbours do: across a gap, into a corner."""

MIDPOINTS: TriangleRule = (np.array([[0.5, 0.5, 0.0], [0.0, 0.5, 0.5], [0.5, 0.0, 0.5]]), np.full(3, 1 / 3))
"""The edge midpoints, exact for polynomials of degree 2. Neighbours share the points. Strang & Fix 1973."""


def interior_rule(degree: int) -> TriangleRule:
    """A symmetric rule with all points inside, exact to `degree` 2 (3 points), 4 (6 points) or 5 (7 points).

    Source: Dunavant, Int. J. Numer. Meth. Eng. 21 (1985) 1129; Radon 1948 for degree 5 (closed form).
    """
    if degree <= 2:
        return _orbit(1 / 6), np.full(3, 1 / 3)
    if degree <= 4:
        a, b = 0.445948490915965, 0.091576213509771
        weights = np.repeat([0.223381589678011, 0.109951743655322], 3)
        return np.concatenate([_orbit(a), _orbit(b)]), weights
    root = np.sqrt(15.0)
    a, b = (6 - root) / 21, (6 + root) / 21
    weights = np.concatenate([[9 / 40], np.repeat([(155 - root) / 1200, (155 + root) / 1200], 3)])
    return np.concatenate([np.full((1, 3), 1 / 3), _orbit(a), _orbit(b)]), weights


def product_rule(first: TriangleRule, second: TriangleRule) -> PairRule:
    """Every point of one rule with every point of the other."""
    n, m = len(first[1]), len(second[1])
    return np.repeat(first[0], m, axis=0), np.tile(second[0], (n, 1)), np.outer(first[1], second[1]).ravel()


def cut_rule(rule: TriangleRule, cuts: int) -> TriangleRule:
    """A rule repeated on the cuts**2 like triangles into which even cuts of the edges part a triangle."""
    cells = []
    for i in range(cuts):
        for j in range(cuts - i):
            cells.append([(i, j), (i + 1, j), (i, j + 1)])
            if i + j < cuts - 1:
                cells.append([(i + 1, j + 1), (i, j + 1), (i + 1, j)])
    place = np.asarray(cells, float) / cuts
    corners = np.concatenate([1 - place.sum(axis=2, keepdims=True), place], axis=2)
    points = np.einsum("qa,nab->nqb", rule[0], corners).reshape(-1, 3)
    return points, np.tile(rule[1], len(cells)) / len(cells)


@cache
def touching_rule(shared: int, order: int) -> PairRule:
    """Rule for two triangles that share `shared` vertices, numbered alike and first, by `order` Gauss points a variable.

    The transformation makes integrands singular like 1/distance smooth.
    Source: Sauter & Schwab, Boundary Element Methods, Springer 2011, section 5.2.
    """
    node, weight = np.polynomial.legendre.leggauss(order)
    node, weight = (node + 1) / 2, weight / 2
    s, a, b, c = (g.ravel() for g in np.meshgrid(node, node, node, node, indexing="ij"))
    w = np.einsum("i,j,k,l->ijkl", weight, weight, weight, weight).ravel()
    pieces = {IDENTICAL: _identical, SHARED_EDGE: _shared_edge, SHARED_VERTEX: _shared_vertex}[shared](a, b, c)
    x = np.concatenate([_barycentric(s * p[0][0], s * p[0][1]) for p in pieces])
    y = np.concatenate([_barycentric(s * p[1][0], s * p[1][1]) for p in pieces])
    # 4: the reference triangle has area 1/2, the weights are to sum to one
    return x, y, np.concatenate([4 * w * s**3 * p[2] for p in pieces])


def _orbit(a: float) -> NDArray[np.float64]:
    b = 1 - 2 * a
    return np.array([[b, a, a], [a, b, a], [a, a, b]])


def _barycentric(first: Real, second: Real) -> NDArray[np.float64]:
    return np.stack([1 - first, first - second, second], axis=-1)


_Pieces = list[tuple[tuple[Real, Real], tuple[Real, Real], Real]]


def _identical(a: Real, b: Real, c: Real) -> _Pieces:
    jacobian = a**2 * b
    one = np.ones_like(a)
    halves = [
        ((one, 1 - a + a * b), (1 - a * b * c, 1 - a)),
        ((one, a * (1 - b + b * c)), (1 - a * b, a * (1 - b))),
        ((1 - a * b * c, a * (1 - b * c)), (one, a * (1 - b))),
    ]
    return [(x, y, jacobian) for x, y in halves] + [(y, x, jacobian) for x, y in halves]


def _shared_edge(a: Real, b: Real, c: Real) -> _Pieces:
    one = np.ones_like(a)
    wide, narrow = a**2, a**2 * b
    return [
        ((one, a * c), (1 - a * b, a * (1 - b)), wide),
        ((one, a), (1 - a * b * c, a * b * (1 - c)), narrow),
        ((1 - a * b, a * (1 - b)), (one, a * b * c), narrow),
        ((1 - a * b * c, a * b * (1 - c)), (one, a), narrow),
        ((1 - a * b * c, a * (1 - b * c)), (one, a * b), narrow),
    ]


def _shared_vertex(a: Real, b: Real, c: Real) -> _Pieces:
    one = np.ones_like(a)
    apart = ((one, a), (b, b * c))
    return [(apart[0], apart[1], b), (apart[1], apart[0], b)]
