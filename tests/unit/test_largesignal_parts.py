"""Curves, ladders, suspensions, signals: what they give and what they refuse."""

import numpy as np
import pytest

from evenfield.base import DataError, DesignError
from evenfield.data import MotorCurves
from evenfield.transducer.coil import LR2, PlainInductance, SemiInductance
from evenfield.transducer.ladder import LadderCoil, fit_ladder
from evenfield.transducer.large_signal import LargeSignalDriver, LargeSignalSystem
from evenfield.transducer.large_signal_motor import LargeSignalMotor, ShortedWinding
from evenfield.transducer.position_curve import PositionCurve, table_of
from evenfield.transducer.signals import Burst, ProgrammeNoise, Recording, Tones
from evenfield.transducer.suspension import SurroundAndSpider, Suspension

X = np.linspace(-8e-3, 8e-3, 21)
F = np.geomspace(20, 20e3, 31)


def test_curves_go_through_their_points_and_never_beyond():
    curve = PositionCurve(X, 8 * np.exp(-((X / 9e-3) ** 4)), "Bl")
    assert np.allclose(curve(X), curve.value, rtol=1e-12)
    assert curve.integral(5e-3) == pytest.approx(np.trapezoid(curve(np.linspace(0, 5e-3, 2001)), dx=2.5e-6), rel=1e-6)
    with pytest.raises(DesignError, match=r"position on Bl must be -8 to 8 mm, got 9 mm.*Nothing is extrapolated"):
        curve(9e-3)
    for x, rule in (([0, 1e-3, 1e-3], "ascending"), ([1e-3, 2e-3], "both sides"), ([-8.0, 0.0, 8.0], "Is the unit right")):
        with pytest.raises(DesignError, match=rule):
            PositionCurve(np.array(x), np.ones(len(x)), "Bl")


def test_the_tables_of_the_inner_loop_are_the_curves():
    curve = PositionCurve(X, 8 * np.exp(-((X / 9e-3) ** 4)), "Bl")
    table = table_of([curve], -8e-3, 8e-3)
    at = np.array([0.1, 0.3, 0.77])
    for cell in (0, 100, 255, 511):
        t = at
        found = table[cell, 0, 0] + t * (table[cell, 1, 0] + t * (table[cell, 2, 0] + t * table[cell, 3, 0]))
        assert np.allclose(found, curve(-8e-3 + (cell + at) * 16e-3 / 512), rtol=1e-9)


def test_a_ladder_holds_the_simple_coils_exactly_and_fits_the_others():
    lr2 = LR2(0.15e-3, 0.45e-3, 4.0)
    assert np.allclose(LadderCoil.of(lr2).impedance(F), lr2.impedance(F), rtol=1e-12)
    assert LadderCoil.of(PlainInductance(1e-3)).low_inductance == 1e-3
    semi = SemiInductance(0.02, 0.65)
    fit = fit_ladder(F, [0.0], semi.impedance(F)[None], rungs=6)
    assert fit.error < 0.03
    assert np.all(fit.at(0).impedance(np.geomspace(1, 1e5, 50)).real >= 0)


def test_a_ladder_over_position_keeps_its_time_constants():
    """A coil and one fixed ring, M(x) known: the coupled-coil formula Z = jwL + w^2 M^2 / (R + jwL2), written as loops."""
    ring_l, ring_r = 0.5e-6, 5e-3
    mutual = 1.4e-5 * np.exp(-((X / 10e-3) ** 2))
    w = 2 * np.pi * F
    z = 1j * w * 0.6e-3 + (w * mutual[:, None]) ** 2 / (ring_r + 1j * w * ring_l)
    motor, error = LargeSignalMotor.from_impedance(X, np.full(21, 8.0), F, z, rungs=6)
    assert error < 0.01
    back = np.array([motor.coil_at(x).impedance(F) for x in X])
    assert np.max(np.abs(back / z - 1)) < 0.01
    assert motor.inductance(0.0, 20.0)[0] == pytest.approx(z[10, 0].imag / w[0], rel=0.01)


