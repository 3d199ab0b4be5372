"""An unbaffled disk and a finite closed baffle, by extrapolation in thickness; pistons that taper to their edge, in a baffle."""

import math

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import jv

from evenfield.base import Air
from evenfield.data import Meridian
from evenfield.exact import tapered_piston
from evenfield.exact.finite_baffle import FiniteBaffle
from evenfield.exact.piston import circular_far_field, circular_impedance
from evenfield.exact.revolved_mesh import revolved_surface
from evenfield.radiation import solve_flush, solve_meridian, solve_surface

AIR = Air()


def disk(radius, thickness, count=40):
    """A flat cylinder that moves as one, points closer towards its edges."""
    share = radius * np.sin(np.linspace(0, np.pi / 2, count + 1))
    side = max(4, 2 * math.ceil(thickness / radius * count / 4))
    rear = np.column_stack([np.full(count + 1, -thickness / 2), share])
    edge = np.column_stack([-thickness / 2 + thickness * np.arange(1, side) / side, np.full(side - 1, radius)])
    points = np.concatenate([rear, edge, (rear * [-1, 1])[::-1]])
    return Meridian(points, np.ones(len(points) - 1, int))


def test_unbaffled_disk():
    # total impedance of both faces over rho c pi a^2 by Galerkin in Hankel space (converged to 3e-6), after Mellow &
    # Karkkainen, JASA 118 (2005) 1311; what the thickness t adds at the edges goes like t log t
    exact = {0.5: 0.004064724352 + 0.446108641655j, 1.0: 0.082122586402 + 1.029136755901j,
             2.0: 1.843542587306 + 2.002056776891j, 3.0: 2.283570837474 + 0.452265460799j}  # fmt: skip
    a, ka = 0.1, np.array(list(exact))
    f = ka / a * AIR.speed_of_sound / (2 * np.pi)
    thin = np.array([0.08, 0.04, 0.02])
    z = [solve_meridian(disk(a, t * a), f, motion="axial").radiation_impedance[0, 0] for t in thin]
    terms = np.stack([np.ones(3), thin * np.log(thin), thin], axis=1)
    found = np.linalg.solve(terms, np.array(z))[0] / (AIR.impedance * np.pi * a**2)
    assert found == pytest.approx(np.array(list(exact.values())), rel=3e-3)


def in_baffle(baffle, piston, thickness, count=16):
    """A flat closed cylinder with a piston in its front face, points closer towards edges and the piston's rim."""
    share = np.linspace(0, 1, count + 1)
    whole = baffle * np.sin(np.pi / 2 * np.linspace(0, 1, 2 * count + 1))
    side = max(4, 2 * math.ceil(thickness / baffle * count / 2))
    x, rings = [-thickness / 2] * len(whole), [whole]
    x += list(-thickness / 2 + thickness * np.arange(1, side) / side)
    rings.append(np.full(side - 1, baffle))
    rings.append((piston + (baffle - piston) * (1 - np.cos(np.pi * share)) / 2)[::-1])
    rings.append(piston * np.sin(np.pi / 2 * share)[::-1][1:])
    r = np.concatenate(rings)
    x += [thickness / 2] * (len(r) - len(x))
    return Meridian(np.column_stack([x, r]), np.repeat([0, 1], [len(r) - 1 - count, count]))


def test_the_reference_of_a_finite_baffle():
    # a disk that moves as one in still air carries 8/3 rho b^3 (Lamb, Hydrodynamics, section 102); the Galerkin values above;
    # the power far away is that at the piston; a piston nearly as far from the rim as waves reach sees an infinite baffle
    b = 0.1
    slow, ka1 = (FiniteBaffle(b, b, ka / b * AIR.speed_of_sound / (2 * np.pi), terms=12) for ka in (1e-3, 1.0))
    both = [2 * (s.radiation_impedance() - 0.5 * AIR.impedance * np.pi * b**2 * circular_impedance(s.wavenumber * b))
            for s in (slow, ka1)]  # fmt: skip
    assert 2 * both[0].imag / (slow.wavenumber * AIR.impedance) == pytest.approx(8 / 3 * b**3, rel=1e-6)
    assert 2 * both[1] / (AIR.impedance * np.pi * b**2) == pytest.approx(0.082122586402 + 1.029136755901j, rel=1e-6)
    found = FiniteBaffle(b, 0.05, 2500.0)
    node, weight = np.polynomial.legendre.leggauss(60)
    power = 2 * np.pi * weight @ np.abs(found.far_field(np.arccos(node))) ** 2 / AIR.impedance
    assert found.radiation_impedance().real == pytest.approx(power, rel=1e-9)
    small = FiniteBaffle(0.6, 0.02, 6000.0, terms=120)
    wide = circular_far_field(0.02, 6000.0, np.radians([40.0]))[0, 0]
    assert abs(small.far_field(np.radians([40.0]))[0] / wide) == pytest.approx(1, abs=0.05)


