"""Beamwidth, polar maps and smoothing."""

import numpy as np
import pytest

import evenfield as ef
from evenfield.data import Directions, Directivity, sphere_directions
from evenfield.data.directions import orbit_directions, orbit_vectors
from evenfield.exact.patterns import first_order_directivity
from evenfield.metrics.smoothing import smooth_power

PLANES = ["horizontal", "vertical", "diagonal", "counter-diagonal"]


@pytest.mark.parametrize("plane", PLANES)
@pytest.mark.parametrize(
    ("name", "half"), [("cardioid", np.degrees(np.arccos(2 * 10**-0.3 - 1))), ("dipole", np.degrees(np.arccos(10**-0.3)))]
)
def test_minus_six_decibel_angles_of_ideal_patterns(plane, name, half):
    """Closed form: a + (1 - a) cos(angle) = 10^(-6/20)."""
    width = ef.metrics.beamwidth(first_order_directivity(name, sphere_directions(), [100.0, 1000.0]), plane)
    assert width.beamwidth.values == pytest.approx(2 * half, abs=0.3)
    assert width.positive_side.values == pytest.approx(half, abs=0.15)
    assert not width.open.values.any()


def test_a_side_that_never_falls_counts_half_a_turn_and_is_marked():
    width = ef.metrics.beamwidth(first_order_directivity("monopole", sphere_directions(), [1000.0]))
    assert width.beamwidth.item() == 360.0 and width.open.item()


def test_the_sides_are_told_apart():
    """A beam turned 20 degrees to the left falls later there."""
    directions = sphere_directions()
    beam = np.exp(8 * (directions.vectors @ orbit_vectors("horizontal", [20.0])[0] - 1))[:, None] + 0j
    d = Directivity(beam, directions, [1000.0])
    width = ef.metrics.beamwidth(d)
    assert width.positive_side.item() > width.negative_side.item() + 20
    level = ef.metrics.polar_map(d)
    assert level.angle.values[int(level.values[:, 0].argmax())] == 20.0


def test_ten_degree_orbits_will_do_and_gaps_are_named():
    whole = orbit_directions()
    d = first_order_directivity("cardioid", whole, [1000.0])
    assert ef.metrics.beamwidth(d, "vertical").beamwidth.item() == pytest.approx(179.7, abs=0.5)
    keep = np.max(whole.vectors @ orbit_vectors("vertical", [70.0]).T, axis=1) < 1 - 1e-9
    d = first_order_directivity("cardioid", Directions(whole.vectors[keep]), [1000.0])
    with pytest.raises(ef.DataError, match=r"vertical orbit lacks 1 .*70 deg"):
        ef.metrics.beamwidth(d, "vertical")
    with pytest.raises(ef.DataError, match="diagonal orbit lacks"):
        ef.metrics.beamwidth(d, "diagonal")


def test_polar_map_levels_by_normalisation():
    d = first_order_directivity("cardioid", orbit_directions(), [500.0, 1000.0])
    at = {n: ef.metrics.polar_map(d, "vertical", n) for n in ("axis", "listening_window", None)}
    assert at["axis"].sel(angle=0.0).values == pytest.approx(0.0)
    assert at["axis"].sel(angle=90.0).values == pytest.approx(-6.0206, abs=1e-4)
    assert at[None].sel(angle=0.0).values == pytest.approx(103.0103, abs=1e-4)
    window = ef.metrics.standard_curves(d).listening_window
    assert at["listening_window"].sel(angle=0.0).values == pytest.approx(103.0103 - window.values, abs=1e-4)
    assert at[None].dims == ("angle", "frequency") and at["axis"].attrs["reference"] == "dB re axis"


def test_smoothing_keeps_what_is_constant_and_averages_power():
    f = np.geomspace(20, 20000, 481)
    assert smooth_power(f, np.full((2, 481), 3.0), 6) == pytest.approx(3.0)
    log = np.log(f)
    centre = [100.0, 1000.0]
    assert smooth_power(f, log, 3, centre) == pytest.approx(np.log(centre))  # the mean of a line is its middle
    coarse = np.array([100.0, 1000.0, 10000.0])
    assert smooth_power(coarse, np.log(coarse), 3, [300.0]) == pytest.approx(np.log(300.0))
    spike = np.where(np.arange(481) == 240, 1.0, 0.0)
    step = log[1] - log[0]
    width = np.log(10**0.3) / 3
    assert smooth_power(f, spike, 3)[240] == pytest.approx(step / width)


def test_a_smoothed_directivity_says_what_it_became():
    d = first_order_directivity("cardioid", orbit_directions(), np.geomspace(100, 1000, 41)).filtered(np.exp(1j * np.arange(41)))
    third = ef.metrics.smoothed(d, 3, [200.0, 500.0])
    assert (third.bandwidth, third.phase_known, third.pressure.shape) == (3, False, (70, 2))
    assert np.abs(third.on_axis()) == pytest.approx(1.0)
    with pytest.raises(ef.Refusal, match="1/6-octave mean is a 1/6-octave figure"):
        ef.metrics.smoothed(third, 6)