def test_a_port_matrix_gives_a_winding():
    """Coil and winding on one pole: each loop couples to both."""
    tau, rc, rw = 8e-5, 2.0 + 30 * X, 0.5 - 20 * X
    jw = 2j * np.pi * F
    loop = jw * tau / (1 + jw * tau)
    z = np.empty((21, 2, 2, len(F)), complex)
    z[:, 0, 0] = jw * 2e-4 + rc[:, None] ** 2 * loop
    z[:, 1, 1] = jw * 2e-5 + rw[:, None] ** 2 * loop
    z[:, 0, 1] = z[:, 1, 0] = jw * 3e-5 + (rc * rw)[:, None] * loop
    motor, error = LargeSignalMotor.from_impedance(
        X, np.full(21, 8.0), F, z, winding_force_factor=500 * X, winding_resistance=0.5, rungs=5
    )
    assert error < 0.05
    w = motor.winding
    low = np.array([float(w.mutual(x)) + sum(t * float(a(x)) * float(b(x)) for t, a, b in
                    zip(motor.time_constant, motor.coupling, w.coupling, strict=True)) for x in X])  # fmt: skip
    assert np.allclose(low, 3e-5 + tau * rc * rw, rtol=0.05)


def test_an_active_or_shapeless_impedance_is_refused():
    z = np.tile(1j * 2 * np.pi * F * 1e-3, (3, 1))
    with pytest.raises(DataError, match=r"not negative.*A motor at rest gives no power"):
        fit_ladder(F, X[:3] + 7e-3, z - 1.0)
    with pytest.raises(DataError, match=r"shaped \(3, 31\)"):
        fit_ladder(F, X[:3], z[:2])


def test_motors_from_curves_and_what_they_refuse():
    curves = MotorCurves(X, 8 - 4e4 * X**2, 1e-3 - 0.03 * X)
    motor = LargeSignalMotor.of_curves(curves)
    assert motor.inductance(2e-3)[0] == pytest.approx(0.94e-3, rel=1e-6)
    with pytest.raises(DesignError, match=r"not zero, got 0 T m. Try curves in T m"):
        LargeSignalMotor.typed(PositionCurve.constant(0.0, 8e-3), PlainInductance(1e-3))
    with pytest.raises(DesignError, match="T for mT"):
        LargeSignalMotor.typed(PositionCurve.constant(8000.0, 8e-3), PlainInductance(1e-3))
    with pytest.raises(DesignError, match="positive everywhere"):
        LargeSignalMotor.typed(PositionCurve.constant(8.0, 8e-3), PlainInductance(1e-3), PositionCurve.polynomial([1, 200], 8e-3))
    flat = PositionCurve.constant(1e-5, 8e-3)
    with pytest.raises(DesignError, match="damping winding's resistance must be finite and positive"):
        ShortedWinding(0.0, flat, flat, flat)


def test_suspensions():
    measured = Suspension.from_force(X, 1000 * X + 2e6 * X**3 + 0.3)
    assert measured.compliance == pytest.approx(1e-3, rel=1e-4)
    assert measured.force(5e-3) == pytest.approx(5.25, rel=1e-4)
    assert measured.with_rest_compliance(2e-3).force(5e-3) == pytest.approx(2.625, rel=1e-4)
    with pytest.raises(DesignError, match=r"Kms\(x\) must be positive everywhere, got .* N/m at -8 mm.*would not come back"):
        Suspension(PositionCurve.polynomial([1000, 0, -2e7], 8e-3))
    with pytest.raises(DesignError, match="Is the unit right"):
        Suspension.linear(1000.0, 8e-3)
    parts = SurroundAndSpider(300, 700, surround_width=10e-3, spider_limit=14e-3).suspension(8e-3)
    assert parts.compliance == pytest.approx(1e-3, rel=1e-3)
    assert float(parts.stiffness(7e-3)) > 1.3 * float(parts.stiffness(1e-3))
    offset = SurroundAndSpider(300, 700, 10e-3, 14e-3, surround_offset=1e-3).suspension(8e-3)
    assert float(offset.stiffness(-6e-3)) > float(offset.stiffness(6e-3))
    with pytest.raises(DesignError, match=r"short of the surround's limit \(12.1 mm\)"):
        SurroundAndSpider(300, 700, 10e-3, 14e-3).suspension(13e-3)