def test_piston_in_a_finite_closed_baffle():
    # the problem of Mellow & Karkkainen, JASA 118 (2005) 1311, solved independently in evenfield.exact; kb 0.5 to 4, all round
    b, a, kb = 0.1, 0.05, np.array([0.5, 1.0, 2.0, 4.0])
    f, angle = kb / b * AIR.speed_of_sound / (2 * np.pi), np.radians(np.arange(0, 181, 15))
    exact = [FiniteBaffle(b, a, v) for v in f]
    thin = np.array([0.02, 0.01, 0.005])
    found = [solve_meridian(in_baffle(b, a, t * b, 32), f) for t in thin]
    terms = np.linalg.inv(np.stack([np.ones(3), thin * np.log(thin), thin], axis=1))[0]
    field = np.tensordot(terms, [s.far_field(angle)[0] for s in found], 1)
    truth = np.stack([e.far_field(angle) for e in exact], axis=1)
    assert np.abs(20 * np.log10(np.abs(field / truth))).max() < 0.006
    assert field == pytest.approx(truth, abs=2e-3 * np.abs(truth).max())
    z = np.tensordot(terms, [s.radiation_impedance[0, 0] for s in found], 1)
    assert z == pytest.approx(np.array([e.radiation_impedance() for e in exact]), rel=1e-3)


TAPERED_KA = np.array([0.3, 1.0, 3.0, 8.0])


def king(power, ka):
    """Radiation impedance of a tapered piston by scipy's adaptive quadrature of King's integral."""

    def squared(q):
        return (2**power * math.factorial(power) * jv(power + 1, q) / q ** (power + 1)) ** 2

    options = {"epsabs": 1e-13, "epsrel": 1e-12, "limit": 2000}
    below = quad(lambda t: squared(ka * np.sin(t)) * ka * np.sin(t), 1e-12, np.pi / 2, **options)[0]
    above = quad(lambda t: squared(ka * np.cosh(t)) * ka * np.cosh(t), 0, np.arccosh(500 / ka), **options)[0]
    return 2 * ka * (below + 1j * above)


@pytest.mark.parametrize("power", [1, 2, 3])
def test_the_closed_forms_of_tapered_pistons(power):
    for ka in (0.5, 2.0, 6.0):
        assert tapered_piston.radiation_impedance(power, ka) == pytest.approx(king(power, ka), abs=1e-8)
    a, f = 0.05, 3000.0
    k = AIR.wavenumber(f)

    def wave(r, z):
        s = np.hypot(r, z)
        return (1 - (r / a) ** 2) ** power * np.exp(-1j * k * s) / s * r

    for z in (0.002, 0.05, 0.4):
        exact = 1j * k * AIR.impedance * quad(wave, 0, a, args=(z,), complex_func=True)[0]
        assert tapered_piston.axial_pressure(a, power, f, z)[0] == pytest.approx(exact, rel=1e-6)
    far = tapered_piston.axial_pressure(a, power, f, 200.0)[0] * 200 * np.exp(1j * k * 200)
    assert far == pytest.approx(tapered_piston.far_field(a, power, f, 0.0)[0, 0], rel=1e-3)
    sums = quad(lambda r: (1 - (r / a) ** 2) ** power * jv(0, k * np.sin(0.7) * r) * r, 0, a)[0]
    assert tapered_piston.pattern(power, k * a * np.sin(0.7)) == pytest.approx(sums * 2 * (power + 1) / a**2, rel=1e-9)


