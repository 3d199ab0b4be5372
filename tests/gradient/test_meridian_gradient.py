"""The gradient by a meridian's points: Taylor remainder of second order, and against central differences."""

import numpy as np
import pytest

from evenfield.base import DataError
from evenfield.data import Meridian
from evenfield.radiation import MeridianProblem, meridian_gradient


def egg(count=32, first=(0, 1), moving=10):
    angle = np.linspace(np.pi, 0, count + 1)
    points = np.column_stack([0.11 * np.cos(angle), 0.13 * np.sin(angle)])
    points[[0, -1], 1] = 0
    return Meridian(points, np.repeat(first, [count - moving, moving]))


def dome():
    """On a baffle, with a flush ring about it."""
    angle = np.linspace(np.pi / 2, 0, 17)
    points = np.concatenate([[[0, 0.15], [0, 0.125]], 0.1 * np.column_stack([np.cos(angle), np.sin(angle)])])
    points[2, 0] = points[-1, 1] = 0
    return Meridian(points, np.repeat([0, 1], [10, 8]))


def flare():
    """Recessed, with a flat driver at the throat."""
    x = np.linspace(0, -0.08, 13)
    r = 0.05 + 0.3 * x
    throat = np.column_stack([np.full(5, -0.08), np.linspace(r[-1], 0, 5)])
    return Meridian(np.concatenate([np.column_stack([x, r]), throat[1:]]), np.repeat([0, 1], [12, 4]))


CASES = {
    "free": (egg(), {}),
    "two parts": (egg(first=(2, 1)), {}),
    "axial": (egg(), {"motion": "axial"}),
    "rocking": (egg(), {"motion": "axial", "order": 1}),
    "order 2": (egg(), {"order": 2}),
    "linear": (egg(64, moving=20), {"elements": "linear"}),
    "on a baffle": (dome(), {"baffle": True, "motion": "axial"}),
    "recess": (flare(), {"baffle": True}),
}


def setting(name, frequency):
    meridian, options = CASES[name]
    random = np.random.default_rng(3)
    u = random.normal(size=(5, 3))
    u[:, 0] = np.abs(u[:, 0])
    u /= np.linalg.norm(u, axis=1)[:, None]
    parts = len(MeridianProblem(meridian, **options).parts)
    far, force = (random.normal(size=(2, parts, n)) for n in (5, parts))
    far, force = far[0] + 1j * far[1], force[0] + 1j * force[1]
    s = np.linspace(0, 3, len(meridian.points))
    way = np.column_stack([np.cos(2 * s + 1), np.sin(3 * s) + 0.2])
    way[meridian.points[:, 1] == 0, 1] = 0
    if options.get("baffle"):
        way[meridian.points[:, 0] == 0, 0] = 0

    def value(size):
        moved = Meridian(meridian.points + size * way, meridian.part)
        found = MeridianProblem(moved, accuracy="reference", **options).solve(frequency)
        # quadratic in the far field, so that the weights depend on it
        field, z = found.far_field(u), found.radiation_impedance
        total = 0.5 * np.sum(np.abs(field) ** 2) + np.sum(far.conj() * field).real + 100 * np.sum(force.conj() * z).real
        return total, meridian_gradient(found, u, field + far, 100 * force), way

    return value


@pytest.mark.parametrize("frequency", [300.0, 2500.0])
@pytest.mark.parametrize("name", CASES)
def test_central_difference(name, frequency):
    value = setting(name, frequency)
    _, gradient, way = value(0.0)
    step = 2e-5
    slope = (value(step)[0] - value(-step)[0]) / (2 * step)
    assert np.sum(gradient * way) == pytest.approx(slope, rel=2e-4)


@pytest.mark.parametrize("name", ["free", "rocking", "on a baffle", "recess"])
def test_taylor_remainder_is_of_second_order(name):
    value = setting(name, 2500.0)
    base, gradient, way = value(0.0)
    sizes = [1e-3, 5e-4, 2.5e-4]
    remainder = [abs(value(h)[0] - base - h * np.sum(gradient * way)) for h in sizes]
    order = np.log2(remainder[0] / remainder[1]), np.log2(remainder[1] / remainder[2])
    assert min(order) > 1.8


def test_moving_the_whole_body_changes_only_the_phase():
    """The level in any direction does not depend on where the body stands."""
    problem = MeridianProblem(egg())
    found = problem.solve(2000.0)
    field = found.far_field([0.4])
    gradient = meridian_gradient(found, [0.4], field / np.abs(field))
    size = np.abs(gradient).sum()
    assert abs(gradient[:, 0].sum()) < 1e-4 * size
    # towards the front the phase advances by k per metre
    ahead = meridian_gradient(found, [0.0], 1j * found.far_field([0.0]) / np.abs(found.far_field([0.0])) ** 2)
    assert ahead[:, 0].sum() == pytest.approx(found.wavenumber, rel=1e-4)


def test_growing_in_proportion_is_raising_the_frequency():
    """By dimension, the impedance over the area depends on k times the size alone."""
    meridian, step = egg(), 1e-4
    found, weight = MeridianProblem(meridian).solve(1500.0), np.array([[1.0 + 0.5j]])
    z = found.radiation_impedance[0, 0]
    by_size = np.sum(meridian_gradient(found, impedance=weight) * meridian.points)
    up, down = (MeridianProblem(meridian).solve(1500.0 * f).radiation_impedance[0, 0] for f in (1 + step, 1 - step))
    assert by_size == pytest.approx(((2 * z + (up - down) / (2 * step)) * weight[0, 0].conj()).real, rel=1e-3)


def test_bad_weights():
    found = MeridianProblem(egg()).solve(500.0)
    with pytest.raises(DataError, match="shape"):
        meridian_gradient(found, [0.0], np.ones((2, 1)))
    with pytest.raises(DataError, match="directions"):
        meridian_gradient(found, far_field=np.ones((1, 1)))
