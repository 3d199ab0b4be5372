"""Thin gaps: the double layer of a constant against Gauss's theorem, on a body with a slot much narrower than its triangles.

At no frequency, and with no coupling, the matrix is M/2 - D. A constant has no field, so that D 1 = -M 1 / 2 exactly on any
closed body of flat facets (Gauss; Kellogg, Foundations of Potential Theory, 1929, chapter III), and the rows of the matrix sum
to those of M.
"""

import numpy as np
import pytest

from evenfield.data import SurfaceMesh
from evenfield.radiation import SurfaceProblem, SurfaceSolver
from evenfield.radiation.quadrature import CLOSE, TIGHT

EDGE = 0.009


def slotted(gap, shift=0.3, seed=0):
    """Two plates of 9 mm, joined at one end, `gap` apart, cut into squares of 9 mm and these in two; one inner face's vertices
    are moved in their plane, by `shift` edges, so that nothing lies above its like."""
    solid = np.ones((6, 4, 3), bool)
    solid[2:, :, 1] = False
    levels = np.arange(7) * EDGE, (np.arange(5) - 2) * EDGE, np.array([0, EDGE, EDGE + gap, 2 * EDGE + gap])
    padded = np.pad(solid, 1)
    corners = []
    for cell in np.argwhere(solid):
        for axis in range(3):
            u, v = (axis + 1) % 3, (axis + 2) % 3
            for side in (0, 1):
                beyond = cell + 1
                beyond[axis] += 2 * side - 1
                if padded[tuple(beyond)]:
                    continue
                square = np.tile(cell, (4, 1))
                square[:, axis] += side
                square[:, u] += [0, 1, 1, 0]
                square[:, v] += [0, 0, 1, 1]
                square = square if side else square[::-1]
                corners += [square[[0, 1, 2]], square[[0, 2, 3]]]
    names, triangles = np.unique(np.concatenate(corners), axis=0, return_inverse=True)
    vertices = np.stack([levels[axis][names[:, axis]] for axis in range(3)], axis=1)
    inner = (names[:, 2] == 1) & (names[:, 0] > 2) & (names[:, 0] < 6) & (np.abs(names[:, 1] - 2) < 2)
    vertices[inner, :2] += shift * EDGE * np.random.default_rng(seed).uniform(-1, 1, (inner.sum(), 2))
    triangles = triangles.reshape(-1, 3)
    top = np.all(names[triangles][:, :, 2] == 3, axis=1)
    return SurfaceMesh(vertices, triangles, top.astype(int))


def row_errors(gap, solver=None):
    problem = SurfaceProblem(slotted(gap), mirror=(), solver=solver)
    matrix = problem.system.assemble(1e-3)
    mass = np.zeros(len(matrix))
    np.add.at(mass, problem.body.triangles.ravel(), np.repeat(problem.body.area / 3, 3))
    return np.abs(matrix.sum(axis=1) - mass) / mass, {g.shared for g in problem.system.near}


# one rule for all pairs that do not touch was 25, 11 and 2.8 % wrong on the same body
@pytest.mark.parametrize(("gap", "bound"), [(0.0005, 0.05), (0.001, 0.03), (0.002, 0.01)])
def test_a_constant_has_no_field(gap, bound):
    error, kinds = row_errors(gap)
    assert {CLOSE, TIGHT} & kinds
    assert error.max() <= bound


def test_finer_rules_leave_half_a_percent():
    fine = SurfaceSolver("double", near_distance=3.0, near_degree=5, touching_order=5, tight_cuts=5)
    assert row_errors(0.001, fine)[0].max() <= 0.005


def test_ordinary_neighbours_keep_the_cheap_rule():
    from evenfield.exact.sphere_mesh import capped_sphere

    problem = SurfaceProblem(capped_sphere(1.0, np.radians(40), 0.2), mirror=("y", "z"))
    count = {g.shared: len(g) for g in problem.system.near}
    assert count.get(TIGHT, 0) == 0
    assert count.get(CLOSE, 0) < 0.15 * sum(count.values())
