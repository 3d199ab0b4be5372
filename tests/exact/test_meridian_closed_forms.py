"""The meridian solver against series, closed forms and handbook values."""

import numpy as np
import pytest

from evenfield.base import Air
from evenfield.data import Meridian
from evenfield.exact import piston, sphere
from evenfield.radiation import solve_meridian

AIR = Air()
ANGLES = np.radians(np.arange(0, 181, 5))


def frequency(ka, radius=1.0):
    return np.asarray(ka) * AIR.speed_of_sound / (2 * np.pi * radius)


def arc(start, end, count, radius=1.0):
    """Points on a sphere from one polar angle to another."""
    angle = np.linspace(start, end, count + 1)
    points = radius * np.column_stack([np.cos(angle), np.sin(angle)])
    points[np.abs(points) < 1e-14 * radius] = 0
    return points


def line(a, b, count):
    return np.column_stack([np.linspace(a[0], b[0], count + 1), np.linspace(a[1], b[1], count + 1)])


def join(*runs):
    """Meridian of (points, part) one after another."""
    points = np.concatenate([runs[0][0][:1], *[p[1:] for p, _ in runs]])
    return Meridian(points, np.concatenate([np.full(len(p) - 1, part) for p, part in runs]))


def capped(ka, alpha, nodes_per_wavelength=10):
    """A sphere of unit radius with a moving cap, nodes evenly spread on either side of its edge."""
    step = min(2 * np.pi / ka / nodes_per_wavelength, alpha / 4, 0.25)
    cap, rest = (2 * int(np.ceil(angle / step / 2)) for angle in (alpha, np.pi - alpha))
    return join((arc(np.pi, alpha, rest), 0), (arc(alpha, 0, cap), 1))


# 3.1416, 4.4934, 5.7635, 7.7253: interior resonances, where an integral equation without Burton-Miller fails
@pytest.mark.parametrize("ka", [0.01, 0.05, 1.0, np.pi, 4.493409, 5.763459, 7.725252, 10.0, 20.0, 40.0])
@pytest.mark.parametrize(("motion", "series"), [("normal", "radial"), ("axial", "axial")])
def test_cap_on_a_sphere(ka, motion, series):
    """Morse & Ingard, Theoretical Acoustics, 1968, section 7.2; ten nodes per wavelength, within 20 dB of the maximum."""
    alpha = np.radians(40)
    found = solve_meridian(capped(ka, alpha), frequency(ka), motion=motion)
    field, truth = found.far_field(ANGLES)[0, :, 0], sphere.cap_far_field(1.0, alpha, frequency(ka), ANGLES, series)[:, 0]
    kept = np.abs(truth) > np.abs(truth).max() / 10
    error = np.abs(20 * np.log10(np.abs(field / truth)))[kept].max()
    assert error <= 0.01
    assert error <= 1.5 * found.error_db[0]
    assert np.abs(np.angle(field / truth))[kept].max() <= 0.002
    impedance = sphere.cap_impedance(1.0, alpha, frequency(ka), series)[0]
    assert found.radiation_impedance[0, 0, 0] == pytest.approx(impedance, rel=0.02)
    assert found.radiation_impedance[0, 0, 0].real == pytest.approx(impedance.real, rel=1e-3)


def test_linear_elements():
    """As above; twenty nodes per wavelength."""
    ka, alpha = 5.0, np.radians(40)
    found = solve_meridian(capped(ka, alpha, 20), frequency(ka), elements="linear")
    truth = sphere.cap_far_field(1.0, alpha, frequency(ka), ANGLES)[:, 0]
    kept = np.abs(truth) > np.abs(truth).max() / 10
    error = np.abs(20 * np.log10(np.abs(found.far_field(ANGLES)[0, :, 0] / truth)))[kept].max()
    assert error <= 0.03
    assert error <= 1.5 * found.error_db[0]


@pytest.mark.parametrize("ka", [0.5, np.pi, 4.493409, 8.0])
def test_oscillating_sphere_at_order_one(ka):
    """A rigid sphere moving along y, an acoustic dipole: cos(azimuth) sin(polar angle). Morse & Ingard, section 7.2."""
    meridian = join((arc(np.pi, 0, 40), 1))
    along = (meridian.points[1:, 1] + meridian.points[:-1, 1]) / 2
    middle = np.sin(np.linspace(np.pi, 0, 81)[1::2])
    assert np.allclose(along, middle, rtol=2e-3)
    found = solve_meridian(meridian, frequency(ka), velocity=middle[:, None], order=1)
    # the whole sphere moving along its axis, turned by a right angle
    truth = sphere.cap_far_field(1.0, np.pi, frequency(ka), [0.0, np.pi / 3], "axial")[:, 0]
    u = np.array([[0.0, 1, 0], [np.sin(1.0), 0.5, 0.0], [0, 0.5, np.sqrt(0.75)], [0, 0, 1]])
    u[1] = [np.sin(np.pi / 3), 0.5, 0]
    field = found.far_field(u)[0, :, 0]
    assert field[:3] / truth[[0, 1, 1]] == pytest.approx(np.ones(3), abs=1e-3)
    assert abs(field[3]) < 1e-6 * abs(truth[0])


def test_rocking_sphere_is_silent():
    """A sphere turning about its centre slides in itself: no normal velocity."""
    meridian = join((arc(np.pi, 0, 40), 1))
    found = solve_meridian(meridian, frequency(2.0), motion="axial", order=1)
    assert np.abs(found.far_field(ANGLES)).max() < 1e-3 * AIR.impedance


