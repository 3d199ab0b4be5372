"""The network against laws it must obey whatever the loudspeaker: energy, passivity, reciprocity, symmetry."""

import math

import numpy as np
import pytest

from evenfield.base import Air
from evenfield.transducer import (
    ClosedBox,
    CompressionDriver,
    Driver,
    DriverPart,
    NetworkSolution,
    SemiInductance,
    Vent,
    VentedBox,
    VentPart,
    solve_network,
)

AIR = Air()
F = np.geomspace(20, 20e3, 40)
W = 2 * np.pi * F
WOOFER = Driver.from_parameters(
    re=5.6, fs=58.0, qms=4.5, bl=5.0, mms=6.4e-3, sd=55e-4, coil=SemiInductance.from_inductance(0.5e-3, 0.65)
)
DOME = Driver.from_parameters(re=3.2, fs=900.0, qms=2.0, bl=2.4, mms=0.32e-3, sd=6.2e-4, le=0.02e-3)
MOTOR = Driver.from_parameters(re=6.0, fs=450.0, qms=3.0, bl=9.0, mms=1.9e-3, sd=16e-4, le=0.05e-3, air_load="none")
HORN = CompressionDriver(MOTOR, 4.9e-4, 0.9e-6, rear_volume=20e-6, plug_mass_length=4e-3)


def passive_radiation(areas: list[float], seed: int) -> np.ndarray:
    """A made-up but lawful load: symmetric, the real part positive semidefinite, of the size of rho c S."""
    rng = np.random.default_rng(seed)
    n = len(areas)
    root = rng.standard_normal((n, n))
    resistance, mass = root @ root.T / n, np.eye(n) + 0.2 * (root + root.T) / n
    scale = AIR.impedance * np.sqrt(np.outer(areas, areas))
    ka = AIR.wavenumber(F) * 0.03
    return scale[:, :, None] * (resistance[:, :, None] * ka**2 / (1 + ka**2) + 1j * mass[:, :, None] * ka / (1 + ka**2))


BOX = VentedBox(4.2e-3, 12.0, 50.0, vent=Vent(9.1e-4, 0.12), q_vent=40.0)
PARTS = [
    DriverPart("cone", WOOFER, "woofer", "box", area=57e-4),
    DriverPart("dome", DOME, "tweeter", "box"),
    VentPart("vent", "box", area=9.0e-4),
    DriverPart("throat", HORN, "treble"),
]
AREAS = [57e-4, 6.2e-4, 9.0e-4, 4.9e-4]
SOURCE = {"woofer": 0.3, "tweeter": 0.1 + 0.02j, "treble": 0.0}


def solved(seed: int, **more) -> tuple[NetworkSolution, np.ndarray]:  # type: ignore[no-untyped-def]
    radiation = passive_radiation(AREAS, seed)
    return solve_network(F, PARTS, radiation, {"box": BOX}, air=AIR, output_impedance=SOURCE, **more), radiation


def box_loss(s: NetworkSolution, way: int) -> np.ndarray:
    """(F,) W in leak, absorption and vent friction, from the pressure and the vent's velocity."""
    reference = 2 * math.pi * BOX.tuning_hz(AIR)
    compliance = BOX.compliance(AIR)
    leak, series = BOX.q_leakage / (reference * compliance), 1 / (reference * compliance * BOX.q_absorption)
    p = s.box_pressure[way, 0]
    absorbed = np.abs(p / (series + 1 / (1j * W * compliance))) ** 2 * series
    friction = np.abs(s.diaphragm_velocity[way, 2] * BOX.vent.area) ** 2 * BOX.vent_resistance(AIR)
    return np.abs(p) ** 2 / leak + absorbed + friction


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_energy_is_balanced(seed: int) -> None:
    """Watts from the generator = coils and amplifiers + suspensions + box + radiation, at every frequency and way."""
    s, radiation = solved(seed)
    motors = [WOOFER, DOME, None, MOTOR]
    for w in range(3):
        given = s.way_current[w, w].real
        amplifier = sum(np.abs(s.way_current[w, j]) ** 2 * np.real(SOURCE[n]) for j, n in enumerate(s.ways))
        heat = np.zeros(len(F))
        for i, motor in enumerate(motors):
            if motor is not None:
                heat += np.abs(s.current[w, i]) ** 2 * (motor.re + motor.coil.impedance(F).real)
                heat += np.abs(s.diaphragm_velocity[w, i]) ** 2 * motor.rms
        v = s.velocity[w]
        radiated = np.einsum("pf,pqf,qf->f", v.conj(), radiation, v).real
        assert np.all(radiated > 0)
        assert np.max(np.abs((amplifier + heat + box_loss(s, w) + radiated) / given - 1)) < 1e-9


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_impedance_is_passive(seed: int) -> None:
    s, _ = solved(seed)
    assert np.all(s.impedance.real > 0)
    floor = np.array([WOOFER.re, DOME.re, MOTOR.re])
    assert np.all(s.impedance.real >= floor[:, None] - 1e-9)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_reciprocity_between_ways(seed: int) -> None:
    """A volt at one way drives the same current through the shorted other as the other way round."""
    s, _ = solved(seed)
    assert np.allclose(s.way_current, s.way_current.transpose(1, 0, 2), rtol=1e-9, atol=1e-15)
    assert np.max(np.abs(s.way_current[0, 1])) > 1e-6


