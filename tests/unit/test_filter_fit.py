"""The filter fit on a made-up two-way: derivatives, flatness, limits, explanations, writing back."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from filter_fixture import two_way

from evenfield.base import DesignError
from evenfield.loudspeaker.filter_fit import FilterFit, fit_filters, objective_of, starts
from evenfield.loudspeaker.filter_fit_field import FitField, octave_mean
from evenfield.loudspeaker.filter_fit_goals import Goals
from evenfield.loudspeaker.filter_fit_measures import fit_measures
from evenfield.loudspeaker.filter_fit_snap import rounded
from evenfield.loudspeaker.filter_write import write_active, write_passive
from evenfield.loudspeaker.least_squares import least_squares
from evenfield.loudspeaker.load import load_design
from evenfield.loudspeaker.passive import network_of, passive_section
from evenfield.loudspeaker.passive_blocks import Losses, Recipe
from evenfield.loudspeaker.passive_fit import PassiveFit, fit_passive
from evenfield.loudspeaker.passive_model import PassiveModel


@cache
def fitted() -> FilterFit:
    return fit_filters(two_way())


@cache
def network() -> PassiveFit:
    return fit_passive(two_way())


@pytest.mark.parametrize("rate", [None, 48e3])
def test_active_derivatives_against_differences(rate: float | None) -> None:
    """Every term at once, limits made to bind: central differences of all residuals."""
    goals = Goals(sample_rate=rate, boost_db=0.5)
    objective, _ = objective_of(two_way(), goals)
    objective = replace(objective, level_pa=20.0, boost_db=-4.0)
    model = next(iter(starts(two_way(), goals, objective.field)))
    vector = model.vector() + 0.05 * np.sin(np.arange(len(model.vector())))
    model = model.with_vector(np.clip(vector, *model.bounds()))
    objective = objective.renewed(model)
    check_jacobian(objective, model)


def test_passive_derivatives_against_differences() -> None:
    objective, _ = objective_of(two_way(), Goals())
    loads = network().model.network.loads
    recipe = Recipe(3, 3, True, 2400.0, True, True, True, True, True, True)
    straight = [replace(x, nodes=("in", "0")) for x in loads]
    model = PassiveModel.of(recipe.network(*straight, (6.0, 4.0), Losses()), 9.0, np.array([30.0, 60.0, 19e3]))
    check_jacobian(objective.renewed(model), model)


def check_jacobian(objective, model) -> None:  # type: ignore[no-untyped-def]
    _, slopes = objective.linearised(model)
    v, d = model.vector(), 1e-5
    assert slopes.shape[1] == len(v)
    for i in range(len(v)):
        move = np.zeros(len(v))
        move[i] = d
        up, down = (objective.residuals(model.with_vector(v + s * move)) for s in (1, -1))
        # a residual that starts to count within the step has no derivative there
        smooth = (up != 0) == (down != 0)
        assert np.max(np.abs(slopes[:, i] - (up - down) / (2 * d))[smooth]) < 2e-6 * max(1.0, np.abs(slopes[:, i]).max())


def test_the_window_gets_flat_with_few_sections_and_stays_so_off_the_fitted_directions() -> None:
    fit = fitted()
    assert fit.after.window_max_db <= 0.75
    assert fit.after.left_out_max_db <= 1.0
    assert all(way.biquads <= 10 for way in fit.model.ways)
    assert fit.after.index_ripple_db < 0.3
    assert fit.after.phase_loss_db < 1.0
    assert fit.after.window_max_db < fit.before.window_max_db / 4
    assert fit.seconds < 10


def test_measures_of_the_design_are_those_of_the_model() -> None:
    """The design's own chains give what the fit says, with numbers as rounded in the file."""
    from evenfield.loudspeaker.chains import responses

    fit = fitted()
    field = fit.objective.field
    h = responses(fit.design, field.frequency)
    again = fit_measures(fit.objective, np.stack([h[n] for n in field.names]))
    assert again.window_max_db == pytest.approx(fit.after.window_max_db, abs=1e-3)


def test_left_out_directions_are_measured_by_themselves() -> None:
    """Their ± comes from their own points: those of the window must not stand in for them."""
    fit = fitted()
    field = fit.objective.field
    h = fit.model.responses(field.frequency)[0]
    tilted = field.left_out * (1 + 0.5 * np.linspace(0, 1, len(field.frequency)))[:, None, None]
    other = replace(fit.objective, field=replace(field, left_out=tilted))
    assert fit_measures(other, h).left_out_max_db > fit.after.left_out_max_db + 0.4
    assert fit_measures(other, h).window_max_db == pytest.approx(fit.after.window_max_db)


