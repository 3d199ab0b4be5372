"""The gradient of the surface solver by the vertices: Taylor tests, finite differences, symmetry, what must not matter.

Perturbed bodies keep the base's list of near pairs: a pair that enters or leaves the list as vertices move changes the
quadrature by a small step (below the error of the mesh), which is no part of a derivative.
"""

import numpy as np
import pytest
from scipy.spatial import cKDTree

from evenfield.base import Air, DataError
from evenfield.data import SurfaceMesh
from evenfield.exact.sphere_mesh import capped_sphere
from evenfield.radiation import SurfaceProblem, SurfaceSolver, adjoint_far
from evenfield.radiation.midpoint_grid import MidpointGrid

EXACT = SurfaceSolver("double", near_distance=2.5, near_degree=4, touching_order=3, tolerance=1e-12)
RANDOM = np.random.default_rng(5)
DIRECTIONS = RANDOM.normal(size=(6, 3))
DIRECTIONS /= np.linalg.norm(DIRECTIONS, axis=1)[:, None]
WEIGHTS = RANDOM.uniform(0.5, 1.5, (2, 6))
LOADS = RANDOM.normal(size=(2, 2)) + 1j * RANDOM.normal(size=(2, 2))


def egg():
    """A lopsided egg with two moving parts, symmetric about y = 0 only."""
    sphere = capped_sphere(1.0, np.radians(50), 0.6)
    x, y, z = sphere.vertices.T
    vertices = np.stack([1.3 * x, y * (1 - 0.15 * z), 0.8 * z + 0.2 * x**2], axis=1)
    return SurfaceMesh(vertices, sphere.triangles, np.where(sphere.of_part(1), 1, np.where(sphere.centroid[:, 2] > 0.6, 2, 0)))


BODY = egg()


def symmetric(field, mirror):
    if not mirror:
        return field
    image = cKDTree(BODY.vertices).query(BODY.vertices * [1, -1, 1])[1]
    return (field + field[image] * [1, -1, 1]) / 2


class Case:
    """J = sum of weights |F|^2 + Re sum conj(loads) Z of the body with its vertices moved."""

    def __init__(self, motion, mirror, wavenumber_size, solver=EXACT):
        self.motion, self.mirror, self.solver = motion, mirror, solver
        self.frequency = wavenumber_size / BODY.volume ** (1 / 3) * Air().speed_of_sound / (2 * np.pi)
        self.near = None
        self.base = self.solve(BODY.vertices)

    def solve(self, vertices):
        mesh = SurfaceMesh(vertices, BODY.triangles, BODY.part)
        problem = SurfaceProblem(mesh, self.motion, (1, 0, 1), self.mirror, solver=self.solver)
        self.near = problem.system.near = self.near or problem.system.near
        return problem.solve(self.frequency)

    def value(self, step):
        found = self.solve(BODY.vertices + step)
        far = (WEIGHTS * np.abs(found.far_field(DIRECTIONS)) ** 2).sum()
        return far + (LOADS.conj() * found.radiation_impedance).real.sum()

    def gradient(self):
        return self.base.gradient(DIRECTIONS, 2 * WEIGHTS * self.base.far_field(DIRECTIONS), LOADS)


# kL: no coupling; coupling a share of the body's size, which moves with the volume; coupling 1/k
@pytest.mark.parametrize(
    ("motion", "mirror", "kl", "solver"),
    [
        ("normal", "y", 2.0, EXACT),
        ("axial", (), 4.5, EXACT),
        ("axial", "y", 4.5, EXACT),
        ("normal", (), 5.0, SurfaceSolver("double", 2.5, 4, 3, 1e-12, coupling_length=0.3)),
    ],
)
def test_remainder_falls_at_second_order(motion, mirror, kl, solver):
    case = Case(motion, mirror, kl, solver)
    step = symmetric(np.random.default_rng(2).normal(size=BODY.vertices.shape), mirror)
    slope = float((case.gradient() * step).sum())
    base = case.value(0 * step)
    steps = np.array([1e-4, 5e-5, 2.5e-5])
    remainder = np.array([abs(case.value(h * step) - base - h * slope) for h in steps])
    assert np.all(np.diff(np.log(remainder)) / np.log(0.5) == pytest.approx(2.0, abs=0.1))


def test_finite_differences_on_five_vertices():
    case = Case("axial", (), 4.5)
    gradient, h = case.gradient(), 1e-5
    moving = np.unique(BODY.triangles[BODY.of_part(1)])
    chosen = [int(moving[0]), int(moving[-1]), *np.flatnonzero(~np.isin(np.arange(len(BODY.vertices)), moving))[[3, 30, 60]]]
    for vertex in chosen:
        axis = vertex % 3
        step = np.zeros_like(BODY.vertices)
        step[vertex, axis] = h
        difference = (case.value(step) - case.value(-step)) / (2 * h)
        assert gradient[vertex, axis] == pytest.approx(difference, rel=1e-4, abs=1e-5 * np.abs(gradient).max())


