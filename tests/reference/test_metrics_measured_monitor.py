"""The open measured monitor (BRAS, CC BY-SA 4.0, see the README beside the file): its curves appear."""

from pathlib import Path

import numpy as np
import pytest

import evenfield as ef

FILE = Path(__file__).parent / "data" / "two-way-monitor" / "two_way_monitor_5deg.sofa"


@pytest.fixture(scope="module")
def monitor():
    return ef.read_directivity(FILE)


def test_it_is_read_for_what_it_is(monitor):
    assert len(monitor.directions) == 2522 and monitor.is_sphere
    assert (monitor.phase_known, monitor.level_absolute, monitor.bandwidth) == (False, False, 3)
    assert "CC BY-SA" in monitor.provenance["license"]


def test_its_curves_appear_and_behave_like_a_monitor(monitor):
    curves = ef.metrics.standard_curves(monitor)
    assert curves.attrs["level"].startswith("dB, relative")
    at = {f: i for i, f in enumerate(monitor.frequency)}
    assert abs(curves.on_axis.values).max() < 2.0  # equalised on axis, 1.9 dB left by the truncation
    assert abs(curves.sound_power_di.values[: at[200.0]]).max() < 0.05  # omnidirectional by construction to 160 Hz
    assert curves.sound_power_di.values[at[2500.0] :].min() > 6.0 and curves.sound_power_di.values.max() < 9.0
    assert np.all(np.diff(ef.metrics.directivity_index(monitor)[: at[400.0]]) > -0.02)


def test_the_two_readings_of_the_rear_wall_differ_by_at_most_a_fifth_of_a_decibel(monitor):
    """0.21 dB, computed independently for this monitor with the check values."""
    full = ef.metrics.standard_curves(monitor).early_reflections
    three = ef.metrics.standard_curves(monitor, rear="three").early_reflections
    assert 0.15 < abs(full - three).max() < 0.215


def test_what_it_cannot_support_is_refused_with_the_reason(monitor):
    with pytest.raises(ef.Refusal, match="need phase"):
        ef.metrics.step_response(monitor)
    with pytest.raises(ef.Refusal, match="need phase"):
        ef.metrics.group_delay(monitor)
    with pytest.raises(ef.Refusal, match="absolute level"):
        ef.metrics.sensitivity(monitor)
    with pytest.raises(ef.Refusal, match="1/6-octave figure; this data holds 1/3-octave bands"):
        ef.metrics.di_ripple(monitor)
    with pytest.raises(ef.Refusal, match="1/12-octave figure"):
        ef.metrics.preference_rating(monitor)


def test_its_beamwidth_narrows_and_its_maps_appear(monitor):
    for plane in ("horizontal", "vertical", "diagonal"):
        width = ef.metrics.beamwidth(monitor, plane).beamwidth
        assert width.sel(frequency=125.0) == 360.0
        assert 40 < width.sel(frequency=4000.0) < 130
        assert ef.metrics.polar_map(monitor, plane).shape == (72, 24)


def test_the_reference_monitor_limits_are_judged_where_it_can_show_them(monitor):
    findings = {(f.limit.standard, f.name): f for f in ef.metrics.evaluate_masks(monitor)}
    bs = "ITU-R BS.1116-3"
    assert findings[bs, "directivity_index"].found is not None
    assert findings[bs, "response"].passed is None and "100" in findings[bs, "response"].reason
    assert findings[bs, "decay"].passed is None and "phase" in findings[bs, "decay"].reason
