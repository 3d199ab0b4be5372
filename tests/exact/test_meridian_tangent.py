"""A recess whose wall runs into the baffle tangentially, with zero curvature, as the waveguides' profiles do.

Judged by the same wall ended 12 um before the plane, where no film of air is left (0.003 dB from one ended at 5 um); by linear
elements, which cannot bulge; by the energy balance; and by the 3-D solver.
"""

import math

import numpy as np
import pytest

from evenfield.base import Air, DataError, MeshError
from evenfield.data import Meridian
from evenfield.exact.revolved_mesh import revolved_surface
from evenfield.radiation import MeridianProblem, meridian_gradient, solve_flush, solve_meridian
from evenfield.shape import PROFILES

AIR = Air()
ANGLE = np.radians(np.arange(0, 81, 5.0))
FREQUENCY = np.array([200.0, 1000.0, 3000.0, 8000.0])
ALL = np.array([200.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 14000.0, 20000.0])
SHAPES = {
    "conical": (0.0125, 0.0, 0.06, 0.1, 0.03),
    "exponential": (0.0125, 0.0, 0.1, 0.12, 0.03),
    "oblate_spheroidal": (0.0125, 0.0, 0.08, 0.1, 0.02),
    "smooth": (0.0125, 0.0, 0.08, 0.1, 0.02),
    "tractrix": (0.0125, 0.0, 0.1, 0.06, 0.02),
}  # fmt: skip


def wall(profile):
    """Depth and radius, finely, from the rim on."""
    throat, entry, depth, mouth, rounding = SHAPES[profile]
    x, r = PROFILES[profile].wall(np.linspace(1, 0, 4001), throat, entry, depth, np.array([mouth]), rounding)
    return -x[:, 0], r[:, 0]


def meridian(depth, radius, step, grading=1.0):
    along = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(depth), np.diff(radius)))])
    count, across = (2 * max(3, math.ceil(long / step / 2)) for long in (along[-1], radius[-1]))
    at = along[-1] * np.linspace(0, 1, count + 1) ** grading
    points = np.column_stack([-np.interp(at, along, depth), np.interp(at, along, radius)])
    points[0, 0] = 0.0
    front = np.column_stack([np.full(across, points[-1, 0]), np.linspace(points[-1, 1], 0, across + 1)[1:]])
    return Meridian(np.concatenate([points, front]), np.repeat([0, 1], [count, across]))


def ended(depth, radius, before):
    """The wall cut where it is `before` m behind the plane; what is left keeps its place but for a hundredth of that."""
    first = int(np.argmax(depth > before))
    rim = np.interp(before, depth[first - 1 : first + 1], radius[first - 1 : first + 1])
    kept = np.sqrt(depth[first:] ** 2 - before**2)
    return np.concatenate([[0.0], kept]), np.concatenate([[rim], radius[first:]])


def solved(line, frequency, **options):
    return solve_meridian(line, frequency, motion="axial", baffle=True, **options)


def difference(found, truth):
    """(F,) dB, within 20 dB of the maximum."""
    loud = np.abs(truth) > np.abs(truth).max(axis=0) / 10
    return np.where(loud, np.abs(20 * np.log10(np.abs(found / truth))), 0).max(axis=0)


def lost(found):
    """(F,) share of the power at the throat that does not arrive far away."""
    node, weight = np.polynomial.legendre.leggauss(48)
    far = np.abs(found.far_field(np.arccos((node + 1) / 2))[0]) ** 2
    return 1 - np.pi * weight @ far / AIR.impedance / found.radiation_impedance[0, 0].real


@pytest.mark.parametrize("profile", SHAPES)
def test_profiles_against_the_wall_ended_before_the_plane(profile):
    depth, radius = wall(profile)
    cut = solved(meridian(*ended(depth, radius, 1.2e-5), 0.001), ALL)
    truth, load = cut.far_field(ANGLE)[0], cut.radiation_impedance[0, 0]
    for step, top, allowed in ((0.001, 8, 0.01), (0.003, 7, 0.03), (0.005, 5, 0.01)):
        found = solved(meridian(depth, radius, step), ALL[:top])
        error = difference(found.far_field(ANGLE)[0], truth[:, :top])
        assert np.all(error < allowed)
        assert np.all(error < 1.5 * found.error_db)
        assert np.all(np.abs(lost(found)) < 3e-4)
        assert found.radiation_impedance[0, 0] == pytest.approx(load[:top], rel=8e-3)


@pytest.mark.parametrize(("step", "grading"), [(0.0004, 1.0), (0.0025, 1.5), (0.002, 2.0)])
def test_any_division_of_the_wall(step, grading):
    depth, radius = wall("exponential")
    truth = solved(meridian(*ended(depth, radius, 1.2e-5), 0.001), FREQUENCY).far_field(ANGLE)[0]
    found = solved(meridian(depth, radius, step, grading), FREQUENCY)
    assert found.frequencies[0].problem.cut > 1
    assert any("count as part of it" in note for note in found.statistics.notes)
    error = difference(found.far_field(ANGLE)[0], truth)
    assert np.all(error < 0.01) and np.all(error < 1.5 * found.error_db)
    assert np.all(np.abs(lost(found)) < 3e-4)


