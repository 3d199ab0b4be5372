"""Waveguide search: seconds a step, and boundary-element solves against a derivative-free search to the same objective.

Ketch's waveguide with its own profile (seven numbers) on the coarse objective. An adjoint pass counts as a solve. The whole
search is timed by `evenfield shape examples/ketch.yaml --first-cut` itself, whose table says what it took.
"""

from __future__ import annotations

import contextlib
import time
from pathlib import Path

import numpy as np

import evenfield as ef
from evenfield.base.errors import DesignError
from evenfield.search.aim import aim_of
from evenfield.search.descent import advance, start
from evenfield.search.limits import dimensions_of
from evenfield.search.shape_stage import Plan, Stage, coarse_plan

EXAMPLE = Path(__file__).parent.parent / "examples" / "ketch.yaml"
AIM = "horizontal=110 deg, vertical=112 deg, diagonal=106 deg, low=1.65 kHz, high=6.6 kHz, handover=1.648 kHz"
POPULATION = 4
"""Of differential evolution, times the number of dimensions; small, which favours it at so few evaluations."""


def stage_of(plan: Plan | None = None) -> tuple[Stage, np.ndarray]:
    """The coarse stage of Ketch's own waveguide, and where it stands."""
    design = ef.load_design(EXAMPLE)
    aim = aim_of(design, text=AIM)
    space = dimensions_of(design, aim.upper)
    return Stage(space, aim, plan or coarse_plan(aim), design), np.clip(space.share(design), 0, 1)


def by_gradients(stage: Stage, share: np.ndarray, steps: int, seconds: float) -> list[tuple[int, float]]:
    """(solves so far, best value) of the descent."""
    began, spent = time.perf_counter(), stage.counts.solves
    trial = stage(share)
    assert trial is not None
    point = start(share, trial)
    log = [(stage.counts.solves + stage.counts.adjoints - spent, point.value)]
    while not point.done and point.steps < steps and time.perf_counter() - began < seconds:
        point, _ = advance(point, stage, stage.constraints)
        log.append((stage.counts.solves + stage.counts.adjoints - spent, point.value))
    return log


def by_evolution(stage: Stage, share: np.ndarray, evaluations: int, seconds: float, seed: int = 1) -> list[tuple[int, float]]:
    """(solves so far, best value) of scipy's differential evolution, the design among its first population; shapes that do not
    fit cost it nothing."""
    from scipy.optimize import differential_evolution

    began, best, solves = time.perf_counter(), np.inf, 0
    log: list[tuple[int, float]] = []

    class Stop(Exception):
        pass

    def value(x: np.ndarray) -> float:
        nonlocal best, solves
        if time.perf_counter() - began > seconds or solves >= evaluations * len(stage.solver.frequency):
            raise Stop
        if stage.constraints(x).min() < 0:
            return 1e3 - 100 * float(stage.constraints(x).min())
        try:
            found = stage.measure(stage.space.at(x)).value
        except DesignError:
            return 1e3
        solves += len(stage.solver.frequency)
        if found < best:
            best = found
            log.append((solves, best))
        return found

    box = [(0, 1)] * len(share)
    with contextlib.suppress(Stop):
        differential_evolution(value, box, popsize=POPULATION, x0=share, rng=seed, maxiter=1000, polish=False)
    log.append((solves, best))
    return log


def solves_to(log: list[tuple[int, float]], value: float) -> int | None:
    """Solves until a value is reached; None where it never is."""
    return next((n for n, v in log if v <= value), None)


def figures():
    """Rows of the benchmark: name, seconds, note."""
    stage, share = stage_of()
    began = time.perf_counter()
    trial = stage(share * 0.999 + 0.0005)
    assert trial is not None
    once = time.perf_counter() - began
    began = time.perf_counter()
    trial.slopes()
    slopes = time.perf_counter() - began
    yield "coarse objective, Ketch", once, f"{len(stage.solver.frequency)} frequencies, {max(stage.field.unknowns)} unknowns"
    yield "its gradient by 7 numbers", slopes, f"{slopes / once:.1f} times the objective"
    began = time.perf_counter()
    ours = by_gradients(stage, share, 10, 120.0)
    seconds = time.perf_counter() - began
    yield "descent, 10 steps", seconds, f"objective {ours[0][1]:.2f} -> {ours[-1][1]:.3f} in {ours[-1][0]} solves"
    stage.anchor(stage.space.at(share))
    began = time.perf_counter()
    theirs = by_evolution(stage, share, 250, 600.0)
    seconds = time.perf_counter() - began
    value = max(ours[-1][1], theirs[-1][1])  # the best that both reached
    mine, its = solves_to(ours, value), solves_to(theirs, value)
    assert mine is not None and its is not None
    ratio = f"; to {value:.3f} {its} solves against our {mine}: {its / mine:.0f} times as many (to reach 10)"
    yield "differential evolution", seconds, f"objective {theirs[-1][1]:.3f} after {theirs[-1][0]} solves{ratio}"