@pytest.mark.parametrize("power", [1, 2, 3])
def test_tapered_pistons_on_the_meridian(power):
    # velocity (1 - r^2/a^2)^n: n = 1 supported, 2 clamped (Greenspan, JASA 65 (1979) 608, from memory and as above)
    a, count = 0.05, 60
    f = TAPERED_KA / a * AIR.speed_of_sound / (2 * np.pi)
    r = np.linspace(a, 0, count + 1)
    velocity = (1 - ((r[1:] + r[:-1]) / 2 / a) ** 2) ** power
    line = Meridian(np.column_stack([0 * r, r]), np.ones(count, int))
    found = solve_meridian(line, f, velocity=np.repeat(velocity[:, None], len(f), axis=1), baffle=True)
    angle = np.radians(np.arange(0, 91, 5))
    truth = tapered_piston.far_field(a, power, f, angle)
    loud = np.abs(truth) > np.abs(truth).max(axis=0) / 10
    assert np.abs(20 * np.log10(np.abs(found.far_field(angle)[0] / truth)))[loud].max() < 0.004
    z = [tapered_piston.radiation_impedance(power, ka) for ka in TAPERED_KA]
    assert found.radiation_impedance[0, 0] / (AIR.impedance * np.pi * a**2) == pytest.approx(np.array(z), rel=2e-4)
    place = np.array([0.01, 0.03, 0.1, 0.4])
    axis = np.stack([tapered_piston.axial_pressure(a, power, v, place) for v in f], axis=1)
    assert found.pressure_at(np.column_stack([place, 0 * place]))[0] == pytest.approx(axis, abs=3e-4 * np.abs(axis).max())


@pytest.mark.parametrize("power", [1, 2])
def test_tapered_pistons_on_triangles(power):
    a, ka = 0.05, np.array([1.0, 4.0])
    f = ka / a * AIR.speed_of_sound / (2 * np.pi)
    mesh = revolved_surface([(0.0, 0.0), (0.0, a)], 0.003, [1])
    velocity = (1 - (mesh.centroid[:, 1:] ** 2).sum(axis=1) / a**2) ** power
    found = solve_flush(mesh, f, velocity=np.repeat(velocity[:, None], 2, axis=1), mirror=("y", "z"))
    angle = np.radians(np.arange(0, 71, 10))
    towards = np.stack([np.cos(angle), np.sin(angle), 0 * angle], axis=1)
    exact = tapered_piston.far_field(a, power, f, angle)
    assert found.far_field(towards)[0] == pytest.approx(exact, rel=4e-3)
    assert found.volume_velocity[0].real == pytest.approx(tapered_piston.volume_velocity(a, power), rel=4e-3)
    z = np.array([tapered_piston.radiation_impedance(power, v) for v in ka])
    assert found.radiation_impedance[0, 0] / (AIR.impedance * np.pi * a**2) == pytest.approx(z, rel=4e-3)
    axis = np.stack([tapered_piston.axial_pressure(a, power, v, [0.03, 0.2]) for v in f], axis=1)
    assert found.pressure_at([[0.03, 0, 0], [0.2, 0, 0]])[0] == pytest.approx(axis, rel=4e-3)


@pytest.mark.parametrize("power", [0, 1, 2])
def test_tapered_pistons_in_a_closed_baffle_on_triangles(power):
    # a cylinder a tenth as thick as wide with sharp edges, 9 mm triangles against rings
    b, a, t = 0.1, 0.05, 0.02
    f = np.array([1.0, 3.0]) / b * AIR.speed_of_sound / (2 * np.pi)
    mesh = revolved_surface([(t / 2, 0.0), (t / 2, a), (t / 2, b), (-t / 2, b), (-t / 2, 0.0)], 0.009, [1, 0, 0, 0])
    line = in_baffle(b, a, t, 24)

    def tapered(part, r):
        velocity = np.where(part == 1, (1 - np.minimum(r / a, 1) ** 2) ** power, 0.0)
        return np.repeat(velocity[:, None], len(f), axis=1)

    middle = (line.points[1:, 1] + line.points[:-1, 1]) / 2
    rings = solve_meridian(line, f, velocity=tapered(line.part, middle))
    radius = np.hypot(mesh.centroid[:, 1], mesh.centroid[:, 2])
    found = solve_surface(mesh, f, velocity=tapered(mesh.part, radius), mirror=("y", "z"))
    angle = np.radians(np.arange(0, 181, 15))
    truth = rings.far_field(angle)[0]
    field = found.far_field(np.stack([np.cos(angle), np.sin(angle), 0 * angle], axis=1))[0]
    loud = np.abs(truth) > np.abs(truth).max(axis=0) / 10
    assert np.abs(20 * np.log10(np.abs(field / truth)))[loud].max() < 0.1
    assert found.radiation_impedance[0, 0] == pytest.approx(rings.radiation_impedance[0, 0], rel=0.015)
