"""Geometry, materials, drawings, fits and search of motors."""

from pathlib import Path

import numpy as np
import pytest

import evenfield as ef
from evenfield.base import DataError, DesignError
from evenfield.data import BlockedImpedance
from evenfield.loudspeaker.motor_section import read_motor
from evenfield.magnetics import (
    LIBRARY,
    Coil,
    Holes,
    Motor,
    Ring,
    Steel,
    fit_inductance,
    free_drawing,
    material,
    read_dxf,
    with_holes,
)
from evenfield.magnetics.polygons import overlap, rectangle, volume
from evenfield.magnetics.search import non_dominated, search_motor

EXAMPLES = Path(__file__).parents[2] / "examples"
MM = 1e-3


def example(name: str) -> Motor:
    section = ef.load_design(EXAMPLES / f"{name}.yaml").ways["woofer"].motor
    assert section is not None
    return read_motor(section, "ways.woofer.motor", EXAMPLES)


@pytest.mark.parametrize("name", ["skiff", "ketch", "barque"])
def test_example_motors_have_the_resistance_of_their_driver(name: str) -> None:
    driver = ef.load_design(EXAMPLES / f"{name}.yaml").ways["woofer"].driver
    motor = example(name)
    assert driver is not None and driver.re is not None and driver.mms is not None
    assert motor.resistance == pytest.approx(float(driver.re), rel=0.02)
    moving = sum(c.mass for c in motor.coils)
    assert 0.15 * driver.mms < moving < 0.55 * driver.mms


@pytest.mark.parametrize("name", ["skiff", "ketch"])
def test_example_motors_have_the_force_factor_of_their_driver(name: str) -> None:
    pytest.importorskip("ngsolve")
    from evenfield.magnetics import analyse_motor

    driver = ef.load_design(EXAMPLES / f"{name}.yaml").ways["woofer"].driver
    found = analyse_motor(example(name), impedance=False, positions=9, temperatures=())
    assert driver is not None and driver.bl is not None
    assert found.force_factor[4] == pytest.approx(float(driver.bl), rel=0.02)
    assert "pacemakers" in found.caution and "N (" in found.caution
    assert found.curves().travel == found.travel
    assert min(p.margin for p in found.operating_points) > 0.2
    assert found.stray[1.0][0] < 2e-6 < found.stray[0.1][0]
    assert found.mass == pytest.approx(sum(p.mass for p in found.motor.parts))


def test_rings_may_be_l_shaped() -> None:
    ring = Ring("l", "copper", 14 * MM, 16 * MM, 0.0, 8 * MM, foot_radius=20 * MM, foot_height=2 * MM)
    expected = np.pi * ((16**2 - 14**2) * 8 + (20**2 - 16**2) * 2) * 1e-9
    assert ring.part().volume == pytest.approx(expected, rel=1e-12)


def test_volume_of_revolution_and_overlap() -> None:
    assert volume(rectangle(1, 2, 0, 3)) == pytest.approx(np.pi * 3 * 3)
    a = rectangle(0, 10 * MM, 0, 5 * MM)
    assert overlap(a, rectangle(10 * MM, 20 * MM, 0, 5 * MM)) is None
    assert overlap(a, rectangle(0, 10 * MM, 5 * MM, 8 * MM)) is None
    assert overlap(a, rectangle(9.99 * MM, 20 * MM, -5 * MM, 9 * MM)) is not None
    assert overlap(a, rectangle(2 * MM, 3 * MM, 2 * MM, 3 * MM)) is not None
    assert overlap(rectangle(4 * MM, 5 * MM, -3 * MM, 9 * MM), a) is not None


def test_every_material_says_where_it_comes_from() -> None:
    for m in LIBRARY.values():
        assert m.source


