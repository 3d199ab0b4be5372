"""Fitting a passive two-way network of parts one can buy to the loudspeaker's own field."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evenfield.base.errors import DesignError, message
from evenfield.filters.passive_parts import Load, Valued
from evenfield.filters.passive_series import PriceRule
from evenfield.filters.passive_stress import LeastImpedance, PartStress, check_impedance, least_impedance, part_stresses
from evenfield.loudspeaker.filter_fit import objective_of
from evenfield.loudspeaker.filter_fit_goals import Goals
from evenfield.loudspeaker.filter_fit_measures import FitMeasures, fit_measures, half_range
from evenfield.loudspeaker.filter_fit_objective import Objective
from evenfield.loudspeaker.least_squares import Minimum, least_squares
from evenfield.loudspeaker.passive_blocks import Losses, Recipe
from evenfield.loudspeaker.passive_model import PassiveModel
from evenfield.loudspeaker.predict import Prediction

FloatArray = NDArray[np.float64]
Tick = Callable[[str], None]

LEAST_SHARE = 0.8
"""The impedance stays above this share of the rated one (IEC 60268-5, from memory)."""


@dataclass(frozen=True)
class PassiveFit:
    """A fitted network.

    Parameters
        model : the network with preferred values; recipe : its blocks
        measures, continuous : with preferred values, and before they were rounded
        least : least input impedance, 20 Hz ... 20 kHz; rated : ohm
        stresses : per part, at `voltage` V RMS
        price : EUR
        worth : what each added block took off the window's ±, dB
        notes : limits that bind
    """

    model: PassiveModel
    recipe: Recipe
    measures: FitMeasures
    continuous: FitMeasures
    least: LeastImpedance
    rated: float
    stresses: tuple[PartStress, ...]
    voltage: float
    price: float
    worth: tuple[tuple[str, float], ...]
    notes: tuple[str, ...]
    seconds: float


def fit_passive(
    prediction: Prediction,
    goals: Goals | None = None,
    series: str = "E12",
    rated: float | None = None,
    losses: Losses | None = None,
    prices: PriceRule | None = None,
    voltage: float | None = None,
    tick: Tick | None = None,
) -> PassiveFit:
    """Fit a passive network to a two-way.

    Ladders of order 2 and 3 in both polarities from several crossover frequencies; then additions one by one, each for what it
    gains; then every value to its E series, the rest refitted, and neighbours tried.

    Parameters
        prediction : Prediction of a two-way (its own filters are not used)
        series : "E12" ...; rated : ohm, default the lower driver's rated impedance
        losses : parasitics of every part; prices : PriceRule; voltage : amplifier's largest sine, V RMS
    Raises DesignError unless there are two ways with known impedance, when limits contradict each other, or the impedance cannot
    be kept above 80 % of the rated one.
    """
    began = time.perf_counter()
    goals, losses, tick = goals or Goals(), losses or Losses(), tick or (lambda text: None)
    objective, notes = objective_of(prediction, goals)
    objective = replace(objective, limits=(), level_pa=0.0)
    low, high = _loads(prediction)
    rated = rated or _rated(prediction)
    lowest = LEAST_SHARE * rated
    inside = objective.field.frequency
    outer = prediction.frequency[(prediction.frequency < inside[0]) | (prediction.frequency > inside[-1])]
    watched = np.concatenate([outer[::3], outer[-1:]])
    ohms = (float(np.median(np.abs(low.ohms))), float(np.median(np.abs(high.ohms))))

    def made(recipe: Recipe) -> PassiveModel:
        return PassiveModel.of(recipe.network(low, high, ohms, losses), lowest, watched)

    recipe, model, objective = _best_ladder(objective, made, prediction)
    recipe, model, worth = _added(objective, recipe, model, made, goals, tick)
    recipe, model = _pruned(objective, recipe, model, made, goals)
    model = _towards_least_maximum(objective, model)
    axis = objective.field.frequency
    continuous = fit_measures(objective, model.responses(axis)[0])
    model = preferred(objective, model, series, tick)
    solved = model.network.solve(prediction.frequency)
    check_impedance(solved, lowest * 0.999, f"{100 * LEAST_SHARE:.0f} % of the rated {rated:g} ohm")
    volts = voltage or max(
        (float(w.amplifier.voltage) for w in prediction.design.ways.values() if w.amplifier.voltage), default=20.0
    )
    price = sum((prices or PriceRule()).of(p) for p in model.network.parts)
    return PassiveFit(
        model,
        recipe,
        fit_measures(objective, model.responses(axis)[0]),
        continuous,
        least_impedance(solved),
        rated,
        part_stresses(solved, volts),
        volts,
        price,
        worth,
        tuple(notes),
        time.perf_counter() - began,
    )


def _loads(prediction: Prediction) -> tuple[Load, Load]:
    names = list(prediction.ways)
    if len(names) != 2 or any(n not in prediction.impedance for n in names):
        found = f"{len(names)} ways, impedance of {len(prediction.impedance)}"
        raise DesignError(message("ways", "two with known impedance for a passive fit", found), "ways")
    loads = [Load(n, ("in", "0"), prediction.impedance[n].frequency, prediction.impedance[n].value) for n in names]
    return loads[0], loads[1]


def _rated(prediction: Prediction) -> float:
    first = next(iter(prediction.design.ways.values())).driver
    if first is None or first.rated_impedance is None:
        raise DesignError(message("rated_impedance", "given for the lower driver, or to the fit", "nothing"), "ways")
    return float(first.rated_impedance)


def refit(objective: Objective, model: PassiveModel, steps: int = 30, rest: float = 1e-4) -> tuple[PassiveModel, Minimum]:
    """The same network at the minimum."""
    if not model.free:
        return model, Minimum(np.zeros(0), objective.value(model), 0, True)
    found = least_squares(
        lambda v: objective.linearised(model.with_vector(v)),
        lambda v: objective.residuals(model.with_vector(v)),
        model.vector(),
        model.bounds(),
        steps,
        rest,
    )
    return model.with_vector(found.vector), found


def _best_ladder(
    objective: Objective, made: Callable[[Recipe], PassiveModel], prediction: Prediction
) -> tuple[Recipe, PassiveModel, Objective]:
    """The two best plain ladders get to the end; a bypassed pad is tried from the start, since a waveguide's top end asks for
    it."""
    tried = []
    fx = prediction.handovers[0].frequency if prediction.handovers else 2400.0
    for low_order in (2, 3):
        for high_order in (2, 3):
            for inverted in (False, True):
                for factor in (0.85, 1.3):
                    recipe = Recipe(low_order, high_order, inverted, fx * factor, bypass=True)
                    start = made(recipe)
                    new, found = refit(objective.renewed(start), start, 12, 1e-3)
                    tried.append((found.value, recipe, new))
    tried.sort(key=lambda t: t[0])
    ends = []
    for _, recipe, model in tried[:3]:
        fresh = objective.renewed(model)
        new, _ = refit(fresh, model, 40)
        fresh = objective.renewed(new)
        ends.append((fresh.value(new), recipe, new, fresh))
    _, recipe, model, fresh = min(ends, key=lambda t: t[0])
    return recipe, model, fresh


def _added(
    objective: Objective, recipe: Recipe, model: PassiveModel, made: Callable[[Recipe], PassiveModel], goals: Goals, tick: Tick
) -> tuple[Recipe, PassiveModel, tuple[tuple[str, float], ...]]:
    worth: list[tuple[str, float]] = []
    while half_range(objective.window_db(model)) > goals.window_db:
        value, before = objective.value(model), half_range(objective.window_db(model))
        tried = []
        for words, bigger in recipe.additions():
            start = _carried(model, made(bigger))
            new, found = refit(objective, start, 20, 1e-3)
            tried.append((found.value, words, bigger, new))
        if not tried:
            break
        after, words, bigger, new = min(tried, key=lambda t: t[0])
        # a block of parts costs money: it must earn more than a section of arithmetic
        if value - after < 2 * goals.least_gain * value:
            break
        recipe, (model, _) = bigger, refit(objective, new, 30)
        worth.append((words, before - half_range(objective.window_db(model))))
        tick(f"{len(model.free)} parts, window within ±{half_range(objective.window_db(model)):.2f} dB")
    return recipe, model, tuple(worth)


def _pruned(
    objective: Objective, recipe: Recipe, model: PassiveModel, made: Callable[[Recipe], PassiveModel], goals: Goals
) -> tuple[Recipe, PassiveModel]:
    """Without the blocks that the others can do without."""
    while True:
        value, tried = objective.value(model), []
        for smaller in recipe.less():
            new, found = refit(objective, _carried(model, made(smaller)), 25, 1e-3)
            tried.append((found.value, smaller, new))
        if not tried:
            return recipe, model
        after, smaller, new = min(tried, key=lambda t: t[0])
        if after - value > 2 * goals.least_gain * value and half_range(objective.window_db(new)) > goals.window_db:
            return recipe, model
        recipe, model = smaller, new


def _carried(old: PassiveModel, new: PassiveModel) -> PassiveModel:
    """The new network with the old one's values, matched by way and order of kind."""
    values, used = {}, set()
    for part in new.network.valued:
        for other in old.network.valued:
            if other.name not in used and other.kind == part.kind and _way(other) == _way(part) and _role(other) == _role(part):
                values[part.name] = other.value
                used.add(other.name)
                break
    return replace(new, network=new.network.with_values(values))


