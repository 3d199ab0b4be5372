"""Which sections, how many: candidates by matched filters, each kept only for what it gains, then all refitted."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evenfield.filters.gradients import Shape, log_gradient
from evenfield.loudspeaker.filter_fit_model import FilterModel, Tuned
from evenfield.loudspeaker.filter_fit_objective import Objective
from evenfield.loudspeaker.least_squares import Minimum, least_squares

FloatArray = NDArray[np.float64]
Tick = Callable[[str], None]

TRIED_Q = (0.7, 1.4, 2.8, 5.0)


@dataclass(frozen=True)
class Effort:
    """How far the search goes.

    Parameters
        biquads : most second-order factors per way
        window_db : a fit within this needs no more sections
        least_gain : share of the objective that a section must take away to stay
    """

    biquads: int = 10
    window_db: float = 0.5
    least_gain: float = 0.03


def refit(objective: Objective, model: FilterModel, steps: int = 40, rest: float = 1e-5) -> tuple[FilterModel, Minimum]:
    """The same sections, their numbers at the minimum."""
    low, high = model.bounds()
    found = least_squares(
        lambda v: objective.linearised(model.with_vector(v)),
        lambda v: objective.residuals(model.with_vector(v)),
        model.vector(),
        (low, high),
        steps,
        rest,
    )
    return model.with_vector(found.vector), found


def grown(objective: Objective, model: FilterModel, effort: Effort, tick: Tick) -> tuple[FilterModel, Objective]:
    """Add sections one by one while each is worth it; what sticks out of the window counts more.

    The smooth DI is renewed as the handover settles.
    """
    model, _ = refit(objective.renewed(model), model)
    for _ in range(effort.biquads * len(model.ways)):
        objective = objective.renewed(model)
        deviation = np.abs(objective.window_db(model))
        if deviation.max() <= effort.window_db:
            break
        pressed = replace(objective, emphasis=_emphasis(np.ones_like(deviation), deviation))
        start, _ = refit(pressed, model, 15, 1e-3)
        value = pressed.value(start)
        tried = []
        for way, section in _candidates(pressed, start, effort):
            new, found = refit(pressed, start.adding(way, section), 12, 1e-3)
            tried.append((found.value, new))
        if not tried:
            break
        after, new = min(tried, key=lambda t: t[0])
        if value - after < effort.least_gain * value:
            break
        model, _ = refit(pressed, new, 25, 1e-4)
        worst = float(np.abs(objective.window_db(model)).max())
        tick(f"{sum(len(w.sections) for w in model.ways)} sections, window within ±{worst:.2f} dB")
    return pruned(objective, model, effort)


def _emphasis(before: FloatArray, deviation: FloatArray) -> FloatArray:
    """More weight where the window sticks out; mean square 1, none above 6."""
    emphasis = before * (0.4 + deviation / max(float(deviation.max()), 1e-9)) ** 0.8
    return np.minimum(emphasis / math.sqrt(float(np.mean(emphasis**2))), 6.0)


def pruned(objective: Objective, model: FilterModel, effort: Effort) -> tuple[FilterModel, Objective]:
    """Without the sections that the others can do without."""
    model, _ = refit(objective, model, 40)
    while True:
        value = objective.value(model)
        idle = [
            (w, k)
            for w, way in enumerate(model.ways)
            for k, s in enumerate(way.sections)
            if s.origin == "fit" and s.kind not in ("low-pass", "high-pass") and abs(s.gain_db) < 0.6
        ]
        best: tuple[float, FilterModel] | None = None
        for w, k in idle:
            new, found = refit(objective, model.without(w, k), 20, 1e-4)
            if found.value - value < effort.least_gain * value and (best is None or found.value < best[0]):
                best = (found.value, new)
        if best is None:
            return model, objective
        model = best[1]


def polished(objective: Objective, model: FilterModel, rounds: int = 5) -> FilterModel:
    """Towards the least maximum: frequencies that stick out of the window count more, in a few rounds."""
    best, worst = model, float(np.max(np.abs(objective.window_db(model))))
    emphasis = np.ones(len(objective.field.frequency))
    for _ in range(rounds):
        deviation = np.abs(objective.window_db(model))
        emphasis = _emphasis(emphasis, deviation)
        model, _ = refit(replace(objective, emphasis=emphasis), model, 25, 1e-4)
        now = float(np.max(np.abs(objective.window_db(model))))
        if now < worst:
            best, worst = model, now
    return best


def _candidates(objective: Objective, model: FilterModel, effort: Effort) -> Iterator[tuple[int, Tuned]]:
    """The two best new sections of every way that has room, by what they would take from the window's deviation."""
    f = objective.field.frequency
    error, share = objective.window_db(model), objective.way_share(model)
    weight = objective.field.weight
    grid = np.geomspace(f[0] * 1.02, min(f[-1] * 0.98, 0.45 * (model.sample_rate or 1e9)), 50)
    for w, way in enumerate(model.ways):
        if way.biquads >= effort.biquads:
            continue
        found = []
        for section, shape in _tried(grid, f):
            effect = share[w] * shape
            energy = float(np.sum(weight * effect**2))
            if energy < 1e-6:
                continue
            pull = float(np.sum(weight * effect * error))
            gain = float(np.clip(-pull / energy, -model.limits.cut_db / 2, model.limits.boost_db / 2))
            worth = float(np.sum(weight * (error**2 - (error + gain * effect) ** 2)))
            found.append((worth, replace(section, gain_db=gain)))
        found.sort(key=lambda t: -t[0])
        kept: list[Tuned] = []
        for _, section in found:
            if all(abs(math.log(section.frequency / k.frequency)) > 0.25 for k in kept):
                kept.append(section)
                yield w, section
            if len(kept) == 2:
                break


def _tried(grid: FloatArray, f: FloatArray) -> Iterator[tuple[Tuned, FloatArray]]:
    """Each candidate at 1 dB, with the dB it gives over frequency."""
    low, high = float(f[0]) * 0.7, float(f[-1]) * 1.25
    for kind, qs in (("peaking", TRIED_Q), ("low-shelf", (0.7,)), ("high-shelf", (0.7,))):
        for q in qs:
            shapes = [Shape(kind)]
            for f0 in grid:
                h, _ = log_gradient(shapes, np.array([f0]), np.array([1.0]), np.array([q]), f, None)
                yield Tuned(Shape(kind), float(f0), 1.0, q, low, high), np.asarray(20 * np.log10(np.abs(h)))
