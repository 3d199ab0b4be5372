"""Each impossible waveguide is refused with its key, its numbers and a way out; the design file's words reach the shape."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from evenfield.base import DesignError
from evenfield.loudspeaker.geometry import cabinet_of
from evenfield.loudspeaker.load import load_design
from evenfield.shape import (
    PROFILES,
    Cabinet,
    Coaxial,
    Cone,
    Dome,
    Ring,
    Round,
    Superelliptic,
    Throat,
    Waveguide,
    build_surface,
    edge_lengths_for,
)

Array = NDArray[np.float64]
EXAMPLES = Path(__file__).parents[2] / "examples"
GUIDE = Waveguide(
    Dome("tweeter", 0.0125, 0.004), 0.014, 0.5, 0.03, Superelliptic(0.13, 0.1, 3.0), 0.008, "free",
    angles=(0.7, 0.9, 1.0), z=0.03,
)  # fmt: skip
WAY = "ways.tweeter.waveguide"


def cabinet(guide: Any, **sizes: float) -> Cabinet:
    return Cabinet(**({"width": 0.2, "height": 0.26, "depth": 0.2, "edge_radius": 0.015} | sizes), elements=(guide,))


def test_the_base_case_is_fine() -> None:
    cabinet(GUIDE)
    cabinet(replace(GUIDE, transition=(0.0, 0.8), proud=0.003, gap_width=0.0005, gap_depth=0.002, source_depth=0.001))


CASES: dict[str, tuple[Any, str, str]] = {
    "angles fall": (replace(GUIDE, angles=(0.7, 0.6, 1.0)), "wall.horizontal", r"rising from the entry angle \(28.65 deg\)"),
    "angle under the entry": (replace(GUIDE, angles_vertical=(0.4, 0.9, 1.0)), "wall.vertical", "22.92 deg, 51.57 deg"),
    "too flat": (replace(GUIDE, angles_diagonal=(0.7, 0.9, 1.6)), "wall.diagonal", "at most 89.5 deg"),
    "count": (replace(GUIDE, angles_vertical=(0.7, 0.9)), "wall.vertical", "3 angles, one per station, got 2"),
    "stations": (replace(GUIDE, stations=(0.3, 0.6, 0.9)), "wall.stations", "ending at 100 %"),
    "angles of another profile": (replace(GUIDE, profile="conical"), "profile", "free where the wall states angles"),
    "transition": (replace(GUIDE, transition=(0.6, 0.4)), "transition", "from less than to, got 60 % to 40 %"),
    "proud": (replace(GUIDE, proud=0.04), "proud", r"0 to the depth \(30 mm\)"),
    "blend": (replace(GUIDE, proud=0.004, proud_radius=0.0), "proud_radius", "more than 0"),
    "gap too narrow": (replace(GUIDE, gap_width=1e-5, gap_depth=0.002), "gap.width", "at least 0.2 mm"),
    "gap past the throat": (replace(GUIDE, gap_width=0.002, gap_depth=0.002), "throat_radius", "Try 14.5 mm, or a gap of 1.5 mm"),
    "exponent": (replace(GUIDE, mouth=Superelliptic(0.13, 0.1, 1.5)), "mouth.exponent", r"2 \(an ellipse\) to 10"),
    "shallow tractrix": (
        replace(GUIDE, profile="tractrix", angles=()),
        "depth",
        "deep enough for a tractrix wall to a mouth that reaches",
    ),
    "no room for the rounding": (
        replace(GUIDE, mouth=Round(0.03), rounding=0.025, profile="conical", angles=()),
        "entry_angle",
        "compatible with depth",
    ),
}


@pytest.mark.parametrize("case", CASES)
def test_impossible_waveguides(case: str) -> None:
    guide, key, text = CASES[case]
    with pytest.raises(DesignError) as error:
        cabinet(guide)
    assert error.value.key == f"{WAY}.{key}"
    assert re.search(text, str(error.value)), str(error.value)


def test_the_way_out_of_a_shallow_tractrix_works() -> None:
    shallow = replace(GUIDE, profile="tractrix", angles=(), mouth=Round(0.05))
    with pytest.raises(DesignError) as error:
        cabinet(shallow)
    depth = float(re.search(r"a depth of ([\d.]+) mm", str(error.value))[1])  # type: ignore[index]
    assert 0.03 < 1e-3 * depth < 0.15
    cabinet(replace(shallow, depth=1e-3 * depth))


class Bulged:
    """A profile of one's own whose wall comes back inwards before the mouth."""

    def wall(
        self, station: Array, throat_radius: float, entry_angle: float, depth: float, mouth_radius: Array, rounding: float
    ) -> tuple[Array, Array]:
        x, r = PROFILES["conical"].wall(station, throat_radius, entry_angle, depth, mouth_radius, rounding)
        return x, r + 0.04 * np.sin(math.pi * station[:, None]) ** 2

    def least_mouth(self, throat_radius: float, entry_angle: float, depth: float, rounding: float) -> float:
        return throat_radius


