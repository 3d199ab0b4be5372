"""What any sound field must do: conserve energy, be reciprocal, not care how it is computed."""

import numpy as np
import pytest

from evenfield.base import Air
from evenfield.data import SurfaceMesh, sphere_directions
from evenfield.exact.sphere_mesh import capped_sphere
from evenfield.radiation import solve_surface

FREQUENCY = 3.5 * Air().speed_of_sound / (2 * np.pi)
"""High enough that the Burton-Miller coupling is at work in every test here."""


@pytest.fixture(scope="module")
def body():
    """A lopsided egg with two moving parts, symmetric about y = 0 only."""
    sphere = capped_sphere(1.0, np.radians(50), 0.3)
    x, y, z = sphere.vertices.T
    vertices = np.stack([1.3 * x, y * (1 - 0.15 * z), 0.8 * z + 0.2 * x**2], axis=1)
    part = np.where(sphere.of_part(1), 1, np.where(sphere.centroid[:, 2] > 0.7, 2, 0))
    return SurfaceMesh(vertices, sphere.triangles, part)


@pytest.fixture(scope="module")
def solved(body):
    return solve_surface(body, [0.3 * FREQUENCY, FREQUENCY], mirror="y")


def test_power_from_impedance_is_that_of_the_far_field(solved):
    sphere = sphere_directions(5.0)
    field = solved.far_field(sphere)
    power = np.einsum("kdf,d->kf", np.abs(field) ** 2, sphere.weights) / Air().impedance
    resistance = np.einsum("kkf->kf", solved.radiation_impedance).real
    assert power == pytest.approx(resistance, rel=0.01)


def test_power_at_low_frequency():
    # where resistance is a thousandth of reactance, and errors of the mesh must not leak from one to the other
    mesh = capped_sphere(0.1, np.radians(20), 0.02)
    found = solve_surface(mesh, [20.0, 200.0, 500.0], mirror=("y", "z"))
    sphere = sphere_directions(15.0)
    power = np.einsum("df,d->f", np.abs(found.far_field(sphere)[0]) ** 2, sphere.weights) / Air().impedance
    assert power == pytest.approx(found.radiation_impedance[0, 0].real, rel=0.01)


def test_power_balance_of_both_parts_moving(body, solved):
    # the mutual resistance too: power of part 1 and part 2 moving together, in opposite phase
    sphere = sphere_directions(5.0)
    both = solved.far_field(sphere) * np.array([1.0, -1.0])[:, None, None]
    power = np.einsum("df,d->f", np.abs(both.sum(axis=0)) ** 2, sphere.weights) / Air().impedance
    r = solved.radiation_impedance.real
    assert power == pytest.approx(r[0, 0] + r[1, 1] - r[0, 1] - r[1, 0], rel=0.01)


def test_impedance_is_symmetric(solved):
    z = solved.radiation_impedance
    assert np.abs(z[0, 1] - z[1, 0]).max() < 2e-3 * np.abs(z[0, 1]).max()


def test_impedance_is_symmetric_for_axial_motion(body):
    z = solve_surface(body, FREQUENCY, motion="axial", axis=(1, 0, 1), mirror="y").radiation_impedance[..., 0]
    assert abs(z[0, 1] - z[1, 0]) < 2e-3 * abs(z[0, 1])
    assert np.all(np.diag(z).real > 0)


def test_field_reciprocity(body, solved):
    # pressure at a far point from a moving patch is the pressure on that patch from a source at the point; between two
    # places outside: a small patch's field at the other's centre. Here by the mutual impedance of two single triangles.
    a, b = 10, 400
    velocity = np.zeros((2, len(body.triangles), 1))
    velocity[0, a], velocity[1, b] = 1.0, 1.0
    found = solve_surface(body, FREQUENCY, velocity=velocity)
    p = found.surface_pressure[..., 0]
    at_b = p[0, body.triangles[b]].mean() * body.area[b]
    at_a = p[1, body.triangles[a]].mean() * body.area[a]
    assert at_b == pytest.approx(at_a, rel=0.01)


def test_mirror_planes_change_nothing(body, solved):
    whole = solve_surface(body, solved.frequency_hz)
    directions = sphere_directions(15.0)
    half, full = solved.far_field(directions), whole.far_field(directions)
    assert np.abs(half / full - 1).max() < 2e-3
    assert solved.surface_pressure == pytest.approx(
        whole.surface_pressure, rel=5e-3, abs=1e-3 * np.abs(whole.surface_pressure).max()
    )
    assert solved.radiation_impedance == pytest.approx(whole.radiation_impedance, rel=2e-3)
    points = np.array([[2.0, 0.5, 0.3], [0.2, -1.2, 0.4], [-1.5, 0.0, 0.0]])
    assert solved.pressure_at(points) == pytest.approx(whole.pressure_at(points), rel=2e-3)
    assert whole.statistics.triangles == 2 * solved.statistics.triangles


def test_two_mirror_planes_change_nothing():
    mesh = capped_sphere(1.0, np.radians(40), 0.4)
    directions = sphere_directions(30.0)
    one, two, none = (solve_surface(mesh, FREQUENCY, mirror=m).far_field(directions) for m in ("y", ("y", "z"), None))
    assert np.abs(two / none - 1).max() < 2e-3
    assert np.abs(one / none - 1).max() < 2e-3


def test_the_field_far_off_is_the_far_field(solved):
    directions = sphere_directions(45.0, diagonals=False)
    distance = 300.0
    near = solved.pressure_at(directions.vectors * distance)
    k = Air().wavenumber(solved.frequency_hz)
    assert near * distance * np.exp(1j * k * distance) == pytest.approx(solved.far_field(directions), rel=0.02)


def test_pressure_near_the_surface_meets_that_on_it(body, solved):
    # half an edge away, on the moving cap's axis, the pressure differs from the surface's by the velocity's share
    triangle = int(np.argmax(body.centroid[:, 0]))
    step = 0.02
    point = body.centroid[triangle] + step * body.normal[triangle]
    slope = -1j * 2 * np.pi * solved.frequency_hz * Air().density
    surface = solved.surface_pressure[0, body.triangles[triangle]].mean(axis=0)
    assert solved.pressure_at(point[None])[0, 0] == pytest.approx(surface + slope * step, rel=0.03)


def test_complex_velocities_superpose(body, solved):
    phases = np.array([0.3 - 1.2j, 2.0 + 0.7j])
    velocity = phases[0] * body.of_part(1) + phases[1] * body.of_part(2)
    directions = sphere_directions(30.0)
    both = solve_surface(body, FREQUENCY, velocity=velocity[:, None], mirror="y").far_field(directions)[0, :, 0]
    each = solved.far_field(directions)[:, :, 1]
    assert np.abs(both - phases @ each).max() < 1e-3 * np.abs(both).max()


def test_moving_the_body_only_turns_phases(body, solved):
    shift = np.array([0.7, 0.0, -0.4])
    moved = SurfaceMesh(body.vertices + shift, body.triangles, body.part)
    directions = sphere_directions(30.0)
    k = Air().wavenumber(solved.frequency_hz)
    phase = np.exp(1j * (directions.vectors @ shift)[:, None] * k)
    ratio = solve_surface(moved, solved.frequency_hz, mirror="y").far_field(directions) / (solved.far_field(directions) * phase)
    assert np.abs(ratio - 1).max() < 1e-3
