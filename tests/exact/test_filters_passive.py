"""Passive networks against closed-form ladders, bridges and transformers; E series; derivatives; losses."""

import math

import numpy as np
import pytest

from evenfield.base import DesignError
from evenfield.filters.passive_network import PassiveNetwork
from evenfield.filters.passive_parts import Capacitor, Inductor, Load, Resistor, Transformer
from evenfield.filters.passive_series import PriceRule, nearest, series_values, written
from evenfield.filters.passive_spice import driver_circuit, from_spice, spice_value, to_spice
from evenfield.filters.passive_stress import check_impedance, least_impedance, part_stresses

F = np.geomspace(20, 20e3, 60)


def load(ohms: complex = 8.0, nodes: tuple[str, str] = ("out", "0"), name: str = "woofer") -> Load:
    axis = np.array([10.0, 40e3])
    return Load(name, nodes, axis, np.full(2, ohms, complex))


def ladder(order: int, r: float = 8.0, fc: float = 2000.0) -> PassiveNetwork:
    """Butterworth low-pass from an ideal source into R. Element values: L. Weinberg, Network Analysis and Synthesis (1962),
    from memory."""
    values = {1: [1.0], 2: [2**0.5, 2**-0.5], 3: [1.5, 4 / 3, 0.5], 4: [1.5307, 1.5772, 1.0824, 0.3827]}[order]
    parts, node = [], "in"
    for i, g in enumerate(values):
        if i % 2 == 0:
            to = "out" if i >= len(values) - 2 else f"n{i}"
            parts.append(Inductor(f"L{i}", (node, to), g * r / (2 * math.pi * fc)))
            node = to
        else:
            parts.append(Capacitor(f"C{i}", (node, "0"), g / (r * 2 * math.pi * fc)))
    if len(values) % 2 and len(values) > 1:
        parts[-1] = Inductor(parts[-1].name, (parts[-1].nodes[0], "out"), parts[-1].value)
    return PassiveNetwork((*parts, load(r)))


@pytest.mark.parametrize("order", [1, 2, 3, 4])
def test_butterworth_ladders(order: int) -> None:
    net = ladder(order)
    h = net.solve(F).voltage(net.loads[0])
    assert np.allclose(np.abs(h) ** 2, 1 / (1 + (F / 2000.0) ** (2 * order)), rtol=3e-3, atol=1e-12)


def test_constant_resistance_pair() -> None:
    """First-order low- and high-pass on R in parallel: R at every frequency, voltages sum to 1."""
    r, w = 8.0, 2 * math.pi * 1500
    net = PassiveNetwork(
        (
            Inductor("L", ("in", "a"), r / w),
            load(r, ("a", "0"), "woofer"),
            Capacitor("C", ("in", "b"), 1 / (r * w)),
            load(r, ("b", "0"), "tweeter"),
        )
    )
    solved = net.solve(F)
    assert np.allclose(solved.input_impedance, r, rtol=1e-12)
    assert np.allclose(sum(solved.voltage(x) for x in net.loads), 1, rtol=1e-12)


def test_balanced_bridge_and_unbalanced_one() -> None:
    """Wheatstone: no voltage across the balanced bridge; unbalanced, the Thevenin formula."""

    def bridge(r4: float) -> PassiveNetwork:
        parts = [
            Resistor(f"R{i}", n, v)
            for i, (n, v) in enumerate([(("in", "a"), 10.0), (("a", "0"), 20.0), (("in", "b"), 5.0), (("b", "0"), r4)], 1)
        ]
        return PassiveNetwork((*parts, load(8.0, ("a", "b"))))

    even = bridge(10.0)
    assert np.max(np.abs(even.solve(F).voltage(even.loads[0]))) < 1e-15
    net = bridge(15.0)
    open_volts, inner = 20 / 30 - 15 / 20, 10 * 20 / 30 + 5 * 15 / 20
    assert np.allclose(net.solve(F).voltage(net.loads[0]), open_volts * 8 / (8 + inner), rtol=1e-12)


def test_transformer_ratio_squared_and_power() -> None:
    net = PassiveNetwork((Transformer("T", ("in", "0", "out", "0"), 3.0), load(4.0)), source_resistance=1.0)
    solved = net.solve(F)
    assert np.allclose(solved.input_impedance, 36.0, rtol=1e-12)
    assert np.allclose(solved.voltage(net.loads[0]), 36 / 37 / 3, rtol=1e-12)
    lossy = PassiveNetwork((Transformer("T", ("in", "0", "0", "out"), 2.0, 0.5, 0.25), load(4.0)))
    solved = lossy.solve(F)
    assert np.allclose(solved.input_impedance, 0.5 + 4 * (4.0 + 0.25), rtol=1e-12)
    assert np.all(solved.voltage(lossy.loads[0]).real < 0)  # the secondary is reversed


