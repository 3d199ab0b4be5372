"""Drawings that are no motor, said with the place in the drawing."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from evenfield.base import DataError, DesignError, EvenfieldError
from evenfield.loudspeaker.motor_section import read_motor
from evenfield.magnetics import (
    BHCurve,
    Coil,
    FerriteRing,
    Holes,
    Motor,
    NeodymiumCup,
    Part,
    Ring,
    material,
    read_bh_curve,
)
from evenfield.magnetics.polygons import rectangle

MM = 1e-3


def coil(inner: float = 12.75, thick: float = 0.55, bottom: float = -6.0, top: float = 6.0, **more: object) -> Coil:
    return Coil("coil", inner * MM, (inner + thick) * MM, bottom * MM, top * MM, 100, 5.0, **more)  # type: ignore[arg-type]


def ferrite(**changes: object) -> FerriteRing:
    base = FerriteRing(
        (coil(),), pole_radius=12.3 * MM, gap=1.5 * MM, plate_thickness=4.5 * MM, plate_radius=33 * MM,
        magnet_inner_radius=17.5 * MM, magnet_radius=36 * MM, magnet_height=11 * MM, back_thickness=5 * MM,
        back_radius=33 * MM, stroke=6 * MM,
    )  # fmt: skip
    return replace(base, **changes)  # type: ignore[arg-type]


def test_the_base_motor_is_sound() -> None:
    motor = ferrite().motor()
    assert motor.travel[0] == pytest.approx(7.25 * MM, abs=1e-6)
    assert len(motor.outline()) == 5


def test_parts_that_overlap_are_named_with_the_place() -> None:
    ring = Ring("ring", "copper", 14 * MM, 19 * MM, -12 * MM, -4 * MM)
    with pytest.raises(DesignError, match=r"magnet and ring must be apart or touching.*at r 18\.\d+ mm, z -\d"):
        ferrite(rings=(ring,)).motor()


def test_a_coil_that_hits_the_back_plate() -> None:
    with pytest.raises(DesignError, match=r"coil coil must be clear of every part at rest.*back plate.*z -1"):
        ferrite(coils=(coil(bottom=-15.0),)).motor()


def test_a_gap_narrower_than_the_coil() -> None:
    with pytest.raises(DesignError, match=r"gap must be wide enough for coil coil.*Try a gap of 1\.2 mm"):
        ferrite(gap=0.5 * MM).motor()


def test_a_free_drawing_with_a_pinched_coil_names_both_sides() -> None:
    steel = material("steel-1018")
    left, right = (
        Part("pole", rectangle(0, 12.9 * MM, -5 * MM, 5 * MM), steel),
        Part("plate", rectangle(13.2 * MM, 30 * MM, -2 * MM, 2 * MM), steel),
    )
    with pytest.raises(DesignError, match=r"gap must be wider than coil coil \(0\.55 mm\), got 0\.[23]\d mm"):
        Motor("free", (left, right), (coil(),), 1 * MM, passive=True)


def test_an_open_circuit_names_the_bare_pole() -> None:
    parts = tuple(p for p in ferrite().motor().parts if p.name != "back plate")
    with pytest.raises(DesignError, match=r"magnet magnet must be covered by steel at both poles.*rear pole"):
        Motor("open", parts, (coil(),), 6 * MM)


def test_a_circuit_that_steel_bypasses() -> None:
    pytest.importorskip("ngsolve")
    from evenfield.magnetics import analyse_motor

    motor = ferrite().motor()
    bridge = Part("bridge", rectangle(36.2 * MM, 42 * MM, -18.25 * MM, 2.25 * MM), material("steel-1018"))
    parts = [p for p in motor.parts if p.name not in ("top plate", "back plate")]
    steel = material("steel-1018")
    parts += [Part("top plate", rectangle(13.8 * MM, 36.2 * MM, -2.25 * MM, 2.25 * MM), steel)]
    parts += [Part("back plate", rectangle(12.3 * MM, 36.2 * MM, -18.25 * MM, -13.25 * MM), steel)]
    with pytest.raises(DesignError, match=r"magnetic circuit must be closed through the coil's gap"):
        analyse_motor(
            Motor("bridged", (*parts, bridge), motor.coils, 6 * MM), impedance=False, scale=2.5, positions=3, temperatures=()
        )


def test_steel_beyond_its_table_and_a_demagnetised_magnet() -> None:
    pytest.importorskip("ngsolve")
    from evenfield.magnetics import analyse_motor

    short = material("steel-1018")
    low = replace(short, curve=BHCurve((0.25, 0.925, 1.25), (238.7, 795.8, 1591.6), "cut short"))  # type: ignore[type-var]
    motor = ferrite().motor()
    parts = tuple(replace(p, material=low) if p.kind == "steel" else p for p in motor.parts)
    with pytest.raises(DesignError, match=r"steel of pole must be within its B-H table, up to 1\.25 T.*at r .* mm, z .* mm"):
        analyse_motor(replace(motor, parts=parts), impedance=False, scale=2.5, positions=3, temperatures=())
    weak = replace(material("ferrite"), coercivity=100e3)  # type: ignore[type-var]
    with pytest.raises(DesignError, match=r"magnet magnet's opposing field must be below the knee.*degC"):
        analyse_motor(ferrite(magnet=weak).motor(), impedance=False, scale=2.5, positions=3, temperatures=())
    told = analyse_motor(ferrite(magnet=weak).motor(), impedance=False, scale=2.5, positions=3, temperatures=(), strict=False)
    assert any("knee" in w for w in told.warnings)


def test_tesla_for_millitesla() -> None:
    section = {
        "family": "ferrite-ring", "stroke": "6 mm", "pole_radius": "12.3 mm", "gap": "1.5 mm", "plate_thickness": "4.5 mm",
        "plate_radius": "33 mm", "magnet_inner_radius": "17.5 mm", "magnet_radius": "36 mm", "magnet_height": "11 mm",
        "back_thickness": "5 mm", "back_radius": "33 mm", "magnet": {"grade": "ferrite", "remanence": "390 T"},
        "coils": [{"inner_radius": "12.75 mm", "thickness": "0.55 mm", "height": "12 mm", "turns": 120}],
    }  # fmt: skip
    with pytest.raises(DesignError, match=r"ways\.woofer\.motor.*0\.05 to 1\.6 T, got 390 T.*looks like mT.*Try 0\.39 T"):
        read_motor(section, "ways.woofer.motor")
    section["magnet"] = {"grade": "ferrite", "remanence": "390 mT"}
    assert read_motor(section).parts[2].material.remanence == pytest.approx(0.39)  # type: ignore[union-attr]
    section["gap"] = "1.5"
    with pytest.raises(DesignError, match=r"^m\.gap must be a quantity|^m\.gap must have a unit"):
        read_motor(section, "m")
    section["gap"], section["gapp"] = "1.5 mm", "2 mm"
    with pytest.raises(DesignError, match=r"m\.gapp must be a key of this family"):
        read_motor(section, "m")


def test_metres_for_millimetres() -> None:
    part = Part("pole", rectangle(0, 12, -5, 5), material("steel-1018"))
    with pytest.raises(DesignError, match="look like millimetres"):
        Motor("big", (part,), (Coil("coil", 12.5, 13, -3, 3, 100, 5.0),), 1 * MM, passive=True)


def test_curves_in_other_units(tmp_path: Path) -> None:
    with pytest.raises(DataError, match="probably in mT"):
        BHCurve((250.0, 925.0, 1250.0), (238.7, 795.8, 1591.6), "mine")
    with pytest.raises(DataError, match="rising in B and H"):
        BHCurve((0.25, 0.925, 0.9), (238.7, 795.8, 1591.6), "mine")
    with pytest.raises(DataError, match="slope"):
        BHCurve((0.25, 0.925, 1.25), (238.7e3, 795.8e3, 1591.6e3), "mine")
    file = tmp_path / "curve.csv"
    file.write_text("B,H\n1,2\n", encoding="utf-8")
    with pytest.raises(DataError, match="a header with units"):
        read_bh_curve(file)
    file.write_text("H (kA/m), B (mT)\n0,0\n0.2387,250.3\n0.7958,925\n1.5916,1250\n", encoding="utf-8")
    assert read_bh_curve(file).flux_density[0] == pytest.approx(0.2503)
    assert read_bh_curve(file).field_strength[0] == pytest.approx(238.7)


def test_other_slips() -> None:
    with pytest.raises(DesignError, match="vent holes must be apart"):
        NeodymiumCup(
            (coil(),), 12.3 * MM, 5 * MM, 1.5 * MM, 11 * MM, 5 * MM, 20 * MM, 4 * MM, 3 * MM, holes=Holes(30, 3 * MM, 8 * MM)
        ).motor()
    with pytest.raises(DesignError, match="Try steel-1018"):
        material("steel-108")
    with pytest.raises(DesignError, match="edges that cross"):
        bow = np.array([[1, 0], [9, 8], [9, 0], [1, 8]]) * MM
        Motor("bow", (Part("bow", bow, material("steel-1018")),), (coil(),), 1 * MM, passive=True)
    with pytest.raises(DesignError, match="names of parts and coils"):
        ferrite(rings=(Ring("pole", "copper", 14.4 * MM, 17 * MM, -12 * MM, -4 * MM),)).motor()
    with pytest.raises(DesignError, match="at least one coil that is not shorted"):
        ferrite(coils=(coil(shorted=True),)).motor()


def test_without_the_finite_element_library_one_line_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    from evenfield.magnetics import solve_static

    monkeypatch.setitem(sys.modules, "ngsolve", None)
    with pytest.raises(EvenfieldError, match=r"pip install 'evenfield\[motor\]'"):
        solve_static(ferrite().motor())
