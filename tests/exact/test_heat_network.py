"""The heat network against closed forms."""

import math

import numpy as np
import pytest

from evenfield.base import DesignError
from evenfield.transducer.heat import HeatNetwork, compression_db, heat_balance, heat_up, largest_drive
from evenfield.transducer.wire import COPPER

# the third node is tied so firmly and made so small that two are left
TWO = HeatNetwork((8.0, 600.0, 1e-6), coil_steel=0.4, steel_magnet=1e6, magnet_air=0.7)


def test_two_nodes_step_by_the_closed_form():
    """C1 T1' = P - G1 (T1 - T2), C2 T2' = G1 (T1 - T2) - G2 T2: both exponentials by hand from the quadratic."""
    c1, c2, g1, g2, power = 8.0, 600.0, 0.4, 0.7, 30.0
    a, b = g1 / c1 + (g1 + g2) / c2, g1 * g2 / (c1 * c2)
    s = [(-a + sign * math.sqrt(a * a - 4 * b)) / 2 for sign in (1, -1)]
    end = np.array([power / g1 + power / g2, power / g2])
    # T(0) = 0 and T1'(0) = P / C1
    k = np.linalg.solve([[1, 1], s], [-end[0], power / c1])
    for t in (1.0, 20.0, 300.0, 4000.0):
        coil = end[0] + sum(k[n] * math.exp(s[n] * t) for n in (0, 1))
        steel = end[1] + sum(k[n] * (1 + c1 * s[n] / g1) * math.exp(s[n] * t) for n in (0, 1))
        found = TWO.advance(np.full(3, 20.0), (power, 0.0, 0.0), t) - 20
        assert found[0] == pytest.approx(coil, rel=1e-5) and found[1] == pytest.approx(steel, rel=1e-5)
    assert TWO.time_constants()[1:] == pytest.approx([-1 / s[1], -1 / s[0]], rel=1e-5)


def test_many_short_steps_are_one_long_one():
    net = HeatNetwork((8.0, 200.0, 900.0), 0.4, 5.0, 0.7, 0.05, 0.1)
    once = net.advance(np.array([30.0, 25.0, 22.0]), (40.0, 3.0, 0.0), 50.0, 0.8)
    at = np.array([30.0, 25.0, 22.0])
    for _ in range(100):
        at = net.advance(at, (40.0, 3.0, 0.0), 0.5, 0.8)
    assert at == pytest.approx(once, rel=1e-10)
    assert net.advance(at, (40.0, 3.0, 0.0), 1e6, 0.8) == pytest.approx(net.steady((40.0, 3.0, 0.0), 0.8))


def test_constant_voltage_settles_where_heat_balances():
    """P = U^2 / R(T), T = 20 + P (1/G1 + 1/G2): a quadratic in T."""
    resistance, volts = 6.0, 12.0

    def load(coil, _field):
        return volts**2 / (resistance * COPPER.resistance_ratio(coil)), 0.0, 0.0

    k, alpha = (1 / 0.4 + 1 / 0.7) * volts**2 / resistance, 0.00393
    rise = (-1 + math.sqrt(1 + 4 * alpha * k)) / (2 * alpha)
    found, power = heat_balance(TWO, load)
    assert found[0] - 20 == pytest.approx(rise, rel=1e-4)
    assert power == pytest.approx(rise / (1 / 0.4 + 1 / 0.7), rel=1e-4)
    run = heat_up(TWO, load, 2e4)
    assert run.temperature[-1, 0] - 20 == pytest.approx(rise, rel=1e-4)
    assert np.all(np.diff(run.temperature[:, 0]) > 0) and np.all(np.diff(run.power) < 0)


def test_the_largest_drive_just_reaches_the_hottest_coil():
    net = HeatNetwork((8.0, 600.0, 900.0), 0.4, 20.0, 0.7, hottest=180.0)

    def at(volts):
        return lambda coil, _field: (volts**2 / (6.0 * COPPER.resistance_ratio(coil)), 0.0, 0.0)

    for_ever = largest_drive(net, at, None, 100.0)
    assert heat_balance(net, at(for_ever))[0][0] == pytest.approx(180.0, abs=0.1)
    second = largest_drive(net, at, 1.0, 100.0)
    # for a second the coil stands alone: C dT = P t, less some percent that leaks
    alone = math.sqrt(160 * 8.0 * 6.0 * COPPER.resistance_ratio(100.0) / 1.0)
    assert for_ever < second and second == pytest.approx(alone, rel=0.05)
    assert largest_drive(net, at, None, 0.5 * for_ever) == 0.5 * for_ever


def test_moving_air_cools_and_parts_give_plausible_constants():
    """A 25 mm coil: some seconds for the coil, tens of minutes for the motor (Button 1992; from memory)."""
    net = HeatNetwork.from_parts(
        coil_heat=2.0, coil_diameter=25e-3, coil_depth=12e-3, plate_height=6e-3, clearance=(0.3e-3, 0.25e-3), steel_mass=0.6,
        magnet_mass=0.45, outer_area=0.02,
    )  # fmt: skip
    fast, _, slow = net.time_constants()
    assert 2 < fast < 60 and 600 < slow < 10000
    assert net.steady((20.0, 0, 0), 1.0)[0] < net.steady((20.0, 0, 0), 0.0)[0]
    assert net.field_share(70.0) == pytest.approx(0.9)


def test_compression_far_above_resonance():
    """R doubled: 6.02 dB at constant voltage when the coil is all resistance (closed form)."""
    assert compression_db(6.0, 12.0, [6.0])[0] == pytest.approx(6.0206, abs=1e-4)
    assert compression_db(6.0, 12.0, [6.0], 0.9)[0] == pytest.approx(6.0206 + 0.9151, abs=1e-4)


def test_impossible_networks_are_refused():
    with pytest.raises(DesignError, match="heat from coil to steel must be finite and positive"):
        HeatNetwork((8.0, 1.0, 1.0), 0.0, 1.0, 1.0)
    with pytest.raises(DesignError, match=r"above ambient \(40 degC\)"):
        HeatNetwork((8.0, 1.0, 1.0), 1.0, 1.0, 1.0, ambient=40.0, hottest=30.0)


def test_steady_heat_by_two_ways_in_parallel():
    """From the coil to air at once, and through steel and magnet in series; moving air adds to both by halves."""
    net = HeatNetwork((8.0, 200.0, 900.0), coil_steel=0.4, steel_magnet=5.0, magnet_air=0.7, coil_air=0.05, per_velocity=0.1)
    for v in (0.0, 2.0):
        series = 1 / (1 / (0.4 + 0.05 * v) + 1 / 5.0 + 1 / 0.7)
        assert net.steady((30.0, 0, 0), v)[0] - 20 == pytest.approx(30 / (0.05 + 0.05 * v + series))