def network() -> PassiveNetwork:
    axis = np.geomspace(10, 40e3, 200)
    z = 5.6 + 2j * np.pi * axis * 0.3e-3 + 30 / (1 + 4j * (axis / 60 - 60 / axis))
    parts = (
        Inductor("L1", ("in", "a"), 1e-3, per_root_henry=9.5, core_loss=0.01),
        Capacitor("C1", ("a", "c"), 10e-6, resistance=0.1, dissipation=0.01),
        Resistor("R1", ("c", "0"), 2.2),
        Load("woofer", ("a", "0"), axis, z),
        Capacitor("C2", ("in", "t"), 4.7e-6),
        Transformer("T", ("t", "0", "u", "0"), 1.5, 0.2, 0.1),
        Load("tweeter", ("0", "u"), axis, 0.6 * z + 1),
    )
    return PassiveNetwork(parts, source_resistance=0.2)


def test_adjoint_slopes_against_differences() -> None:
    net = network()
    names = tuple(p.name for p in net.valued)
    by_voltage, by_input = net.solve(F).log_slopes(names)
    d = 1e-6
    for i, name in enumerate(names):
        value = net.part(name).value  # type: ignore[attr-defined]
        up, down = (net.with_values({name: value * math.exp(s * d)}).solve(F) for s in (1, -1))
        for w, x in enumerate(net.loads):
            assert np.allclose(by_voltage[i, w], np.log(up.voltage(x) / down.voltage(x)) / (2 * d), atol=2e-8)
        assert np.allclose(by_input[i], np.log(up.input_impedance / down.input_impedance) / (2 * d), atol=2e-8)


def test_power_in_is_power_out() -> None:
    """Tellegen: what the amplifier gives at its terminals, the parts and drivers take."""
    parts = [p for p in network().parts if p.kind != "transformer" and p.name not in ("C2", "tweeter")]
    net = PassiveNetwork(tuple(parts))
    solved = net.solve(F)
    taken = sum(np.abs(solved.current(p)) ** 2 * p.impedance(F).real for p in net.parts)
    assert np.allclose((1 / solved.input_impedance).real, taken, rtol=1e-10)


def test_losses_take_power_and_have_their_closed_forms() -> None:
    """tan d = Re/|Im| of an ideal lossy part; windings and leads add in series."""
    coil = Inductor("L", ("a", "b"), 1e-3, resistance=0.2, core_loss=0.05, per_root_henry=10.0).impedance(F)
    w = 2 * np.pi * F
    assert np.allclose(coil, 0.2 + 10 * 1e-3**0.5 + w * 1e-3 * 0.05 + 1j * w * 1e-3, rtol=1e-12)
    cap = Capacitor("C", ("a", "b"), 1e-6, resistance=0.1, dissipation=0.05).impedance(F) - 0.1
    assert np.allclose(-cap.real / cap.imag, 0.05, rtol=1e-9) and np.all(cap.real > 0)


def test_stress_of_a_divider() -> None:
    """2 ohm before 6 ohm, 10 V sine: 3.125 W in the resistor; noise at half the voltage a quarter of that."""
    net = PassiveNetwork((Resistor("R", ("in", "out"), 2.0), load(6.0)))
    (r,) = part_stresses(net.solve(F), 10.0)
    assert r.sine_power == pytest.approx(3.125)
    assert r.noise_power == pytest.approx(3.125 / 4)
    assert least_impedance(net.solve(F)).ohms == pytest.approx(8.0)
    with pytest.raises(DesignError, match=r"at least 9.00 ohm .* got 8.00 ohm"):
        check_impedance(net.solve(F), 9.0)


def test_warm_coil_raises_the_load() -> None:
    hot = Load("woofer", ("in", "0"), np.array([10.0, 40e3]), np.full(2, 6.0 + 0j), re=5.0).heated(120.0)
    assert np.allclose(hot.impedance(F), 6.0 + 5.0 * 0.39)


def test_series_of_iec_60063() -> None:
    """Source: IEC 60063:2015 tables (from memory): counts, members, and the odd 9.20 of E192."""
    for name in ("E3", "E6", "E12", "E24", "E48", "E96", "E192"):
        assert len(series_values(name)) == int(name[1:])
    assert series_values("E12") == (1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2)
    assert series_values("E96")[:5] == (1.0, 1.02, 1.05, 1.07, 1.10)
    assert series_values("E48")[-3:] == (8.66, 9.09, 9.53)
    assert 9.20 in series_values("E192") and 9.19 not in series_values("E192")
    assert set(series_values("E48")) <= set(series_values("E96")) <= set(series_values("E192"))
    assert nearest(9.9e-6, "E12") == pytest.approx(10e-6)
    assert nearest(4.7, "E12", 1) == pytest.approx(5.6)
    assert nearest(8.2e-3, "E12", 1) == pytest.approx(10e-3)
    assert nearest(1.0, "E12", -1) == pytest.approx(0.82)


