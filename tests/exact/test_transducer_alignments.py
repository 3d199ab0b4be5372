"""The coupled network against Thiele's and Small's closed forms, and those against the published tables."""

import math

import numpy as np
import pytest

from evenfield.base import Air
from evenfield.exact import alignments
from evenfield.transducer import ClosedBox, Driver, DriverPart, Vent, VentedBox, VentPart, solve_network
from evenfield.transducer.box import FLANGED_END

AIR = Air()

# A. N. Thiele 1961 (JAES 19, 1971, 382), Table I: name, QT, h, VB/VAS, published f3/fs; read in secondary text.
# C4-7: QT printed 0.446 there, 0.466 fits its f3. f3 within 1.5 % (the table's rounding).
THIELE = [
    ("QB3-1", 0.18, 2.0, 0.0954, 2.68),
    ("QB3-2", 0.209, 1.73, 0.1337, 2.28),
    ("QB3-3", 0.259, 1.42, 0.2242, 1.77),
    ("QB3-4", 0.303, 1.23, 0.339, 1.45),
    ("B4-5", 0.383, 1.0, 0.7072, 1.0),
    ("C4-6", 0.415, 0.927, 0.9479, 0.867),
    ("C4-7", 0.466, 0.829, 1.372, 0.729),
    ("C4-8", 0.518, 0.757, 1.79, 0.641),
    ("C4-9", 0.557, 0.716, 2.062, 0.6),
    ("C4-9.5", 0.625, 0.638, 2.6, 0.52),
]


def driver(qts: float, fs: float = 30.0, qms: float = 1e2) -> Driver:
    qes = 1 / (1 / qts - 1 / qms)
    return Driver.from_parameters(re=6.0, fs=fs, qms=qms, qes=qes, sd=0.022, mms=0.03)


def front_mass(d: Driver) -> float:
    """8/3 rho a^3, the air on one side of a baffled piston at low frequency (closed form)."""
    return 8 / 3 * AIR.density * d.radius**3


def piston_impedance(frequency, radius: float):  # type: ignore[no-untyped-def]
    """(F,) N s/m, one side of a baffled piston: rho c S (R1 + j X1)(2ka). Source: Beranek & Mellow (2012), ch. 13."""
    from scipy.special import j1, struve

    x = 2 * AIR.wavenumber(frequency) * radius
    return AIR.impedance * math.pi * radius**2 * (1 - 2 * j1(x) / x + 2j * struve(1, x) / x)


def total_response(d: Driver, box: ClosedBox, frequency):  # type: ignore[no-untyped-def]
    """Acceleration of the volume drawn out of the box (diaphragm, vent and leak together), over its passband value."""
    parts: list[DriverPart | VentPart] = [DriverPart("cone", d, "w", "box")]
    masses = [front_mass(d)]
    if isinstance(box, VentedBox):
        parts.append(VentPart("vent", "box"))
        masses.append(FLANGED_END * AIR.density * box.vent.area * box.vent.radius)
    jw = 2j * np.pi * np.asarray(frequency)
    radiation = np.diag(masses)[:, :, None] * jw
    solution = solve_network(frequency, parts, radiation, {"box": box}, air=AIR)
    drawn = -solution.box_pressure[0, 0] * jw * box.compliance(AIR)
    return jw * drawn / (d.bl * d.sd / (d.re * d.mms)), solution


def vented(d: Driver, alpha: float, h: float, **losses: float) -> VentedBox:
    """A box of Vas/alpha whose vent, flanged outside, tunes it to h Fs."""
    p = d.parameters(AIR)
    volume, area = p["Vas"] / alpha, 20e-4
    mass = 1 / ((2 * math.pi * h * p["Fs"]) ** 2 * volume / (AIR.density * AIR.speed_of_sound**2))
    length = mass * area / AIR.density - (FLANGED_END + 0.6133) * math.sqrt(area / math.pi)
    box = VentedBox(volume, vent=Vent(area, length), **losses)
    assert box.tuning_hz(AIR) == pytest.approx(h * p["Fs"], rel=1e-9)
    return box