def test_equal_motors_give_symmetric_transfer_velocities() -> None:
    """Two drivers of equal motor but unequal cones in one box: v_2 per volt at 1 equals v_1 per volt at 2."""
    a = Driver.from_parameters(re=6.0, bl=7.0, mms=12e-3, cms=0.9e-3, rms=1.1, sd=130e-4, le=0.3e-3)
    b = Driver.from_parameters(re=6.0, bl=7.0, mms=20e-3, cms=0.5e-3, rms=0.7, sd=210e-4, le=0.3e-3)
    parts = [DriverPart("a", a, "low", "box"), DriverPart("b", b, "mid", "box")]
    s = solve_network(F, parts, passive_radiation([a.sd, b.sd], 5), {"box": ClosedBox(0.02)}, air=AIR)
    assert np.allclose(s.velocity[0, 1], s.velocity[1, 0], rtol=1e-9)


def test_two_halves_equal_the_whole() -> None:
    """Two equal drivers in one box are one of twice the area, mass and stiffness; half Re in parallel, twice in series."""
    one = Driver.from_parameters(re=6.0, bl=7.0, mms=12e-3, cms=0.9e-3, rms=1.1, sd=130e-4, le=0.3e-3)
    mass = 1e-3
    separate = np.zeros((2, 2, len(F)), complex)
    separate[0, 0] = separate[1, 1] = 1j * W * mass + 0.2
    parts = [DriverPart("a", one, "w", "box"), DriverPart("b", one, "w", "box")]
    leaky = ClosedBox(0.02, q_leakage=5.0)
    source = {"air": AIR, "output_impedance": {"w": 0.4}}
    for wiring, re, bl in (("parallel", 3.0, 7.0), ("series", 12.0, 14.0)):
        factor = re / 6.0
        whole = Driver(
            re=re,
            bl=bl,
            mmd=2 * one.mmd,
            air_load=2 * one.air_load,
            cms=one.cms / 2,
            rms=2 * one.rms,
            sd=2 * one.sd,
            coil=one.coil.scaled(factor),
        )
        both = solve_network(F, parts, separate, {"box": leaky}, wiring={"w": wiring}, **source)  # type: ignore[dict-item]
        single = solve_network(F, [DriverPart("ab", whole, "w", "box")], 2 * separate[:1, :1], {"box": leaky}, **source)
        assert np.allclose(both.impedance, single.impedance, rtol=1e-9)
        assert np.allclose(both.velocity[0, 0], single.velocity[0, 0], rtol=1e-9)
        assert np.allclose(both.velocity[0, 1], single.velocity[0, 0], rtol=1e-9)


def test_unequal_drivers_on_one_amplifier_share_its_voltage() -> None:
    """Two unlike drivers in parallel behind 0.4 ohm move as they do without it, times the voltage left at the terminals."""
    parts = [DriverPart("a", WOOFER, "w", "box"), DriverPart("b", DOME, "w")]
    load = passive_radiation([55e-4, 6.2e-4], 6)
    behind = solve_network(F, parts, load, {"box": ClosedBox(0.004)}, air=AIR, output_impedance={"w": 0.4})
    without = solve_network(F, parts, load, {"box": ClosedBox(0.004)}, air=AIR)
    left = 1 - 0.4 * behind.way_current[0, 0]
    assert np.allclose(behind.velocity, without.velocity * left, rtol=1e-9)
    assert np.allclose(behind.impedance, without.impedance, rtol=1e-9)