def test_price_and_words() -> None:
    assert PriceRule(per_millihenry=2.0, inductor=1.0).of(Inductor("L", ("a", "b"), 1.5e-3)) == pytest.approx(4.0)
    assert PriceRule().of(Resistor("R", ("a", "b"), 3.3, price=0.7)) == 0.7
    assert [written(Inductor("L", ("a", "b"), 0.33e-3)), written(Resistor("R", ("a", "b"), 8.2))] == ["0.33 mH", "8.2 ohm"]


def test_driver_circuit_recovers_a_known_one() -> None:
    axis = np.geomspace(10, 40e3, 200)
    s = 2j * np.pi * axis
    z = 5.6 + s * 0.1e-3 + 1 / (1 / 3.0 + 1 / (s * 0.3e-3)) + 1 / (1 / 30 + 1 / (s * 20e-3) + s * 350e-6)
    found = driver_circuit(Load("woofer", ("in", "0"), axis, z), 1)
    assert found.error < 1e-3
    assert found.re == pytest.approx(5.6, rel=1e-3)


def test_netlist_round_trip() -> None:
    parts = tuple(p for p in network().parts if not isinstance(p, Transformer) and p.name not in ("tweeter", "C2"))
    ideal = [Capacitor("C1", ("a", "c"), 10e-6, resistance=0.1) if p.name == "C1" else p for p in parts]
    ideal = [Inductor("L1", ("in", "a"), 1e-3, per_root_henry=9.5) if p.name == "L1" else p for p in ideal]
    net = PassiveNetwork(tuple(ideal))
    back = from_spice(to_spice(net), {"woofer": net.loads[0]})
    assert [(p.name, p.nodes, p.value) for p in back.valued] == [(p.name, p.nodes, p.value) for p in net.valued]
    assert np.allclose(back.solve(F).voltage(back.loads[0]), net.solve(F).voltage(net.loads[0]), rtol=1e-7)
    assert spice_value("0.33m") == pytest.approx(0.33e-3) and spice_value("2.2MEG") == pytest.approx(2.2e6)


def test_the_netlist_itself_solves_to_the_same() -> None:
    """The drivers' circuits as written, solved as plain R, L, C: within the fit's stated error."""
    parts = (Inductor("L1", ("in", "a"), 1e-3, resistance=0.3), Capacitor("C1", ("a", "0"), 10e-6, resistance=0.1))
    net = PassiveNetwork((*parts, network().loads[0]))
    stated = driver_circuit(net.loads[0]).error
    text = to_spice(net)
    probe = load(1e9, ("a", "0"), "probe")
    flat = from_spice(text, {"probe": probe})
    a, b = flat.solve(F).voltage(probe), net.solve(F).voltage(net.loads[0])
    assert np.max(np.abs(a / b - 1)) < max(2 * stated, 0.01)


@pytest.mark.parametrize(
    ("build", "word"),
    [
        (lambda: Capacitor("C", ("a", "b"), -1e-6), "cannot be negative"),
        (lambda: Resistor("R", ("a", "b"), 0.0), "positive"),
        (lambda: Inductor("L", ("a", "b"), 1e-3, resistance=-1.0), "0 or more"),
        (lambda: Resistor("R", ("a", "a"), 1.0), "shorted"),
        (lambda: PassiveNetwork((Resistor("R", ("in", "x"), 1.0), load(8.0, ("in", "0")))), "floating"),
        (
            lambda: PassiveNetwork((Resistor("R", ("x", "y"), 1.0), Resistor("Q", ("x", "y"), 1.0), load(8.0, ("in", "0")))),
            "island",
        ),
        (lambda: PassiveNetwork((Resistor("R", ("in", "0"), 1.0),)), "driver"),
        (lambda: PassiveNetwork((Resistor("R", ("in", "out"), 1.0), Resistor("R", ("in", "out"), 1.0), load())), "once each"),
        (lambda: PassiveNetwork((load(),)), "'in'"),
        (lambda: PassiveNetwork((load(8.0, ("in", "0")),)).solve(np.array([1.0])), "known from"),
        (lambda: nearest(-1.0, "E12"), "positive"),
        (lambda: series_values("E13"), "one of"),
        (lambda: Transformer("T", ("a", "b"), 1.0), "two different nodes"),
    ],
)
def test_bad_networks(build, word: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(DesignError, match=word):
        build()
