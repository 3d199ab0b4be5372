"""What the shape command says and draws: first cut, comparison, range, pictures."""

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from shape_search_fixture import load_wren, write_wren

from evenfield.base.errors import DataError
from evenfield.loudspeaker.geometry import cabinet_of
from evenfield.loudspeaker.load import load_design
from evenfield.report import shape_outputs
from evenfield.report.shape_pictures import step_pictures, step_words
from evenfield.search.aim import PLANES, aim_of
from evenfield.search.shape_confirm import Behaviour, compare
from evenfield.search.shape_search import Step
from evenfield.search.shape_tolerance import Corner, worst

F = np.geomspace(3200, 7000, 12)


def behaviour(width_deg, step=0.2, pattern=0.8):
    width = {p: np.radians(np.full(12, width_deg)) for p in PLANES}
    off = dict.fromkeys(PLANES, width_deg / 110 - 1)
    met, nothing = dict.fromkeys(PLANES, float(abs(width_deg / 110 - 1) <= 0.1)), dict.fromkeys(PLANES, 0.0)
    at = dict.fromkeys(PLANES, 3200.0)
    return Behaviour(3200.0, step, 0.5, pattern, F, width, off, at, met, nothing, 0.2, 0.3, 0.1)


@pytest.fixture
def wren(tmp_path):
    return load_wren(tmp_path)


def test_gains_and_losses_are_told_apart(wren):
    rows = {r.name: r for r in compare(behaviour(90, step=0.3), behaviour(108, step=-0.7, pattern=0.6), aim_of(wren))}
    assert rows["handover step"].met is False and rows["handover step"].better is False
    assert rows["pattern difference, front"].met and rows["pattern difference, front"].better
    assert rows["beamwidth, vertical"].met and "worst -2 %" in rows["beamwidth, vertical"].after
    assert "-0.70 dB" in rows["handover step"].after


def test_behaviour_leaves_out_what_is_not_known():
    found = replace(behaviour(100), step_db=math.nan).to_dict()
    assert found["step_db"] is None and found["width_deg"]["diagonal"][0] == pytest.approx(100)


def test_the_first_cut_is_said_and_written(tmp_path):
    path = write_wren(tmp_path)
    lines = []
    found = shape_outputs.cut_first(path, None, "horizontal=100 deg", tmp_path / "cut.yaml", lines.append)
    assert found["way"] == "tweeter" and any("Keele" in line for line in lines)
    assert load_design(tmp_path / "cut.yaml").ways["tweeter"].waveguide.profile == "free"


def test_a_scan_that_is_not_there(tmp_path):
    with pytest.raises(DataError, match="--scan"):
        shape_outputs.check_outputs(None, tmp_path / "none.stl")


def test_each_step_has_its_picture(tmp_path, wren):
    score = SimpleNamespace(
        edge_db=np.full((3, 5), -6.5), parts={"step": 0.3, "coverage": 1.2}, measures={"step_db": -0.2, "coverage_db": 0.7}
    )
    step = Step(0, 2, "fine", 1.5, wren, score, np.geomspace(3000, 7000, 5))
    draw = step_pictures(tmp_path, "tweeter", tmp_path)
    draw(step)
    draw(replace(step, score=None))
    draw(step)
    assert sorted(p.name for p in tmp_path.glob("step-*.png")) == ["step-01.png", "step-02.png"]
    assert (tmp_path / "step-01.png").read_bytes()[:4] == b"\x89PNG"
    assert "handover step -0.20 dB" in step_words(step) and "not taken" in step_words(replace(step, score=None))
    assert cabinet_of(wren).symmetric


def test_the_worst_of_the_corners():
    found = [
        Corner(n, None, SimpleNamespace(measures={"step_db": v, "mismatch_db": abs(v)})) for n, v in (("a", 0.2), ("b", -0.4))
    ]
    assert worst(found) == {"step_db": -0.4, "mismatch_db": 0.4}
