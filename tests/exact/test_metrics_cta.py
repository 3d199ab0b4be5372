"""ANSI/CTA-2034-A: angles (read in secondary text), weights (table from memory, reproduced in closed form), ideal patterns."""

import numpy as np
import pytest

import evenfield as ef
from evenfield.data.directions import Directions, orbit_directions, orbit_vectors, sphere_directions
from evenfield.exact.patterns import first_order_directivity, first_order_index_db, piston_index_db, piston_pattern
from evenfield.metrics.averages import early_reflection_groups, sound_power_weights

TABLE = {  # per half orbit; from memory, reproduced by derivation to nine digits
    0: 0.000604486,
    10: 0.004730188,
    20: 0.008955027,
    30: 0.012387354,
    40: 0.014989611,
    50: 0.016868154,
    60: 0.018165962,
    70: 0.019006744,
    80: 0.019477787,
    90: 0.019629373,
}
ORBIT_DI = {"monopole": 0.0, "cardioid": 4.672252207210931, "dipole": 4.388221762536817, "hypercardioid": 5.730237213595137}


@pytest.mark.parametrize("angle", TABLE)
def test_sound_power_weight_is_the_table_of_cta_2034_a(angle):
    assert sound_power_weights(angle) == pytest.approx(TABLE[angle], abs=1e-9)
    assert sound_power_weights(180 - angle) == pytest.approx(TABLE[angle], abs=1e-9)


def test_the_weights_of_the_four_half_orbits_cover_the_sphere():
    weight = sound_power_weights(np.arange(0, 190, 10))
    assert 4 * weight.sum() == pytest.approx(1.0, abs=1e-12)
    assert 4 * weight.sum() - 3 * (weight[0] + weight[-1]) == pytest.approx(0.9963730833127507, abs=1e-12)


@pytest.mark.parametrize("name", ORBIT_DI)
def test_two_orbit_power_of_ideal_patterns(name):
    """Closed form; the difference from the exact index is the standard's own quadrature error."""
    d = first_order_directivity(name, orbit_directions(), [100.0, 1000.0])
    curves = ef.metrics.standard_curves(d)
    assert (curves.on_axis - curves.sound_power).values == pytest.approx(ORBIT_DI[name], abs=1e-9)


@pytest.mark.parametrize("name", ORBIT_DI)
def test_full_sphere_index_of_ideal_patterns_is_exact(name):
    d = first_order_directivity(name, sphere_directions(), [1000.0])
    assert ef.metrics.directivity_index(d)[0] == pytest.approx(first_order_index_db(name), abs=1e-9)


def test_full_sphere_power_stands_in_for_the_orbits_on_request():
    d = first_order_directivity("cardioid", sphere_directions(), [1000.0])
    curves = ef.metrics.standard_curves(d, power="sphere")
    assert float(curves.on_axis[0] - curves.sound_power[0]) == pytest.approx(10 * np.log10(3), abs=1e-9)
    assert "sphere" in curves.attrs["power"]


def test_piston_index_from_the_sphere_is_that_of_the_closed_form():
    """Kinsler et al. (from memory); ka = 1, 2, 4 as checked: 3.7338, 5.8795, 12.3037 dB."""
    assert piston_index_db([1, 2, 4]) == pytest.approx([3.733771843670848, 5.879505619069738, 12.303730479151673], abs=1e-9)
    directions = sphere_directions(2.5)
    angle = np.arccos(np.clip(directions.vectors[:, 0], -1, 1))
    half = np.where(np.abs(directions.vectors[:, 0]) < 1e-9, np.sqrt(0.5), directions.vectors[:, 0] > 0)
    p = piston_pattern([1.0, 2.0, 4.0], angle) * half[:, None]
    d = ef.Directivity(p, directions, [100.0, 200.0, 400.0])
    assert ef.metrics.directivity_index(d) == pytest.approx(piston_index_db([1, 2, 4]), abs=0.01)


def test_level_is_that_of_two_volts_eighty_three_at_one_metre():
    """1 Pa per volt: 20 log10(sqrt 8 / 20 uPa) = 103.01 dB."""
    d = first_order_directivity("monopole", orbit_directions(), [1000.0])
    for name in ("on_axis", "listening_window", "early_reflections", "sound_power", "in_room"):
        assert float(ef.metrics.standard_curves(d)[name][0]) == pytest.approx(103.0103, abs=1e-4)


def hand_made_cardioid_mean(angles):
    return np.mean([((1 + np.cos(np.radians(a))) / 2) ** 2 for a in angles])


def test_windows_and_groups_of_a_cardioid_by_hand():
    d = first_order_directivity("cardioid", orbit_directions(), [1000.0])
    curves = ef.metrics.standard_curves(d)
    base = float(curves.on_axis[0])
    window = hand_made_cardioid_mean([0, 10, 10, 20, 20, 30, 30, 10, 10])
    groups = [
        hand_made_cardioid_mean([20, 30, 40]),
        hand_made_cardioid_mean([40, 50, 60]),
        hand_made_cardioid_mean([0, 10, 10, 20, 20, 30, 30]),
        hand_made_cardioid_mean([40, 40, 50, 50, 60, 60, 70, 70, 80, 80]),
        hand_made_cardioid_mean([90, 100, 110, 120, 130, 140, 150, 160, 170] * 2 + [180]),
    ]
    assert float(curves.listening_window[0]) - base == pytest.approx(10 * np.log10(window), abs=1e-9)
    assert float(curves.early_reflections[0]) - base == pytest.approx(10 * np.log10(np.mean(groups)), abs=1e-9)
    assert float(curves.rear_wall_bounce[0]) - base == pytest.approx(10 * np.log10(groups[-1]), abs=1e-9)
    power = 10 ** (-4.672252207210931 / 10)
    in_room = 0.12 * window + 0.44 * np.mean(groups) + 0.44 * power
    assert float(curves.in_room[0]) - base == pytest.approx(10 * np.log10(in_room), abs=1e-9)
    assert float(curves.sound_power_di[0]) == pytest.approx(10 * np.log10(window / power), abs=1e-9)


def test_both_readings_of_rear_wall_and_early_reflections_are_offered_and_named():
    d = first_order_directivity("cardioid", orbit_directions(), [1000.0])
    counts = [len(a) for _, a in early_reflection_groups("full").values()]
    assert counts == [3, 3, 7, 10, 19]
    assert sorted(early_reflection_groups("three")["rear_wall_bounce"][1]) == [-90, 90, 180]
    full, three = ef.metrics.standard_curves(d), ef.metrics.standard_curves(d, rear="three", early="curves")
    assert float(full.early_reflections[0]) != pytest.approx(float(three.early_reflections[0]), abs=0.05)
    assert (full.attrs["rear_wall"], three.attrs["rear_wall"]) == ("every 10 degrees from +-90 to 180", "180 and +-90")
    assert three.attrs["early_reflections"] == "mean over all curves"


def test_an_orbit_with_missing_angles_is_named_not_filled_in():
    whole = orbit_directions()
    gone = orbit_vectors("vertical", [40.0, -70.0])
    keep = np.max(whole.vectors @ gone.T, axis=1) < 1 - 1e-9
    d = first_order_directivity("monopole", Directions(whole.vectors[keep]), [1000.0])
    with pytest.raises(ef.DataError, match=r"vertical orbit lacks 1 .*40 deg"):
        ef.metrics.standard_curves(d)


def test_orbits_only_data_has_no_full_sphere_index():
    d = first_order_directivity("monopole", orbit_directions(), [1000.0])
    with pytest.raises(ef.DataError, match="orbits only"):
        ef.metrics.directivity_index(d)