def test_the_amplifiers_impedance_acts_as_more_resistance() -> None:
    """A generator behind 0.4 ohm is a driver of Re + 0.4 ohm; the terminal impedance leaves it out."""
    from dataclasses import replace

    load = passive_radiation([55e-4], 4)
    behind = solve_network(F, [DriverPart("c", WOOFER, "w")], load, air=AIR, output_impedance={"w": 0.4})
    inside = solve_network(F, [DriverPart("c", replace(WOOFER, re=6.0), "w")], load, air=AIR)
    assert np.allclose(behind.velocity, inside.velocity, rtol=1e-12)
    assert np.allclose(behind.impedance + 0.4, inside.impedance, rtol=1e-12)


def test_mesh_area_scaling_keeps_the_volume_velocity() -> None:
    """With the load of a part proportional to its area squared, drawing it 4 % larger changes nothing but its velocity."""
    load = passive_radiation([55e-4], 4)
    true = solve_network(F, [DriverPart("c", WOOFER, "w", area=55e-4)], load, air=AIR)
    large = solve_network(F, [DriverPart("c", WOOFER, "w", area=1.04 * 55e-4)], load * 1.04**2, air=AIR)
    assert np.allclose(large.diaphragm_velocity, true.diaphragm_velocity, rtol=1e-12)
    assert np.allclose(large.velocity * 1.04, true.velocity, rtol=1e-12)


def test_compression_driver_two_port() -> None:
    """Against the two-port by hand: cavity compliance between diaphragm and a throat loaded with rho c St.

    Source: Beranek & Mellow, Acoustics (2012), ch. 9.
    """
    st = HORN.throat_area
    load = np.full((1, 1, len(F)), AIR.impedance * st, complex)
    s = solve_network(F, [DriverPart("t", HORN, "w")], load, air=AIR)
    bulk = AIR.density * AIR.speed_of_sound**2
    throat = AIR.impedance / st + 1j * W * AIR.density * HORN.plug_mass_length / st
    cavity = bulk / (1j * W * HORN.front_volume)
    acoustic = cavity * throat / (cavity + throat) + bulk / (1j * W * HORN.rear_volume)
    mechanical = 1j * W * MOTOR.mmd + MOTOR.rms + 1 / (1j * W * MOTOR.cms) + MOTOR.sd**2 * acoustic
    coil = MOTOR.re + MOTOR.coil.impedance(F)
    assert np.allclose(s.impedance[0], coil + MOTOR.bl**2 / mechanical, rtol=1e-10)
    diaphragm = MOTOR.bl / (coil * mechanical + MOTOR.bl**2)
    assert np.allclose(s.diaphragm_velocity[0, 0], diaphragm, rtol=1e-10)
    assert np.allclose(s.velocity[0, 0] * st, diaphragm * MOTOR.sd * cavity / (cavity + throat), rtol=1e-10)


def test_a_vanishing_front_chamber_is_a_lever() -> None:
    """Without a front chamber the throat moves Sd/St times the diaphragm."""
    tight = CompressionDriver(MOTOR, 4.9e-4, 1e-14)
    s = solve_network(F, [DriverPart("t", tight, "w")], np.full((1, 1, len(F)), 0.2 + 0j), air=AIR)
    assert np.allclose(s.velocity, s.diaphragm_velocity * tight.compression_ratio, rtol=1e-5)
    assert tight.compression_ratio == pytest.approx(16 / 4.9)


def test_several_vents_share_the_air() -> None:
    """Two tubes as one part, and as two parts of one tube each, blow the same."""
    box = VentedBox(0.02, 15.0, vent=Vent(10e-4, 0.1, number=2), q_vent=30.0)
    cone = DriverPart("c", WOOFER, "w", "box")
    single = 1j * W * 5e-5 + 1e-3
    joint = np.zeros((2, 2, len(F)), complex)
    joint[0, 0], joint[1, 1] = 1j * W * 4e-4, 2 * single
    apart = np.zeros((3, 3, len(F)), complex)
    apart[0, 0], apart[1, 1], apart[2, 2] = 1j * W * 4e-4, single, single
    one = solve_network(F, [cone, VentPart("v", "box")], joint, {"box": box}, air=AIR)
    two = solve_network(F, [cone, VentPart("v", "box", 1), VentPart("u", "box", 1)], apart, {"box": box}, air=AIR)
    assert np.allclose(one.vent_speed[0, 0], two.vent_speed[0, 1], rtol=1e-9)
    assert np.allclose(one.impedance, two.impedance, rtol=1e-9)
