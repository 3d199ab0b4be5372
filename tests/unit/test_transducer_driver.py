"""Drivers from sufficient sets, contradictions, missing members; coils; boxes; network input."""

import math
from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest

from evenfield.base import Air, DesignError
from evenfield.transducer import (
    LR2,
    ClosedBox,
    CompressionDriver,
    Driver,
    DriverPart,
    PlainInductance,
    SemiInductance,
    Vent,
    VentedBox,
    VentPart,
    WrightCoil,
    solve_network,
)
from evenfield.transducer.thiele_small import CORE, reachable

AIR = Air()
DRIVER = Driver.from_parameters(re=5.6, fs=58.0, qms=4.5, bl=5.0, mms=6.4e-3, sd=55e-4, xmax=4.5e-3, air=AIR)
ALL = DRIVER.parameters(AIR)
NAMES = [n for n in ALL if n not in ("Le", "Xmax")]
F = np.geomspace(20, 20e3, 31)


def test_every_sufficient_set_of_six_gives_the_same_driver() -> None:
    tried = 0
    for names in combinations(NAMES, 6):
        if not reachable(names).issuperset(CORE):
            continue
        d = Driver.from_named({n: ALL[n] for n in names}, air=AIR)
        for n in NAMES:
            assert d.parameters(AIR)[n] == pytest.approx(ALL[n], rel=1e-6), names
        tried += 1
    assert tried > 100


def test_air_load_is_taken_off_and_half_is_the_rear() -> None:
    """2 x 8/3 rho a^3 (Beranek & Mellow 2012, ch. 13)."""
    a = math.sqrt(55e-4 / math.pi)
    assert DRIVER.mms - DRIVER.mmd == pytest.approx(2 * 8 / 3 * 1.2041 * a**3)
    assert DRIVER.rear_air_mass == pytest.approx(8 / 3 * 1.2041 * a**3)
    bare = Driver.from_named({n: ALL[n] for n in CORE}, air=AIR, air_load="none")
    assert bare.mmd == pytest.approx(6.4e-3) and bare.rear_air_mass == 0


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"Fs": 1.05}, ["Fs = 60.9", "Mms Cms", r"\+5.0 %"]),
        ({"Qts": 0.9}, ["Qts", r"-10.0 %", "Qms Qes"]),
        ({"Vas": 1.1}, ["Vas", r"\+10.0 %", "Cms"]),
        ({"Qes": 1.08}, ["Qes", r"\+8.0 %", "Bl2"]),
        ({"Rms": 1.25}, ["Qms", r"\+25.0 %", "Rms"]),
    ],
)
def test_contradictions_are_named_with_their_size(change: dict[str, float], words: list[str]) -> None:
    given = {n: v * change.get(n, 1.0) for n, v in ALL.items() if n != "Le"}
    with pytest.raises(DesignError) as caught:
        Driver.from_named(given, air=AIR, key="ways.woofer.driver")
    assert caught.value.key == "ways.woofer.driver"
    for word in words:
        with pytest.raises(DesignError, match=word):
            raise caught.value


def test_a_derived_contradiction_says_so() -> None:
    with pytest.raises(DesignError, match="derived from the others"):
        Driver.from_parameters(re=5.6, fs=58.0, qms=4.5, bl=5.0, mms=6.4e-3, sd=55e-4, qts=0.6)
    for qms in (0.4, 0.495):
        with pytest.raises(DesignError, match=r"Qts = 0\.5"):
            Driver.from_parameters(re=5.6, fs=58.0, qms=qms, qts=0.5, mms=6.4e-3, sd=55e-4)


def test_rounding_is_no_contradiction() -> None:
    Driver.from_named({n: float(f"{v:.3g}") for n, v in ALL.items() if n != "Le"}, air=AIR)


@pytest.mark.parametrize(
    ("drop", "options"),
    [
        (["Bl", "Qes", "Qts"], "adding Qes or Qts or Bl"),
        (["Sd", "Vas"], "adding Vas or Sd"),
        (["Re", "Qes", "Qts"], "adding Re or Qes or Qts"),
        (["Fs", "Qes", "Vas", "Qts", "Mms", "Cms", "Rms"], r"adding Fs \+ Qes or Fs \+ Qts or Fs \+ Vas\."),
    ],
)
def test_missing_members_say_what_would_do(drop: list[str], options: str) -> None:
    given = {n: v for n, v in ALL.items() if n not in drop and n != "Le"}
    with pytest.raises(DesignError, match=options):
        Driver.from_named(given, air=AIR, key="ways.woofer.driver")


def test_values_out_of_range_carry_their_key() -> None:
    for values in ({"sd": 55.0}, {"mms": -1.0}, {"fs": math.nan}, {"re": math.inf}, {"bl": 0.0}):
        good = {"re": 5.6, "fs": 58.0, "qms": 4.5, "bl": 5.0, "mms": 6.4e-3, "sd": 55e-4}
        with pytest.raises(DesignError) as caught:
            Driver.from_parameters(**{**good, **values}, key="ways.woofer.driver")
        assert caught.value.key == f"ways.woofer.driver.{next(iter(values))}"
    with pytest.raises(DesignError, match="unit may be wrong") as caught:
        Driver.from_parameters(re=5.6, fs=58.0, qms=4.5, bl=5.0, mms=6.4e-3, sd=55.0)
    with pytest.raises(DesignError, match="the air it moves"):
        Driver.from_parameters(re=5.6, fs=58.0, qms=4.5, bl=5.0, mms=6.4e-6, sd=55e-4)


