"""Fitting the filters of an active loudspeaker to its own field, over directions."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evenfield.base.constants import REFERENCE_PRESSURE
from evenfield.base.errors import DesignError, message
from evenfield.base.units import Amount
from evenfield.filters.gradients import GAIN_KINDS, QUALITY_KINDS, Shape
from evenfield.loudspeaker.design import Design, Filters, FilterSection
from evenfield.loudspeaker.filter_fit_explain import SectionWorth, left_alone, worths
from evenfield.loudspeaker.filter_fit_field import FitField
from evenfield.loudspeaker.filter_fit_goals import Goals, check_reach, drive_limits, kept_limits
from evenfield.loudspeaker.filter_fit_measures import FitMeasures, fit_measures
from evenfield.loudspeaker.filter_fit_model import FilterModel, Limits, Tuned, WayModel
from evenfield.loudspeaker.filter_fit_objective import Objective
from evenfield.loudspeaker.filter_fit_search import Effort, grown, polished, refit
from evenfield.loudspeaker.filter_fit_snap import snapped
from evenfield.loudspeaker.predict import Prediction

FloatArray = NDArray[np.float64]
Tick = Callable[[str], None]

CROSSOVER_REACH = 1.5
"""A crossover may move this factor up or down from where the design has it."""


@dataclass(frozen=True)
class FilterFit:
    """Fitted filters and what they are worth.

    Parameters
        design : the design with the fitted sections in place of its own
        model, objective : as minimised
        before, after : measures of the design's own filters and of the fitted ones
        sections : what each section repairs and is worth
        notes : what was left alone and why, limits that bind
        seconds : time taken
    """

    design: Design
    model: FilterModel
    objective: Objective
    before: FitMeasures
    after: FitMeasures
    sections: tuple[SectionWorth, ...]
    notes: tuple[str, ...]
    seconds: float


def fit_filters(prediction: Prediction, goals: Goals | None = None, tick: Tick | None = None) -> FilterFit:
    """Fit an active loudspeaker's filters.

    The design's crossover passes stay in kind (or Linkwitz-Riley of order 4 at its `handover`, where it has none), its other
    sections are replaced; gains, delays, polarities, frequencies and equalisers are free. Least squares with analytic
    derivatives,
    from several starts; sections one by one, each for what it gains; then snapped to numbers a person can read, and refitted.

    Parameters
        prediction : Prediction of the design
        goals : Goals; the brief's by default
        tick : told how far it is
    Returns FilterFit.   Cost: some seconds.
    Raises DesignError when limits contradict each other (naming them), or there is no crossover to start from.
    """
    began = time.perf_counter()
    goals, tick = goals or Goals(), tick or (lambda text: None)
    objective, notes = objective_of(prediction, goals)
    if prediction.design.passive is not None:
        raise DesignError("ways.filters must be free to fit, got a passive network. Try the passive fit.", "passive")
    model, objective = best_start(objective, starts(prediction, goals, objective.field))
    effort = Effort(goals.biquads, goals.window_db, goals.least_gain)
    model, objective = grown(objective, model, effort, tick)
    model = polished(objective, model)
    model = snapped(objective, model)
    model = _from_zero(model)
    design = design_with(prediction.design, model)
    before = fit_measures(objective, np.stack([prediction.filters[n][_inside(prediction, objective)] for n in prediction.ways]))
    after = fit_measures(objective, model.responses(objective.field.frequency)[0])
    sections = worths(prediction, objective, model)
    notes += left_alone(prediction, objective)
    return FilterFit(design, model, objective, before, after, sections, tuple(notes), time.perf_counter() - began)


def objective_of(prediction: Prediction, goals: Goals) -> tuple[Objective, list[str]]:
    """The objective of a prediction, and notes on limits that no filter can keep."""
    low, high = goals.band(prediction)
    design = prediction.design
    top = list(prediction.ways)[-1]
    field = FitField.of(prediction.ways, prediction.ways[top].origin, float(design.brief.listening_distance), low, high)
    target = goals.target(field.frequency)
    check_reach(field, goals, target)
    asked = goals.level_db if goals.level_db is not None else design.brief.maximum_level
    level = 0.0 if asked is None else REFERENCE_PRESSURE * 10 ** (float(asked) / 20)
    limits, notes = (
        kept_limits(field, drive_limits(prediction, field.frequency, goals), level, goals.level_db is not None)
        if level
        else ((), [])
    )
    return Objective(field, target, goals.weights, limits, level, goals.boost_db), notes


def best_start(objective: Objective, models: Iterator[FilterModel], finish: int = 3) -> tuple[FilterModel, Objective]:
    """The best of several starts: all a few steps, the best ones to the end."""
    tried = []
    for model in models:
        new, found = refit(objective.renewed(model), model, 10, 1e-3)
        tried.append((found.value, new))
    tried.sort(key=lambda t: t[0])
    ends = []
    for _, model in tried[:finish]:
        fresh = objective.renewed(model)
        new, _ = refit(fresh, model, 80)
        fresh = objective.renewed(new)
        ends.append((fresh.value(new), new, fresh))
    _, best, fresh = min(ends, key=lambda t: t[0])
    return best, fresh


def starts(prediction: Prediction, goals: Goals, field: FitField) -> Iterator[FilterModel]:
    """Crossover frames: frequencies about the design's, every polarity, delays about each."""
    frame = frame_of(prediction.design, field)
    limits = Limits(goals.cut_db, goals.boost_db)
    level = [10 * np.log10(np.real(np.median(field.window[:, w, w]))) for w in range(len(frame))]
    for factor in (0.8, 1.0, 1.25):
        for late in (-1e-4, 0.0, 1e-4):
            for flip in range(2 ** (len(frame) - 1)):
                ways = []
                for w, sections in enumerate(frame):
                    moved = tuple(s if s.fixed else replace(s, frequency=s.frequency * factor) for s in sections)
                    moved += _seeds(w, len(frame), moved, field)
                    inverted = bool(w and flip >> (w - 1) & 1)
                    ways.append(WayModel(float(level[0] - level[w]), late * w, inverted, moved, w > 0, w > 0))
                yield FilterModel(tuple(ways), limits, goals.sample_rate)