def _way(part: Valued) -> str:
    return part.name.split("_", 1)[1]


def _role(part: Valued) -> str:
    """Whether in line or to ground."""
    return "shunt" if "0" in part.nodes else "line"


def _towards_least_maximum(objective: Objective, model: PassiveModel, rounds: int = 6) -> PassiveModel:
    best, emphasis = model, np.ones(len(objective.field.frequency))
    for _ in range(rounds):
        deviation = objective.window_db(model)
        deviation = np.abs(deviation - (deviation.max() + deviation.min()) / 2)
        emphasis = emphasis * (0.4 + deviation / max(float(deviation.max()), 1e-9)) ** 0.8
        emphasis = np.minimum(emphasis / math.sqrt(float(np.mean(emphasis**2))), 6.0)
        model, _ = refit(replace(objective, emphasis=emphasis), model, 15)
        if _score(objective, model) < _score(objective, best):
            best = model
    return best


def _score(objective: Objective, model: PassiveModel) -> float:
    """Window's ± in dB, and what the impedance lacks, in dB, thrice."""
    h = model.responses(objective.field.frequency)[0]
    window = half_range(objective.window_of(h))
    lacking = 20 * math.log10(max(model.lowest, 1e-6) / model.least_impedance(objective.field.frequency))
    return window + 3 * max(lacking, 0.0) + 0.1 * objective.value(model)


