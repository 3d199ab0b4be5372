"""Rational interpolation over frequency, judged by functions that are known in between."""

import numpy as np
import pytest

from evenfield.base import Air, DataError
from evenfield.exact import sphere
from evenfield.radiation.upsample import fit_rational, next_frequency, upsample_set

ANGLES = np.radians(np.arange(0, 120, 10))
RADIUS, ALPHA = 0.1, np.radians(40)


def cap(frequency):
    """Far field per acceleration of a cap on a sphere of 0.1 m, and the path to its pole."""
    field = np.concatenate([sphere.cap_far_field(RADIUS, ALPHA, f, ANGLES).reshape(len(ANGLES), -1) for f in frequency], axis=1)
    return field / (2j * np.pi * frequency), -RADIUS * np.cos(ANGLES)


def test_rational_functions_are_found_exactly():
    f = np.linspace(100.0, 2000.0, 30)
    poles = np.array([500 + 40j, 1300 + 90j, 1700 + 20j])
    values = np.stack([(c / (f[:, None] - poles)).sum(axis=1) for c in ([1, 2, 3], [2j, 0, -1])])
    found = fit_rational(f, values, 1e-10)
    assert len(found.support) <= 5
    between = np.linspace(105.0, 1995.0, 77)
    truth = np.stack([(c / (between[:, None] - poles)).sum(axis=1) for c in ([1, 2, 3], [2j, 0, -1])])
    assert found(between) == pytest.approx(truth, rel=1e-7)
    for pole in poles:
        assert np.abs(found.poles - pole).min() < 1e-4 * abs(pole)
    assert found(f) == pytest.approx(values, rel=1e-8)


def test_a_cap_over_frequency_within_the_stated_error():
    f, wanted = np.linspace(200.0, 10000.0, 40), np.linspace(300.0, 9900.0, 60)
    value, path = cap(f)
    found = upsample_set(f, value, wanted, path, Air().speed_of_sound)
    truth = cap(wanted)[0]
    loud = np.abs(truth) > np.abs(truth).max(axis=0) / 10
    error = np.sqrt(np.mean((20 * np.log10(np.abs(found.value / truth)[loud])) ** 2))
    assert found.method == "rational"
    assert error <= found.error_db + 1e-4
    assert error < 0.01
    assert np.abs(np.angle(found.value / truth))[loud].max() < 0.02


def test_the_next_solve_goes_where_it_is_needed():
    f = np.linspace(200.0, 10000.0, 40)
    gap = np.delete(f, [15, 16, 17, 18])
    value, path = cap(gap)
    where, apart = next_frequency(gap, value * np.exp(2j * np.pi / Air().speed_of_sound * path[:, None] * gap))
    assert f[14] < where < f[19]
    assert apart > 0.01


def test_bad_samples():
    with pytest.raises(DataError, match="rising"):
        fit_rational([1.0, 2.0, 2.0, 3.0], np.ones((1, 4)))
    with pytest.raises(DataError, match="wanted_hz"):
        upsample_set(np.arange(1.0, 11.0), np.ones((1, 10)), [20.0])