@pytest.mark.parametrize("name", ["steel-1018", "iron-armco", "steel-team13"])
def test_curves_pass_their_points_and_end_in_vacuum(name: str) -> None:
    steel = material(name)
    assert isinstance(steel, Steel)
    curve = steel.curve
    assert curve.field(curve.flux_density) == pytest.approx(curve.field_strength)
    b = np.linspace(0, 3.5, 800)
    assert np.all(np.diff(curve.field(b)) > 0)
    top = curve.largest
    assert np.diff(curve.field([top + 0.1, top + 0.2]))[0] == pytest.approx(0.1 / (4e-7 * np.pi))


def test_armco_iron_has_its_published_permeability() -> None:
    """Published: mu_r 5420 at 0.9 T, 2300 at 1.44 T (read in secondary text)."""
    iron = material("iron-armco")
    assert isinstance(iron, Steel)
    assert iron.curve.relative_permeability([0.9, 1.44]) == pytest.approx([5420, 2300], rel=1e-6)


def test_holes_thin_the_plate_by_their_share() -> None:
    steel = material("steel-1018")
    assert isinstance(steel, Steel)
    drilled = with_holes(steel, 8, 4 * MM, 10 * MM)
    share = 1 - 8 * np.pi * 2**2 / (2 * np.pi * 10 * 4)
    assert drilled.density == pytest.approx(steel.density * share)
    mu0 = 4e-7 * np.pi
    h = 795.8
    b = share * 0.925 + (1 - share) * mu0 * h
    assert float(drilled.curve.field(b)) == pytest.approx(h, rel=1e-6)
    assert Holes(8, 4 * MM, 10 * MM).count == 8


def test_a_wound_coil_follows_from_its_wire() -> None:
    """R = rho N^2 2 pi r / (fill section): 100 turns of 0.05 mm2 copper on 25 mm diameter."""
    coil = Coil.wound("c", 12 * MM, 13 * MM, 0, 10 * MM, 100, fill=0.5)
    assert coil.resistance == pytest.approx(1.7241e-8 * 100 * 2 * np.pi * 12.5e-3 / 0.05e-6)
    assert coil.mass == pytest.approx(8890 * 100 * 2 * np.pi * 12.5e-3 * 0.05e-6)


def test_a_drawing_comes_in_from_dxf(tmp_path: Path) -> None:
    ezdxf = pytest.importorskip("ezdxf")
    document = ezdxf.new(units=4)
    space = document.modelspace()

    def box(layer: str, r0: float, r1: float, z0: float, z1: float) -> None:
        space.add_lwpolyline([(r0, z0), (r1, z0), (r1, z1), (r0, z1)], close=True, dxfattribs={"layer": layer})

    box("pole @ steel-1018", 0, 12.3, -18.25, 2.25)
    box("back plate @ steel-1018", 12.3, 33, -18.25, -13.25)
    box("top plate @ steel-1018", 13.8, 33, -2.25, 2.25)
    box("ferrite", 17.5, 36, -13.25, -2.25)
    document.saveas(tmp_path / "motor.dxf")
    coil = Coil("coil", 12.75 * MM, 13.3 * MM, -6 * MM, 6 * MM, 100, 5.0)
    motor = free_drawing("drawn", read_dxf(tmp_path / "motor.dxf"), (coil,), 6 * MM)
    assert {p.name: p.kind for p in motor.parts}["ferrite"] == "magnet"
    assert motor.parts[0].volume == pytest.approx(np.pi * 12.3**2 * 20.5e-9)
    space.add_lwpolyline([(0, 0), (1, 0), (1, 1)], dxfattribs={"layer": "copper"})
    document.saveas(tmp_path / "open.dxf")
    with pytest.raises(DataError, match="polyline must be closed"):
        read_dxf(tmp_path / "open.dxf")