@pytest.mark.parametrize(("name", "qt", "h", "volume", "f3"), THIELE, ids=[r[0] for r in THIELE])
def test_thieles_vented_rows(name: str, qt: float, h: float, volume: float, f3: float) -> None:
    d = driver(qt)
    box = vented(d, 1 / volume, h)
    ratio = np.geomspace(0.2, 20, 200)
    response, _ = total_response(d, box, ratio * 30.0)
    exact = alignments.vented_box_response(ratio, qt, 1 / volume, h)
    assert np.max(np.abs(response - exact)) < 1e-6
    cutoff = alignments.cutoff_ratio(lambda x: total_response(d, box, np.asarray(x) * 30.0)[0], 0.1, 10)
    assert cutoff == pytest.approx(f3, rel=0.015)


@pytest.mark.parametrize(
    ("ql", "qt", "alpha"),
    [
        (math.inf, 0.3826834323650898, 1.4142135623730951),
        (3.0, 0.43863639243787916, 0.6542826968999551),
        (5.0, 0.41440025473617087, 0.9315883764225443),
        (7.0, 0.40481424746361355, 1.0613180213880078),
        (10.0, 0.39791082021042307, 1.1629009693978196),
        (15.0, 0.3927021392001721, 1.2444496115006891),
        (20.0, 0.3901486026854962, 1.2860572658854572),
    ],
)
def test_butterworth_with_leakage(ql: float, qt: float, alpha: float) -> None:
    """Source: check values b4.*, derived from Small, JAES 21 (1973); QL = 7 read in secondary text too."""
    assert alignments.butterworth_vented(ql) == pytest.approx((qt, alpha), rel=1e-12)
    d = driver(qt)
    x = np.geomspace(0.2, 20, 200)
    response, _ = total_response(d, vented(d, alpha, 1.0, q_leakage=ql), x * 30.0)
    assert np.allclose(np.abs(response) ** 2, x**8 / (1 + x**8), rtol=1e-5, atol=1e-10)


def test_leakage_off_the_driver_resonance() -> None:
    """Small's polynomial with QL stated at the box tuning, h = 0.8 (JAES 21 (1973) 363)."""
    x = np.geomspace(0.2, 20, 100)
    response, _ = total_response(driver(0.42), vented(driver(0.42), 0.9, 0.8, q_leakage=6.0), x * 30.0)
    assert np.max(np.abs(response - alignments.vented_box_response(x, 0.42, 0.9, 0.8, 6.0))) < 1e-6


def test_absorption_and_vent_losses_lower_the_tuning_peak() -> None:
    """At the box tuning QA and QP each take 1/Q of the vent's output as QL does (Small 1973, part I): same pressure."""
    d = driver(0.4)
    pressure = []
    for losses in ({"q_leakage": 20.0}, {"q_absorption": 20.0}, {"q_vent": 20.0}):
        _, s = total_response(d, vented(d, 1.0, 1.0, **losses), [30.0])
        pressure.append(abs(s.box_pressure[0, 0, 0]))
    _, s = total_response(d, vented(d, 1.0, 1.0), [30.0])
    lossless = abs(s.box_pressure[0, 0, 0])
    assert max(pressure) < lossless
    assert np.ptp(pressure) / np.mean(pressure) < 0.01


def test_closed_box() -> None:
    """Source: check values cb.*: fs 30, Qts 0.35, alpha 3 -> fc 60, Qtc 0.7, f3 60.6153 Hz (Small 1972)."""
    d = driver(0.35)
    box = ClosedBox(d.parameters(AIR)["Vas"] / 3)
    ratio = np.geomspace(0.1, 20, 100)
    response, _ = total_response(d, box, ratio * 60.0)
    assert np.max(np.abs(response - alignments.closed_box_response(ratio, 0.7))) < 1e-6
    f3 = 60 * alignments.cutoff_ratio(lambda x: total_response(d, box, np.asarray(x) * 60.0)[0])
    assert f3 == pytest.approx(60.615336321277404, rel=1e-6)
    assert alignments.closed_box(30.0, 0.35, 3.0) == pytest.approx((60.0, 0.7, 60.615336321277404), rel=1e-12)


