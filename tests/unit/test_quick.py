"""Quick answers: exact where only circuits and filters change, close to a full solve where a waveguide does, silent beyond."""

import copy
import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "workbench"))
from bench_fixture import write_design

from evenfield.base import Refusal
from evenfield.data.interpolation import pressure_at
from evenfield.loudspeaker.design import Design
from evenfield.loudspeaker.geometry import cabinet_of
from evenfield.loudspeaker.load import _parse_yaml, _plain
from evenfield.loudspeaker.predict import foundation_of, predict_on
from evenfield.loudspeaker.quick import EVERY, Ground, QuickModel
from evenfield.loudspeaker.quick_ratio import ratio_of
from evenfield.loudspeaker.quick_round import FREQUENCIES, at_origin, is_round, meridian_of
from evenfield.loudspeaker.sweep import sweep_radiation


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    return write_design(tmp_path_factory.mktemp("quick"))


@pytest.fixture(scope="module")
def tree(path):
    return _plain(_parse_yaml(path.read_text(encoding="utf-8"), path))


@pytest.fixture(scope="module")
def ground(path, tree):
    design = Design.model_validate(tree)
    return Ground.of(design, foundation_of(design, folder=path.parent))


@pytest.fixture(scope="module")
def model():
    return QuickModel()


def changed(tree, **values):
    """The design with values by path, dots written as __."""
    made = copy.deepcopy(tree)
    for name, value in values.items():
        node = made
        *steps, last = name.split("__")
        for step in steps:
            node = node[int(step)] if step.isdigit() else node[step]
        node[last] = value
    return Design.model_validate(made)


def level(d):
    return 20 * np.log10(np.abs(d.pressure))


@pytest.mark.parametrize(
    "values",
    [
        {},
        {"ways__tweeter__filters__gain": "-7 dB"},
        {"ways__woofer__filters__sections__0__frequency": "1.6 kHz"},
        {"ways__woofer__driver__bl": "6 Tm", "ways__woofer__driver__mms": "10 g"},
        {"vent__length": "140 mm"},
        {"cabinet__net_volume": "6 L"},
        {"brief__listening_distance": "1.6 m"},
    ],
    ids=lambda v: " ".join(v) or "nothing",
)
def test_circuits_filters_and_sums_are_exact(ground, model, tree, values):
    design = changed(tree, **values)
    quick, said = model.answer(ground, design)
    full = predict_on(design, ground.foundation)
    assert said.exact is True
    assert quick.frequency == pytest.approx(full.frequency[::EVERY])
    near = level(full.system)[:, ::EVERY]
    loud = near > near.max(axis=0) - 40
    assert np.abs(level(quick.system) - near)[loud].max() < 0.01
    for name in full.ways:
        assert np.abs(quick.ways[name].pressure - full.ways[name].pressure[:, ::EVERY]).max() < 1e-4
        assert quick.impedance[name].value == pytest.approx(full.impedance[name].value[::EVERY], rel=1e-9)
    assert quick.handovers[0].frequency == pytest.approx(full.handovers[0].frequency, rel=0.01)
    assert quick.handovers[0].step_db == pytest.approx(full.handovers[0].step_db, abs=0.05)
    assert quick.handovers[0].mismatch_db == pytest.approx(full.handovers[0].mismatch_db, abs=0.05)


def test_a_moved_way_keeps_its_pattern_and_changes_its_path(ground, model, tree):
    quiet = {"ways__woofer__filters__gain": "-119 dB"}
    wish = model.wish(ground, changed(tree, ways__tweeter__place__z="70 mm", **quiet))
    assert wish.said.exact is False and "tweeter moved" in wish.said.words
    assert wish.early.ways["tweeter"].origin == pytest.approx((0, 0, 0.07))
    # alone, and heard about its own origin, it sounds as before
    before = model.wish(ground, changed(tree, **quiet)).early
    heard = before.frequency > 500
    assert np.abs(wish.early.system.on_axis() / before.system.on_axis() - 1)[heard].max() < 1e-4
    # the woofer, heard about the moved origin, has another path: that of geometry
    quiet = {"ways__tweeter__filters__gain": "-119 dB"}
    quick = model.wish(ground, changed(tree, ways__tweeter__place__z="70 mm", **quiet)).early
    k = 2 * np.pi * quick.frequency / quick.system.speed_of_sound
    there = pressure_at(quick.ways["woofer"], np.array([1.0, 0.0, 0.07])) * quick.filters["woofer"] * np.exp(1j * k)
    band = quick.frequency < 2000
    assert np.abs(quick.system.on_axis() / there - 1)[band].max() < 0.02