def test_inductance_models_meet_in_their_limits() -> None:
    w = 2 * np.pi * F
    plain = PlainInductance(0.5e-3).impedance(F)
    assert np.allclose(plain, 1j * w * 0.5e-3, rtol=1e-14)
    assert np.allclose(SemiInductance(0.5e-3, 1.0).impedance(F), plain, rtol=1e-12)
    assert np.array_equal(SemiInductance(0.5e-3, 1.0).impedance(F).real, np.zeros(len(F)))
    assert np.allclose(SemiInductance(3.0, 0.0).impedance(F), 3.0, rtol=1e-12)
    half = SemiInductance(0.02, 0.5).impedance(F)
    assert np.allclose(np.degrees(np.angle(half)), 45.0)  # ideal eddy currents, Vanderkooy 1989
    assert np.allclose(np.abs(half), 0.02 * np.sqrt(w))
    ladder = LR2(0.18e-3, 0.35e-3, 3.5)
    assert ladder.impedance([1e-3])[0] == pytest.approx(2j * math.pi * 1e-3 * 0.53e-3, rel=1e-5)
    assert ladder.impedance([1e8])[0] - 2j * math.pi * 1e8 * 0.18e-3 == pytest.approx(3.5, rel=1e-3)
    assert np.allclose(LR2(0.5e-3, 0.0, 0.0).impedance(F), plain)
    wright = WrightCoil(0.01, 0.7, 0.02, 0.7).impedance(F)
    assert np.allclose(wright, (0.01 + 0.02j) * w**0.7)


@pytest.mark.parametrize(
    "coil", [PlainInductance(1e-3), SemiInductance(0.02, 0.65), LR2(1e-4, 3e-4, 4.0), WrightCoil(0.003, 0.9, 0.02, 0.6)]
)
def test_coils_are_passive_and_scale(coil) -> None:  # type: ignore[no-untyped-def]
    assert np.all(coil.impedance(F).real >= 0)
    assert np.allclose(coil.scaled(1.3).impedance(F), 1.3 * coil.impedance(F), rtol=1e-12)


def test_box_fill_and_lumped_limit() -> None:
    """Isothermal air is 1.4 times as compliant; the first standing wave of 0.3 m is at 572 Hz (closed form)."""
    rigid = ClosedBox(0.01)
    assert rigid.compliance(AIR) == pytest.approx(0.01 / (1.2041 * 343.2**2))
    assert ClosedBox(0.01, fill=1.0).compliance(AIR) == pytest.approx(1.4 * rigid.compliance(AIR))
    assert ClosedBox(0.01, longest=0.3).lumped_limit_hz(AIR) == pytest.approx(572.0)
    assert rigid.lumped_limit_hz(AIR) == math.inf


def network(parts=None, boxes=None, load=None, frequency=F, **more):  # type: ignore[no-untyped-def]
    parts = parts or [DriverPart("cone", DRIVER, "w", "box")]
    boxes = {"box": ClosedBox(0.01, longest=0.3)} if boxes is None else boxes
    n = len(parts)
    load = np.zeros((n, n, len(frequency))) if load is None else load
    return solve_network(frequency, parts, load, boxes, air=AIR, **more)


def test_solution_shapes_and_marks() -> None:
    box = VentedBox(4.2e-3, vent=Vent(9e-4, 0.12), longest=0.2)
    s = network([DriverPart("cone", DRIVER, "w", "box"), VentPart("vent", "box")], {"box": box})
    assert s.velocity.shape == (1, 2, len(F)) and s.vent_speed.shape == (1, 1, len(F))
    assert s.lumped_limit_hz == {"box": pytest.approx(858.0)}
    assert np.allclose(s.excursion[0, 0] * 2 * np.pi * F, np.abs(s.velocity[0, 0]))
    assert (s.ways, s.parts, s.boxes, s.is_vent.tolist()) == (("w",), ("cone", "vent"), ("box",), [False, True])


@pytest.mark.parametrize(
    ("call", "word"),
    [
        (lambda: network(load=np.zeros((2, 2, len(F)))), "shaped"),
        (lambda: network(load=np.full((1, 1, len(F)), np.nan)), "finite"),
        (lambda: network(frequency=np.array([0.0, 1.0])), "positive"),
        (lambda: network(boxes={}), "no box at all"),
        (lambda: network([VentPart("v", "box")]), "at least one driver"),
        (lambda: network([DriverPart("a", DRIVER, "w"), DriverPart("a", DRIVER, "x")]), "once"),
        (lambda: network([DriverPart("a", DRIVER, "w"), VentPart("v", "box")]), "vented box"),
        (lambda: network(boxes={"box": VentedBox(0.01, vent=Vent(1e-3, 0.1))}), "in the mesh"),
        (lambda: network([DriverPart("a", DRIVER, "w", area=80e-4)]), r"\+45 %"),
        (lambda: network(output_impedance={"z": 0.1}), "ways"),
        (lambda: network(output_impedance={"w": -0.1}), "negative"),
        (lambda: network(wiring={"w": "star"}), "series"),
        (lambda: ClosedBox(0.0), "volume"),
        (lambda: ClosedBox(1.0, q_leakage=0.0), "q_leakage"),
        (lambda: ClosedBox(1.0, fill=1.5), "fill"),
        (lambda: Vent(1e-3, -0.1), "length"),
        (lambda: Vent(1e-3, 0.1, number=0), "number"),
        (lambda: PlainInductance(-1e-3), "Le"),
        (lambda: SemiInductance(0.01, 1.2), "negative"),
        (lambda: WrightCoil(0.1, 0.5, math.nan, 0.5), "Kx"),
        (lambda: CompressionDriver(DRIVER, 80e-4, 1e-6), "compression ratio"),
        (lambda: CompressionDriver(DRIVER, 5e-4, 0.0), "front_volume"),
        (lambda: replace(DRIVER, mmd=math.nan), "mmd"),
    ],
)
def test_bad_input_is_refused(call, word) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(DesignError, match=word):
        call()