@pytest.mark.parametrize("ka", [0.1, 1.0, 1.841, 3.0, 5.0, 10.0])
def test_flush_piston_in_a_baffle(ka):
    """R1(2ka) + j X1(2ka) and 2 J1(x)/x; Beranek & Mellow, Acoustics, 2012, chapter 13."""
    found = solve_meridian(join((line([0, 0.1], [0, 0], 24), 1)), frequency(ka, 0.1), baffle=True)
    relative = found.radiation_impedance[0, 0, 0] / (AIR.impedance * np.pi * 0.01)
    assert relative == pytest.approx(piston.circular_impedance(ka), rel=2e-4)
    front = np.radians(np.arange(0, 91, 5))
    truth = piston.circular_far_field(0.1, frequency(ka, 0.1), front)[:, 0]
    assert np.abs(found.far_field(front)[0, :, 0] - truth).max() <= 1e-4 * np.abs(truth).max()
    assert np.all(found.far_field(np.radians([100, 180])) == 0)


def test_piston_with_a_flush_ring_about_it():
    """A rigid ring in the baffle's plane changes nothing."""
    ring = join((line([0, 0.2], [0, 0.1], 24), 0), (line([0, 0.1], [0, 0], 24), 1))
    found = solve_meridian(ring, frequency(2.0, 0.1), baffle=True)
    relative = found.radiation_impedance[0, 0, 0] / (AIR.impedance * np.pi * 0.01)
    assert relative == pytest.approx(piston.circular_impedance(2.0), rel=2e-4)


@pytest.mark.parametrize("ka", [0.3, np.pi, 4.493409])
def test_hemisphere_on_a_baffle_is_half_a_sphere(ka):
    """A breathing sphere: rho c jka/(1 + jka); half its area moves."""
    found = solve_meridian(join((arc(np.pi / 2, 0, 20), 1)), frequency(ka), baffle=True)
    truth = AIR.impedance * 1j * ka / (1 + 1j * ka)
    assert found.radiation_impedance[0, 0, 0] == pytest.approx(2 * np.pi * truth, rel=2e-4)
    assert found.far_field([0.0, 1.0])[0, :, 0] == pytest.approx(np.full(2, truth * np.exp(1j * ka)), rel=2e-4)


def tube_correction(meridian, radius, length, ka, baffle):
    """Length that the open end adds to a tube with a piston, over its radius, from the reactance at the piston."""
    found = solve_meridian(meridian, frequency(ka, radius), baffle=baffle)
    k = ka / radius
    throat = found.radiation_impedance[0, 0, 0] / (AIR.impedance * np.pi * radius**2)
    # seen from the piston: z = (ze + j tan kL)/(1 + j ze tan kL)
    turn = 1j * np.tan(k * length)
    end = (throat - turn) / (1 - throat * turn)
    return np.arctan(end.imag) / ka, end


def test_flanged_tube():
    """Low-frequency end correction 0.8216 radii; Norris & Sheng, J. Sound Vib. 135 (1989) 85 (from memory)."""
    wall, bottom = line([0, 0.02], [-0.08, 0.02], 32), line([-0.08, 0.02], [-0.08, 0], 8)
    correction, end = tube_correction(join((wall, 0), (bottom, 1)), 0.02, 0.08, 0.05, True)
    assert correction == pytest.approx(0.8216, abs=0.002)
    # the resistance of a source in a baffle, (ka)^2/2
    assert end.real == pytest.approx(0.05**2 / 2, rel=0.02)


def test_unflanged_tube():
    """0.6133 radii and (ka)^2/4, for walls of no thickness: Levine & Schwinger, Phys. Rev. 73 (1948) 383 (from memory).

    Ours has walls of two thicknesses; a wall adds to the correction, and the line through both meets the axis near the value.
    """
    found = []
    for wall in (0.05, 0.1):
        outer, rim = 1 + wall, max(2, round(wall / 0.025))
        meridian = join(
            (line([-5.5, 0], [-5.5, outer], 8), 0), (line([-5.5, outer], [0, outer], 80), 0),
            (line([0, outer], [0, 1], rim), 0), (line([0, 1], [-4, 1], 70), 0), (line([-4, 1], [-4, 0], 8), 1),
        )  # fmt: skip
        found.append(tube_correction(meridian, 1.0, 4.0, 0.1, False))
    limit = 2 * found[0][0] - found[1][0]
    assert limit == pytest.approx(0.6133, abs=0.012)
    assert found[0][1].real == pytest.approx(0.1**2 / 4, rel=0.06)


@pytest.mark.parametrize("order", [1, 2])
@pytest.mark.parametrize("ka", [1.0, np.pi, 4.493409, 6.0])
def test_hemisphere_on_a_baffle_is_half_a_sphere_at_higher_orders(ka, order):
    """The whole sphere, by the solver's free-space side: symmetric about the plane, so that half of it stands on a baffle."""
    half, whole = join((arc(np.pi / 2, 0, 24), 1)), join((arc(np.pi, 0, 48), 1))
    on, free = solve_meridian(half, frequency(ka), baffle=True, order=order), solve_meridian(whole, frequency(ka), order=order)
    assert 2 * on.radiation_impedance[0, 0, 0] == pytest.approx(free.radiation_impedance[0, 0, 0], rel=1e-3)
    where = np.radians([20, 50, 89])
    assert on.far_field(where)[0, :, 0] == pytest.approx(free.far_field(where)[0, :, 0], rel=1e-3)
