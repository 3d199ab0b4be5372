"""Weak nonlinearity against Duffing's and Volterra's perturbation values, derived in place (first order in the small term)."""

import math

import numpy as np
import pytest

from evenfield.base import Air
from evenfield.transducer.box import ClosedBox, Vent, VentedBox
from evenfield.transducer.coil import LR2, PlainInductance
from evenfield.transducer.driver import Driver
from evenfield.transducer.large_signal import LargeSignalDriver, LargeSignalSystem
from evenfield.transducer.large_signal_motor import LargeSignalMotor
from evenfield.transducer.network import solve_network
from evenfield.transducer.position_curve import PositionCurve
from evenfield.transducer.signals import Tones
from evenfield.transducer.solution import DriverPart, VentPart
from evenfield.transducer.steady_state import harmonic_sweep
from evenfield.transducer.suspension import Creep, Suspension

REACH = 10e-3
RE, LE, BL, MASS, K, R = 5.8, 0.4e-3, 8.0, 20e-3, 1200.0, 1.1


def _system(bl=(BL,), k=(K,)):
    motor = LargeSignalMotor.typed(PositionCurve.polynomial(bl, REACH, "Bl"), PlainInductance(LE))
    spring = Suspension(PositionCurve.polynomial(k, REACH, "Kms"))
    return LargeSignalSystem(LargeSignalDriver(RE, 137e-4, MASS, motor, spring, R), radiation_mass=np.zeros((1, 1)))


def _electric(w):
    return RE + 1j * w * LE


def _mechanic(w):
    """Velocity impedance with the terminals shorted."""
    return 1j * w * MASS + R + K / (1j * w) + BL**2 / _electric(w)


def _linear(w, volts):
    """(displacement, velocity, current), peak phasors."""
    v = BL * volts / _electric(w) / _mechanic(w)
    return v / (1j * w), v, (volts - BL * v) / _electric(w)


@pytest.mark.parametrize("hz", [25.0, 40.0, 90.0])
def test_cubic_stiffness_gives_duffings_third_harmonic(hz):
    """k x + k3 x^3: the cube of a sine is 3/4 sin - 1/4 sin 3; Nayfeh & Mook, Nonlinear Oscillations (1979), ch. 4."""
    k3, volts, w = 4e5, 0.5, 2 * math.pi * hz
    sweep = harmonic_sweep(_system(k=(K, 0.0, k3)), [hz], [volts], harmonics=5)
    x = _linear(w, volts)[0]
    third = k3 * x**3 / 4 / (1j * 3 * w * _mechanic(3 * w))
    # RMS phasors obey the cubic with a factor of two
    expected = third * 2
    assert abs(sweep.displacement[0, 0, 3] / expected - 1) < 2e-3
    shift = -3 / 4 * k3 * abs(x) ** 2 * x / (1j * w * _mechanic(w)) * 2
    assert abs((sweep.displacement[0, 0, 1] - x) / shift - 1) < 5e-3


@pytest.mark.parametrize("hz", [25.0, 40.0, 90.0])
def test_slanted_force_factor_gives_volterras_second_harmonic_and_offset(hz):
    """Bl = b0 + b1 x. Second-order Volterra kernel of both equations, by hand."""
    slant, volts, w = 60.0, 0.2, 2 * math.pi * hz
    sweep = harmonic_sweep(_system(bl=(BL, slant)), [hz], [volts], harmonics=5)
    x, v, i = (math.sqrt(2) * q for q in _linear(w, volts))
    # peak phasors with time as Re e^{jwt}: a product has half the product at 2w and half the real part at rest
    force, emf = slant * x * i / 2, slant * x * v / 2
    velocity = (force - BL * emf / _electric(2 * w)) / _mechanic(2 * w)
    expected = velocity / (2j * w) / math.sqrt(2)
    found = sweep.displacement[0, 0, 2]
    # the sweep's sines are Im e^{jwt}: at the second harmonic that turns the phase by -90 degrees
    assert abs(found / (expected * -1j) - 1) < 2e-3
    assert sweep.offset[0, 0] == pytest.approx(slant * (x * np.conj(i)).real / 2 / K, rel=2e-3)


def test_curved_force_factor_gives_volterras_third_harmonic():
    """Bl = b0 + b2 x^2."""
    hz, curve, volts = 40.0, -3e4, 0.3
    w = 2 * math.pi * hz
    sweep = harmonic_sweep(_system(bl=(BL, 0.0, curve)), [hz], [volts], harmonics=5)
    x, v, i = (math.sqrt(2) * q for q in _linear(w, volts))
    force, emf = curve * x * x * i / 4, curve * x * x * v / 4
    velocity = (force - BL * emf / _electric(3 * w)) / _mechanic(3 * w)
    expected = velocity / (3j * w) / math.sqrt(2)
    assert abs(sweep.displacement[0, 0, 3] / -expected - 1) < 3e-3


