"""Measures of the handover (the project's own) against closed forms."""

import numpy as np
import pytest

import evenfield as ef
from evenfield.base import octave_axis
from evenfield.data import Directivity, sphere_directions
from evenfield.data.directions import orbit_directions
from evenfield.exact.patterns import pair_lobing_db
from evenfield.metrics.ripple import bounded_slope_fit

SPHERE = sphere_directions()
FREQUENCY = octave_axis(12, 100, 16000)
C = 343.2


def of_index(index_db, directions=SPHERE, frequency=FREQUENCY, **flags):
    """A front-facing pattern a + (1 - a) cos of a wanted DI (0 to 4.77 dB) at each frequency: a^2 + (1-a)^2/3 = 10^(-DI/10)."""
    power = 10 ** (-np.broadcast_to(index_db, frequency.shape) / 10)
    a = (1 + np.sqrt(np.maximum(1 - 4 * (1 - 3 * power), 0))) / 4
    return Directivity(a + (1 - a) * directions.vectors[:, :1] + 0j, directions, frequency, **flags)


def butterworth(order, corner, kind, frequency=FREQUENCY):
    gain = 1 / np.sqrt(1 + (frequency / corner) ** (2 * order))
    return gain if kind == "low" else np.sqrt(1 - gain**2)


def test_the_made_patterns_have_their_index():
    want = np.linspace(0, 4.7, len(FREQUENCY))
    assert ef.metrics.directivity_index(of_index(want)) == pytest.approx(want, abs=1e-9)


def test_handover_is_where_the_listening_windows_are_equal():
    way = of_index(3.0)
    lower, upper = way.filtered(butterworth(2, 1500.0, "low")), way.filtered(butterworth(2, 1500.0, "high"))
    assert ef.metrics.handover_frequency(upper, lower) == pytest.approx(1500.0, rel=2e-3)
    with pytest.raises(ef.Refusal, match="above the upper way"):
        ef.metrics.handover_frequency(way, way.filtered(np.full(len(FREQUENCY), 2.0)))


def test_step_and_mismatch_are_differences_of_index():
    octaves = np.log2(FREQUENCY / 1000.0)
    lower, upper = of_index(2.0 + 0.4 * octaves), of_index(2.5 - 0.3 * octaves)
    assert ef.metrics.handover_step(upper, lower, 1000.0) == pytest.approx(0.5, abs=1e-6)
    want = np.sqrt(np.mean((0.5 - 0.7 * np.linspace(-0.5, 0.5, 49)) ** 2))
    assert ef.metrics.handover_mismatch(upper, lower, 1000.0) == pytest.approx(want, abs=1e-6)
    with pytest.raises(ef.Refusal, match="holds"):
        ef.metrics.handover_step(upper, lower, 20.0)


def test_equal_index_is_not_equal_pattern():
    """A dipole and a cardioid have the same DI, 4.771 dB; their front patterns differ."""
    x = SPHERE.vectors[:, :1] * np.ones_like(FREQUENCY) + 0j
    dipole, cardioid = Directivity(x, SPHERE, FREQUENCY), Directivity((1 + x) / 2, SPHERE, FREQUENCY)
    assert ef.metrics.handover_step(dipole, cardioid, 1000.0) == pytest.approx(0.0, abs=1e-9)
    difference = ef.metrics.pattern_difference(dipole, cardioid, 1000.0)
    u = np.linspace(0, 1, 200001)  # by hand: u = cos(angle), uniform in solid angle over the front
    level = np.maximum(20 * np.log10(np.maximum(u, 1e-12)), -20)
    want = np.sqrt(np.mean((level - 20 * np.log10((1 + u) / 2)) ** 2))
    assert difference.difference_db == pytest.approx(want, abs=0.05)
    ratio = np.arccos(10**-0.3) / np.arccos(2 * 10**-0.3 - 1)
    assert difference.beamwidth_ratio["horizontal"] == pytest.approx(ratio, rel=5e-3)
    assert difference.beamwidth_ratio["diagonal"] == pytest.approx(ratio, rel=5e-3)


def test_equal_patterns_differ_by_nothing_whatever_their_levels():
    way = of_index(3.0)
    same = ef.metrics.pattern_difference(way.filtered(np.full(len(FREQUENCY), 7.0)), way, 2000.0)
    assert same.difference_db == pytest.approx(0.0, abs=1e-9)
    assert same.worst_beamwidth_ratio == pytest.approx({"horizontal": 1, "vertical": 1, "diagonal": 1})


def test_a_step_of_four_decibels_fails_the_ripple_measure():
    """The nearest 4 dB/octave ramp leaves 2 - 4|x| dB within half an octave: RMS sqrt(4/3 / octaves)."""
    ripple = ef.metrics.di_ripple(of_index(np.where(FREQUENCY < 1800.0, 0.3, 4.3)))
    ideal = np.sqrt(4 / 3 / np.log2(10000 / 300))
    assert ripple.rms_db == pytest.approx(ideal, rel=0.2) and ripple.rms_db > 0.3
    assert ripple.steepest_rise > 9.0 and 1500 < ripple.steepest_at_hz < 2200


