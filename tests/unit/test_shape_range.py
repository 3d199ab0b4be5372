"""Along the range: what is carried, members measured alike, what is kept and what size takes, and going on where it stopped."""

import json
import math
from dataclasses import replace
from types import SimpleNamespace
from unittest import mock

import numpy as np
import pytest
from shape_search_fixture import WREN, load_wren, write_wren

from evenfield.base.errors import DesignError
from evenfield.report import shape_outputs
from evenfield.report.figures.shape_range import range_figure
from evenfield.search import shape_range, shape_search
from evenfield.search.aim import PLANES, aim_of
from evenfield.search.crossing import check_aim, lowest_held
from evenfield.search.range_member import Member, coarse_axis
from evenfield.search.range_words import kept_and_taken, range_lines, side_by_side
from evenfield.search.shape_field import Fineness
from evenfield.search.shape_range import RangeWish, carried_text, derive_range, own_aim
from evenfield.search.shape_search import Effort
from evenfield.search.shape_stage import Plan

F = np.geomspace(500, 8000, 49)


def member(aim, name="Large", lost=800.0, mouth=0.3):
    """A beam of the wanted width from `lost` up, half as wide again an octave below."""
    wide = 1 + 0.2 * np.maximum(np.log2(lost / F), -0.2) / 1.0
    width = {p: aim.coverage[p] * wide for p in PLANES}
    index = {"woofer": np.linspace(3, 9, 49), "tweeter": np.linspace(6, 10, 49)}
    return Member(
        name, aim, (0.3, 0.5), (mouth, mouth), (0.0, 0.05), 0.08, F, width, index, 0.1, 0.3, 0.8, solves=40, adjoints=20
    )


@pytest.fixture
def aim(tmp_path):
    return aim_of(load_wren(tmp_path), text="low=1 kHz, high=8 kHz, handover=1 kHz")


def test_a_range_needs_siblings_of_their_own_names(tmp_path):
    path = write_wren(tmp_path)
    for siblings in ([], [path], [tmp_path / "a.yaml", tmp_path / "a.yaml"]):
        with pytest.raises(DesignError, match="--range"):
            derive_range(path, siblings)


def test_angles_and_weights_are_carried_frequencies_are_not(tmp_path):
    text = "horizontal=100 deg, low=2 kHz, handover=2.5 kHz, waist=1"
    carried = carried_text(aim_of(load_wren(tmp_path), text=text), text)
    assert carried == "horizontal=100 deg, vertical=110 deg, diagonal=104.643 deg, waist=1"


def test_each_member_is_asked_from_its_own_handover_or_what_its_face_can_hold(tmp_path):
    wren = load_wren(tmp_path)
    found = own_aim(wren, "horizontal=110 deg, vertical=110 deg", tmp_path, handover=3000.0)
    assert (found.low, found.high, found.handover) == (3000.0, 7000.0, 3000.0)
    narrow = own_aim(wren, "horizontal=60 deg, vertical=110 deg", tmp_path, handover=2000.0)
    assert narrow.low == pytest.approx(1.001 * lowest_held(wren, narrow)) and narrow.low > 2500
    check_aim(wren, narrow)


def test_where_a_mouth_no_longer_holds_the_beam(aim):
    """1.2 of the coverage is reached at `lost` an octave down by construction."""
    m = member(aim, lost=1600.0)
    assert m.control("horizontal") == pytest.approx(800.0, rel=1e-3) and m.holds("horizontal")
    never = replace(m, width={p: np.full(49, aim.coverage[p]) for p in PLANES})
    assert never.control("vertical") == F[0] and not never.holds("vertical")
    open_below = np.where(F < 700, np.nan, aim.coverage["diagonal"])
    assert replace(m, width={**m.width, "diagonal": open_below}).control("diagonal") == pytest.approx(700, rel=0.06)


def test_the_share_that_is_kept(aim):
    """Within 10 % down to half an octave under `lost`: 2.5 of the band's 3 octaves."""
    assert member(aim, lost=2**0.5 * 1000 * 2**0.5).kept == pytest.approx(2.5 / 3, abs=0.03)


def test_a_member_survives_the_file(aim):
    m = replace(member(aim), step_db=math.nan, index_db={"woofer": np.where(F > 3000, np.nan, 5.0), "tweeter": F * 0 + 7})
    again = Member.from_dict(json.loads(json.dumps(m.to_dict())))
    assert again.aim == m.aim and again.mouth == pytest.approx(m.mouth) and math.isnan(again.step_db)
    assert again.index_db["woofer"] == pytest.approx(m.index_db["woofer"], nan_ok=True)
    assert again.control("horizontal") == pytest.approx(m.control("horizontal"))