class Broken(Bulged):
    """Has no wall at all."""

    def wall(self, station: Array, *sizes: Any) -> tuple[Array, Array]:
        x, r = super().wall(station, *sizes)
        return x * math.nan, r


def test_a_wall_that_folds_or_does_not_exist_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(PROFILES, "bulged", Bulged())
    monkeypatch.setitem(PROFILES, "broken", Broken())
    plain = replace(GUIDE, angles=())
    with pytest.raises(DesignError, match=r"without turning back, got bulged.*It would fold over itself") as error:
        cabinet(replace(plain, profile="bulged"))
    assert error.value.key == f"{WAY}.profile"
    with pytest.raises(DesignError, match=r"in the direction 0 deg from horizontal. Between these ends it has no such wall"):
        cabinet(replace(plain, profile="broken"))


def test_a_mouth_too_wide_for_its_free_wall_names_one_that_is_not() -> None:
    wide = replace(GUIDE, depth=0.01, mouth=Superelliptic(0.5, 0.4, 3.0), angles=(0.55, 0.6), rounding=0.003)
    with pytest.raises(DesignError, match="Between these ends it has no such wall") as error:
        Cabinet(1.2, 1.2, 0.3, 0.02, (wide,))
    width, height = (1e-3 * float(v) for v in re.search(r"a mouth of ([\d.]+) mm x ([\d.]+) mm", str(error.value)).groups())  # type: ignore[union-attr]
    assert 0.02 < height < 0.4
    Cabinet(1.2, 1.2, 0.3, 0.02, (replace(wide, mouth=Superelliptic(width, height, 3.0)),))


def test_a_mouth_past_the_flat_names_the_mouth_that_fits() -> None:
    with pytest.raises(DesignError) as error:
        cabinet(GUIDE, width=0.15)
    assert error.value.key == "cabinet.width"
    widest = float(re.search(r"a mouth at most ([\d.]+) mm wide", str(error.value))[1])  # type: ignore[index]
    assert widest == pytest.approx(119.0)  # 150 less twice 15 mm of edge and 0.5 mm
    cabinet(replace(GUIDE, mouth=replace(GUIDE.mouth, width=1e-3 * widest)), width=0.15)
    with pytest.raises(DesignError) as error:
        cabinet(replace(GUIDE, z=0.075))
    highest = float(re.search(r"a mouth at most ([\d.]+) mm high", str(error.value))[1])  # type: ignore[index]
    cabinet(replace(GUIDE, z=0.075, mouth=replace(GUIDE.mouth, height=1e-3 * highest)))


def test_a_mouth_over_the_woofer_names_the_mouth_that_fits() -> None:
    woofer = Cone("woofer", 0.06, 0.02, 0.02, z=-0.065)
    with pytest.raises(DesignError, match="'woofer' and 'tweeter' share the front face") as error:
        Cabinet(0.2, 0.3, 0.2, 0.015, (woofer, replace(GUIDE, z=0.04)))
    highest = 1e-3 * float(re.search(r"a mouth at most ([\d.]+) mm high", str(error.value))[1])  # type: ignore[index]
    assert highest == pytest.approx(2 * (0.04 + 0.005 - 0.0005))
    Cabinet(0.2, 0.3, 0.2, 0.015, (woofer, replace(GUIDE, z=0.04, mouth=replace(GUIDE.mouth, height=highest))))


def test_a_proud_rim_counts_as_what_the_mouth_needs() -> None:
    fits = replace(GUIDE, mouth=Superelliptic(0.168, 0.1, 3.0))
    cabinet(fits)
    with pytest.raises(DesignError, match="'tweeter' takes"):
        cabinet(replace(fits, proud=0.004))


