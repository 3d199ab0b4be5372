"""Pressure between stored directions."""

import numpy as np
import pytest

import evenfield as ef
from evenfield.data import Directions, Directivity, orbit_vectors, sphere_directions
from evenfield.data.directions import orbit_directions
from evenfield.data.grid import find_grid
from evenfield.data.interpolation import interpolate, interpolation_error_db, pressure_at

FREQUENCY = np.array([100.0, 1000.0, 4000.0])
K = 2 * np.pi * FREQUENCY / 343.2


def smooth_pattern(vectors):
    """A first-order pattern about a centre 7 cm off the origin: analytic anywhere."""
    return (1.5 + vectors @ [1.0, 0.2, 0.1])[:, None] * np.exp(1j * np.outer(vectors @ [0.02, 0.03, 0.06], K))


def field_on(directions, **flags):
    return Directivity(smooth_pattern(directions.vectors), directions, FREQUENCY, **flags)


@pytest.fixture(scope="module")
def anywhere():
    v = np.random.default_rng(3).normal(size=(400, 3))
    near_poles = [[1e-3, 0, 1], [-2e-3, 1e-3, 1], [0, 1e-3, -1]]
    v = np.concatenate([v, near_poles])
    return v / np.linalg.norm(v, axis=1, keepdims=True)


def test_stored_directions_come_back_bit_for_bit():
    d = field_on(sphere_directions())
    assert np.array_equal(interpolate(d, d.directions.vectors), d.pressure)


def test_a_five_degree_grid_is_right_to_a_hundredth_of_a_decibel(anywhere):
    d = field_on(sphere_directions())
    error = np.abs(interpolate(d, anywhere) / smooth_pattern(anywhere) - 1).max(axis=0)
    assert np.all(error < [1e-5, 1e-5, 1e-3])


def test_the_error_falls_at_fourth_order_over_the_poles_too(anywhere):
    worst = []
    for step in (10.0, 5.0):
        d = field_on(sphere_directions(step, diagonals=False))
        worst.append(np.abs(interpolate(d, anywhere) - smooth_pattern(anywhere)).max())
    assert 3.7 < np.log2(worst[0] / worst[1]) < 4.8


def test_the_error_estimate_bounds_the_true_error_without_crying_wolf(anywhere):
    d = field_on(sphere_directions())
    true = 20 * np.log10(1 + np.abs(interpolate(d, anywhere) / smooth_pattern(anywhere) - 1).max(axis=0))
    estimate = interpolation_error_db(d)
    assert np.all(true <= estimate) and np.all(estimate < 20 * true)


def test_unknown_phase_is_interpolated_in_squared_magnitude(anywhere):
    d = field_on(sphere_directions()).replace(phase_known=False)
    out = interpolate(d, anywhere)
    assert np.all(out.imag == 0) and np.allclose(out.real, np.abs(smooth_pattern(anywhere)), rtol=1e-4)


def test_a_null_never_gives_a_negative_square():
    directions = sphere_directions(10.0)
    d = Directivity(np.abs(directions.vectors[:, :1]) ** 4 + 0j, directions, [1000.0], phase_known=False)
    near_null = orbit_vectors("horizontal", np.linspace(81, 99, 37))
    assert np.all(np.isfinite(interpolate(d, near_null))) and np.all(interpolate(d, near_null).real >= 0)


def test_a_scattered_sphere_is_barycentric(anywhere):
    v = np.random.default_rng(5).normal(size=(3000, 3))
    v /= np.linalg.norm(v, axis=1, keepdims=True)
    directions = Directions(v, np.full(3000, 4 * np.pi / 3000))
    assert find_grid(directions) is None
    error = np.abs(interpolate(field_on(directions), anywhere) / smooth_pattern(anywhere) - 1).max(axis=0)
    assert np.all(error[:2] < 0.02)


def test_orbits_only_data_answer_in_their_planes_and_nowhere_else():
    d = field_on(orbit_directions())
    v = orbit_vectors("vertical", np.arange(-179.0, 180.0, 3.0))
    assert np.abs(interpolate(d, v)[:, :2] / smooth_pattern(v)[:, :2] - 1).max() < 1e-3
    with pytest.raises(ef.DataError, match=r"lacks 1 .*\(45, 0\)|lacks 1 .*\(90, 45\)"):
        interpolate(d, [[0.0, 1.0, 1.0]])


def test_a_gap_in_an_orbit_is_not_bridged():
    whole = orbit_directions()
    gone = np.max(whole.vectors @ orbit_vectors("horizontal", [50.0, 60.0]).T, axis=1) > 1 - 1e-9
    d = field_on(Directions(whole.vectors[~gone]))
    assert interpolate(d, orbit_vectors("horizontal", [35.0])).shape == (1, 3)
    with pytest.raises(ef.DataError, match=r"\(55, 0\)"):
        interpolate(d, orbit_vectors("horizontal", [55.0]))


def test_pressure_at_a_point_is_the_pattern_spread_and_delayed():
    d = field_on(sphere_directions(), origin=(0.0, 0.0, 0.1))
    point = np.array([1.2, -0.4, 0.3])
    ray = point - [0, 0, 0.1]
    r = np.linalg.norm(ray)
    want = smooth_pattern(ray[None] / r)[0] / r * np.exp(-1j * K * r)
    assert np.allclose(pressure_at(d, point), want, rtol=1e-3)
    with pytest.raises(ef.DataError, match="away from the origin"):
        pressure_at(d, [0, 0, 0.1])