def test_mirror_planes_change_nothing():
    whole, half = (Case("axial", m, 4.5).gradient() for m in ((), "y"))
    projected = symmetric(whole, "y")
    # near integrals are not their own mirror images: the same bound as for the fields
    assert np.linalg.norm(half - projected) < 1e-3 * np.linalg.norm(projected)


@pytest.mark.parametrize("mirror", ["y", ()])
def test_single_precision(mirror):
    exact = Case("normal", mirror, 4.5).gradient()
    rough = SurfaceSolver("single", 2.5, 4, 3, 1e-4)
    case = Case("normal", mirror, 4.5, rough)
    found = case.gradient()
    assert np.linalg.norm(found - exact) < 3e-3 * np.linalg.norm(exact)
    # a step far above the noise of single precision: twice the step leaves four times the remainder
    step = symmetric(np.random.default_rng(2).normal(size=BODY.vertices.shape), mirror)
    slope, base = float((found * step).sum()), case.value(0 * step)
    small, large = (abs(case.value(h * step) - base - h * slope) for h in (0.008, 0.016))
    assert large / small == pytest.approx(4.0, rel=0.35)


def test_moving_the_whole_body_changes_no_power():
    # |F| and Z do not see a shift; single Z in a rotation neither
    case = Case("normal", (), 4.5)
    gradient = case.gradient()
    size = np.abs(gradient).sum()
    assert np.abs(gradient.sum(axis=0)).max() < 1e-6 * size
    turn = case.base.gradient(impedance_bar=LOADS)
    assert np.abs(np.cross(BODY.vertices, turn).sum(axis=0)).max() < 1e-6 * np.abs(turn).sum()


def test_velocity_patterns_and_an_earlier_frequency():
    # patterns keep their velocities on their triangles, so that for these the gradient is that of normal motion;
    # the matrix of another frequency lies in memory and must not be used
    parts = Case("normal", "y", 2.0)
    problem = SurfaceProblem(BODY, mirror="y", solver=EXACT, patterns=(1, 2))
    velocity = np.stack([BODY.of_part(1), BODY.of_part(2)])
    found = problem.solve(parts.frequency, velocity)
    problem.solve(2 * parts.frequency, velocity)
    bar = 2 * WEIGHTS * found.far_field(DIRECTIONS)
    assert found.gradient(DIRECTIONS, bar, LOADS) == pytest.approx(parts.gradient(), rel=1e-6, abs=1e-9)


def test_pairs_of_midpoints_add_up_over_images_and_parts():
    # two images and up to three parts are taken side by side, and tiles of points both ways round: one by one is the same
    rng, points, parts = np.random.default_rng(3), 400, 4
    three = [rng.normal(size=(points, 3)) for _ in range(3)]
    position, weight, vertex = rng.uniform(0.1, 1, (points, 3)), rng.uniform(0.1, 1, points), rng.integers(0, 150, (points, 4))
    grid = MidpointGrid(position, three[0], weight, three[1], three[2], vertex, np.zeros((points, 2), int))
    images = np.array([[1, 1, 1], [1, -1, 1], [1, 1, -1.0]])
    adjoint, pressure, strength = (
        rng.normal(size=(parts, n)) + 1j * rng.normal(size=(parts, n)) for n in (150, 150, points)
    )  # fmt: skip
    strength[:, :200] = 0

    def contract(g, k):
        return adjoint_far.contract(3.0, 0.2, images[g], grid, adjoint[k], pressure[k], strength[k], np.float64, 2)

    rows, sums = contract(slice(0, 3), slice(0, 4))
    single = [[contract(slice(g, g + 1), slice(k, k + 1)) for k in range(parts)] for g in range(3)]
    by_row = sum(found[0] for of_image in single for found in of_image)
    assert np.abs(rows[:, :7] - by_row[:, :7]).max() < 1e-9 * np.abs(rows[:, :7]).max()
    assert rows[:, 7].sum() == pytest.approx(by_row[:, 7].sum(), rel=1e-9)
    for k in range(parts):
        by_part = sum(of_image[k][1][0] for of_image in single)
        assert np.abs(sums[k, :, :6] - by_part[:, :6]).max() < 1e-9 * np.abs(sums[..., :6]).max()
        assert np.abs(sums[k, 224:, 6] - by_part[224:, 6]).max() < 1e-9 * np.abs(sums[..., 6]).max()


def test_bad_bars():
    found = Case("normal", "y", 2.0).base
    with pytest.raises(DataError, match="far_field_bar"):
        found.gradient(DIRECTIONS, np.ones((2, 5)))
    with pytest.raises(DataError, match="impedance_bar"):
        found.gradient(impedance_bar=np.ones((2, 3)))
    with pytest.raises(DataError, match="given"):
        found.gradient(DIRECTIONS)
