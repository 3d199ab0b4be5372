"""Drivers at high level: many tones in time, distortion over frequency and level, a damping winding."""

from __future__ import annotations

import time

import numpy as np

from evenfield.transducer.box import Vent, VentedBox
from evenfield.transducer.coil import LR2
from evenfield.transducer.distortion import PointPath, SoundDistortion
from evenfield.transducer.driver import Driver
from evenfield.transducer.large_signal import LargeSignalDriver, LargeSignalSystem
from evenfield.transducer.large_signal_motor import LargeSignalMotor
from evenfield.transducer.position_curve import PositionCurve
from evenfield.transducer.signals import Tones
from evenfield.transducer.steady_state import harmonic_sweep
from evenfield.transducer.suspension import Creep, Suspension

REACH = 11e-3


def bend(*powers):
    return PositionCurve.polynomial(powers, REACH)


def woofer(coil=None, creep=True):
    """A 6½-inch woofer in a vented box, curves bent as such drivers' are (invented)."""
    coil = coil or LR2(0.15e-3, 0.45e-3, 4.0)
    driver = Driver.from_parameters(re=5.8, bl=8.0, mms=17e-3, fs=38.0, qms=5.0, sd=137e-4, coil=coil)
    motor = LargeSignalMotor.typed(bend(8.0, 20.0, -3.4e4), coil, bend(1.0, -40.0))
    spring = Suspension(PositionCurve.polynomial(np.array([1, 10, 7.8e3]) / driver.cms, REACH), Creep(0.1) if creep else None)
    box = VentedBox(16e-3, q_leakage=12, q_absorption=50, vent=Vent(np.pi * 0.03**2, 0.19), q_vent=60)
    return LargeSignalSystem(LargeSignalDriver.of(driver, motor, spring), box)


def _timed(run):
    """(seconds by the clock, seconds of processor, result): the two differ on a busy machine."""
    began, work = time.perf_counter(), time.process_time()
    found = run()
    return time.perf_counter() - began, time.process_time() - work, found


def figures():
    system = woofer()
    began = time.perf_counter()
    system.run(Tones.multi(20, 1000, 1.0, duration=1.0))
    harmonic_sweep(system, [100.0], [1.0])
    yield "large signal: first call, kernels from cache or cold", time.perf_counter() - began, ""
    drive = Tones.multi(20, 1000, 10.0, per_octave=6, duration=60.0)
    for name, s in (("with creep", system), ("without creep", woofer(creep=False))):
        seconds, work, run = _timed(lambda s=s: s.run(drive))
        factor = s.oversampling(48e3, drive.highest_hz)
        note = (
            f"{60 / seconds:.0f} x real time ({60 / work:.0f} x of processor), {factor} steps a sample (limit 50 x); {run.reason}"
        )
        yield f"60 s of many tones at 48 kHz, {name}", seconds, note
    frequency, level = np.geomspace(20, 1000, 40), np.geomspace(1, 16, 6)
    seconds, work, sweep = _timed(lambda: harmonic_sweep(system, frequency, level))
    beyond = int(np.sum(sweep.status != 0))
    yield "distortion, 40 frequencies x 6 levels", seconds, f"{work:.2f} s of processor, {beyond} beyond the range (limit 10 s)"
    sound = SoundDistortion.of(sweep, PointPath())
    yield "largest distortion found", 0.0, f"{100 * float(np.nanmax(sound.total)):.0f} %"