def test_a_hump_in_front_that_falls_onto_the_baffle_tangentially():
    """A disk on a bell; against one of 0.5 mm."""
    u = np.linspace(0, 1, 4001)
    depth, radius = -0.02 * u**3 * (10 - 15 * u + 6 * u**2), 0.08 - 0.05 * u
    truth = solved(meridian(depth, radius, 0.0005), FREQUENCY, accuracy="reference").far_field(ANGLE)[0]
    for step, grading in ((0.002, 1.0), (0.004, 1.0), (0.003, 2.0)):
        found = solved(meridian(depth, radius, step, grading), FREQUENCY)
        assert found.frequencies[0].problem.where == "in front"
        error = difference(found.far_field(ANGLE)[0], truth)
        assert np.all(error < 0.02) and np.all(error < 1.5 * found.error_db)


def test_linear_elements_agree():
    depth, radius = wall("conical")
    line = meridian(depth, radius, 0.0015)
    f = np.array([200.0, 1000.0, 3000.0])
    one, two = (solved(line, f, elements=e).far_field(ANGLE)[0] for e in ("linear", "quadratic"))
    assert np.all(difference(one, two) < 0.005)


def test_the_surface_solver_agrees():
    depth, radius = wall("conical")
    f = np.array([300.0, 1000.0, 3000.0])
    truth = solved(meridian(depth, radius, 0.003), f).far_field(ANGLE)[0]
    line = meridian(depth, radius, 0.006)
    given = [(float(x), float(r)) for x, r in line.points[line.points[:, 1] >= radius[-1] - 1e-9]]
    mesh = revolved_surface([(given[-1][0], 0.0), *given[::-1]], 0.006, [1] + [0] * (len(given) - 1))
    towards = np.stack([np.cos(ANGLE), np.sin(ANGLE), 0 * ANGLE], axis=1)
    found = solve_flush(mesh, f, mirror=("y", "z"), motion="axial").far_field(towards)[0]
    assert np.all(difference(found, truth) < [0.01, 0.015, 0.03])


def test_what_counts_as_baffle():
    """Its pressure, velocities on it, and points beside it."""
    line = meridian(*wall("exponential"), 0.001)
    found = MeridianProblem(line, "axial", True).solve(2000.0)
    cut = found.problem.cut
    pressure = found.surface_pressure[0]
    assert cut == 2 and len(pressure) == len(line.points)
    # smooth from the baffle into the recess
    assert np.abs(np.diff(pressure[: cut + 4], 2)).max() < 0.1 * np.abs(np.diff(pressure[: cut + 4])).min()
    beside = found.pressure_at(np.column_stack([np.full(cut + 1, 1e-5), line.points[: cut + 1, 1]]))[0]
    assert pressure[: cut + 1] == pytest.approx(beside, rel=2e-3)
    before, behind = found.pressure_at([[1e-4, 0.02, 0], [-1e-4, 0.02, 0]])[0]
    assert before == pytest.approx(behind, rel=0.01)
    velocity = np.zeros((len(line.part), 1), complex)
    velocity[line.part == 1] = 1.0
    # the throat's normal, out of the rigid body, is along the axis
    assert solve_meridian(line, 2000.0, velocity=velocity, baffle=True).far_field(ANGLE)[0, :, 0] == pytest.approx(
        found.far_field(ANGLE)[0]
    )
    velocity[0] = 1.0
    with pytest.raises(DataError, match="first 2 segments"):
        solve_meridian(line, 2000.0, velocity=velocity, baffle=True)


def test_points_in_the_plane_before_a_recess_are_baffle_unless_they_move():
    rim, ring = np.array([[0.0, 0.12], [0.0, 0.11]]), meridian(*wall("conical"), 0.004)
    found = solved(Meridian(np.concatenate([rim, ring.points]), np.concatenate([[0, 0], ring.part])), 1000.0)
    assert found.frequencies[0].problem.cut == 2 + solved(ring, 1000.0).frequencies[0].problem.cut
    assert found.far_field(ANGLE) == pytest.approx(solved(ring, 1000.0).far_field(ANGLE), rel=1e-9)
    with pytest.raises(MeshError, match="point 1"):
        solved(Meridian(np.concatenate([rim, ring.points]), np.concatenate([[2, 2], ring.part])), 1000.0)


def test_a_part_that_moves_in_the_film_is_said_to_be_uncertain():
    u = np.linspace(0, 1, 33)
    points = np.column_stack([-0.01 * u**3, 0.05 * (1 - u)])
    found = MeridianProblem(Meridian(points, np.ones(32, int)), "axial", True).solve(1000.0)
    assert found.error_db >= 0.2 and any("moving part" in note for note in found.notes)


@pytest.mark.parametrize("elements", ["quadratic", "linear"])
def test_gradient(elements):
    """Central differences; points of the wall that count as baffle have none."""
    line = meridian(*wall("conical"), 0.003)
    s = np.linspace(0, 3, len(line.points))
    way = np.column_stack([np.cos(2 * s + 1), np.sin(3 * s) + 0.2])
    way[0, 0] = way[-1, 1] = 0
    # the depths in and beside the film stay in proportion
    way[:12, 0] *= line.points[:12, 0] / line.points[12, 0]

    def value(size):
        moved = Meridian(line.points + size * way, line.part)
        found = MeridianProblem(moved, "axial", True, accuracy="reference", elements=elements).solve(3000.0)
        field = found.far_field(ANGLE)
        return 0.5 * np.sum(np.abs(field) ** 2), meridian_gradient(found, ANGLE, field), found.problem.cut

    base, gradient, cut = value(0.0)
    (up, _, one), (down, _, two) = value(2e-5), value(-2e-5)
    assert base > 0 and cut == one == two == 1
    assert np.all(gradient[:cut] == 0)
    assert np.sum(gradient * way) == pytest.approx((up - down) / 4e-5, rel=3e-4)
