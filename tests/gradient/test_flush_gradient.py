"""The gradient of the flush solver by the vertices: Taylor tests, finite differences, rings, symmetry, what must not matter.

Moved bodies keep the base's lists of near pairs, and the triangles across their mouths follow the rims (`flush_moved`), so that
differences see the function that is differentiated; one test cuts the mouths anew.
"""

import numpy as np
import pytest
from scipy.spatial import cKDTree

from evenfield.base import Air, DataError
from evenfield.data import Meridian, SurfaceMesh
from evenfield.exact.revolved_mesh import joined, revolved_surface
from evenfield.radiation import FlushProblem, MeridianProblem, SurfaceSolver, flush_matrix, meridian_gradient, surface_matrix
from evenfield.radiation.flush_moved import moved_body

EXACT = SurfaceSolver("double", near_distance=2.5, near_degree=4, touching_order=3, tolerance=1e-12)
EDGE = 0.02
RANDOM = np.random.default_rng(5)
DIRECTIONS = RANDOM.normal(size=(6, 3))
DIRECTIONS[:5, 0] = np.abs(DIRECTIONS[:5, 0])  # and one behind the baffle
DIRECTIONS[5, 0] = -np.abs(DIRECTIONS[5, 0])
DIRECTIONS /= np.linalg.norm(DIRECTIONS, axis=1)[:, None]
WEIGHTS = RANDOM.uniform(0.5, 1.5, (4, 6))
LOADS = RANDOM.normal(size=(4, 4)) + 1j * RANDOM.normal(size=(4, 4))


def front():
    """A cone and a pair of horns beside each other, a flat piston and a proud dome: four parts, symmetric about y = 0."""
    cone = revolved_surface([(-0.03, 0.0), (-0.02, 0.03), (0.0, 0.07)], EDGE, [1, 0])
    horns = [revolved_surface([(-0.03, 0), (-0.03, 0.02), (0, 0.035)], EDGE, [2, 0], (y, 0.13)) for y in (-0.05, 0.05)]
    flat = revolved_surface([(0.0, 0.0), (0.0, 0.03)], EDGE, [3], (0.0, -0.12))
    t = np.linspace(0, np.pi / 3, 4)
    rings = [(0.05 * (np.cos(s) - 0.5), 0.05 * np.sin(s)) for s in t[:-1]]
    dome = revolved_surface([*rings, (0.0, 0.0433)], EDGE, [4, 4, 0], (0, 0.22))
    return joined(cone, *horns, flat, dome)


BODY = front()
X = BODY.vertices[:, 0]
GROUPS = {"rims and flat parts": X == 0, "recesses": X < 0, "proud": X > 0}


def symmetric(field, mirror):
    if not mirror:
        return field
    image = cKDTree(BODY.vertices).query(BODY.vertices * [1, -1, 1])[1]
    return (field + field[image] * [1, -1, 1]) / 2


def step_of(group, mirror=(), seed=2):
    step = np.where(GROUPS[group][:, None], np.random.default_rng(seed).normal(size=BODY.vertices.shape), 0.0)
    step[X == 0, 0] = 0
    return symmetric(step, mirror)


class Case:
    """J = sum of weights |F|^2 + Re sum conj(loads) Z of the front with its vertices moved."""

    def __init__(self, motion, mirror, frequency, solver=EXACT):
        self.motion, self.mirror, self.frequency, self.solver = motion, mirror, frequency, solver
        self.lists = []
        self.problem = self.make(BODY, None, lambda find: lambda *given: self.lists.append(find(*given)) or self.lists[-1])
        self.base = self.problem.solve(frequency)

    def make(self, mesh, body, pairs):
        with pytest.MonkeyPatch.context() as patch:
            for module, name in ((flush_matrix, "find_pairs"), (surface_matrix, "find_near_pairs")):
                patch.setattr(module, name, pairs(getattr(module, name)))
            return FlushProblem(mesh, self.motion, (1, 0, 0), self.mirror, solver=self.solver, body=body)

    def value(self, step):
        mesh = SurfaceMesh(BODY.vertices + step, BODY.triangles, BODY.part)
        known = iter(self.lists)
        problem = self.make(mesh, moved_body(self.problem, mesh), lambda _: lambda *given: next(known))
        return self.judge(problem.solve(self.frequency))

    def judge(self, found):
        far = (WEIGHTS * np.abs(found.far_field(DIRECTIONS)) ** 2).sum()
        return far + (LOADS.conj() * found.radiation_impedance).real.sum()

    def gradient(self):
        return self.base.gradient(DIRECTIONS, 2 * WEIGHTS * self.base.far_field(DIRECTIONS), LOADS)