def test_numbers_can_be_read() -> None:
    for way in fitted().design.ways.values():
        assert float(way.filters.delay) >= 0
        for s in way.filters.sections:
            assert float(f"{float(s.frequency):.3g}") == pytest.approx(float(s.frequency), rel=1e-9)
            assert round(float(s.gain), 1) == pytest.approx(float(s.gain), abs=1e-9)
    assert np.exp(rounded("q", np.log(1.2345))) == pytest.approx(1.2)


def test_every_section_is_worth_something_and_says_what_for() -> None:
    fit = fitted()
    assert {s.way for s in fit.sections} == {"woofer", "tweeter"}
    assert all(s.repairs for s in fit.sections)
    assert all(s.worth_db > 0.1 for s in fit.sections if s.section.origin == "fit")
    bump = [s for s in fit.sections if s.way == "woofer" and s.section.gain_db < -1]
    assert any(abs(np.log2(s.section.frequency / 1100)) < 0.6 for s in bump)


def test_a_dip_on_the_axis_alone_is_left_alone_and_said() -> None:
    """4 dB taken out within 4 degrees of the axis of the tweeter at 6 kHz: the window hardly shares it, so neither does the
    fit."""
    prediction = two_way()
    f = prediction.frequency
    notch = 10 ** (-6.0 * np.exp(-((np.log2(f / 6000.0) / 0.12) ** 2)) / 20)
    tweeter = prediction.ways["tweeter"]
    pressure = np.array(tweeter.pressure)
    near = tweeter.directions.vectors[:, 0] > np.cos(np.radians(4))
    pressure[near] *= notch
    hurt = replace(prediction, ways={**prediction.ways, "tweeter": tweeter.replace(pressure=pressure)})
    fit = fit_filters(hurt)
    assert any("local" in n and "Left alone" in n and "dip" in n for n in fit.notes)
    at = int(np.argmin(np.abs(fit.objective.field.frequency - 6000)))
    assert fit.objective.field.weight[at] < 0.7
    added = fit.model.ways[1].chain().response([4500.0, 6000.0, 8000.0])
    clean = fitted().model.ways[1].chain().response([4500.0, 6000.0, 8000.0])
    lift = 20 * np.log10(np.abs(added / clean))
    assert abs(lift[1] - (lift[0] + lift[2]) / 2) < 1.0


@pytest.mark.parametrize(
    ("goals", "words"),
    [
        (Goals(low_hz=5000.0, high_hz=300.0), "contradict"),
        (Goals(level_db=125.0), "excursion of woofer contradict"),
        (Goals(low_hz=25.0, boost_db=0.0, cut_db=3.0), "boost and cut .* contradict"),
        (Goals(sample_rate=32e3), "sample rate"),
    ],
)
def test_contradictory_limits_are_refused_by_name(goals: Goals, words: str) -> None:
    with pytest.raises(DesignError, match=words):
        fit_filters(two_way(), goals)


def test_limits_of_the_brief_that_cannot_be_kept_are_noted() -> None:
    prediction = two_way()
    brief = prediction.design.brief.model_copy(update={"maximum_level": type(prediction.design.brief.listening_distance)(120.0)})
    _, notes = objective_of(replace(prediction, design=prediction.design.model_copy(update={"brief": brief})), Goals())
    assert any("contradict" in n for n in notes)


def test_the_boost_limit_holds() -> None:
    fit = fit_filters(two_way(), Goals(boost_db=1.0))
    axis = fit.objective.field.frequency
    for way in fit.model.ways:
        sections = replace(way, gain_db=0.0).chain().response(axis)
        assert 20 * np.log10(np.abs(sections).max()) < 1.6


def test_a_design_without_crossover_or_handover_is_refused() -> None:
    design = two_way().design.model_copy(update={"handover": ()})
    with pytest.raises(DesignError, match="handover"):
        fit_filters(replace(two_way(), design=design))


def test_least_squares_holds_bounds_and_finds_the_minimum() -> None:
    """Rosenbrock's valley; then with a bound in the way. Source: H. H. Rosenbrock, Comput. J. 3 (1960) 175."""

    def linearised(v):  # type: ignore[no-untyped-def]
        return np.array([10 * (v[1] - v[0] ** 2), 1 - v[0]]), np.array([[-20 * v[0], 10.0], [-1.0, 0.0]])

    free = least_squares(
        linearised, lambda v: linearised(v)[0], np.array([-1.2, 1.0]), (np.full(2, -5.0), np.full(2, 5.0)), 200, 1e-12
    )
    assert np.allclose(free.vector, 1, atol=1e-5)
    held = least_squares(
        linearised, lambda v: linearised(v)[0], np.array([-1.2, 1.0]), (np.full(2, -5.0), np.array([0.5, 5.0])), 200, 1e-12
    )
    assert held.vector[0] == 0.5 and held.vector[1] == pytest.approx(0.25, abs=1e-6)


