"""Filters: the two example fits, their robustness, a large response, and the fit against differential evolution."""

from __future__ import annotations

import itertools
import os
import shutil
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from evenfield.base.units import Amount
from evenfield.data.directivity import Directivity
from evenfield.filters import FilterChain, Peaking
from evenfield.filters.gradients import Shape
from evenfield.loudspeaker.filter_fit import fit_filters, objective_of
from evenfield.loudspeaker.filter_fit_field import FitField
from evenfield.loudspeaker.filter_fit_goals import Goals
from evenfield.loudspeaker.filter_fit_measures import fit_measures
from evenfield.loudspeaker.filter_fit_model import FilterModel, Limits, Tuned, WayModel
from evenfield.loudspeaker.filter_fit_search import refit
from evenfield.loudspeaker.passive_fit import fit_passive
from evenfield.loudspeaker.predict import predict, predict_file

ROOT = Path(__file__).parents[1]
SEEDS = range(int(os.environ.get("EVENFIELD_BENCH_SEEDS", "5")))


def figures():
    yield large_response()
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(os.environ.get("EVENFIELD_BENCH_STORE", scratch))
        for name in ("skiff", "ketch"):
            if not (folder / f"{name}.yaml").exists():
                shutil.copy(ROOT / "examples" / f"{name}.yaml", folder)
        skiff, ketch = (predict_file(folder / f"{n}.yaml") for n in ("skiff", "ketch"))
        yield from active_fit(ketch, folder)
        yield from passive_fit(skiff)
        yield from against_evolution(ketch)


def large_response():
    """2522 directions, 200 frequencies, 40 sections; the best of five."""
    rng = np.random.default_rng(1)
    field = rng.standard_normal((2522, 200)) + 1j
    f = np.geomspace(20, 20e3, 200)
    sections = tuple(Peaking(float(f0), 3.0, 2.0) for f0 in np.geomspace(30, 18e3, 40))
    seconds = []
    for _ in range(5):
        began = time.perf_counter()
        _ = field * FilterChain(sections).response(f, 48e3)
        seconds.append(time.perf_counter() - began)
    return "response, 2522 directions x 200 frequencies x 40 sections", min(seconds), "to reach: 0.050 s"


def active_fit(prediction, folder):
    fit = fit_filters(prediction)
    sections = ", ".join(
        f"{n} {len(w.sections)} ({w.biquads} biquads)" for n, w in zip(prediction.ways, fit.model.ways, strict=True)
    )
    yield "Ketch active fit", fit.seconds, f"window ±{fit.after.window_max_db:.2f} dB (reach 0.75); {sections}"
    note = (
        f"left-out directions ±{fit.after.left_out_max_db:.2f} dB, DI ripple {fit.after.index_ripple_db:.2f} dB (reach 0.30)"
    )
    yield "Ketch active fit, checks", fit.seconds, note
    began = time.perf_counter()
    worst, left = perturbed(prediction, fit, folder)
    note = f"worst window ±{worst:.2f} dB, left-out directions ±{left:.2f} dB of {4**2 + 8} cases (to reach 1.5)"
    yield "Ketch, ways perturbed", time.perf_counter() - began, note


def perturbed(prediction, fit, folder):
    """Every way ±0.5 dB, and its resonance ±5 % (predicted anew, or its field's frequencies stretched by 5 %), all pairs."""
    variants = {name: [] for name in prediction.ways}
    for name in prediction.ways:
        for share in (0.95, 1.05):
            driver = prediction.design.ways[name].driver
            free = {"fs": Amount(driver.fs * share)}
            way = prediction.design.ways[name].model_copy(update={"driver": driver.model_copy(update=free)})
            design = prediction.design.model_copy(update={"ways": {**prediction.design.ways, name: way}})
            moved = predict(design, folder=folder).ways[name]
            variants[name].append(moved)
    found = []
    for choice in itertools.product(*([(v, g) for v in vs for g in (-0.5, 0.5)] for vs in variants.values())):
        ways = {n: v.replace(pressure=v.pressure * 10 ** (g / 20)) for n, (v, g) in zip(variants, choice, strict=True)}
        found.append(measured(prediction, fit, ways))
    for name, share, gain in itertools.product(variants, (0.95, 1.05), (-0.5, 0.5)):
        ways = dict(prediction.ways)
        ways[name] = stretched(ways[name], share, gain)
        found.append(measured(prediction, fit, ways))
    return max(m.window_max_db for m in found), max(m.left_out_max_db for m in found)