@pytest.mark.parametrize(
    ("q", "cutoff"),
    [
        (0.5, 1.5537739740300374),
        (0.57735, 1.27202044521403),
        (0.707107, 0.9999996905512393),
        (0.8, 0.897160080272718),
        (1.0, 0.7861513777574233),
        (1.2, 0.7358154619428846),
    ],
)
def test_closed_box_cutoff(q: float, cutoff: float) -> None:
    """Source: check values cb.f3.*, closed form."""
    assert alignments.closed_box_cutoff(q) == pytest.approx(cutoff, rel=1e-12)
    assert alignments.cutoff_ratio(lambda x: alignments.closed_box_response(x, q)) == pytest.approx(cutoff, rel=1e-9)


@pytest.mark.parametrize(
    ("q", "peak"),
    [(0.8, 0.21295340941275198), (1.0, 1.2493873660830006), (1.2, 2.4117802279796847), (1.5, 4.033350405587438)],
)
def test_closed_box_peak(q: float, peak: float) -> None:
    """Source: check values cb.pk.*, closed form."""
    assert alignments.closed_box_peak_db(q) == pytest.approx(peak, rel=1e-12)


@pytest.mark.parametrize(
    ("density", "speed", "level", "coefficient"),
    [
        (1.2041, 343.2, 112.15969975884774, 9.766026517617917e-07),
        (1.18, 345.0, 112.09461242693322, 9.61396311318288e-07),
        (1.21, 343.0, 112.17839630673143, 9.783119909047395e-07),
    ],
)
def test_sensitivity_constant(density: float, speed: float, level: float, coefficient: float) -> None:
    """Source: check values sens.*, closed form (Small 1972)."""
    air = Air(speed, density)
    assert alignments.reference_level_db(1.0, air) == pytest.approx(level, abs=1e-9)
    assert alignments.reference_efficiency(1.0, 1.0, 1.0, air) == pytest.approx(coefficient, rel=1e-12)


def test_the_network_reaches_the_reference_level() -> None:
    """A baffled driver in a huge box, on axis at 1 m for 1 W in Re, against 112.16 dB + 10 lg eta0 (Small 1972)."""
    d = driver(0.4, fs=20.0)
    frequency = np.array([200.0, 300.0])
    radiation = piston_impedance(frequency, d.radius)[None, None]
    s = solve_network(frequency, [DriverPart("cone", d, "w", "big")], radiation, {"big": ClosedBox(100.0)}, air=AIR)
    volume = s.diaphragm_velocity[0, 0] * d.sd * math.sqrt(d.re)
    on_axis = AIR.density * 2 * np.pi * frequency * np.abs(volume) / (2 * math.pi)
    level = 20 * np.log10(on_axis / 20e-6)
    p = d.parameters(AIR)
    passband = alignments.reference_level_db(alignments.reference_efficiency(p["Fs"], p["Vas"], p["Qes"], AIR), AIR)
    exact = passband + 20 * np.log10(np.abs(alignments.closed_box_response(frequency / 20.0, 0.4)))
    assert level == pytest.approx(exact, abs=0.05)


def test_impedance_peaks_at_fs_with_the_ratio_of_the_q() -> None:
    """|Z(Fs)| = Re (1 + Qms/Qes) for the driver in free air (Small 1972), whose air load the network puts back."""
    d = driver(0.4, qms=5.0)
    f = np.array([29.0, 30.0, 31.0])
    radiation = (2j * np.pi * f * front_mass(d))[None, None]
    s = solve_network(f, [DriverPart("cone", d, "w")], radiation, air=AIR)
    p = d.parameters(AIR)
    assert s.impedance[0, 1] == pytest.approx(6.0 * (1 + p["Qms"] / p["Qes"]), rel=1e-9)
    assert abs(s.impedance[0, 1]) > max(abs(s.impedance[0, 0]), abs(s.impedance[0, 2]))