AIR = Air()
DRIVER = Driver.from_parameters(re=5.8, bl=8.0, mms=17e-3, fs=38.0, qms=5.0, sd=137e-4, coil=LR2(0.15e-3, 0.45e-3, 4.0))


def _linear_system(box, radiation, creep=None):
    motor = LargeSignalMotor.typed(PositionCurve.constant(DRIVER.bl, REACH, "Bl"), DRIVER.coil)
    driver = LargeSignalDriver.of(DRIVER, motor, Suspension.linear(DRIVER.cms, REACH, creep))
    return LargeSignalSystem(driver, box, AIR, radiation, source_resistance=0.1)


@pytest.mark.parametrize(
    "box",
    [
        None,
        ClosedBox(12e-3, q_leakage=8, q_absorption=20, fill=0.4),
        VentedBox(16e-3, q_leakage=12, q_absorption=50, vent=Vent(math.pi * 0.03**2, 0.19, number=2), q_vent=60),
    ],
)
def test_small_signals_are_those_of_the_network(box):
    """The linear limit, 10 Hz to 20 kHz, within 0.01 dB (it is within 0.00001) of the small-signal circuit."""
    f = np.geomspace(10, 20e3, 60)
    parts = [DriverPart("cone", DRIVER, "w", None if box is None else "box")]
    mass = np.array([[1.3e-3]])
    if isinstance(box, VentedBox):
        parts.append(VentPart("vent", "box"))
        mass = np.array([[1.3e-3, 1e-4], [1e-4, 3e-4]])
    radiation = 2j * np.pi * f * mass[:, :, None]
    network = solve_network(f, parts, radiation, {} if box is None else {"box": box}, air=AIR, output_impedance={"w": 0.1})
    own = _linear_system(box, mass).linear_response(f)
    assert np.max(np.abs(20 * np.log10(np.abs(own[2] / network.current[0, 0])))) < 1e-5
    assert np.max(np.abs(20 * np.log10(np.abs(own[1] / network.velocity[0, 0])))) < 1e-5
    assert np.max(np.abs(own[0] / network.displacement[0, 0] - 1)) < 1e-6
    if len(parts) == 2:
        assert np.max(np.abs(own[-1] / network.velocity[0, 1] - 1)) < 1e-6


def test_small_signals_in_time_are_those_of_the_network():
    """The stepped model, too: tones to 4 kHz within 0.01 dB."""
    box = VentedBox(16e-3, q_leakage=12, q_absorption=50, vent=Vent(math.pi * 0.03**2, 0.19), q_vent=60)
    system = _linear_system(box, np.diag([1.3e-3, 1e-4]))
    drive = Tones.multi(20.0, 4000.0, 0.05, per_octave=2, period=1.0)
    run = system.run(drive, repeat=4)
    lines = np.round(np.array(drive.frequency_hz)).astype(int)
    found = np.fft.rfft(run.columns, axis=0)[lines] / np.fft.rfft(drive.voltage(run.rate))[lines][:, None]
    linear = system.linear_response(lines.astype(float))
    for column, state in ((0, 0), (2, 2), (5, -1)):
        assert np.max(np.abs(20 * np.log10(np.abs(found[:, column] / linear[state])))) < 0.01


def test_creep_is_knudsen_and_jensens_log_model():
    """C(f) falls by its strength a decade and turns by strength x pi / (2 ln 10), JAES 41 (1993) 3; 0.5 to 50 Hz."""
    creep = Creep(0.15)
    each, tau, share = creep.chain(1e-3, 40.0)
    f = np.geomspace(0.5, 50, 30)
    chain = 1e-3 * share + (each / (1 + 2j * np.pi * f[:, None] * tau)).sum(axis=1)
    model = creep.compliance(f, 1e-3, 40.0)
    assert np.max(np.abs(chain.real / model.real - 1)) < 0.02
    assert np.max(np.abs(chain.imag / model.imag - 1)) < 0.25
    assert creep.compliance(4.0, 1e-3, 40.0)[0].real == pytest.approx(1.15e-3)
    free = _linear_system(None, None, creep)
    stiff = _linear_system(None, None)
    slow = np.abs(free.linear_response(2.0)[0] / stiff.linear_response(2.0)[0])[0]
    assert slow == pytest.approx(1 + 0.15 * math.log10(free.driver.resonance_hz / 2.0), rel=0.02)
