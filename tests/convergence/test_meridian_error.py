"""The stated error against the true one, and the order at which it falls."""

import numpy as np
import pytest

from evenfield.base import Air
from evenfield.data import Meridian
from evenfield.exact import sphere
from evenfield.radiation import solve_meridian

ANGLES = np.radians(np.arange(0, 91, 5))
SPEED = Air().speed_of_sound


def cap(ka, alpha, nodes):
    step = 2 * np.pi / ka / nodes
    moving, rest = (max(2, 2 * int(np.ceil(a / step / 2))) for a in (alpha, np.pi - alpha))
    angle = np.concatenate([np.linspace(np.pi, alpha, rest + 1), np.linspace(alpha, 0, moving + 1)[1:]])
    points = np.column_stack([np.cos(angle), np.sin(angle)])
    points[[0, -1], 1] = 0
    return Meridian(points, np.repeat([0, 1], [rest, moving]))


def can(steps):
    corners = np.array([[-0.1, 0], [-0.1, 0.07], [0.1, 0.07], [0.1, 0.04], [0.1, 0]])
    counts = np.array([2, 5, 1, 1]) * steps
    runs = [np.linspace(a, b, n + 1)[1:] for a, b, n in zip(corners[:-1], corners[1:], counts, strict=True)]
    return Meridian(np.concatenate([corners[:1], *runs]), np.repeat([0, 0, 0, 1], counts))


def front_error(field, truth):
    kept = np.abs(truth) > np.abs(truth).max() / 10
    return np.abs(20 * np.log10(np.abs(field / truth)))[kept].max()


@pytest.mark.parametrize("elements", ["quadratic", "linear"])
@pytest.mark.parametrize("nodes", [3.2, 5, 8, 14])
def test_stated_error_on_caps(nodes, elements):
    for ka in (3.0, 4.493409, 10.0, 20.0):
        for alpha in np.radians([20, 40, 90]):
            f = ka * SPEED / (2 * np.pi)
            found = solve_meridian(cap(ka, alpha, nodes), f, elements=elements)
            truth = sphere.cap_far_field(1.0, alpha, f, ANGLES)[:, 0]
            assert front_error(found.far_field(ANGLES)[0, :, 0], truth) <= 1.5 * found.error_db[0]


def test_stated_error_on_sharp_edges():
    frequencies = [1000.0, 3000.0, 6000.0]
    truth = solve_meridian(can(32), frequencies, accuracy="reference").far_field(ANGLES)[0]
    for steps in (4, 8):
        found = solve_meridian(can(steps), frequencies)
        for i, stated in enumerate(found.error_db):
            assert front_error(found.far_field(ANGLES)[0, :, i], truth[:, i]) <= 1.5 * stated


@pytest.mark.parametrize(("elements", "order"), [("linear", 1.7), ("quadratic", 3.0)])
def test_order_on_a_smooth_body(elements, order):
    """A breathing sphere, whose pressure is constant: what is left is the shape's error, of second and fourth order."""
    ka, error = 2.0, []
    for count in (8, 16):
        angle = np.linspace(np.pi, 0, count + 1)
        points = np.column_stack([np.cos(angle), np.sin(angle)])
        points[[0, -1], 1] = 0
        f = ka * SPEED / (2 * np.pi)
        z = solve_meridian(Meridian(points, np.ones(count, int)), f, elements=elements, accuracy="reference")
        error.append(abs(z.radiation_impedance[0, 0, 0] / sphere.cap_impedance(1.0, np.pi, f)[0] - 1))
    assert np.log2(error[0] / error[1]) > order
