"""What the meridian solver refuses, and how its results are laid out."""

import numpy as np
import pytest

from evenfield.base import DataError, DesignError, MeshError
from evenfield.data import Meridian
from evenfield.radiation import MeridianProblem, MeridianSolver, solve_meridian
from evenfield.radiation.meridian_body import build_body


def ball(count=24, parts=(0, 1)):
    angle = np.linspace(np.pi, 0, count + 1)
    points = 0.1 * np.column_stack([np.cos(angle), np.sin(angle)])
    points[[0, -1], 1] = 0
    return Meridian(points, np.repeat(parts, [count - 8, 8]))


def changed(at, value):
    points = ball().points.copy()
    points[at] = value
    return Meridian(points, ball().part)


def recessed(x):
    return Meridian(np.array([[0, 0.05], [x, 0.04], [-0.05, 0.03], [-0.05, 0.015], [-0.05, 0]]), np.array([0, 0, 1, 1]))


@pytest.mark.parametrize(
    ("meridian", "settings", "error", "words"),
    [
        (ball(), {"frequency_hz": 0.0}, DataError, "positive"),
        (ball(), {"frequency_hz": [1000, -1]}, DataError, "index 1"),
        (ball(), {"frequency_hz": np.nan}, DataError, "finite"),
        (ball(), {"frequency_hz": 20e3}, MeshError, "part 1"),
        (ball(parts=(0, 0)), {}, MeshError, "wholly rigid"),
        (Meridian(ball().points[::-1], ball().part), {}, MeshError, "other way round"),
        (changed(0, [-0.1, 0.01]), {}, MeshError, "closed"),
        (changed(12, [0.0, 0.0]), {}, MeshError, "point 12"),
        (changed(12, ball().points[11]), {}, MeshError, "points 11 and 12"),
        (changed(12, [0.2, 0.05]), {}, MeshError, "cross"),
        (ball(), {"baffle": True}, MeshError, "x = 0"),
        (recessed(0.01), {"baffle": True}, MeshError, "point 1"),
        (ball(), {"motion": "sideways"}, DataError, "axial"),
        (ball(), {"order": -1}, DesignError, "order"),
        (ball(), {"order": 2, "motion": "axial"}, DataError, "rocks"),
        (ball(), {"accuracy": "perfect"}, DesignError, "engineering"),
        (ball(), {"velocity": np.ones((3, 1))}, DataError, "S=24"),
        (ball(), {"velocity": np.full((24, 1), np.nan)}, DataError, "finite"),
        (ball(), {"elements": "cubic"}, MeshError, "quadratic"),
    ],
)
def test_refused(meridian, settings, error, words):
    with pytest.raises(error, match=words):
        solve_meridian(meridian, **{"frequency_hz": 1000.0, **settings})


def test_bad_solver():
    with pytest.raises(DesignError, match="near_points"):
        MeridianSolver(near_points=0)


@pytest.mark.parametrize(
    ("points", "words"),
    [([[0.0, 0, 0]], "in the air"), ([[0.1, 0, 0]], "off the surface"), ([[np.inf, 0, 0]], "finite"), ([1.0, 0, 0], "shape")],
)
def test_points_refused(points, words):
    with pytest.raises(DataError, match=words):
        solve_meridian(ball(), 500.0).pressure_at(points)


def test_points_behind_a_baffle_refused():
    found = solve_meridian(recessed(-0.01), 500.0, baffle=True)
    with pytest.raises(DataError, match="behind the baffle"):
        found.pressure_at([[-0.01, 0.2, 0]])
    assert np.all(np.isfinite(found.pressure_at([[-0.03, 0.01, 0], [0.01, 0, 0]])))


def test_layout():
    meridian = ball(parts=("back", "cap"))
    seen = []
    found = solve_meridian(meridian, [300.0, 500.0], progress=lambda done, total: seen.append((done, total)))
    assert found.parts == ("back", "cap")
    assert found.far_field(np.zeros(5)).shape == found.pressure_at(np.full((5, 3), 1.0)).shape == (2, 5, 2)
    assert found.surface_pressure.shape == (2, 25, 2)
    assert found.radiation_impedance.shape == (2, 2, 2)
    assert found.error_db.shape == found.statistics.seconds.shape == (2,)
    assert list(found.frequency_hz) == [300.0, 500.0]
    assert found.statistics.unknowns == 25
    assert seen == [(1, 2), (2, 2)]
    again = MeridianProblem(meridian).solve(300.0)
    assert np.array_equal(again.surface_pressure, found.surface_pressure[:, :, 0])


def test_notes_name_what_is_coarse():
    found = solve_meridian(ball(), 5000.0)
    assert any("part 1" in n for n in found.statistics.notes)
    assert found.error_db[0] > solve_meridian(ball(), 500.0).error_db[0]


def test_elements():
    """Pairs on the smooth line, singles at corners; single ones are bent beside a smooth neighbour."""
    points = np.array([[0, 0], [0, 1], [0, 2], [0, 3], [1, 3], [2, 3], [2, 0]], float)
    body = build_body(Meridian(points, np.array([0, 0, 0, 0, 0, 1])), "quadratic", 35.0, False)
    assert list(zip(body.first, body.last, strict=True)) == [(0, 1), (2, 2), (3, 4), (5, 5)]
    assert body.corner_r[1] == pytest.approx([2, 2.5, 3])
    assert list(body.point_dof) == [0, 1, 2, 4, 5, 6, 8]
    angle = np.linspace(np.pi, 0, 4)
    bent = build_body(Meridian(np.column_stack([np.cos(angle), np.sin(angle)]), np.zeros(3, int)), "quadratic", 70.0, False)
    assert np.hypot(bent.corner_x[1, 1], bent.corner_r[1, 1]) == pytest.approx(1, abs=0.03)
