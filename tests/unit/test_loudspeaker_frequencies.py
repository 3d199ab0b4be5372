"""Where the loudspeaker's radiation is solved, and what is stated of the field between, on fields known in closed form."""

import numpy as np
import pytest

from evenfield.loudspeaker.frequencies import (
    gaps_to_halve,
    left_out_errors_db,
    output_axis,
    start_axis,
    upsample_field,
)

SPEED = 343.2
PER_HZ = 2 * np.pi / SPEED
ANGLE = np.linspace(-1.5, 1.5, 61)


def echoes(f, strength=0.3, path=0.15):
    """(D, F) a point source at x = -0.05 m and two weaker echoes off edges at y = +-path/2, referred to the source."""
    side = path / 2 * (1 + np.outer((-1, 1), np.sin(ANGLE)))
    return 1 + strength * sum(np.exp(-1j * PER_HZ * np.outer(s + path / 4, f)) for s in side)


def delayed(f, place=-0.05):
    return echoes(f) * np.exp(-1j * PER_HZ * np.outer(-place * np.cos(ANGLE), f))


def level_error(guess, truth):
    loud = np.abs(truth) > np.abs(truth).max(axis=0) / 10
    return np.abs(20 * np.log10(np.abs(guess / truth)))[loud]


def refined(bound, passes=6):
    f = start_axis(output_axis())
    for _ in range(passes):
        more = gaps_to_halve(f, left_out_errors_db(f, echoes(f)), bound)
        f = np.sort(np.append(f, more))
    return f


def test_the_start_is_sixth_octaves_between_the_axis_ends():
    f = start_axis(output_axis())
    assert f[0] == output_axis()[0] and f[-1] == output_axis()[-1]
    steps = np.log2(f[1:] / f[:-1])
    assert np.allclose(steps[f[:-1] > 210], 1 / 6, rtol=0.02)
    assert np.allclose(steps[f[:-1] < 190], 1 / 3, rtol=0.02)
    assert len(start_axis(output_axis(), density=2)) == pytest.approx(2 * len(f), abs=2)


def test_gaps_are_halved_only_where_the_field_is_not_known():
    f = np.array([100.0, 200.0, 400.0, 800.0, 850.0, 1600.0])
    assert gaps_to_halve(f, np.zeros(6)) == pytest.approx([])
    assert gaps_to_halve(f, np.array([0, 0, 0, 0, 1.0, 0])) == pytest.approx([np.sqrt(850 * 1600)])


def test_halving_gaps_brings_the_field_between_to_what_is_stated():
    # truth: the closed form at frequencies never used
    f, between = refined(0.1), np.geomspace(25, 19e3, 997)
    wanted, judged = np.ones(len(f), bool), np.ones(len(ANGLE), bool)
    found = upsample_field(f, delayed(f), between, 0.05 * np.cos(ANGLE), PER_HZ, judged, wanted)
    true = np.sqrt(np.mean(level_error(found.value, delayed(between)) ** 2))
    assert len(f) < 120
    assert np.sqrt(np.mean(found.stated_db**2)) <= 0.1
    spline = left_out_errors_db(f, echoes(f))
    assert spline.max() <= 0.1
    assert true <= 0.05
    coarse = start_axis(output_axis())
    poor = upsample_field(coarse, delayed(coarse), between, 0.05 * np.cos(ANGLE), PER_HZ, judged, np.ones(len(coarse), bool))
    assert np.sqrt(np.mean(level_error(poor.value, delayed(between)) ** 2)) >= 0.3


def test_taking_the_delay_out_is_what_makes_it_possible():
    f, between = refined(0.1), np.geomspace(25, 19e3, 997)
    wanted, judged = np.ones(len(f), bool), np.ones(len(ANGLE), bool)
    late = delayed(f, place=-0.6)
    wrong = upsample_field(f, late, between, 0.0 * ANGLE, PER_HZ, judged, wanted)
    assert np.sqrt(np.mean(wrong.stated_db**2)) > 0.5


def test_rational_functions_are_used_where_they_are_clearly_better():
    # a mouth that rings: few samples over a resonance of quality 6, a rational function of frequency by its nature
    f, between = np.linspace(500, 3000, 24), np.linspace(600, 2900, 301)

    def ringing(x):
        resonance = 1 / (1 + 6j * (x / 1400 - 1400 / x))
        return 1 + np.outer(0.5 + 0.4 * np.cos(ANGLE), resonance)

    wanted, judged = np.ones(len(f), bool), np.ones(len(ANGLE), bool)
    found = upsample_field(f, ringing(f), between, 0.0 * ANGLE, PER_HZ, judged, wanted)
    assert found.method == "rational"
    assert level_error(found.value, ringing(between)).max() < 0.02
    still = upsample_field(f, echoes(f), between, 0.0 * ANGLE, PER_HZ, judged, wanted)
    assert level_error(still.value, echoes(between)).max() < 0.05


def test_too_few_samples_state_that_nothing_is_known():
    f = np.geomspace(100, 1000, 7)
    assert np.all(np.isinf(left_out_errors_db(f, echoes(f))))