def test_published_models_are_recovered_from_themselves() -> None:
    f = np.geomspace(20, 20e3, 31)
    s = 2j * np.pi * f
    for model, values, z in (
        ("semi-inductance", {"le": 0.2e-3, "k": 0.02}, s * 0.2e-3 + 0.02 * np.sqrt(s)),
        ("power-law", {"k": 0.01, "n": 0.65}, 0.01 * s**0.65),
        (
            "extended-ladder", {"le": 0.1e-3, "leb": 0.8e-3, "ke": 0.05, "rss": 20.0},
            s * 0.1e-3 + 1 / (1 / (s * 0.8e-3) + 1 / (0.05 * np.sqrt(s)) + 1 / 20.0),
        ),
    ):  # fmt: skip
        fit = fit_inductance(model, f, z)
        assert fit.error < 1e-6
        assert fit.parameters == pytest.approx(values, rel=1e-3)
        assert fit.impedance(f) == pytest.approx(z, rel=1e-5)
    with pytest.raises(DataError, match="inductive and passive"):
        fit_inductance("power-law", f, z - 3.0)


def test_shorting_by_circuit_algebra_is_the_textbook_transformer() -> None:
    l1, l2, m, r1, r2, f = 1e-3, 2e-3, 1.2e-3, 5.0, 0.7, 159.0
    # amplitudes whose products are the inductance matrix
    root = np.linalg.cholesky(np.array([[l1, m], [m, l2]]))
    z = BlockedImpedance(("a", "b"), np.zeros(1), root[:, None, :], np.zeros(2), np.array([r1, r2]))
    w = 2 * np.pi * f
    expected = r1 + 1j * w * l1 + (w * m) ** 2 / (r2 + 1j * w * l2)
    assert z.terminal([f], {"a": 1.0}, ("b",))[0, 0] == pytest.approx(expected)
    assert z.terminal([f], {"a": 1.0, "b": -1.0})[0, 0] == pytest.approx(r1 + r2 + 1j * w * (l1 + l2 - 2 * m))
    with pytest.raises(DataError, match="winding must be one of a, b, got c"):
        z.terminal([f], {"c": 1.0})


def test_non_dominated_rows() -> None:
    rows = np.array([[1.0, 5.0], [2.0, 2.0], [3.0, 3.0], [5.0, 1.0], [5.0, 5.0]])
    assert non_dominated(rows).tolist() == [0, 1, 3]


def test_search_trades_mass_against_force() -> None:
    pytest.importorskip("ngsolve")
    pytest.importorskip("pymoo")
    from dataclasses import replace as changed

    from evenfield.magnetics import FerriteRing

    base = FerriteRing(
        (Coil("coil", 12.75 * MM, 13.3 * MM, -6 * MM, 6 * MM, 100, 5.0),), pole_radius=12.3 * MM, gap=1.5 * MM,
        plate_thickness=4.5 * MM, plate_radius=30 * MM, magnet_inner_radius=17.5 * MM, magnet_radius=32 * MM,
        magnet_height=11 * MM, back_thickness=5 * MM, back_radius=30 * MM, stroke=5 * MM,
    )  # fmt: skip
    found = search_motor(
        lambda v: changed(base, magnet_radius=v["magnet"], plate_radius=v["magnet"] - 2 * MM).motor(),
        {"magnet": (22 * MM, 40 * MM)}, ("mass", "weakness"), evaluations=6, population=3, scale=3.0,
    )  # fmt: skip
    rows = found.table()
    assert len(rows) >= 2 and found.evaluated >= 6
    mass, weakness = (np.array([r[k] for r in rows]) for k in ("mass", "weakness"))
    assert np.all(np.diff(mass) > 0) and np.all(np.diff(weakness) < 0)
    assert found.picture().axes
    with pytest.raises(DesignError, match="two or more"):
        search_motor(lambda v: base.motor(), {"a": (0.0, 1.0)}, ("mass",))


def _coil(name: str, centre: float, height: float, sense: int = 1) -> Coil:
    return Coil.wound(name, 12.8 * MM, 13.3 * MM, (centre - height / 2) * MM, (centre + height / 2) * MM, 80, sense=sense)


