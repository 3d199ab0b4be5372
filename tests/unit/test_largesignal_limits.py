"""Displacement limits, distortion against level, bursts, rising noise, the damping winding's worth."""

import math
from dataclasses import replace

import numpy as np
import pytest

from evenfield.base import DesignError
from evenfield.transducer.coil import LR2, PlainInductance
from evenfield.transducer.damping_winding import burst_to, winding_worth
from evenfield.transducer.distortion import PointPath, SolvedPath, SoundDistortion, intermodulation, many_tones
from evenfield.transducer.large_signal import LargeSignalDriver, LargeSignalSystem
from evenfield.transducer.large_signal_motor import LargeSignalMotor, ShortedWinding
from evenfield.transducer.limits import (
    burst_limit,
    displacement_limits,
    distortion_voltage,
    rising_noise,
    symmetry_point,
    voltage_at,
)
from evenfield.transducer.position_curve import PositionCurve
from evenfield.transducer.signals import ProgrammeNoise, Tones
from evenfield.transducer.steady_state import harmonic_sweep
from evenfield.transducer.suspension import Suspension

REACH = 9e-3


def bend(*powers):
    return PositionCurve.polynomial(powers, REACH)


def system(bl=(8.0, 0.0, -4e4), k=(1000.0, 0.0, 5e6), shape=(1.0,), winding=None, box=None, coil=LR2(0.15e-3, 0.45e-3, 4.0)):  # noqa: B008
    motor = LargeSignalMotor.typed(bend(*bl), coil, bend(*shape), winding=winding)
    return LargeSignalSystem(LargeSignalDriver(5.8, 137e-4, 14e-3, motor, Suspension(bend(*k)), 1.0, rear_air_mass=1.3e-3), box)


def test_displacement_limits_by_hand():
    """82 % of Bl, 75 % of Cms, 10 % of |Z| (IEC 62458, from memory): closed form on parabolas."""
    found = displacement_limits(system().driver)
    assert found.force_factor == pytest.approx(math.sqrt(0.18 * 8 / 4e4), rel=1e-4)
    assert found.compliance == pytest.approx(math.sqrt((1 / 0.75 - 1) * 1000 / 5e6), rel=1e-4)
    assert found.inductance == math.inf and found.mechanical == REACH
    assert found.binding == "force factor" and found.least == found.force_factor
    wider = displacement_limits(system().driver, 20)
    assert wider.force_factor == pytest.approx(math.sqrt(0.30 * 8 / 4e4), rel=1e-4)
    strong = system(shape=(1.0, -90.0), coil=PlainInductance(2e-3)).driver
    x = displacement_limits(strong).inductance
    w = 2 * math.pi * 8.5 * strong.resonance_hz

    def size(at):
        return abs(5.8 + 1j * w * 2e-3 * (1 - 90 * at))

    assert max(abs(size(x) / size(0) - 1), abs(size(-x) / size(0) - 1)) == pytest.approx(0.1, rel=1e-3)


def test_symmetry_point_of_a_shifted_parabola():
    curve = bend(*np.polynomial.polynomial.polymul([1.0], [8 - 4e4 * 1e-6, 2 * 4e4 * 1e-3, -4e4]))
    assert symmetry_point(curve, 3e-3) == pytest.approx(1e-3, abs=1e-7)


def test_voltage_at_a_limit_is_read_in_logarithms():
    level = np.array([1.0, 2.0, 4.0])
    value = np.array([[0.01, 0.001], [0.04, 0.002], [0.16, np.nan]])
    assert voltage_at(value, level, 0.03) == pytest.approx([2 * math.sqrt(0.75), 2.0])
    assert voltage_at(value, level, 0.005)[0] == pytest.approx(1 / math.sqrt(2))
    assert voltage_at(value[:2], level[:2], 0.5)[1] == math.inf