# what stands out: no coupling; coupling a share of its size, which moves with the volume
@pytest.mark.parametrize(("motion", "mirror", "frequency"), [("normal", "y", 1500.0), ("axial", (), 5000.0)])
def test_remainder_falls_at_second_order(motion, mirror, frequency):
    case = Case(motion, mirror, frequency)
    gradient, base = case.gradient(), case.judge(case.base)
    step = sum(step_of(g, mirror) for g in GROUPS)
    slope = float((gradient * step).sum())
    steps = np.array([4e-5, 2e-5, 1e-5])
    remainder = np.array([abs(case.value(h * step) - base - h * slope) for h in steps])
    assert np.all(np.diff(np.log(remainder)) / np.log(0.5) == pytest.approx(2.0, abs=0.1))


@pytest.fixture(scope="module")
def axial():
    case = Case("axial", "y", 3800.0)
    return case, case.gradient()


@pytest.mark.parametrize("group", GROUPS)
def test_finite_differences_of_groups(axial, group):
    case, gradient = axial
    step, h = step_of(group, "y", seed=4), 1e-6
    difference = (case.value(h * step) - case.value(-h * step)) / (2 * h)
    assert float((gradient * step).sum()) == pytest.approx(difference, rel=1e-6)


@pytest.mark.parametrize(("place", "axis"), [((-0.03, 0, 0), 0), ((0, 0.07, 0), 1), ((0, 0, -0.12), 2), ((0.0, 0.0433, 0.22), 1)])
def test_finite_differences_on_a_vertex(axial, place, axis):
    # throat, rim, flat piston, foot of the dome; the vertex and its image
    case, gradient = axial
    step = np.zeros_like(BODY.vertices)
    step[np.argmin(np.linalg.norm(BODY.vertices - place, axis=1)), axis] = 2.0
    step, h = symmetric(step, "y"), 1e-6
    difference = (case.value(h * step) - case.value(-h * step)) / (2 * h)
    assert float((gradient * step).sum()) == pytest.approx(difference, rel=1e-5, abs=1e-6 * np.abs(gradient).max())


def test_mirror_planes_change_nothing(axial):
    _, half = axial
    whole = symmetric(Case("axial", (), 3800.0).gradient(), "y")
    # the triangles across the mouth are not their own mirror images
    assert np.linalg.norm(half - whole) < 5e-3 * np.linalg.norm(whole)


def test_single_precision(axial):
    _, exact = axial
    found = Case("axial", "y", 3800.0, SurfaceSolver("single", 2.5, 4, 3, 1e-4)).gradient()
    assert np.linalg.norm(found - exact) < 2e-3 * np.linalg.norm(exact)


def test_across_the_plane_and_behind_it_is_nothing(axial):
    _, gradient = axial
    assert np.all(gradient[X == 0, 0] == 0)
    tube = revolved_surface([(-0.03, 0.0), (-0.03, 0.02), (0.0, 0.03)], EDGE, [1, 0])
    behind = revolved_surface([(-0.05, 0.0), (-0.05, 0.1), (0.0, 0.1)], EDGE, [0, 0])  # turned round: a solid's back
    behind = SurfaceMesh(behind.vertices, behind.triangles[:, ::-1], behind.part)
    mesh = joined(tube, behind)
    gradient = FlushProblem(mesh).solve(1000.0).gradient(impedance_bar=[[1.0]])
    solid = (mesh.vertices[:, 0] < -0.04) | (np.hypot(*mesh.vertices[:, 1:].T) > 0.05)
    assert np.all(gradient[solid] == 0) and np.any(gradient[~solid] != 0)


def test_a_shift_along_the_baffle_changes_no_power(axial):
    _, gradient = axial
    assert abs(gradient[:, 2].sum()) < 1e-6 * np.abs(gradient[:, 2]).sum()


def test_mouths_cut_anew_differ_by_the_meshs_error_only():
    cone = revolved_surface([(-0.03, 0.0), (-0.03, 0.02), (0.0, 0.05)], 0.007, [1, 0])
    u, f = [[1.0, 0, 0], [np.sqrt(0.5), 0, np.sqrt(0.5)]], 4000.0
    solver = SurfaceSolver("double", tolerance=1e-8)

    def level(radius):  # the wall opens to another mouth
        moved = cone.vertices * [1, 1, 1]
        share = np.clip((np.hypot(moved[:, 1], moved[:, 2]) - 0.02) / 0.03, 0, 1)
        moved[:, 1:] *= 1 + (radius / 0.05 - 1) * share[:, None]
        problem = FlushProblem(SurfaceMesh(moved, cone.triangles, cone.part), mirror="y", solver=solver)
        found = problem.solve(f)
        far = found.far_field(u)
        slope = found.gradient(u, 2 * far)
        return float((np.abs(far) ** 2).sum()), float((slope[:, 1:] * moved[:, 1:] / radius * share[:, None]).sum())

    (low, _), (_, slope), (high, _) = (level(r) for r in (0.0495, 0.05, 0.0505))
    assert slope == pytest.approx((high - low) / 0.001, rel=0.03)