def test_the_words_say_what_size_takes(aim):
    members = [member(aim, "Large", 800.0), member(aim, "Small", 2000.0, mouth=0.15)]
    text = " ".join(kept_and_taken(members))
    assert "Size takes at least 1.0 octaves: its beam is held from 1000 Hz" in text
    assert "Small keeps the coverage within ±10 %" in text and "DI of 4.5 dB against 7.0 dB" in text
    head, rows = side_by_side(members)
    found = {r[0]: r[1:] for r in rows}
    assert head == ("", "Large", "Small") and found["mouth, mm"] == ("300 x 300", "150 x 150")
    assert found["mouth holds the horizontal beam from, Hz"] == ("500 or lower", "1000")
    assert found["DI at 8000 Hz, dB"] == ("10.0", "10.0") and found["search: solves + adjoint passes"][0] == "40 + 20"
    lines = range_lines(members)
    assert len({line.find("Large") for line in lines[1:2]}) == 1 and "few frequencies" in lines[-1]
    late = replace(members[1], aim=replace(aim, low=1400.0))
    assert "no mouth on its face could hold" in " ".join(kept_and_taken([members[0], late]))


def test_the_picture_and_the_sheet(aim, tmp_path):
    from pypdf import PdfReader

    from evenfield.report.range_sheet import write_range_sheet

    members = [member(aim, "Large", 800.0), member(aim, "Small", 2000.0, mouth=0.15)]
    figure = range_figure(members)
    assert [ax.get_title(loc="left").split(",")[0] for ax in figure.axes[:2]] == ["Large", "Small"]
    pages = PdfReader(write_range_sheet(members, tmp_path / "range.pdf")).pages
    text = " ".join(" ".join(p.extract_text() for p in pages).split())
    assert "Size takes" in text and "Small" in text and len(pages) <= 2


def test_the_coarse_axis_covers_the_handover_and_what_lies_below(aim):
    axis = coarse_axis(aim)
    assert np.all(np.diff(axis) > 0) and axis[0] < 500 and axis[-1] == pytest.approx(8000)
    assert np.sum(np.abs(np.log2(axis / 1000)) <= 0.53) == 5


@pytest.fixture(scope="module")
def ranged(tmp_path_factory):
    """A smaller sibling, derived; stopped in its search at first, as by Ctrl-C."""
    folder = tmp_path_factory.mktemp("range")
    base = write_wren(folder)
    small = folder / "tit.yaml"
    small.write_text(WREN.replace("name: Wren", "name: Tit").replace("width: 130 mm", "width: 120 mm"), encoding="utf-8")
    plan, seen = Plan(2, 1.0, 5200.0, Fineness(4.0, 1.3)), []

    def stop(step):
        seen.append(step.number)
        if step.number == 1 and seen.count(1) == 1:
            raise KeyboardInterrupt

    wish = RangeWish(effort=Effort(1, 0, 2, 5.0), confirm=False, device="cpu")
    out = folder / "out"
    with mock.patch.object(shape_search, "fine_plan", lambda aim: plan):
        with pytest.raises(KeyboardInterrupt):
            derive_range(base, [small], wish, out, on_step=stop)
        members = derive_range(base, [small], wish, out, on_step=stop)
    return base, small, wish, out, members, seen


def test_a_sibling_is_derived_with_its_own_woofer_and_cabinet(ranged):
    *_, out, members, _ = ranged
    wren, tit = members
    assert (wren.name, tit.name) == ("Wren", "Tit") and tit.face[0] == pytest.approx(0.12)
    assert tit.mouth[0] < 0.12 and tit.aim.coverage == pytest.approx(wren.aim.coverage)
    assert tit.file == out / "tit" / "tit-shaped.yaml" and tit.solves > 0 and wren.solves == 0
    assert abs(tit.step_db) < 3 and 0 < tit.pattern_db < 4 and 0.5 < np.nanmin(tit.width["horizontal"]) < 3


def test_a_stopped_range_goes_on_and_what_is_done_stays(ranged):
    base, small, wish, out, members, seen = ranged
    assert seen.count(0) == 1  # the search began once; the second call took it up

    def never(*_, **__):
        raise AssertionError("it was done already")

    with mock.patch.object(shape_range, "run_shape", never), mock.patch.object(shape_range, "measured", never):
        again = derive_range(base, [small], wish, out)
        assert [m.name for m in again] == ["Wren", "Tit"] and again[1].kept == pytest.approx(members[1].kept)
        with pytest.raises(AssertionError):
            derive_range(base, [small], replace(wish, aim="horizontal=100 deg"), out)
    lines = []
    found = shape_outputs.carry_along(base, [small], wish, out, lines.append, None)
    assert [m["name"] for m in found["members"]] == ["Wren", "Tit"] and any("Size takes" in line for line in lines)
    assert all((out / name).is_file() for name in ("range.png", "range.pdf", "range.json"))
    assert SimpleNamespace(**json.loads((out / "tit" / "member.json").read_text(encoding="utf-8"))).key