def test_sharing_weighs_local_differences_only() -> None:
    f = np.geomspace(100, 16e3, 170)
    assert np.allclose(octave_mean(f, np.log2(f)), np.log2(f), atol=0.02)
    field = FitField.of(two_way().ways, (0.0, 0.0, 0.06), 1.0, 150.0, 16e3)
    assert field.weight.min() > 0.8
    assert np.max(np.abs(np.einsum("fww->wf", field.window).imag)) < 1e-12


TEXT = """# A made-up design. This comment stays.
evenfield: 1
name: Dinghy
brief: {listening_distance: 1 m}
cabinet: {width: 180 mm, height: 280 mm, depth: 200 mm, edge_radius: 15 mm}
ways:
  woofer:
    place: {z: -60 mm}   # beside the key
    driver: {kind: cone, re: 5.6 ohm ± 3 %, bl: 5 Tm, mms: 7 g, fs: 55 Hz, sd: 60 cm2}
    filters:
      sections:
        - {kind: low-pass, order: 2, frequency: 1 kHz}
  tweeter:
    place: {z: 60 mm}
    driver: {kind: dome, re: 3.4 ohm, bl: 2.5 Tm, mms: 0.3 g, fs: 900 Hz, sd: 6.5 cm2}
"""


def test_sections_are_written_into_a_copy_that_keeps_its_comments(tmp_path: Path) -> None:
    source, target = tmp_path / "dinghy.yaml", tmp_path / "copy.yaml"
    source.write_text(TEXT, encoding="utf-8")
    write_active(source, target, fitted().design)
    assert source.read_text(encoding="utf-8") == TEXT
    text = target.read_text(encoding="utf-8")
    assert "This comment stays" in text and "beside the key" in text and "± 3 %" in text
    back = load_design(target)
    for name, way in fitted().design.ways.items():
        ours, theirs = way.filters, back.ways[name].filters
        assert [s.kind for s in ours.sections] == [s.kind for s in theirs.sections]
        for a, b in zip(ours.sections, theirs.sections, strict=True):
            assert float(b.frequency) == pytest.approx(float(a.frequency), rel=1e-4)
            assert float(b.gain) == pytest.approx(float(a.gain), abs=1e-3)
        assert float(theirs.delay) == pytest.approx(float(ours.delay), abs=1e-9)


def test_passive_fit_has_preferred_values_and_keeps_the_impedance() -> None:
    from evenfield.filters.passive_series import nearest

    fit = network()
    assert fit.measures.window_max_db <= 1.5
    assert fit.least.ohms >= 0.8 * fit.rated * 0.999
    assert all(nearest(p.value, "E12") == pytest.approx(p.value) for p in fit.model.network.valued)
    assert fit.price > 3 and len(fit.stresses) == len(fit.model.network.valued)
    assert fit.seconds < 60


def test_passive_variant_round_trips_through_the_design_file(tmp_path: Path) -> None:
    source, target = tmp_path / "dinghy.yaml", tmp_path / "passive.yaml"
    source.write_text(TEXT, encoding="utf-8")
    write_passive(source, target, network())
    design = load_design(target)
    section = passive_section(design)
    assert section is not None and section.series == "E12"
    f = np.geomspace(30, 16e3, 40)
    made, wanted = network_of(design, two_way().impedance).solve(f), network().model.network.solve(f)
    for a, b in zip(made.network.loads, wanted.network.loads, strict=True):
        assert np.allclose(made.voltage(a), wanted.voltage(b), rtol=2e-3)


@pytest.mark.parametrize(
    ("part", "words"),
    [
        ({"kind": "resistor", "name": "R", "nodes": ["in", "a"]}, "ohms must be given"),
        ({"kind": "capacitor", "name": "C", "nodes": ["in", "a"], "farad": "-1 uF"}, "farad must be"),
        ({"kind": "capacitor", "name": "C", "nodes": ["in", "a"], "farad": "1 mH"}, "capacitance"),
        ({"kind": "coil", "name": "C", "nodes": ["in", "a"]}, "kind"),
        ({"kind": "driver", "name": "squawker", "nodes": ["in", "0"]}, "one of woofer, tweeter"),
    ],
)
def test_bad_passive_sections_name_the_key(part: dict, words: str) -> None:  # type: ignore[type-arg]
    parts = [
        part,
        {"kind": "driver", "name": "woofer", "nodes": ["a", "0"]},
        {"kind": "driver", "name": "tweeter", "nodes": ["in", "0"]},
    ]
    design = two_way().design.model_copy(update={"passive": {"parts": parts}})
    with pytest.raises(DesignError, match=words):
        network_of(design, two_way().impedance)


def test_a_way_must_hang_in_the_net_once() -> None:
    parts = [{"kind": "driver", "name": "woofer", "nodes": ["in", "0"]}]
    design = two_way().design.model_copy(update={"passive": {"parts": parts}})
    with pytest.raises(DesignError, match="one driver for the way tweeter"):
        network_of(design, two_way().impedance)
