"""Reference-monitor limits, sensitivity, preference regression (limits and regression unverified, from memory)."""

import json
from pathlib import Path

import numpy as np
import pytest

import evenfield as ef
from evenfield.base import octave_axis
from evenfield.data import Directivity, sphere_directions
from evenfield.data.directions import orbit_directions
from evenfield.exact.patterns import first_order_directivity
from evenfield.metrics.masks import LIMITS, UNVERIFIED
from evenfield.metrics.rating import low_frequency_extension, narrow_band_deviation, smoothness

FREQUENCY = octave_axis(24, 18, 21000)
SPHERE = sphere_directions(10.0)


def beam(sharpness, frequency=FREQUENCY, directions=SPHERE, **flags):
    """exp(s (x - 1)): squared pressure has DI 10 log10(4s / (1 - exp(-4s)))."""
    value = np.exp(sharpness * (directions.vectors[:, :1] - 1)) * np.ones(len(frequency)) + 0j
    return Directivity(value, directions, frequency, **flags)


def found(findings, standard, name):
    return next(f for f in findings if (f.limit.standard, f.name) == (standard, name))


def test_every_limit_is_marked_unverified():
    assert {limit.status for limit in LIMITS} == {UNVERIFIED}
    assert len({(limit.standard, limit.name) for limit in LIMITS}) == len(LIMITS)


def test_a_well_behaved_monitor_passes_what_a_directivity_can_show():
    s = 2 * np.pi * 1j * FREQUENCY / (2 * np.pi * 25.0)
    d = beam(1.6).filtered(s**2 / (s**2 + 1.4 * s + 1))
    findings = ef.metrics.evaluate_masks(d)
    bs = {f.name: f for f in findings if f.limit.standard == "ITU-R BS.1116-3"}
    index = 10 * np.log10(4 * 1.6 / (1 - np.exp(-4 * 1.6)))
    assert bs["directivity_index"].found == pytest.approx(index, abs=0.01) and bs["directivity_index"].passed
    assert bs["off_axis_30"].found == pytest.approx(8.686 * 1.6 * (1 - np.cos(np.pi / 6)), abs=1e-3)
    assert bs["off_axis_30"].passed and bs["off_axis_10"].passed and bs["response"].passed and bs["decay"].passed
    assert bs["pair_match"].passed is None and "two loudspeakers" in bs["pair_match"].reason
    assert len(findings) == len(LIMITS)


def test_each_limit_can_fail_and_says_where():
    wide = found(ef.metrics.evaluate_masks(beam(0.2)), "EBU Tech 3276", "directivity_index")
    assert wide.passed is False and wide.margin < 0 and "Hz" in wide.where
    narrow = ef.metrics.evaluate_masks(beam(6.0))
    assert found(narrow, "ITU-R BS.1116-3", "directivity_index").passed is False
    off = found(narrow, "ITU-R BS.1116-3", "off_axis_30")
    assert off.passed is False and "horizontal" in off.where
    assert off.margin == pytest.approx(4 - 8.686 * 6 * (1 - np.cos(np.pi / 6)), abs=1e-3)
    bump = beam(1.6).filtered(1 + 0.8 * np.exp(-((np.log2(FREQUENCY / 1000) * 3) ** 2)))
    response = found(ef.metrics.evaluate_masks(bump), "ITU-R BS.1116-3", "response")
    assert response.passed is False and "highest at 1000 Hz" in response.where


def test_a_ringing_monitor_fails_the_decay():
    f = octave_axis(96, 10, 22000)
    s, b = 1j * f / 1000.0, 1j * f / 25.0
    ringing = b**2 / (b**2 + 1.4 * b + 1) * (1 + 4 * (s / 50) / (s**2 + s / 50 + 1))
    finding = found(
        ef.metrics.evaluate_masks(beam(1.6, frequency=f, directions=orbit_directions()).filtered(ringing)),
        "ITU-R BS.1116-3",
        "decay",
    )
    assert finding.passed is False and finding.where == "1000 Hz" and finding.found > 8


def test_a_band_covered_in_part_is_not_passed():
    d = beam(1.6, frequency=octave_axis(24, 100, 21000))
    response = found(ef.metrics.evaluate_masks(d), "ITU-R BS.1116-3", "response")
    assert response.passed is None and "of 40 ... 16000 Hz covered" in response.reason


def test_sensitivity_is_the_mean_level_and_needs_an_absolute_one():
    assert ef.metrics.sensitivity(beam(1.0)) == pytest.approx(103.0103, abs=1e-3)
    with pytest.raises(ef.Refusal, match="absolute level"):
        ef.metrics.sensitivity(beam(1.0, level_absolute=False))


def test_terms_of_the_preference_regression():
    f = octave_axis(24, 20, 20000)
    assert narrow_band_deviation(f, np.full(len(f), 80.0)) == pytest.approx(0.0, abs=1e-12)
    line = 80 - 1.0 * np.log2(f / 1000)
    assert smoothness(f, line) == pytest.approx(1.0)
    assert narrow_band_deviation(f, line) == pytest.approx(0.125, rel=0.12)  # a line of 1 dB/octave over half octaves
    power = -40 * np.log10(1 + (60.0 / f) ** 2) / 2
    x = low_frequency_extension(f, power, np.zeros(len(f)))
    assert 20 * np.log10(1 + (60.0 / x) ** 2) == pytest.approx(6.0, abs=0.1)


def test_preference_is_marked_from_memory_and_refused_where_it_cannot_stand():
    s = 2j * np.pi * FREQUENCY / (2 * np.pi * 40.0)
    butterworth = s**2 / (s**2 + np.sqrt(2) * s + 1)
    d = first_order_directivity("cardioid", orbit_directions(), FREQUENCY).filtered(butterworth)
    rating = ef.metrics.preference_rating(d)
    want = 12.69 - 2.49 * rating.nbd_on_axis - 2.99 * rating.nbd_in_room
    want += -4.31 * np.log10(rating.low_frequency_hz) + 2.32 * rating.sm_in_room
    assert rating.status == "from memory" and rating.rating == pytest.approx(want)
    lead = float(ef.metrics.standard_curves(d).sound_power_di[-1])  # of the listening window over sound power
    assert rating.low_frequency_hz == pytest.approx(40.0 / (10 ** ((6 - lead) / 10) - 1) ** 0.25, rel=0.01)
    with pytest.raises(ef.Refusal, match="1/12-octave figure"):
        ef.metrics.preference_rating(d.replace(bandwidth=3))
    with pytest.raises(ef.Refusal, match="down to -6 dB"):
        ef.metrics.preference_rating(first_order_directivity("cardioid", orbit_directions(), FREQUENCY))


def test_names_of_the_room_all_load():
    for name in ef.metrics.__all__:
        assert callable(getattr(ef.metrics, name)), name
    assert json.dumps(sorted(ef.metrics.__all__)) and Path(ef.metrics.__file__).name == "__init__.py"