@pytest.mark.parametrize(
    ("ring", "key"),
    [
        (Ring("t", 0.012, 0.0118), "inner_radius"),
        (Ring("t", 0.012, 0.006, 0.004), "height"),
        (Ring("t", 0.012, 0.006, 0.0, 0.03), "plug_height"),
    ],
)
def test_impossible_rings(ring: Ring, key: str) -> None:
    with pytest.raises(DesignError) as error:
        cabinet(ring)
    assert error.value.key == f"ways.t.{key}"


def test_no_proud_mouth_inside_a_cone() -> None:
    cone = Cone("woofer", 0.05, 0.02, 0.02)
    small = Waveguide(Throat("t", 0.0125), 0.0125, 0.1, 0.01, Round(0.019), 0.002, proud=0.002)
    with pytest.raises(DesignError, match="0 mm inside a coaxial cone"):
        cabinet(Coaxial(cone, small))


FILE = """
      profile: free
      wall:
        stations: [30 %, 60 %, 100 %]
        horizontal: [48 deg, 56 deg, 62 deg]
        vertical: [44 deg, 50 deg, 56 deg]
        diagonal: [46 deg, 54 deg, 60 deg]
      transition: {begin: 5 %, end: 80 %}
      gap: {width: 0.4 mm, depth: 2 mm}
      source_depth: 0.5 mm
      proud: 2 mm
      proud_radius: 8 mm
"""


def test_the_design_file_reaches_the_shape(tmp_path: Path) -> None:
    text = (EXAMPLES / "ketch.yaml").read_text(encoding="utf-8")
    mouth = "{shape: superelliptic, width: 170 mm, height: 130 mm, exponent: 3.5}"
    text = re.sub(r"mouth: \{.*\}", f"mouth: {mouth}", text).replace("rounding: 14 mm\n", "rounding: 14 mm" + FILE)
    (tmp_path / "own.yaml").write_text(text, encoding="utf-8")
    made = cabinet_of(load_design(tmp_path / "own.yaml"), tmp_path)
    guide = next(e for e in made.elements if isinstance(e, Waveguide))
    assert guide.mouth == Superelliptic(0.17, 0.13, 3.5)
    assert guide.stations == (0.3, 0.6, 1.0)
    assert guide.angles == pytest.approx([math.radians(a) for a in (48, 56, 62)])
    assert guide.angles_diagonal[1] == pytest.approx(math.radians(54))
    assert guide.transition == (0.05, 0.8)
    assert (guide.gap_width, guide.gap_depth, guide.source_depth) == (0.0004, 0.002, 0.0005)
    assert (guide.proud, guide.proud_radius) == (0.002, 0.008)
    build_surface(made, edge_lengths_for(made, 800.0, 343.2))


def test_ring_radiators_and_exit_angles_in_the_design_file(tmp_path: Path) -> None:
    text = (EXAMPLES / "ketch.yaml").read_text(encoding="utf-8")
    ring = text.replace("kind: dome", "kind: ring\n      inner_radius: 5 mm\n      ring_height: 1.5 mm\n      plug_height: 6 mm")
    (tmp_path / "ring.yaml").write_text(ring.replace("throat_radius: 16 mm", "throat_radius: 16.6 mm"), encoding="utf-8")
    made = cabinet_of(load_design(tmp_path / "ring.yaml"), tmp_path)
    source = next(e.source for e in made.elements if isinstance(e, Waveguide))
    assert isinstance(source, Ring)
    assert math.pi * (source.radius**2 - source.inner_radius**2) == pytest.approx(7.5e-4)
    barque = (EXAMPLES / "barque.yaml").read_text(encoding="utf-8")
    (tmp_path / "own.yaml").write_text(re.sub(r" +entry_angle: .*\n", "", barque), encoding="utf-8")
    design = load_design(tmp_path / "own.yaml")
    guide = next(e for e in cabinet_of(design, tmp_path).elements if isinstance(e, Waveguide))
    assert guide.entry_angle == float(design.ways["treble"].driver.exit_angle)  # type: ignore[union-attr]
    (tmp_path / "own.yaml").write_text(re.sub(r" +entry_angle: .*\n", "", text), encoding="utf-8")
    with pytest.raises(DesignError, match="entry_angle must be given where the driver has no exit angle"):
        cabinet_of(load_design(tmp_path / "own.yaml"), tmp_path)