def test_a_larger_vent_radiates_more_by_its_area(ground, model, tree):
    quick, said = model.answer(ground, changed(tree, vent__radius="22 mm"))
    before, _ = model.answer(ground, changed(tree))
    assert said.model == "vent scaled" and said.exact is False
    low = quick.frequency < 40
    # far below its tuning the vent empties the box as fast as the cone fills it, whatever its opening
    ratio = np.abs(quick.vent_speed["vent"].value / before.vent_speed["vent"].value)[low]
    assert ratio == pytest.approx((20 / 22) ** 2, rel=0.06)


@pytest.mark.parametrize(
    ("values", "word"),
    [
        ({"cabinet__width": "230 mm"}, "cabinet's width"),
        ({"cabinet__depth": "240 mm", "cabinet__edge_radius": "16 mm"}, "depth and edge radius"),
        ({"air__temperature": "25 degC"}, "air"),
    ],
)
def test_what_only_the_full_solve_can_show_is_refused_with_the_reason(ground, model, tree, values, word):
    tree = tree | {"air": {"temperature": "20 degC"}} if "air__temperature" in values else tree
    with pytest.raises(Refusal, match=word):
        model.answer(ground, changed(tree, **values))


def test_the_round_model_follows_a_full_solve(tree):
    """Changes of a waveguide on the whole cabinet, three frequencies: the quick difference against the true one."""
    frequency = np.array([1500.0, 2500.0, 3500.0])
    before = Design.model_validate(tree)
    air, model = before.air.to_air(), QuickModel()
    first = cabinet_of(before)
    solved = sweep_radiation(first, frequency, air)
    at = solved.parts.index("tweeter")
    vectors = solved.directions.vectors
    front = (vectors[:, 0] > 0.3)[:, None] & (np.abs(solved.far_field[at]) > 0.1 * np.abs(solved.far_field[at]).max(axis=0))
    design = changed(tree, ways__tweeter__waveguide__depth="30 mm", ways__tweeter__waveguide__mouth__width="130 mm")
    second = cabinet_of(design)
    true = sweep_radiation(second, frequency, air)
    shapes = [next(e for e in c.elements if e.name == "tweeter") for c in (first, second)]
    ratio = ratio_of(model.round_of(shapes[0], air), model.round_of(shapes[1], air), frequency)["tweeter"]
    change = 20 * np.log10(np.abs(true.far_field[at] / solved.far_field[at]))
    quick = 20 * np.log10(np.abs(ratio.towards(vectors, "test")))
    wide, off = (float(np.sqrt(np.mean(v[front] ** 2))) for v in (change, change - quick))
    assert wide > 0.3
    assert off < 0.2 and off < 0.4 * wide, (wide, off)
    load = true.impedance[at, at] / solved.impedance[at, at]
    assert np.abs(ratio.load) == pytest.approx(np.abs(load), rel=0.06)


def test_the_round_model_is_solved_finely_enough(tree):
    """Every band's meridian against one of 1.5 mm, within 20 dB of the maximum."""
    from evenfield.loudspeaker.quick_round import ANGLES, round_fields
    from evenfield.radiation import MeridianProblem

    design = Design.model_validate(tree)
    element = at_origin(next(e for e in cabinet_of(design).elements if e.name == "tweeter"))
    found = round_fields(element, design.air.to_air())[0].far_field[0]
    fine = MeridianProblem(meridian_of(element, 0.0, 0.0015), "axial", True, air=design.air.to_air())
    for i in range(0, len(FREQUENCIES), 5):
        truth = fine.solve(float(FREQUENCIES[i])).far_field(ANGLES)[0]
        loud = np.abs(truth) > np.abs(truth).max() / 10
        assert np.abs(20 * np.log10(np.abs(found[:, i] / truth)))[loud].max() < 0.08


def test_the_wall_of_either_plane_is_the_drawn_one(tree):
    element = next(e for e in cabinet_of(Design.model_validate(tree)).elements if e.name == "tweeter")
    assert not is_round(element)
    for plane, half in ((0.0, 0.075), (np.pi / 2, 0.055)):
        line = meridian_of(at_origin(element), plane, 0.004)
        assert line.points[0] == pytest.approx((0.0, half), abs=1e-9) and line.points[-1, 1] == 0.0
        assert line.points[:, 0].min() >= -0.024 - 1e-9
        assert set(line.part.tolist()) == {"rigid", "tweeter"}
    assert len(FREQUENCIES) == 24 and np.all(np.diff(FREQUENCIES) > 0)
