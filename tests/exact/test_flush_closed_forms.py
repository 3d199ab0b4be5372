"""The flush solver against baffled pistons, the meridian solver's recesses and domes, and tubes in a baffle."""

import numpy as np
import pytest

from evenfield.base import Air
from evenfield.data import Meridian
from evenfield.exact.piston import circular_far_field, circular_impedance, rectangular_impedance
from evenfield.exact.revolved_mesh import joined, revolved_surface
from evenfield.radiation import solve_flush, solve_meridian

AIR = Air()
ANGLE = np.radians(np.arange(0, 90, 5))
TOWARDS = np.stack([np.cos(ANGLE), np.sin(ANGLE), 0 * ANGLE], axis=1)


def frequency(ka, radius):
    return np.atleast_1d(ka) / radius * AIR.speed_of_sound / (2 * np.pi)


def meridian(line, part, step):
    """The line from its rim to the axis, in even steps."""
    points, names = [], []
    for a, b, name in zip(line[::-1], line[-2::-1], part[::-1], strict=False):
        a, b = np.array(a), np.array(b)
        count = 2 * max(1, int(np.ceil(np.hypot(*(b - a)) / step / 2)))
        points += [a + (b - a) * i / count for i in range(count)]
        names += [name] * count
    return Meridian(np.array([*points, line[0]]), np.array(names))


def compare(line, part, edge, f, motion="normal"):
    """Largest level error within 20 dB of the maximum, and relative error of the impedance, per frequency."""
    truth = solve_meridian(meridian(line, part, edge / 5), f, baffle=True, motion=motion)
    found = solve_flush(revolved_surface(line, edge, part), f, mirror=("y", "z"), motion=motion)
    wanted = truth.far_field(TOWARDS)
    error = np.abs(20 * np.log10(np.abs(found.far_field(TOWARDS) / wanted)))
    loud = np.abs(wanted) > np.abs(wanted).max(axis=1, keepdims=True) / 10
    z = found.radiation_impedance / truth.radiation_impedance
    return np.where(loud, error, 0)[0].max(axis=0), np.abs(z - 1)[0, 0], found


def test_flat_circular_piston():
    # Rayleigh, Theory of Sound, section 302; resistance and reactance by J1 and the Struve function H1
    ka, a = np.array([0.1, 0.5, 1.0, 2.0, 4.0]), 0.1
    f = frequency(ka, a)
    found = solve_flush(revolved_surface([(0, 0), (0, a)], 0.008, [1]), f, mirror=("y", "z"))
    z = found.radiation_impedance[0, 0] / (AIR.impedance * np.pi * a**2)
    assert z.real == pytest.approx(circular_impedance(ka).real, rel=2e-3)
    assert z.imag == pytest.approx(circular_impedance(ka).imag, rel=1e-2)
    truth = np.abs(circular_far_field(a, f, ANGLE))
    loud = truth > truth.max(axis=0) / 10
    error = 20 * np.log10(np.abs(found.far_field(TOWARDS)[0])[loud] / truth[loud])
    assert np.abs(error).max() < 0.01


def test_flat_rectangular_piston():
    # Stenzel 1952, by quadrature in evenfield.exact
    from evenfield.data import SurfaceMesh

    w, h, n, m = 0.12, 0.05, 24, 10
    y, z = np.meshgrid(np.linspace(-w / 2, w / 2, n + 1), np.linspace(-h / 2, h / 2, m + 1), indexing="ij")
    corner = (np.arange(n)[:, None] * (m + 1) + np.arange(m)).ravel()
    one = np.stack([corner, corner + m + 1, corner + m + 2], axis=1)
    two = np.stack([corner, corner + m + 2, corner + 1], axis=1)
    points = np.stack([0 * y.ravel(), y.ravel(), z.ravel()], axis=1)
    mesh = SurfaceMesh(points, np.concatenate([one, two]), np.ones(2 * len(corner), int))
    k = 40.0
    found = solve_flush(mesh, k * AIR.speed_of_sound / (2 * np.pi))
    exact = AIR.impedance * w * h * rectangular_impedance(k * w, k * h)
    assert found.radiation_impedance[0, 0, 0] == pytest.approx(exact, rel=3e-3)