THROAT, MOUTH, DEPTH = 0.02, 0.05, 0.04


@pytest.mark.parametrize("frequency", [1500.0, 5000.0])
def test_rings_say_the_same(frequency):
    # a cone's level and load by its mouth, depth and throat: triangles against rings of another solver and another gradient
    mesh = revolved_surface([(-DEPTH, 0.0), (-DEPTH, THROAT), (0.0, MOUTH)], 0.0045, [1, 0])
    slope, flat = np.linspace(0, 1, 25)[:, None], np.linspace(1, 0, 13)[1:]
    wall = [0.0, MOUTH] + slope * [-DEPTH, THROAT - MOUTH]
    line = Meridian(np.concatenate([wall, np.column_stack([np.full(12, -DEPTH), THROAT * flat])]), np.repeat([0, 1], [24, 12]))

    def moves(x, r):
        # rings of triangles are polygons of their circle's area: somewhat wider
        deep, on_wall = -x / DEPTH, r >= THROAT * (1 - 1e-9)
        wider = np.where(on_wall, r / (MOUTH + deep * (THROAT - MOUTH)), r / THROAT)
        mouth, throat = np.where(on_wall, 1 - deep, 0.0), np.where(on_wall, deep, 1.0)
        return {"mouth": (0 * x, mouth * wider), "depth": (-deep, 0 * x), "throat": (0 * x, throat * wider)}

    u = [[1.0, 0, 0], [np.cos(0.7), np.sin(0.7), 0]]
    found = FlushProblem(mesh, mirror=("y", "z")).solve(frequency)
    ring = MeridianProblem(line, baffle=True, accuracy="reference").solve(frequency)
    x, y, z = mesh.vertices.T
    r = np.hypot(y, z)
    around = np.stack([y, z]) / np.maximum(r, 1e-12)
    for field, load in ((1.0, 0.0), (0.0, 1.0), (0.0, 1j)):
        far, other = found.far_field(u), ring.far_field(np.array(u))
        ours = found.gradient(u, field * 2 * far, [[load]])
        theirs = meridian_gradient(ring, np.array(u), field * 2 * other, [[load]])
        one, two = {}, {}
        for name, (by_x, by_r) in moves(x, r).items():
            one[name] = float((ours[:, 0] * by_x).sum() + (ours[:, 1:].T * around * by_r).sum())
        for name, (by_x, by_r) in moves(*line.points.T).items():
            two[name] = float((theirs * np.column_stack([by_x, by_r])).sum())
        scale = max(abs(v) for v in two.values())
        for name in one:
            assert one[name] == pytest.approx(two[name], rel=0.02, abs=0.01 * scale), (name, field, load)


def test_velocity_patterns_and_an_earlier_frequency():
    # patterns keep their velocities on their triangles, as normal motion does; the matrix of another frequency lies in memory
    parts = Case("normal", "y", 1500.0)
    problem = FlushProblem(BODY, mirror="y", solver=EXACT, patterns=(1, 2, 3, 4))
    velocity = np.stack([BODY.of_part(n) for n in (1, 2, 3, 4)])
    found = problem.solve(1500.0, velocity)
    problem.solve(2500.0, velocity)
    again = found.gradient(DIRECTIONS, 2 * WEIGHTS * found.far_field(DIRECTIONS), LOADS)
    assert again == pytest.approx(parts.gradient(), rel=1e-6, abs=1e-9)


def test_bad_bars():
    found = FlushProblem(revolved_surface([(0.0, 0.0), (0.0, 0.03)], EDGE, [3])).solve(500.0)
    with pytest.raises(DataError, match="far_field_bar"):
        found.gradient(DIRECTIONS, np.ones((2, 5)))
    with pytest.raises(DataError, match="impedance_bar"):
        found.gradient(impedance_bar=np.ones((1, 3)))
    with pytest.raises(DataError, match="given"):
        found.gradient(DIRECTIONS)


def test_a_flat_piston_is_a_disc_of_another_radius():
    # |F| on axis is rho omega a^2/2, at ka << 1 everywhere: J = |F|^2 grows with the fourth power
    mesh = revolved_surface([(0.0, 0.0), (0.0, 0.03)], 0.004, [1])
    found = FlushProblem(mesh, mirror=("y", "z")).solve(100.0)
    far = found.far_field([[1.0, 0, 0]])
    assert abs(far[0, 0]) == pytest.approx(Air().density * 2 * np.pi * 100 * 0.03**2 / 2, rel=0.01)
    gradient = found.gradient([[1.0, 0, 0]], 2 * far)
    assert (gradient * mesh.vertices).sum() == pytest.approx(4 * abs(far[0, 0]) ** 2, rel=1e-4)
