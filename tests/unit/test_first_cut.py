"""The first cut by rule: its numbers by hand, its conflicts, and that it fits the design it was made for."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from evenfield.base import Air, DesignError
from evenfield.exact.piston import circular_pattern
from evenfield.loudspeaker.design import Design
from evenfield.loudspeaker.geometry import cabinet_of
from evenfield.loudspeaker.load import load_design
from evenfield.search import first_cut_rules as rules
from evenfield.search.first_cut import first_cut, first_cut_lines, write_first_cut
from evenfield.shape import Waveguide
from evenfield.shape.free import Free
from evenfield.shape.outlines import polar_radius

EXAMPLES = Path(__file__).parents[2] / "examples"
KETCH = load_design(EXAMPLES / "ketch.yaml")


def guide_of(design: Design) -> Waveguide:
    return next(e for e in cabinet_of(design, EXAMPLES).elements if isinstance(e, Waveguide))


def test_rules_by_hand() -> None:
    # 10^6 / (90 deg x 10 in) = 1111 Hz
    assert rules.control_frequency(math.radians(90), 0.254) == pytest.approx(1e6 / 900)
    assert rules.mouth_for(math.radians(90), 1e6 / 900) == pytest.approx(0.254)
    # 90 x 90 deg: asin(sin 45 sin 45) = 30 deg, Q = 6
    assert rules.coverage_index(math.pi / 2, math.pi / 2) == pytest.approx(10 * math.log10(6))
    air = Air()
    half = rules.piston_coverage(0.1, 2000.0, air) / 2
    assert circular_pattern(float(air.wavenumber(2000.0)) * 0.1, half) == pytest.approx(0.5, abs=1e-6)
    assert rules.piston_coverage(0.01, 1000.0, air) == math.pi
    # a cabinet gives the baffle's 3 dB back at low frequency and none at high
    low, high = rules.piston_index(0.08, np.array([10.0, 20000.0]), 0.25, air)
    assert low == pytest.approx(0.0, abs=0.02)
    assert high == pytest.approx(20 * math.log10(float(air.wavenumber(20000.0)) * 0.08), abs=0.1)


@pytest.mark.parametrize("half_deg", [40.0, 50.0])
def test_the_mouth_gives_the_walls_their_angle(half_deg: float) -> None:
    from evenfield.shape import PROFILES

    mouth = rules.mouth_radius(0.07, math.radians(half_deg), 0.016, math.radians(20), 0.015)
    x, r = PROFILES["oblate_spheroidal"].wall(np.linspace(0, 1, 2001), 0.016, math.radians(20), 0.07, np.array([mouth]), 0.015)
    bend = np.degrees(np.arctan2(np.diff(r[:, 0]), np.diff(x[:, 0])))
    outer = r[1:, 0] > mouth - 0.018  # about where the rounding begins
    assert bend[np.argmax(outer)] == pytest.approx(half_deg, abs=0.6)


@pytest.mark.parametrize("name", ["skiff", "ketch", "barque"])
def test_the_examples_first_cut_fits_and_stands_as_stated(name: str) -> None:
    design = load_design(EXAMPLES / f"{name}.yaml")
    cut = first_cut(design)
    guide = guide_of(cut.apply(design))
    theta = np.array([0.0, math.pi / 2, math.pi / 4])
    stated = np.array([guide.angles, guide.angles_vertical, guide.angles_diagonal]).T
    turning = Free(guide.stations).turning(
        guide.throat_radius, guide.entry_angle, guide.depth, polar_radius(guide.mouth, theta), guide.rounding, stated
    )
    assert np.allclose(turning.odds, 1.0, atol=0.02)  # the stated angles are the wall's own, to the written tenth of a degree
    assert np.allclose(np.degrees(stated[-1, :2]), np.degrees(cut.held) / 2, atol=1.0)
    assert cut.held == pytest.approx(cut.coverage)


def test_every_value_has_its_rule_and_source() -> None:
    cut = first_cut(KETCH)
    assert all(r.rule and r.source for r in cut.reasons)
    lines = first_cut_lines(cut)
    assert len(lines) == 1 + len(cut.reasons) + len(cut.conflicts)
    assert any("Keele 1975" in line for line in lines)


def test_a_coverage_the_mouth_cannot_hold_names_the_pair_and_the_nearest() -> None:
    conflicts = {c.pair: c for c in first_cut(KETCH, crossover_hz=1000.0).conflicts}
    found = conflicts["brief.coverage.horizontal", "cabinet.width"]
    room = 0.25 - 2 * 0.024 - 2 * 0.0005 - 0.002
    assert f"room for {1e3 * room:.0f} mm" in found.text
    assert f"from {rules.control_frequency(math.radians(95), room):.0f} Hz up" in found.nearest
    easy = first_cut(KETCH, crossover_hz=2000.0)
    assert not any(c.pair[0].startswith("brief.coverage") for c in easy.conflicts)
    assert easy.control[0] < 2000.0 * 1.02 and easy.control[1] < 2000.0 * 1.02


def test_too_little_depth_opens_the_walls_and_says_so() -> None:
    cut = first_cut(KETCH, deepest=0.04)
    found = next(c for c in cut.conflicts if c.pair == ("waveguide.depth", "waveguide.entry_angle"))
    assert "need 67 mm, and 40 mm are allowed" in found.text
    assert cut.waveguide["depth"] == "40 mm"
    assert cut.held[0] > cut.coverage[0]
    guide_of(cut.apply(KETCH))


def test_a_crossover_where_the_ways_cannot_meet() -> None:
    cut = first_cut(KETCH, crossover_hz=1450.0)
    assert cut.meeting is not None and cut.meeting[0] <= cut.best <= cut.meeting[1]
    assert any(c.pair == ("crossover", "ways.woofer.driver.sd") for c in cut.conflicts)
    again = first_cut(KETCH, crossover_hz=cut.best)
    assert not any(c.pair[0] == "crossover" for c in again.conflicts)


def test_what_is_missing_is_named() -> None:
    bare = KETCH.model_copy(update={"brief": KETCH.brief.model_copy(update={"coverage": None})})
    with pytest.raises(DesignError, match=r"brief\.coverage must be given"):
        first_cut(bare)
    with pytest.raises(DesignError, match="above another"):
        first_cut(KETCH, way="woofer")
    ways = dict(KETCH.ways)
    ways["woofer"] = ways["woofer"].model_copy(update={"place": ways["woofer"].place.model_copy(update={"z": 0.0})})
    crowded = KETCH.model_copy(update={"ways": ways, "cabinet": KETCH.cabinet.model_copy(update={"height": 0.26})})
    with pytest.raises(DesignError, match="room for a mouth"):
        first_cut(crowded)


def test_written_back_with_the_comments_kept(tmp_path: Path) -> None:
    text = (EXAMPLES / "ketch.yaml").read_text(encoding="utf-8")
    source = tmp_path / "own.yaml"
    source.write_text(text.replace("depth: 38 mm", "depth: 38 mm  # as the mould allows"), encoding="utf-8")
    cut = first_cut(KETCH)
    written = load_design(write_first_cut(source, tmp_path / "cut.yaml", cut))
    assert "# as the mould allows" in (tmp_path / "cut.yaml").read_text(encoding="utf-8")
    assert guide_of(written) == guide_of(cut.apply(KETCH))
    assert written.ways["woofer"] == KETCH.ways["woofer"]