def _seeds(way: int, ways: int, frame: tuple[Tuned, ...], field: FitField) -> tuple[Tuned, ...]:
    """Broad equalisers at 0 dB, so that the starts are told apart by how the ways meet, not by what any equaliser mends."""
    passes = {s.kind: s.frequency for s in frame if not s.fixed}
    low, high = passes.get("high-pass", float(field.frequency[0])), passes.get("low-pass", float(field.frequency[-1]))
    near = [math.sqrt(low * high), high if way < ways - 1 else high / 1.6]
    kinds = ["peaking", "peaking" if way < ways - 1 else "high-shelf"]
    edges = float(field.frequency[0]) * 0.7, float(field.frequency[-1]) * 1.25
    return tuple(Tuned(Shape(k), f, 0.0, 0.7, *edges) for k, f in zip(kinds, near, strict=True))


def frame_of(design: Design, field: FitField) -> list[tuple[Tuned, ...]]:
    """Each way's high- and low-passes: those between two ways free, those at the ends (a protection high-pass) kept.

    Raises DesignError when the design has neither crossover sections nor `handover`.
    """
    names = list(design.ways)
    frame = []
    for w, name in enumerate(names):
        own = [s for s in design.ways[name].filters.sections if s.kind in ("low-pass", "high-pass")]
        sections = []
        for s in own:
            outer = (w == 0 and s.kind == "high-pass") or (w == len(names) - 1 and s.kind == "low-pass")
            sections.append(_pass(s.kind, float(s.frequency), s.family, s.order, outer))
        for kind, edge in (("high-pass", w - 1), ("low-pass", w)):
            if 0 <= edge < len(names) - 1 and not any(s.kind == kind and not s.fixed for s in sections):
                if edge >= len(design.handover):
                    fix = "handover: [2.4 kHz]"
                    raise DesignError(
                        message("handover", f"given where {name} has no {kind} to start from", "nothing", fix=fix), "handover"
                    )
                sections.append(_pass(kind, float(design.handover[edge]), "linkwitz-riley", 4, False))
        frame.append(tuple(sections))
    return frame


def _pass(kind: str, frequency: float, family: str, order: int, fixed: bool) -> Tuned:
    reach = CROSSOVER_REACH
    return Tuned(
        Shape(kind, family, order), frequency, low_hz=frequency / reach, high_hz=frequency * reach, fixed=fixed, origin="design"
    )


def _from_zero(model: FilterModel) -> FilterModel:
    """All ways delayed together so that the earliest has none."""
    late = model.delays()
    return replace(model, ways=tuple(replace(w, delay=d) for w, d in zip(model.ways, late, strict=True)))


def design_with(design: Design, model: FilterModel) -> Design:
    """The design with the model's filters."""
    ways = dict(design.ways)
    for (name, way), fitted in zip(design.ways.items(), model.ways, strict=True):
        ways[name] = way.model_copy(update={"filters": filters_of(fitted, model.sample_rate)})
    return design.model_copy(update={"ways": ways})


def filters_of(way: WayModel, sample_rate: float | None) -> Filters:
    """One way's filters as the design file holds them."""
    sections = []
    for s in way.sections:
        values: dict[str, object] = {"kind": s.kind, "frequency": Amount(s.frequency, text=hertz(s.frequency))}
        if s.kind in ("low-pass", "high-pass"):
            values |= {"family": s.shape.family, "order": s.shape.order}
        if s.kind in GAIN_KINDS:
            values["gain"] = Amount(s.gain_db, text=f"{s.gain_db:.4g} dB")
        if s.kind in QUALITY_KINDS:
            values["q"] = Amount(s.q, text=f"{s.q:.4g}")
        sections.append(FilterSection.model_validate(values))
    rate = None if sample_rate is None else Amount(sample_rate, text=hertz(sample_rate))
    return Filters(
        gain=Amount(way.gain_db, text=f"{way.gain_db:.4g} dB"), delay=Amount(way.delay, text=f"{1e6 * way.delay:.4g} us"),
        invert=way.inverted, sample_rate=rate, sections=tuple(sections),
    )  # fmt: skip


def hertz(frequency: float) -> str:
    """As a design file writes it."""
    return f"{frequency / 1000:.5g} kHz" if frequency >= 1000 else f"{frequency:.5g} Hz"


def _inside(prediction: Prediction, objective: Objective) -> NDArray[np.bool_]:
    return np.isin(prediction.frequency, objective.field.frequency)