def test_signals_are_what_they_say():
    tone = Tones.sine(997.0, 2.0, 0.5).voltage(48e3)
    assert np.sqrt(np.mean(tone[: 997 * 0 + 24000] ** 2)) == pytest.approx(2.0, rel=1e-3)
    many = Tones.multi(20, 2000, 5.0, per_octave=4, duration=3.0)
    slow = sum(np.sqrt(2) * v * np.sin(2 * np.pi * f * np.arange(999) / 48e3 + p)
               for f, v, p in zip(many.frequency_hz, many.rms, many.phase, strict=True))  # fmt: skip
    assert many.period == 1.0 and np.allclose(many.voltage(48e3)[96000:96999], slow, atol=1e-9)
    assert all(round(f) % 2 for f in many.frequency_hz)
    pair = Tones.pair(60, 7000, 3.0)
    assert np.hypot(*pair.rms) == pytest.approx(3.0) and pair.rms[0] == pytest.approx(4 * pair.rms[1])
    noise = ProgrammeNoise(4.0, 4.0, repeats_after=2.0)
    y = noise.voltage(48e3)
    assert np.sqrt(np.mean(y**2)) == pytest.approx(4.0, rel=1e-6) and np.allclose(y[:96000], y[96000:])
    assert np.allclose(noise.voltage(96e3)[::2], y, atol=1e-9)
    power = np.abs(np.fft.rfft(y[:96000])) ** 2
    f = np.fft.rfftfreq(96000, 1 / 48e3)
    third = [power[(f >= c / 1.122) & (f < c * 1.122)].sum() for c in (63.1, 501.2, 10000.0)]
    assert np.allclose(10 * np.log10(np.array(third) / third[1]), [-2.3, 0, -11.9], atol=0.5)
    assert np.max(np.abs(ProgrammeNoise(1.0, 2.0, 2.0, crest=2.0).voltage(48e3))) < 2.6
    burst = Burst(50.0, 10.0, start=0.02).voltage(96e3)
    assert np.max(burst) == pytest.approx(10, rel=0.02) and np.all(burst[:1900] == 0)


def test_recordings(tmp_path):
    import soundfile

    t = np.arange(4410) / 44100
    soundfile.write(tmp_path / "a.wav", 0.5 * np.sin(2 * np.pi * 440 * t), 44100, subtype="FLOAT")
    found = Recording.read(tmp_path / "a.wav", 20.0).voltage(96e3)
    expected = 10 * np.sin(2 * np.pi * 440 * np.arange(len(found)) / 96e3)
    assert np.max(np.abs(found - expected)[500:-500]) < 0.01
    with pytest.raises(DataError, match="must be a WAV or FLAC file"):
        Recording.read(tmp_path / "none.wav", 1.0)
    with pytest.raises(DataError, match="below 1"):
        Recording.read(tmp_path / "a.wav", 1.0, channel=1)


def test_curves_that_do_not_meet_are_refused():
    motor = LargeSignalMotor.typed(PositionCurve.constant(8.0, 8e-3), PlainInductance(1e-3))
    driver = LargeSignalDriver(5.8, 137e-4, 15e-3, motor, Suspension.linear(1e-3, 8e-3), 1.0, travel=(1e-3, 5e-3))
    with pytest.raises(DesignError, match="on both sides of rest"):
        LargeSignalSystem(driver).size  # noqa: B018