def _families() -> dict[str, Motor]:
    from evenfield.magnetics import FerriteRing, NeodymiumCup, TwoGap

    steel, ferrite = material("steel-1018"), material("ferrite")
    pair = (_coil("front", 8.5, 9), _coil("rear", -8.5, 9, -1))
    foot = Ring("l", "copper", 15 * MM, 17 * MM, -16.25 * MM, -6 * MM, foot_radius=12.3 * MM, foot_height=3 * MM)
    pole = np.array([[0, -20], [14, -20], [14, -14], [11, -8], [12.3, -3], [12.3, 2.25], [11, 4], [0, 6]]) * MM
    top = np.array([[13.8, -2.25], [33, -3.25], [33, 2.25], [15, 2.25], [13.8, 1.5]]) * MM
    magnet = np.array([[17.5, -14], [36, -14], [36, -3.4], [17.5, -2.6]]) * MM
    bodies = {"pole": (pole, steel), "back": (rectangle(14 * MM, 33 * MM, -20 * MM, -14 * MM), steel)}
    return {
        "plated cup with holes": NeodymiumCup(
            (_coil("coil", 0, 8),), 12.4 * MM, 5 * MM, 1.4 * MM, 12 * MM, 6 * MM, 18 * MM, 4.5 * MM, 3 * MM, cup_lip=0.5 * MM,
            vent_radius=3 * MM, cap_thickness=0.05 * MM, cap_height=5 * MM, holes=Holes(6, 3 * MM, 15 * MM),
        ).motor(),
        "two gaps, magnet outside": TwoGap(
            pair, "outside", 12.4 * MM, 1.4 * MM, 5 * MM, 12 * MM, 36 * MM, 33 * MM, 6 * MM, magnet_inner_radius=17 * MM,
            magnet="ferrite", overhang=4 * MM, rings=(Ring("tube", "copper", 14.2 * MM, 16.5 * MM, -5.5 * MM, 5.5 * MM),),
        ).motor(),
        "underhung with an L-shaped ring": FerriteRing(
            (_coil("coil", 0, 3),), 12.3 * MM, 1.5 * MM, 8 * MM, 33 * MM, 17.5 * MM, 36 * MM, 16 * MM, 5 * MM, 33 * MM, 6 * MM,
            pole_vent_radius=4 * MM, rings=(foot,),
        ).motor(),
        "slanted polygons": free_drawing(
            "drawn", {**bodies, "magnet": (magnet, ferrite), "top": (top, steel)}, (_coil("coil", 0, 12),), 5 * MM
        ),
    }  # fmt: skip


@pytest.mark.parametrize("name", _families())
def test_every_family_is_meshed_with_layers_and_keeps_its_area(name: str) -> None:
    """`build_mesh` compares each part's area with its polygon's and raises where the layers fold."""
    pytest.importorskip("ngsolve")
    from evenfield.magnetics.mesh import build_mesh

    motor = _families()[name]
    x = motor.positions(3)
    mesh = build_mesh(motor, x[0], x[-1])
    assert mesh.elements < 4000
    kinds = {str(e.type) for e in mesh.mesh.Elements()}
    assert len(kinds) == 2  # quadrilaterals in the layers, triangles elsewhere


def test_what_a_ring_buys_and_from_which_frequency() -> None:
    pytest.importorskip("ngsolve")
    from evenfield.magnetics import ring_worth

    (worth,) = ring_worth(example("skiff"), frequency_hz=np.geomspace(5, 20e3, 19), positions=3)
    assert worth.ring == "ring"
    assert worth.inductance_with[0] == pytest.approx(worth.inductance_without[0], rel=0.02)
    assert worth.corner_hz is not None and 10 < worth.corner_hz < 60
    share, at = worth.largest_cut
    assert 0.3 < share < 0.6 and 100 < at < 2000
    assert np.all(worth.inductance_with <= worth.inductance_without * 1.001)