def stretched(way: Directivity, share: float, gain: float) -> Directivity:
    """Every feature of the way's field moved in frequency, edges and waveguide too: harder than its resonances alone."""
    x = np.log(way.frequency)
    level = np.log(np.abs(way.pressure))
    moved = np.stack([np.interp(x, x + np.log(share), row) for row in level])
    return way.replace(pressure=np.exp(moved) * np.exp(1j * np.angle(way.pressure)) * 10 ** (gain / 20))


def measured(prediction, fit, ways):
    top = list(prediction.ways)[-1]
    field = fit.objective.field
    distance = float(prediction.design.brief.listening_distance)
    other = FitField.of(ways, prediction.ways[top].origin, distance, *Goals().band(prediction))
    return fit_measures(replace(fit.objective, field=other), fit.model.responses(field.frequency)[0])


def passive_fit(prediction):
    fit = fit_passive(prediction)
    parts = len(fit.model.network.valued)
    yield (
        "Skiff passive fit, E12",
        fit.seconds,
        f"window ±{fit.measures.window_max_db:.2f} dB (to reach 1.5), {parts} parts, {fit.price:.2f} EUR (invented prices), "
        f"impedance {fit.least.ohms:.2f} ohm at {fit.least.frequency:.0f} Hz (to reach {0.8 * fit.rated:.2f}); 60 s",
    )


def fixed_model(prediction, objective) -> FilterModel:
    """Ten free numbers: a crossover, one peak below, one shelf above, gain and delay between the ways."""
    fx = prediction.handovers[0].frequency
    pair = [Tuned(Shape(k), fx, low_hz=fx / 1.5, high_hz=fx * 1.5) for k in ("low-pass", "high-pass")]
    woofer = WayModel(0.0, 0.0, False, (pair[0], Tuned(Shape("peaking"), 700.0, -3.0, 0.8, 80.0, 20e3)), False, False)
    tweeter = WayModel(-8.0, 0.0, True, (pair[1], Tuned(Shape("peaking"), 3500.0, -3.0, 0.8, 80.0, 20e3)))
    return FilterModel((woofer, tweeter), Limits())


def fixed_fit(objective, model):
    """Least squares from a few spread starts; the best."""
    low, high = model.bounds()
    centre, ends = model.vector(), []
    rng = np.random.default_rng(0)
    for k in range(10):
        start = centre if k == 0 else centre + 0.35 * (high - low) * rng.uniform(-1, 1, len(centre))
        _, found = refit(objective, model.with_vector(np.clip(start, low, high)), 60, 1e-6)
        ends.append(found.value)
    return min(ends)


def against_evolution(prediction):
    from scipy.optimize import differential_evolution

    objective, _ = objective_of(prediction, Goals())
    model = fixed_model(prediction, objective)
    objective = objective.renewed(refit(objective, model)[0])
    began = time.perf_counter()
    ours = fixed_fit(objective, model)
    seconds = time.perf_counter() - began
    yield "fit, ten numbers", seconds, f"objective {ours:.6f}"
    bounds = list(zip(*model.bounds(), strict=True))
    times, values = [], []
    for seed in SEEDS:
        began = time.perf_counter()
        found = differential_evolution(
            lambda v: objective.value(model.with_vector(v)), bounds, popsize=15, maxiter=1000, tol=1e-3, rng=seed
        )
        times.append(time.perf_counter() - began)
        values.append(float(found.fun))
    note = f"best objective {min(values):.6f}, {np.mean(times) / seconds:.0f} times our time (to reach 20), {len(times)} seeds"
    yield "differential evolution, ten numbers, mean", float(np.mean(times)), note