def test_coupling_of_two_pistons():
    # Pritchard, JASA 32 (1960) 730, leading term (from memory): Z12/Z11 resistance ratio -> sin(kd)/(kd), small pistons
    a, d = 0.02, 0.1
    one, two = (revolved_surface([(0, 0), (0, a)], 0.004, [p], (y, 0.0)) for p, y in ((1, -d / 2), (2, d / 2)))
    k = np.array([2.0, 6.0])
    z = solve_flush(joined(one, two), k * AIR.speed_of_sound / (2 * np.pi), mirror=()).radiation_impedance
    # of two small sources of volume velocity in a baffle: j k rho c S^2 e^{-jkd}/(2 pi d), pistons averaged to second order
    surface = np.pi * a**2
    exact = 1j * k * AIR.impedance * surface**2 * np.exp(-1j * k * d) / (2 * np.pi * d)
    assert z[0, 1] == pytest.approx(exact, rel=(a / d) ** 2 / 2 + 0.03 * (k * a).max() ** 2)
    assert z[0, 1] == pytest.approx(z[1, 0], rel=1e-3)


def test_cone_shaped_recess():
    error, load, found = compare([(-0.06, 0), (-0.06, 0.0125), (0, 0.06)], [1, 0], 0.005, np.array([200, 1000, 3000, 6000.0]))
    assert np.all(error < [0.002, 0.005, 0.005, 0.02])
    assert np.all(load < 0.006)
    assert np.all(error < 1.5 * found.error_db)


def test_recess_that_runs_into_the_baffle_tangentially():
    arc = np.radians(np.linspace(0, 90, 13))
    round_rim = [(-0.02 + 0.02 * np.sin(t), 0.07 - 0.02 * np.cos(t)) for t in arc]
    line = [(-0.06, 0.0), (-0.06, 0.02), *round_rim]
    error, load, found = compare(line, [1] + [0] * (len(line) - 2), 0.006, np.array([300, 1000, 3000, 6000.0]))
    assert np.all(error < [0.005, 0.005, 0.005, 0.03])
    assert np.all(load < 0.006)
    assert np.all(error < 1.5 * found.error_db)


def test_proud_dome():
    t = np.linspace(0, np.arcsin(0.05 / 0.0725), 12)
    line = [(0.02 - 0.0725 + 0.0725 * np.cos(s), 0.0725 * np.sin(s)) for s in t]
    line[0], line[-1] = (0.02, 0.0), (0.0, 0.05)
    error, load, found = compare(line, [1] * 11, 0.006, np.array([200, 1000, 3000, 6000.0]), "axial")
    assert np.all(error < 0.02)
    assert np.all(load < 0.01)
    assert np.all(error < 1.5 * found.error_db)


def test_hemisphere_and_a_flat_ring_around_it():
    # both moving, each alone; at k a = pi, where the ball's inside resonates, and above
    t, a = np.linspace(0, np.pi / 2, 11), 0.05
    dome = [(a * np.cos(s), a * np.sin(s)) for s in t[:-1]]
    line = [*dome, (0.0, a), (0.0, 0.08)]
    part = [1] * 10 + [2]
    f = frequency([1.0, np.pi, 4.5], a)
    truth = solve_meridian(meridian(line, part, 0.0015), f, baffle=True)
    found = solve_flush(revolved_surface(line, 0.009, part), f, mirror=("y", "z"))
    assert truth.parts == found.parts == (1, 2)
    wanted = truth.far_field(TOWARDS)
    loud = np.abs(wanted) > np.abs(wanted).max(axis=1, keepdims=True) / 10
    error = np.abs(20 * np.log10(np.abs(found.far_field(TOWARDS) / wanted)))[loud]
    assert error.max() < 0.1
    # the facets of the dome have less area than the dome
    z = found.radiation_impedance
    assert z[1, 1] == pytest.approx(truth.radiation_impedance[1, 1], rel=0.01)
    assert z[1, 0] == pytest.approx(truth.radiation_impedance[1, 0], rel=0.02)
    assert z[0, 1] == pytest.approx(z[1, 0], rel=0.01)
    assert z[0, 0] == pytest.approx(truth.radiation_impedance[0, 0], rel=0.02)


def test_deep_tube_in_a_baffle():
    # the end correction of a tube's flanged end, 0.8216 radii (Nomura, Yamamura & Inawashiro 1960; from memory), k a -> 0:
    # a piston at the bottom of a tube of length L feels the mass of L + 0.8216 a
    a, length = 0.02, 0.06
    found = solve_flush(revolved_surface([(-length, 0), (-length, a), (0, a)], 0.004, [1, 0]), 30.0, mirror=("y", "z"))
    mass = found.radiation_impedance[0, 0, 0].imag / (2 * np.pi * 30.0 * AIR.density * np.pi * a**2)
    assert (mass - length) / a == pytest.approx(0.8216, abs=0.015)
