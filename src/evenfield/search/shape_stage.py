"""One stage of a waveguide search: an objective on some frequencies and meshes, as a function of the free dimensions."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from evenfield.base.errors import DesignError
from evenfield.loudspeaker.design import Design
from evenfield.loudspeaker.geometry import cabinet_of
from evenfield.search.aim import Aim, Weights
from evenfield.search.descent import Trial
from evenfield.search.dimensions import Space
from evenfield.search.limits import margins
from evenfield.search.listening import listening_for
from evenfield.search.objective import Objective, Score
from evenfield.search.shape_field import Field, Fineness, ShapeField, moves_of
from evenfield.shape.elements import Cabinet
from evenfield.shape.morph import Morph

Array = NDArray[np.float64]

DIFFERENCE = 1e-4
"""Of a dimension's range; the step of the central difference that says how vertices move."""

ALONE_ABOVE = 1.5
"""Of the handover frequency: higher, the way below is not solved; its filters leave little of it, and the mesh may be coarse
on its cone."""


@dataclass(frozen=True)
class Plan:
    """Which frequencies a stage solves, and how finely.

    Parameters
        octave : points in the octave around the handover; step : octaves between points above; top : Hz, highest
    """

    octave: int
    step: float
    top: float
    fineness: Fineness

    def frequencies(self, aim: Aim) -> Array:
        """(F,) Hz, ascending: the handover's octave, then on to `top`."""
        found: list[float] = []
        if aim.lower is not None:
            found = (aim.handover * 2.0 ** np.linspace(-0.5, 0.5, self.octave)).tolist()
        start = max(aim.low, found[-1] * 2 ** (0.6 * self.step) if found else aim.low)
        if start < self.top:
            count = max(round(float(np.log2(self.top / start)) / self.step), 1)
            found += np.geomspace(start, self.top, count + 1).tolist()
        return np.array(found)


@dataclass(frozen=True)
class Axis:
    """A plan of given frequencies."""

    frequency: tuple[float, ...]
    fineness: Fineness = field(default_factory=Fineness)

    def frequencies(self, aim: Aim) -> Array:
        """(F,) Hz."""
        return np.array(self.frequency)


def coarse_plan(aim: Aim) -> Plan:
    """The whole band in steps of three quarters of an octave, three points to the handover's octave."""
    return Plan(3, 0.75, aim.high, Fineness(4.0, 2.5))


def fine_plan(aim: Aim) -> Plan:
    """The whole band in thirds of octaves."""
    return Plan(5, 1 / 3, aim.high, Fineness(5.0, 2.0))


@dataclass
class Counts:
    """What was spent: boundary-element solves, adjoint passes, seconds in each, evaluations."""

    solves: int = 0
    adjoints: int = 0
    solve_seconds: float = 0.0
    adjoint_seconds: float = 0.0
    values: int = 0


class Stage:
    """The function that a descent minimises.

    Parameters
        space : dimensions; aim : Aim; plan : Plan; at : design whose meshes and motions are taken first
        folder, device : as for `ShapeField`; tell : called with a word at each solved frequency
    Attributes
        score, field : of the last evaluation
    """

    def __init__(
        self,
        space: Space,
        aim: Aim,
        plan: Plan | Axis,
        at: Design,
        folder: str | Path | None = None,
        device: str = "auto",
        tell: Callable[[str], None] | None = None,
        counts: Counts | None = None,
    ) -> None:
        self.space, self.aim, self.folder, self.tell = space, aim, folder, tell
        self.counts = counts or Counts()
        mirrored = cabinet_of(at, folder).symmetric
        self.listening = listening_for(aim, mirrored)
        alone = None if aim.lower is None else (aim.upper, ALONE_ABOVE * aim.handover)
        self.solver = ShapeField(at, plan.frequencies(aim).tolist(), self.listening.vectors, plan.fineness, folder, device, alone)
        self.objective: Objective | None = None
        self._take_motion(at)

    def anchor(self, design: Design) -> None:
        """Take meshes and the parts' motions from this design."""
        self.solver.settle(design)
        self._take_motion(design)

    def _take_motion(self, design: Design) -> None:
        found = self._solve(design)
        drive = self.solver.drive(design, found, self.aim.upper)
        self.objective = Objective(self.aim, self.listening, drive, self.solver.frequency)
        self._known = (design, found)

    def constraints(self, share: Array) -> Array:
        """(M,) cm; see `margins`."""
        return margins(self.space.at(share), self.aim.upper, self.folder)

    def __call__(self, share: Array) -> Trial | None:
        """The objective there; None where the body cannot be."""
        design = self.space.at(share)
        try:
            found = self._field(design)
        except DesignError:
            return None
        assert self.objective is not None
        score = self.objective.score(found.far, found.impedance)
        self.score, self.field = score, found
        self.counts.values += 1
        groups = np.full(len(self.solver.frequency), score.value / len(self.solver.frequency))
        return Trial(score.value, groups, lambda: self.slopes(share, found, score))

    def slopes(self, share: Array, found: Field, score: Score) -> Array:
        """(N, F) derivative of the objective by the shares, frequency by frequency."""
        assert score.far_bar is not None and score.impedance_bar is not None
        columns, seconds = self.solver.pull(found, score.far_bar, score.impedance_bar, self.moves(share))
        self.counts.adjoints += len(self.solver.frequency)
        self.counts.adjoint_seconds += seconds
        return columns

    def moves(self, share: Array) -> Callable[[Morph], Array]:
        """How vertices move with each share: central differences of the geometry, one-sided where it ends."""
        here = cabinet_of(self.space.at(share), self.folder)
        pairs = []
        for n in range(len(share)):
            e = np.zeros(len(share))
            e[n] = DIFFERENCE / 2
            low, high = self._near(share - e), self._near(share + e)
            step = DIFFERENCE * ((low is not None) + (high is not None)) / 2
            pairs.append((low or here, high or here, step or DIFFERENCE))
        return moves_of(pairs)

    def _near(self, share: Array) -> Cabinet | None:
        """The cabinet there; None where the geometry does not accept it."""
        try:
            return cabinet_of(self.space.at(share), self.folder)
        except DesignError:
            return None

    def part_slopes(self, share: Array, names: Sequence[str]) -> dict[str, Array]:
        """name -> (N,) derivative of one unweighted part of the objective by the shares, on the field last solved there."""
        assert self.objective is not None
        found = self._field(self.space.at(share))
        result = {}
        for name in names:
            alone = Weights(**{n: 1.0 if n == name else 0.0 for n in vars(Weights())})
            objective = replace(self.objective, aim=replace(self.aim, weights=alone))
            score = objective.score(found.far, found.impedance)
            result[name] = self.slopes(share, found, score).sum(axis=1)
        return result

    def measure(self, design: Design) -> Score:
        """The score of any design on this stage's frequencies; its field is `measured`."""
        assert self.objective is not None
        found = self.measured = self._field(design)
        return self.objective.score(found.far, found.impedance, slopes=False)

    def _field(self, design: Design) -> Field:
        if self._known[0] == design:
            return self._known[1]
        found = self._solve(design)
        self._known = (design, found)
        return found

    def _solve(self, design: Design) -> Field:
        found = self.solver.solve(design, self.tell)
        self.counts.solves += len(self.solver.frequency)
        self.counts.solve_seconds += found.seconds
        return found


__all__ = ["Axis", "Counts", "Plan", "Stage", "coarse_plan", "fine_plan"]
