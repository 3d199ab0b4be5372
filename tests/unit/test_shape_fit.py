"""Each impossible cabinet is refused with its key, its numbers and a way out."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from typing import Any

import pytest

from evenfield.base import DesignError
from evenfield.shape import (
    Cabinet,
    Coaxial,
    Cone,
    Dome,
    EdgeLengths,
    Elliptic,
    Round,
    RoundedRectangle,
    Throat,
    VentOpening,
    Waveguide,
    edge_lengths_for,
    surface_facts,
)

WOOFER = Cone("woofer", 0.042, 0.018, 0.016, 0.005, z=-0.05)
GUIDE = Waveguide(Dome("tweeter", 0.0125, 0.004), 0.0135, 0.3, 0.02, Elliptic(0.11, 0.08), 0.005, z=0.06)


def cabinet(*elements: Any, **sizes: float) -> Cabinet:
    return Cabinet(**({"width": 0.16, "height": 0.26, "depth": 0.2, "edge_radius": 0.015} | sizes), elements=elements)


def test_the_base_case_is_fine() -> None:
    cabinet(WOOFER, GUIDE, VentOpening("vent", Round(0.03), face="rear"))


@pytest.mark.parametrize("name", ["width", "height", "depth"])
@pytest.mark.parametrize("value", [-0.2, 0.0, 160.0, math.nan, math.inf])
def test_absurd_sizes(name: str, value: float) -> None:
    with pytest.raises(DesignError, match=rf"cabinet\.{name} must be 20 mm to 3000 mm") as error:
        cabinet(**{name: value})
    assert error.value.key == f"cabinet.{name}"


CASES = {
    "edge radius": (lambda: cabinet(edge_radius=0.085), "cabinet.edge_radius", "half the smallest outer dimension"),
    "negative radius": (lambda: cabinet(edge_radius=-0.01), "cabinet.edge_radius", "0 or more"),
    "cone radius": (lambda: cabinet(replace(WOOFER, radius=-0.042)), "ways.woofer.radius", "more than 0"),
    "cone depth": (lambda: cabinet(replace(WOOFER, depth=-0.01)), "ways.woofer.depth", "0 to its diameter"),
    "dust cap": (lambda: cabinet(replace(WOOFER, dust_cap_radius=0.05)), "ways.woofer.dust_cap_radius", "0.95"),
    "dust cap height": (lambda: cabinet(replace(WOOFER, dust_cap_height=0.02)), "ways.woofer.dust_cap_height", "hemisphere"),
    "frame": (lambda: cabinet(replace(WOOFER, frame_radius=0.03)), "ways.woofer.frame_radius", "at least the piston"),
    "dome height": (lambda: cabinet(Dome("t", 0.0125, 0.02)), "ways.t.height", "hemisphere"),
    "own key": (lambda: cabinet(Dome("t", -1.0, 0.0, key="ways.x.driver")), "ways.x.driver.radius", "more than 0"),
    "driver larger than the baffle": (
        lambda: cabinet(replace(WOOFER, radius=0.07, z=0.0)),
        "cabinet.width",
        "'woofer' takes 140 mm and the flat of the front face is 129 mm",
    ),
    "off the flat": (
        lambda: cabinet(replace(WOOFER, z=-0.08)),
        "ways.woofer.place",
        r"reaches 7.5 mm beyond the flat part of the front face. Try z = -72.5 mm",
    ),
    "not finite": (lambda: cabinet(replace(WOOFER, z=math.nan)), "ways.woofer.place", "finite"),
    "overlap": (
        lambda: cabinet(WOOFER, VentOpening("vent", Round(0.018), z=0.005)),
        "vent.place",
        r"clear of 'woofer' by 0.5 mm, got an overlap of 5 mm",
    ),
    "overlap, nearest place": (
        lambda: cabinet(WOOFER, VentOpening("vent", Round(0.018), z=0.005)),
        "vent.place",
        r"Try 'vent' at y = \S+ mm, z = 10.5 mm",
    ),
    "mouth over woofer": (
        lambda: cabinet(replace(WOOFER, z=-0.01), GUIDE),
        "ways.tweeter.place",
        "an overlap of 12 mm. 'woofer' and 'tweeter' share the front face",
    ),
    "vents overlap": (
        lambda: cabinet(VentOpening("a", Round(0.02), y=0.01, pair=True)),
        "vent.place",
        "clear of 'a'",
    ),
    "guide too deep": (
        lambda: cabinet(WOOFER, replace(GUIDE, entry_angle=0.0, depth=0.19)),
        "ways.tweeter.waveguide.depth",
        "at most 185 mm in a cabinet 200 mm deep, got 190 mm",
    ),
    "entry angle": (
        lambda: cabinet(WOOFER, replace(GUIDE, entry_angle=math.radians(60))),
        "ways.tweeter.waveguide.entry_angle",
        "compatible with depth 20 mm and the mouth's smallest width 80 mm, got 60 deg",
    ),
    "mouth narrower than throat": (
        lambda: cabinet(replace(GUIDE, mouth=Round(0.012))),
        "ways.tweeter.waveguide.mouth",
        "wider than the throat",
    ),
    "source wider than throat": (
        lambda: cabinet(replace(GUIDE, throat_radius=0.012)),
        "ways.tweeter.waveguide.throat_radius",
        "at least the radius of its source",
    ),
    "rounding": (lambda: cabinet(replace(GUIDE, rounding=0.03)), "ways.tweeter.waveguide.rounding", "0.9 of the depth"),
    "profile": (lambda: cabinet(replace(GUIDE, profile="spiral")), "ways.tweeter.waveguide.profile", "oblate_spheroidal"),
    "corner radius": (
        lambda: cabinet(VentOpening("vent", RoundedRectangle(0.06, 0.02, 0.02))),
        "vent.corner_radius",
        "half the smaller side",
    ),
    "named twice": (lambda: cabinet(WOOFER, Dome("woofer", 0.01, 0.0, z=0.06)), "ways.woofer", "named once"),
    "named rigid": (lambda: cabinet(Dome("rigid", 0.01, 0.0)), "ways.rigid", "rigid"),
    "face": (lambda: cabinet(VentOpening("vent", Round(0.02), face="side")), "vent.face", "front"),  # type: ignore[arg-type]
    "coaxial source": (
        lambda: cabinet(Coaxial(replace(WOOFER, dust_cap_radius=0.01), Throat("t", 0.0125))),
        "ways.t.radius",
        "at most the opening of the cone",
    ),
    "coaxial place": (
        lambda: cabinet(Coaxial(WOOFER, Throat("t", 0.0125, z=0.05))),
        "ways.t.place",
        "whose place it takes",
    ),
    "thick walls": (lambda: surface_facts(cabinet(), wall=0.09), "cabinet.wall", "half the smallest"),
    "nothing left inside": (lambda: surface_facts(cabinet(), displacement=0.1), "cabinet", "larger than what is built"),
}


@pytest.mark.parametrize("case", CASES)
def test_impossible_designs(case: str) -> None:
    make, key, text = CASES[case]
    with pytest.raises(DesignError) as error:
        make()
    assert error.value.key == key
    assert re.search(text, str(error.value)), str(error.value)


def test_the_way_out_of_an_impossible_entry_angle_works() -> None:
    with pytest.raises(DesignError) as error:
        cabinet(WOOFER, replace(GUIDE, entry_angle=math.radians(60)))
    text = str(error.value)
    depth = float(re.search(r"a depth under ([\d.]+) mm", text)[1])  # type: ignore[index]
    angle = float(re.search(r"an entry angle under ([\d.]+) deg", text)[1])  # type: ignore[index]
    cabinet(WOOFER, replace(GUIDE, entry_angle=math.radians(60), depth=0.98e-3 * depth))
    cabinet(WOOFER, replace(GUIDE, entry_angle=math.radians(0.98 * angle)))


def test_the_way_out_of_an_overlap_works() -> None:
    vent = VentOpening("vent", Round(0.018), y=0.012, z=0.003)
    with pytest.raises(DesignError) as error:
        cabinet(WOOFER, vent)
    y, z = (1e-3 * float(v) for v in re.search(r"y = (\S+) mm, z = (\S+) mm", str(error.value)).groups())  # type: ignore[union-attr]
    cabinet(WOOFER, replace(vent, y=y + 1e-5, z=z + 1e-5))


def test_front_and_rear_do_not_touch() -> None:
    cabinet(WOOFER, VentOpening("vent", Round(0.03), z=-0.05, face="rear"))


def test_edge_lengths_refuse_nonsense() -> None:
    with pytest.raises(DesignError, match="edge length of front"):
        EdgeLengths(-0.01, 0.02, 0.02, 0.01)
    with pytest.raises(DesignError, match="frequency_max"):
        edge_lengths_for(cabinet(WOOFER), math.nan, 343.2)
    with pytest.raises(DesignError, match=r"focus must be among the moving parts \(woofer\)"):
        edge_lengths_for(cabinet(WOOFER), 1000.0, 343.2, focus=("tweeter",))
