"""An unbaffled disk, by extrapolation in thickness; pistons whose velocity is not uniform, in a baffle."""

import math

import numpy as np
import pytest
from scipy.special import jv

from evenfield.base import Air
from evenfield.data import Meridian
from evenfield.exact.revolved_mesh import revolved_surface
from evenfield.radiation import solve_flush, solve_meridian

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


@pytest.mark.parametrize("power", [1, 2])
def test_pistons_held_at_their_edge(power):
    # velocity (1 - r^2/a^2)^n: n = 1 supported, 2 clamped; pattern 2^(n+1) (n+1)! J_(n+1)(x)/x^(n+1), x = ka sin
    # (Greenspan, JASA 65 (1979) 608, the patterns from memory and by Sonine's integral)
    a, ka = 0.05, 4.0
    f = ka / a * AIR.speed_of_sound / (2 * np.pi)
    mesh = revolved_surface([(0.0, 0.0), (0.0, a)], 0.003, [1])
    velocity = (1 - (mesh.centroid[:, 1:] ** 2).sum(axis=1) / a**2) ** power
    found = solve_flush(mesh, f, velocity=velocity[:, None], mirror=("y", "z"))
    angle = np.radians(np.arange(0, 71, 10))
    x = np.maximum(ka * np.sin(angle), 1e-6)
    flow = np.pi * a**2 / (power + 1)
    order = power + 1
    exact = AIR.density * f * flow * 2**order * math.factorial(order) * jv(order, x) / x**order
    towards = np.stack([np.cos(angle), np.sin(angle), 0 * angle], axis=1)
    assert np.abs(found.far_field(towards)[0, :, 0]) == pytest.approx(exact, rel=4e-3)
    assert found.volume_velocity[0].real == pytest.approx(flow, rel=4e-3)