def test_distortion_rises_with_level_and_stops_at_the_range():
    s = system()
    sweep = harmonic_sweep(s, [30.0, 60.0, 200.0], [2.0, 4.0, 8.0, 11.0, 40.0])
    sound = SoundDistortion.of(sweep, PointPath())
    assert np.all(np.diff(sound.total[:3], axis=0) > 0)
    assert sweep.status[4, 0] == 1 and np.isnan(sound.total[4, 0])
    volts = distortion_voltage(sound, 0.03)
    at = SoundDistortion.of(harmonic_sweep(s, [60.0], [volts[1]]), PointPath()).total[0, 0]
    assert at == pytest.approx(0.03, rel=0.1)
    # symmetric curves make odd harmonics only
    assert np.max(sound.harmonic(2)[:3]) < 1e-8 < np.min(sound.harmonic(3)[:3])


def test_solved_paths_end_where_they_end():
    path = SolvedPath(np.array([20.0, 2000.0]), np.array([1.0, 4.0], complex))
    assert np.abs(path([200.0, 10.0, 3000.0])) == pytest.approx([2.0, 1.0, 0.0])


def test_modulation_of_a_treble_tone_by_bass():
    s = system()
    found = intermodulation(s, 40.0, 500.0, 6.0, PointPath())
    assert found.high_hz == 480.0 and 0.005 < found.third < 0.2 and found.second < 1e-6
    slanted = intermodulation(system(shape=(1.0, -60.0)), 40.0, 500.0, 6.0, PointPath())
    assert slanted.second > 1e-3
    assert intermodulation(s, 40.0, 500.0, 60.0, PointPath()).status == 1


def test_many_tones_add_what_the_curves_bend():
    drive = Tones.multi(30, 800, 6.0, per_octave=3, period=1.0)
    bent = many_tones(system(), drive, PointPath())
    straight = many_tones(system((8.0,), (1000.0,)), drive, PointPath())
    assert 0.005 < bent.added < 0.3 and straight.added < 1e-4 and bent.peak_displacement < 9e-3


def test_bursts_stop_where_something_gives():
    s = system()
    found = burst_limit(s, 50.0, PointPath(), most=100.0)
    assert found.stopped_by in ("travel", "H2", "H3", "H4", "H5") and 5 < found.peak_voltage < 60
    assert burst_limit(s, 50.0, PointPath(), most=3.0).stopped_by == "amplifier"
    weak = burst_limit(s, 50.0, PointPath(), most=3.0)
    more = 20 * math.log10(found.peak_voltage / weak.peak_voltage)
    assert found.peak_spl_db - weak.peak_spl_db == pytest.approx(more, abs=2.0)


def test_rising_noise_stops():
    s = system()
    found = rising_noise(
        lambda _v: s,
        lambda v: ProgrammeNoise(v, 1.0, 1.0, low_hz=30, high_hz=2000),
        PointPath(),
        (40, 1000),
        start=0.5,
        most=30.0,
    )
    assert 0.5 <= found.voltage < 30 and found.stopped_by and found.steps[0][1] == 0.0
    assert found.steps[0][2] > 0.9


def damper():
    """A winding that meets the field only beyond some 4 mm."""
    x = np.linspace(-REACH, REACH, 41)
    reach = np.maximum(np.abs(x) - 3.5e-3, 0.0)
    bl = -np.sign(x) * 2.5 * (reach / 5.5e-3) ** 2
    flat = np.ones(41)
    return ShortedWinding(
        0.15, PositionCurve(x, bl), PositionCurve(x, 2e-5 * flat), PositionCurve(x, 1e-5 * flat), (PositionCurve(x, 0.1 * flat),)
    )


def test_a_damping_winding_holds_the_coil_beyond_the_gap():
    s = system(winding=damper())
    peak = burst_to(s, 35.0, 0.9, 60.0)
    worth = winding_worth(s, PointPath(), burst_hz=35.0, burst_peak=peak, frequency_hz=[30.0, 60.0, 120.0], level=3.0)
    assert worth.overshoot[1] == pytest.approx(0.9 * REACH, rel=0.01) and worth.winding_current > 0.1
    assert worth.overshoot[0] < 0.97 * worth.overshoot[1]
    assert worth.damping[0] == pytest.approx(worth.damping[1], rel=1e-6)
    assert np.all(np.isfinite(worth.distortion[0]))
    with pytest.raises(DesignError, match="a motor without one"):
        winding_worth(
            replace(s, driver=s.driver.without_winding()),
            PointPath(),
            burst_hz=35.0,
            burst_peak=9.0,
            frequency_hz=[30.0],
            level=3.0,
        )