def test_ideal_matched_ways_pass_the_ripple_measure():
    """Two ways of the same smoothly rising pattern, summed in power, whatever their filters."""
    way = of_index(np.interp(np.log2(FREQUENCY / 300), [0, 5], [0.5, 4.5]))
    ways = {
        "woofer": way.filtered(butterworth(4, 1800.0, "low")).replace(origin=(0, 0, -0.1)),
        "tweeter": way.filtered(butterworth(4, 1800.0, "high")),
    }
    ripple = ef.metrics.di_ripple(ef.metrics.power_sum(ways))
    assert ripple.rms_db < 0.02 and ripple.steepest_rise < 1.1


def test_a_falling_index_counts_as_ripple_unless_asked_otherwise():
    d = of_index(np.interp(np.log2(FREQUENCY / 300), [0, 5], [4.0, 1.0]))
    assert ef.metrics.di_ripple(d).rms_db > 0.5
    assert ef.metrics.di_ripple(d, may_fall=True).rms_db < 0.01


def test_the_bounded_fit_is_the_nearest_one():
    """Against random feasible curves: none lies nearer."""
    rng = np.random.default_rng(1)
    x = np.arange(12) / 6
    y = rng.normal(size=12)
    fit = bounded_slope_fit(x, y, 0.0, 4.0)
    slope = np.diff(fit) / np.diff(x)
    assert np.all(slope > -1e-9) and np.all(slope < 4 + 1e-9)
    best = np.sum((fit - y) ** 2)
    for _ in range(300):
        other = np.concatenate([[0], np.cumsum(np.clip(slope + rng.normal(size=11), 0, 4) * np.diff(x))])
        other += np.mean(y - other)
        assert np.sum((other - y) ** 2) >= best - 1e-9


def omni_pair(spacing, gains=(1.0, 1.0)):
    one = np.ones((len(SPHERE), len(FREQUENCY)), complex)
    return {
        "lower": Directivity(one * gains[0], SPHERE, FREQUENCY, origin=(0, 0, -spacing / 2), speed_of_sound=C),
        "upper": Directivity(one * gains[1], SPHERE, FREQUENCY, origin=(0, 0, spacing / 2), speed_of_sound=C),
    }


def test_lobing_share_of_two_monopoles_is_the_closed_form():
    """sin(kd)/kd, the mutual radiation of two monopoles: at most 4.07 dB, 0.715 wavelengths apart."""
    spacing = 0.17
    ways = omni_pair(spacing)
    coherent = ef.metrics.coherent_sum(ways, origin=(0, 0, 0))
    lobing = ef.metrics.lobing_share(ways, 1500.0, coherent)
    low = FREQUENCY < 6000.0
    want = pair_lobing_db(FREQUENCY * spacing / C)
    assert lobing.share_db[low] == pytest.approx(want[low], abs=1e-3)
    assert ef.metrics.lobing_share(list(ways.values()), 1500.0).share_db == pytest.approx(lobing.share_db, abs=1e-9)
    assert lobing.ideal_db == pytest.approx(lobing.share_db, abs=1e-9)
    assert lobing.max_db == pytest.approx(4.07, abs=0.01)
    assert pair_lobing_db(0.7151) == pytest.approx(4.0742, abs=1e-3)
    assert np.all(pair_lobing_db(np.linspace(0.01, 5, 2000)) <= pair_lobing_db(0.7151) + 1e-6)


def test_lobing_needs_phase_and_the_power_sum_has_none():
    ways = omni_pair(0.1)
    summed = ef.metrics.power_sum(ways)
    assert not summed.phase_known and np.abs(summed.on_axis()) == pytest.approx(np.sqrt(2))
    with pytest.raises(ef.Refusal, match="phase"):
        ef.metrics.coherent_sum({"a": summed})


def test_figures_that_third_octaves_cannot_support_are_refused():
    f = octave_axis(3, 100, 20000)
    bands = of_index(2.0, frequency=f, bandwidth=3)
    with pytest.raises(ef.Refusal, match="1/6-octave figure; this data holds 1/3-octave bands"):
        ef.metrics.di_ripple(bands)
    with pytest.raises(ef.Refusal, match="steps of up to 1/3 octave"):
        ef.metrics.di_ripple(bands.replace(bandwidth=None))
    with pytest.raises(ef.Refusal, match=r"300 ... 10000 Hz; this data holds 105.93 ... 4731.5"):
        g = octave_axis(6, 100, 5000)
        ef.metrics.di_ripple(of_index(2.0, frequency=g))


def test_full_sphere_measures_need_a_sphere():
    orbits = of_index(2.0, directions=orbit_directions())
    for measure in (lambda: ef.metrics.di_ripple(orbits), lambda: ef.metrics.handover_step(orbits, orbits, 1000.0)):
        with pytest.raises(ef.DataError, match="orbits only"):
            measure()
