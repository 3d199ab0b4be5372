"""Lobes, time figures, limiters, headroom, trims and the filters command's work, on a made-up two-way."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from filter_fixture import two_way
from test_filter_fit import TEXT, fitted, network

from evenfield.base import DesignError, Refusal, octave_axis
from evenfield.data import Response
from evenfield.filters import FilterChain, HighPass, Peaking
from evenfield.filters.audibility import THRESHOLD_HZ, THRESHOLD_S, delay_threshold
from evenfield.filters.lobe_formulas import lobe_tilt, null_angles
from evenfield.filters.passive_series import PriceRule
from evenfield.loudspeaker import filter_job
from evenfield.loudspeaker.chains import responses
from evenfield.loudspeaker.filter_export import export_filters, rate_of
from evenfield.loudspeaker.filter_fit_goals import Goals
from evenfield.loudspeaker.filter_review import passive_review, review_filters
from evenfield.loudspeaker.filter_time import decay_times, excess_phase, pre_ringing_trade
from evenfield.loudspeaker.filter_write import write_active, write_passive
from evenfield.loudspeaker.limiters import headroom, limiters
from evenfield.loudspeaker.load import load_design
from evenfield.loudspeaker.lobes import ANGLES, lobes
from evenfield.loudspeaker.passive import passive_responses
from evenfield.loudspeaker.passive_lines import passive_lines
from evenfield.loudspeaker.predict import Prediction
from evenfield.loudspeaker.room_trims import boundary_gain_db, fit_trim, room_trims
from evenfield.report.terminal_filters import print_job


def filtered() -> Prediction:
    """The two-way with its fitted filters."""
    fit = fitted()
    return replace(two_way(), design=fit.design, filters=responses(fit.design, two_way().frequency))


def points(phase: float) -> Prediction:
    """Two equal point sources far away, the upper one turned by `phase`."""
    base = two_way()
    f = base.frequency
    flat = {n: w.replace(pressure=np.ones_like(w.pressure)) for n, w in base.ways.items()}
    brief = base.design.brief.model_copy(update={"listening_distance": type(base.design.brief.listening_distance)(60.0)})
    turned = {"woofer": np.ones(len(f), complex), "tweeter": np.full(len(f), np.exp(1j * phase))}
    return replace(base, ways=flat, filters=turned, design=base.design.model_copy(update={"brief": brief}))


@pytest.mark.parametrize("phase_deg", [-60.0, 0.0, 40.0])
def test_lobe_of_two_points_against_the_closed_form(phase_deg: float) -> None:
    """Source: Linkwitz 1976. Spacing 120 mm, 2.2 kHz, 60 m away; grid of 1 degree."""
    prediction = points(math.radians(phase_deg))
    (lobe,) = lobes(prediction)
    at = int(np.argmin(np.abs(lobe.frequency - 2200)))
    f = float(lobe.frequency[at])
    assert lobe.spacing == pytest.approx(0.12)
    assert lobe.tilt_deg[at] == pytest.approx(math.degrees(lobe_tilt(math.radians(phase_deg), 0.12, f)), abs=1.2)
    assert lobe.closed_tilt_deg == pytest.approx(math.degrees(lobe_tilt(math.radians(phase_deg), 0.12, 2200)), abs=0.3)
    nulls = np.degrees(null_angles(math.radians(phase_deg), 0.12, f))
    for found, side in ((lobe.null_below_deg[at], nulls[nulls < 0]), (lobe.null_above_deg[at], nulls[nulls >= 0])):
        inside = side[np.abs(side) < 59]
        assert math.isnan(found) if not len(inside) else found == pytest.approx(float(inside[np.abs(inside).argmin()]), abs=1.2)


def test_nulls_near_the_listener_bring_suggestions() -> None:
    (lobe,) = lobes(points(math.radians(170.0)))
    text = " ".join(lobe.suggestions)
    assert "null" in text and "Delaying tweeter by 215 us" in text and "steeper" in text
    assert lobe.height_of(45.0, 2.0) == pytest.approx(2.0)
    assert lobe.level_db.shape == (len(ANGLES), len(lobe.frequency))


def test_thresholds_are_as_published_and_silent_elsewhere() -> None:
    """Source: Blauert and Laws 1978 (values from memory)."""
    assert np.allclose(delay_threshold(THRESHOLD_HZ), THRESHOLD_S)
    assert np.all(np.isnan(delay_threshold([100.0, 12e3])))


def response_of(chain: FilterChain) -> Response:
    f = octave_axis(24)
    return Response(f, chain.response(f))


def test_a_ringing_tone_decays_in_the_periods_that_its_q_says() -> None:
    """A peak of q 20 and 12 dB at 1 kHz: its poles have Q = q 10^(12/40); 20 dB take Q ln(10)/pi periods less what the direct
    part
    does not ring (a few tenths of a period)."""
    f = octave_axis(48, 20, 20e3)
    chain = FilterChain((HighPass(30.0, 2, "butterworth"), Peaking(1000.0, 12.0, 5.0)))
    tones, seconds = decay_times(Response(f, chain.response(f)))
    i = int(np.argmin(np.abs(tones - 1000)))
    pole_q = 5.0 * 10 ** (12 / 40)
    # the rung part is 1 - 10^(-12/20) of the steady level
    expected = pole_q / math.pi * math.log(10 * (1 - 10 ** (-12 / 20)))
    assert seconds[i] * tones[i] == pytest.approx(expected, rel=0.12)


def test_minimum_phase_has_no_excess_and_an_all_pass_has_its_own() -> None:
    from evenfield.filters import AllPass

    base = (HighPass(50.0, 2, "butterworth"), Peaking(2000.0, 5.0, 1.0))
    f = octave_axis(24)
    mid = (f > 300) & (f < 6000)
    plain = excess_phase(response_of(FilterChain(base)))
    turned = excess_phase(response_of(FilterChain((*base, AllPass(1000.0, 0.8)))))
    added = turned - plain
    exact = np.degrees(np.unwrap(np.angle(FilterChain((AllPass(1000.0, 0.8),)).response(f))))
    # a common delay is taken out of each: only curvature is left to compare
    line = np.polyval(np.polyfit(f[mid], (added - exact)[mid], 1), f[mid])
    assert np.max(np.abs((added - exact)[mid] - line)) < 8.0
    slope = np.polyval(np.polyfit(f[mid], plain[mid], 1), f[mid])
    assert np.max(np.abs(plain[mid] - slope)) < 8.0


def test_limiters_and_headroom() -> None:
    woofer, tweeter = limiters(filtered())
    assert woofer.peak_volts == pytest.approx(25 * 2**0.5)
    assert woofer.rms_volts == pytest.approx(math.sqrt(50 * float(two_way().impedance["woofer"].value.real.min())))
    assert woofer.excursion is not None and woofer.excursion.error_db < 0.1  # a second-order excursion is met exactly
    assert woofer.excursion.frequency == pytest.approx(60.0, rel=0.01)
    moved = np.abs(two_way().excursion["woofer"].value).max()
    assert woofer.excursion_volts == pytest.approx(5e-3 / (2**0.5 * moved), rel=0.05)
    assert tweeter.rms_volts is None
    found = headroom(filtered(), 80.0)
    higher = headroom(filtered(), 86.0)
    assert np.allclose(found.headroom_db - higher.headroom_db, 6.0)
    bare = two_way().design.brief.model_copy(update={"maximum_level": None})
    with pytest.raises(Refusal, match="level"):
        headroom(replace(filtered(), design=two_way().design.model_copy(update={"brief": bare})))


def test_boundary_curve_limits_and_first_null() -> None:
    """Waterhouse 1955: doubling at 0 Hz for each plane; sin(2kr)/(2kr) crosses zero at r = quarter wavelength."""
    for count in (1, 2, 3):
        assert boundary_gain_db([1e-3], (0.5,) * count)[0] == pytest.approx(10 * math.log10(2**count), abs=1e-6)
    assert boundary_gain_db([343.2 / 4 / 0.5], (0.5,))[0] == pytest.approx(0.0, abs=1e-9)
    assert abs(boundary_gain_db([20e3], (0.5, 0.6))[0]) < 0.1


def test_trims_take_the_boundary_out() -> None:
    for trim in room_trims():
        assert trim.error_after_db < 0.3 * trim.error_before_db
        assert trim.chain.sections[0].gain_db < 0  # type: ignore[attr-defined]
    with pytest.raises(DesignError, match="near-wall"):
        fit_trim("ceiling")


def test_review_says_everything_and_refuses_with_reasons() -> None:
    review = review_filters(filtered())
    assert review.measures is not None and review.measures.window_max_db < 0.75
    assert review.time is not None and review.time.margin > 1
    tree = json.loads(json.dumps(review.to_dict()))
    assert tree["lobes"][0]["spacing_m"] == pytest.approx(0.12)
    assert {t["name"] for t in tree["trims"]} == {"near-wall", "corner", "desk"}
    narrow = {n: w.replace(phase_known=False) for n, w in two_way().ways.items()}
    assert review_filters(replace(filtered(), ways=narrow)).measures is not None


def passive_prediction(tmp_path: Path, lowest: str | None = None) -> Prediction:
    source, target = tmp_path / "dinghy.yaml", tmp_path / "passive.yaml"
    source.write_text(TEXT, encoding="utf-8")
    write_passive(source, target, network())
    if lowest:
        target.write_text(
            target.read_text(encoding="utf-8").replace("series: E12", f"series: E12\n  lowest_impedance: {lowest}"),
            encoding="utf-8",
        )
    design = load_design(target)
    return replace(two_way(), design=design, filters=passive_responses(design, two_way().impedance)[0])


def test_passive_review_prices_and_impedance(tmp_path: Path) -> None:
    review = passive_review(passive_prediction(tmp_path))
    assert review is not None and review.passed
    assert review.price == pytest.approx(sum(PriceRule().of(p) for p in network().model.network.parts), rel=1e-3)
    assert all(line.passed for line in passive_lines(passive_prediction(tmp_path)))
    strict = passive_review(passive_prediction(tmp_path, "12 ohm"))
    assert strict is not None and strict.passed is False
    assert [line.passed for line in passive_lines(passive_prediction(tmp_path, "12 ohm"))] == [True, False]


def test_a_passive_design_with_sections_is_refused(tmp_path: Path) -> None:
    prediction = passive_prediction(tmp_path)
    ways = {n: w.model_copy(update={"filters": fitted().design.ways[n].filters}) for n, w in prediction.design.ways.items()}
    with pytest.raises(DesignError, match="beside a passive network"):
        responses(prediction.design.model_copy(update={"ways": ways}), prediction.frequency, prediction.impedance)


def test_exports_suit_the_design(tmp_path: Path) -> None:
    assert export_filters(filtered(), fitted().design, tmp_path / "a.csv", 96e3).read_text(encoding="utf-8").count("\n") > 5
    net = export_filters(passive_prediction(tmp_path), passive_prediction(tmp_path).design, tmp_path / "a.cir")
    assert net.read_text(encoding="utf-8").startswith("* Dinghy")
    for design, name, rate, words in (
        (fitted().design, "a.cir", 48e3, "active"),
        (passive_prediction(tmp_path).design, "a.csv", None, "passive"),
        (fitted().design, "a.csv", None, "sample rate"),
    ):
        with pytest.raises(DesignError, match=words):
            export_filters(two_way(), design, tmp_path / name, rate)


def test_rates_that_differ_are_refused() -> None:
    design = fitted().design
    amount = type(design.brief.listening_distance)
    rates = {
        n: w.model_copy(update={"filters": w.filters.model_copy(update={"sample_rate": amount(r)})})
        for (n, w), r in zip(design.ways.items(), (48e3, 96e3), strict=True)
    }
    with pytest.raises(DesignError, match="the same in every way"):
        rate_of(design.model_copy(update={"ways": rates}), None)
    same = {
        n: w.model_copy(update={"filters": w.filters.model_copy(update={"sample_rate": amount(48e3)})})
        for n, w in design.ways.items()
    }
    with pytest.raises(DesignError, match="design's"):
        rate_of(design.model_copy(update={"ways": same}), 96e3)


def test_pre_ringing_trade_lists_lengths_and_phases() -> None:
    f = octave_axis(12)
    cases = pre_ringing_trade(f, np.abs(FilterChain((HighPass(2000.0, 8, "butterworth"),)).response(f)) + 1e-3, 48e3, 513)
    assert len(cases) == 9
    by_name = dict(cases)
    assert by_name["513 taps, linear"].longest_s > by_name["513 taps, minimum"].longest_s


@pytest.mark.parametrize(("fit", "passive"), [(False, False), (True, False), (True, True)])
def test_the_command_does_its_work(fit: bool, passive: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys) -> None:  # type: ignore[no-untyped-def]
    """Review, active fit, passive fit: printed, as JSON, with files; the prediction stands in for the solver."""
    monkeypatch.setattr(filter_job, "predict_file", lambda *a, **k: filtered())
    source = tmp_path / "dinghy.yaml"
    source.write_text(TEXT, encoding="utf-8")
    copy = tmp_path / "copy.yaml" if fit else None
    export = tmp_path / ("a.cir" if passive else "a.csv")
    job = filter_job.run_filters(source, fit, passive, goals=Goals(sample_rate=48e3), export=export, write=copy)
    assert job.met and export.exists()
    assert copy is None or load_design(copy)
    assert json.loads(json.dumps(job.to_dict()))["met"] is True
    print_job(job)
    assert ("Part" if passive else "worth" if fit else "Limiter") in capsys.readouterr().out.replace("Worth", "worth")


def test_options_that_do_not_go_together(tmp_path: Path) -> None:
    source = tmp_path / "dinghy.yaml"
    source.write_text(TEXT, encoding="utf-8")
    with pytest.raises(DesignError, match="--fit"):
        filter_job.run_filters(source, False, True)
    with pytest.raises(DesignError, match="another file"):
        filter_job.run_filters(source, True, write=source)


def test_written_copy_predicts_the_same_filters(tmp_path: Path) -> None:
    source, target = tmp_path / "dinghy.yaml", tmp_path / "copy.yaml"
    source.write_text(TEXT, encoding="utf-8")
    write_active(source, target, fitted().design)
    f = two_way().frequency
    ours, theirs = responses(fitted().design, f), responses(load_design(target), f)
    for name in ours:
        assert np.allclose(ours[name], theirs[name], rtol=2e-3)


def test_an_integrator_shelf_in_a_design_needs_its_limit() -> None:
    section = {"kind": "integrator-shelf", "frequency": "120 Hz"}
    from filter_fixture import DESIGN

    from evenfield.loudspeaker.design import Design

    tree = {**DESIGN, "ways": {**DESIGN["ways"], "woofer": {**DESIGN["ways"]["woofer"], "filters": {"sections": [section]}}}}  # type: ignore[dict-item]
    with pytest.raises(DesignError, match="limit"):
        responses(Design.model_validate(tree), np.array([100.0]))
    section["limit"] = "30 Hz"
    h = responses(Design.model_validate(tree), np.array([0.01]))["woofer"]
    assert abs(h[0]) == pytest.approx(4.0, rel=1e-6)
