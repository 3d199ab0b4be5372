"""Time behaviour against filters whose answers are known in closed form."""

import numpy as np
import pytest

import evenfield as ef
from evenfield.base import octave_axis
from evenfield.data import Response
from evenfield.data.directions import orbit_directions
from evenfield.exact.patterns import first_order_directivity
from evenfield.metrics.time import common_delay, leave_one_out_error, time_basis

FREQUENCY = octave_axis(12, 10, 22000)
CORNER, Q = 80.0, 0.6


def high_pass(frequency, delay=0.0):
    s = 2j * np.pi * frequency / (2 * np.pi * CORNER)
    return s**2 / (s**2 + s / Q + 1) * np.exp(-2j * np.pi * frequency * delay)


def high_pass_step(time):
    """Step response of a second-order high-pass, Q > 1/2 (any text on linear systems)."""
    w, a = 2 * np.pi * CORNER, np.pi * CORNER / Q
    wd = np.sqrt(w**2 - a**2)
    return np.where(time >= 0, np.exp(-a * time) * (np.cos(wd * time) - a / wd * np.sin(wd * time)), 0.0)


@pytest.mark.parametrize("delay", [0.0, 2.9e-3, -0.6e-3, 0.03])
def test_step_response_of_a_high_pass_with_any_common_delay(delay):
    step = ef.metrics.step_response(Response(FREQUENCY, high_pass(FREQUENCY, delay)))
    assert step.attrs["common_delay_s"] == pytest.approx(delay, abs=2e-5)
    time = step.time.values
    away = np.abs(time) > 4e-4  # the band limit rounds the edge itself
    assert step.values[away] == pytest.approx(high_pass_step(time)[away], abs=0.03)


def test_the_linear_grid_holds_the_true_response_between_the_points():
    basis = time_basis(Response(FREQUENCY, high_pass(FREQUENCY, 3e-3)))
    f = basis.frequency[(basis.frequency > 10) & (basis.frequency < 18000)]
    got = basis.value[(basis.frequency > 10) & (basis.frequency < 18000)]
    assert np.abs(got - high_pass(f, 3e-3 - basis.delay)).max() < 1e-3
    assert basis.error < 1e-3


def test_group_delay_of_a_high_pass():
    """-d(phase)/d(omega) of the second-order high-pass: (1 + u^2)/(Q w0 ((1 - u^2)^2 + u^2/Q^2)), u = f/f0."""
    out = ef.metrics.group_delay(Response(FREQUENCY, high_pass(FREQUENCY, 1e-3)))
    u = FREQUENCY / CORNER
    want = (1 + u**2) / (Q * 2 * np.pi * CORNER * ((1 - u**2) ** 2 + u**2 / Q**2)) + 1e-3
    assert out.group_delay.values[3:-3] == pytest.approx(want[3:-3], rel=5e-3)
    assert out.excess.values + out.attrs["common_delay_s"] == pytest.approx(out.group_delay.values)


def test_decay_of_a_resonance_is_its_damping():
    """A resonance of quality q rings at 8.686 pi f0/q dB per second once the direct sound is gone."""
    f0, q = 900.0, 30.0
    s = 1j * FREQUENCY_DENSE / f0
    value = high_pass(FREQUENCY_DENSE) * (s / q) / (s**2 + s / q + 1)
    decay = ef.metrics.decay_spectrum(Response(FREQUENCY_DENSE, value), [f0], [-4.9e-3, 4e-3, 24e-3])
    assert decay.values[0, 0] == pytest.approx(0.0, abs=0.1)  # before the sound arrives: the steady level
    assert (decay.values[1, 0] - decay.values[2, 0]) / 20e-3 == pytest.approx(8.686 * np.pi * f0 / q, rel=0.02)


FREQUENCY_DENSE = octave_axis(96, 10, 22000)


def test_ways_with_delays_of_their_own_are_interpolated_one_by_one():
    """Sparse points cannot hold the sum of ways 1.5 ms apart, but hold each way."""
    f = octave_axis(6, 10, 22000)
    early, late = Response(f, high_pass(f, 2e-3)), Response(f, 0.8 * high_pass(f, 3.5e-3))
    basis = time_basis([early, late])
    g = basis.frequency[(basis.frequency > 15) & (basis.frequency < 15000)]
    want = high_pass(g, 2e-3 - basis.delay) + 0.8 * high_pass(g, 3.5e-3 - basis.delay)
    assert np.abs(basis.value[(basis.frequency > 15) & (basis.frequency < 15000)] - want).max() < 0.01
    with pytest.raises(ef.Refusal, match=r"denser frequency points: leaving one out errs by"):
        time_basis(Response(f, early.value + late.value))


def test_leave_one_out_tells_enough_points_from_too_few():
    dense, sparse = octave_axis(24, 10, 22000), octave_axis(3, 10, 22000)
    ripple = [1 + 0.8 * np.exp(-2j * np.pi * f * 1e-3) for f in (dense[dense < 3000], sparse)]
    assert leave_one_out_error(dense[dense < 3000], ripple[0]) < 0.05
    assert leave_one_out_error(sparse, ripple[1]) > 0.3


def test_common_delay_is_found_on_a_linear_axis_too():
    f = np.arange(1, 1025) * 23.4375
    value = np.abs(high_pass(f)) * np.exp(-2j * np.pi * f * 7.3e-3)
    assert common_delay(f, value) == pytest.approx(7.3e-3, abs=1e-6)


def test_what_has_no_phase_or_is_in_bands_or_lacks_the_low_end_is_refused_with_the_reason():
    value = high_pass(FREQUENCY)
    with pytest.raises(ef.Refusal, match="need phase; this data was recorded without"):
        ef.metrics.step_response(Response(FREQUENCY, value, phase_known=False))
    with pytest.raises(ef.Refusal, match="1/3-octave bands"):
        ef.metrics.group_delay(Response(FREQUENCY, value, bandwidth=3))
    with pytest.raises(ef.Refusal, match="at least 16 frequency points"):
        ef.metrics.impulse_response(Response(FREQUENCY[:9], value[:9]))
    high = FREQUENCY > 500
    with pytest.raises(ef.Refusal, match=r"begins at 5.* where the level does not fall"):
        ef.metrics.step_response(Response(FREQUENCY[high], value[high]))


def test_a_directivity_answers_on_its_axis():
    d = first_order_directivity("cardioid", orbit_directions(), FREQUENCY).filtered(high_pass(FREQUENCY))
    impulse = ef.metrics.impulse_response(d)
    assert impulse.values.sum() / 48000 == pytest.approx(0.0, abs=0.02)  # nothing at 0 Hz
    assert abs(impulse.time.values[int(np.argmax(np.abs(impulse.values)))]) < 5e-5