def preferred(objective: Objective, model: PassiveModel, series: str, tick: Tick) -> PassiveModel:
    """Every value on its E series: the nearest first, the others refitted after each; then neighbours, alone and in pairs."""
    free = model
    while free.free:
        distance = {
            n: abs(float(free.vector()[i]) - math.log(free.moved(n, series, 0)._part(n).value)) for i, n in enumerate(free.free)
        }
        name = min(distance, key=lambda n: distance[n])
        ends = []
        for offset in (0, -1, 1) if distance[name] > 0.03 else (0,):
            new, found = refit(objective, free.moved(name, series, offset).holding((name,)), 6, 1e-3)
            ends.append((found.value, new))
        free = min(ends, key=lambda t: t[0])[1]
    model = replace(model, network=free.network)
    tick(f"preferred values, window within ±{half_range(objective.window_db(model)):.2f} dB")
    return _neighbours(objective, model, series)


def _neighbours(objective: Objective, model: PassiveModel, series: str, rounds: int = 4) -> PassiveModel:
    best = _score(objective, model)
    for _ in range(rounds):
        before = best
        moves: list[tuple[tuple[str, int], ...]] = [((n, o),) for n in model.free for o in (-1, 1)]
        moves += [
            ((a, i), (b, j)) for k, a in enumerate(model.free) for b in model.free[k + 1 :] for i in (-1, 1) for j in (-1, 1)
        ]
        for move in moves:
            trial = model
            for name, offset in move:
                trial = trial.moved(name, series, offset)
            score = _score(objective, trial)
            if score < best - 1e-6:
                model, best = trial, score
        if before - best < 1e-3:
            break
    return model
