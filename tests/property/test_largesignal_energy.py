"""Energy closes, aliasing stays away, steady states are what waiting gives."""

from dataclasses import replace

import numpy as np
import pytest

from evenfield.base import DesignError
from evenfield.transducer.box import Vent, VentedBox
from evenfield.transducer.coil import LR2
from evenfield.transducer.large_signal import LargeSignalDriver, LargeSignalSystem
from evenfield.transducer.large_signal_motor import LargeSignalMotor, ShortedWinding
from evenfield.transducer.position_curve import PositionCurve
from evenfield.transducer.signals import Tones
from evenfield.transducer.steady_state import steady_state
from evenfield.transducer.suspension import Creep, Suspension

REACH = 9e-3


def bend(*powers, reach=REACH):
    return PositionCurve.polynomial(powers, reach)


def full_system(winding=True, modulation=(0.02, 0.003)):
    """Everything at once: bent curves, two loops' worth of eddy currents, flux modulation, winding, creep, vented box."""
    rungs = (bend(2.0, 40.0, -8e3), bend(1.2, -30.0, 2e3))
    damper = ShortedWinding(
        0.4, bend(0.1, 0.0, 2.4e4), bend(2e-5, 0.0, 0.02), bend(1e-5, 2e-4), (bend(0.3, 20.0), bend(0.2, 10.0))
    )
    motor = LargeSignalMotor(
        bend(8.0, 30.0, -4e4),
        bend(0.2e-3, -8e-3, -0.3),
        np.array([1.2e-4, 2e-5]),
        rungs,
        modulation,
        damper if winding else None,
    )
    spring = Suspension(bend(1000.0, 9e3, 5e6), Creep(0.1))
    driver = LargeSignalDriver(5.8, 137e-4, 14.4e-3, motor, spring, 0.8, rms_growth=0.3, rear_air_mass=1.3e-3, static_force=0.05)
    box = VentedBox(16e-3, q_leakage=12, q_absorption=50, vent=Vent(np.pi * 0.03**2, 0.19), q_vent=60)
    return LargeSignalSystem(driver, box)


@pytest.mark.parametrize("winding", [True, False])
def test_what_goes_in_is_lost_or_stored(winding):
    system = full_system(winding)
    run = system.run(Tones((33.0, 180.0), (7.0, 5.0), duration=0.4), rate=192e3, energy=True)
    assert run.status == 0 and np.max(np.abs(run.displacement)) > 4e-3
    lost = sum(v for k, v in run.energy.items() if k != "source")
    stored = system.stored_energy(run.state) - system.stored_energy(np.zeros(system.size))
    assert abs(run.energy["source"] - lost - stored) < 1e-6 * run.energy["source"]
    assert all(v > 0 for k, v in run.energy.items() if k != "winding")
    assert (run.energy["winding"] > 0) == winding


def test_force_is_the_slope_of_the_co_energy():
    """Blocked, with currents in: mass times acceleration against the difference of the stored co-energy, no spring, no box."""
    system = replace(full_system(modulation=(0.0, 0.0)), box=None)
    state = np.zeros(system.size)
    state[:2] = 2e-3, 0.0
    state[2:6] = 1.7, -0.9, 2.1, -1.1
    m = system.driver.motor

    def co_energy(x):
        """At fixed currents, loops' own included: e_k = q_k - r_k i - r_sk s stay."""
        i, s, q = state[2], state[3], state[4:6]
        w = m.winding
        at = state[0]
        e = [q[k] - float(m.coupling[k](at)) * i - float(w.coupling[k](at)) * s for k in range(2)]
        total = i * float(m.force_factor.integral(x)) + s * float(w.force_factor.integral(x))
        total += 0.5 * float(m.le(x)) * i**2 + float(w.mutual(x)) * i * s + 0.5 * float(w.inductance(x)) * s**2
        for k in range(2):
            whole = e[k] + float(m.coupling[k](x)) * i + float(w.coupling[k](x)) * s
            total += 0.5 * m.time_constant[k] * whole**2
        return total

    force = (co_energy(2e-3 + 1e-6) - co_energy(2e-3 - 1e-6)) / 2e-6
    mass = system.masses[0, 0]
    spring = mass * system.slope(np.array([2e-3, *np.zeros(system.size - 1)]), 0.0)[1]
    assert mass * system.slope(state, 0.0)[1] - spring == pytest.approx(force, rel=1e-6)


def test_nothing_appears_above_minus_120_db_that_finer_steps_do_not_show():
    """Sound and current of many tones against eight times the inner rate: aliases would stand on lines that are empty there."""
    system = full_system()
    drive = Tones.multi(25.0, 2500.0, 6.0, per_octave=3, period=0.5)
    usual = system.run(drive, repeat=12)
    factor = system.oversampling(48e3, drive.highest_hz)
    fine, _ = system._run_once(drive, 48e3, 8 * factor, None, False, 1.0, 12)
    for column in (2, 4):
        a, b = (np.abs(np.fft.rfft(r.columns[:, column]))[1:10000] for r in (usual, fine))
        largest = np.max(b)
        empty, real = b < 1e-7 * largest, b > 1e-4 * largest
        assert np.sum(empty) > 1000 and np.sum(real) > 50
        assert 20 * np.log10(np.max(a[empty]) / largest) < -120
        assert np.max(np.abs(20 * np.log10(a[real] / b[real]))) < 0.02


def test_a_coarser_alias_bound_is_noticed():
    system = full_system()
    drive = Tones((40.0, 9000.0), (8.0, 8.0), duration=0.2)
    _, clean = system._run_once(drive, 48e3, 1, None, False, 1e-6, 1)
    assert not clean


def test_the_steady_state_is_what_waiting_gives():
    system = full_system()
    drive = Tones.sine(50.0, 7.0, 1 / 50)
    waited = system.run(drive, rate=96e3, repeat=1500)
    steps = 96000 // 50
    found = steady_state(system, drive.voltage(192e3), 1 / 50)
    assert found.status == 0 and len(found.columns) == steps
    # after 30 s the slowest creep element (0.2 Hz) has settled to e^-38
    assert np.max(np.abs(found.displacement - waited.displacement)) < 1e-6 * np.max(np.abs(waited.displacement))


def test_the_rest_of_the_range_is_reported_not_extrapolated():
    system = full_system()
    run = system.run(Tones.sine(30.0, 25.0, 0.5))
    assert run.status == 1 and "-9 to 9 mm" in run.reason and "after" in run.reason
    assert np.max(np.abs(run.displacement)) <= REACH and len(run.displacement) < 24000


def test_oversampling_rises_with_a_fast_coil():
    system = full_system(winding=False)
    quick = replace(system, driver=replace(system.driver, motor=LargeSignalMotor.typed(bend(8.0), LR2(1e-5, 1e-4, 20.0))))
    assert quick.fastest > 1e6
    assert quick.oversampling(48e3) >= 8
    assert quick.run(Tones.sine(100.0, 1.0, 0.02)).status == 0


def test_bl_and_parameters_must_agree():
    from evenfield.transducer.driver import Driver

    driver = Driver(5.8, 8.0, 15e-3, 1e-3, 0.8, 137e-4)
    motor = LargeSignalMotor.typed(bend(6.0), LR2(1e-4, 1e-4, 4.0))
    with pytest.raises(DesignError, match=r"Bl\(0\) of the curve must be within 10 %"):
        LargeSignalDriver.of(driver, motor)
