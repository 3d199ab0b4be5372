"""The last part of a search: every target at once, at every frequency, on a linear field around the best shape.

The quasi-Newton descent lowers a mean of squares, and leaves the few frequencies where a beam is about to break. Here one solve
for each dimension gives the field itself as a linear function of the shape. On it the worst target is lowered by linear programs,
which costs no solve; the shape found is solved, the linear field mended by it, and so on within a trust region. Then the beam is
looked at between the frequencies, and those that fail join them: rounds of an outer approximation.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenfield.base.errors import DesignError
from evenfield.search.aim import Aim
from evenfield.search.linear_field import LinearField, differences
from evenfield.search.minimax import best_near
from evenfield.search.shape_field import Field, Fineness
from evenfield.search.shape_stage import Axis, Stage
from evenfield.search.targets import Ratios, ratios_at

Array = NDArray[np.float64]

RADIUS, LEAST_RADIUS = 0.06, 0.004
"""Of a dimension's range: how far the linear field is trusted at first, and where trying ends."""
MOVES = 8
"""Shapes solved around one set of differences."""
CLOSE, ROUGH = Fineness(5.0, 1.5, 1.3), Fineness(4.0, 2.5)
"""Of the meshes that shapes are judged on, and of those that give the slopes: a dip's depth needs finer ones than its slope."""
SPACING, BETWEEN = 1 / 6, 1 / 24
"""Octaves between the solved frequencies, and between those where the beam is looked at."""
MOST_ADDED = 4


def first_axis(aim: Aim) -> tuple[float, ...]:
    """Hz: five to the handover's octave, sixths of octaves beyond to the top of the band; the band's own low end too.

    A neck is as deep as what lies on both sides of it: without the low end, where a beam is widest, it would not be seen.
    """
    found = [] if aim.lower is None else (aim.handover * 2.0 ** np.linspace(-0.5, 0.5, 5)).tolist()
    start = max(aim.low, found[-1] * 2 ** (0.7 * SPACING) if found else aim.low)
    if start < aim.high:
        found += np.geomspace(start, aim.high, max(round(float(np.log2(aim.high / start)) / SPACING), 1) + 1).tolist()
    if min(abs(np.log2(np.asarray(found) / aim.low)), default=1.0) > BETWEEN / 4:
        found = sorted([*found, aim.low])
    return tuple(found)


@dataclass(frozen=True)
class Close:
    """Where the closing stands.

    Parameters
        share : (N,) place; frequency : Hz, solved
        worst : the greatest of the `Ratios`; round, moves : how many; done : why it ended, or ""
    """

    share: Array
    frequency: tuple[float, ...]
    worst: float = float("inf")
    round: int = 0
    moves: int = 0
    done: str = ""

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return dict(vars(self)) | {"share": self.share.tolist(), "frequency": list(self.frequency)}

    @classmethod
    def from_dict(cls, data: dict[str, Any]) -> Close:
        """The reverse of `to_dict`."""
        return cls(**(data | {"share": np.asarray(data["share"], float), "frequency": tuple(data["frequency"])}))


def start_close(share: Array, aim: Aim) -> Close:
    """Before the first round."""
    return Close(share, first_axis(aim))


@dataclass
class Closing:
    """The work of it.

    Parameters
        stage_for : a Stage on a plan at a place, as the search makes them
        aim : Aim
        keep : called with (Close, Stage, taken) after every solved shape
        go_on : False ends it
        last : the stage and the linear field of the last round, which lies around its shape
    """

    stage_for: Callable[[Axis, Array], Stage]
    aim: Aim
    keep: Callable[[Close, Stage, bool], None]
    go_on: Callable[[], bool]
    rounds: int = 3
    last: tuple[Stage, LinearField] | None = None

    def run(self, close: Close) -> Close:
        """Round after round until the targets are met between the frequencies too, or no gain is left."""
        while not close.done and close.round < self.rounds and self.go_on():
            close = self._round(close)
        return close

    def _round(self, close: Close) -> Close:
        stage = self.stage_for(Axis(close.frequency, CLOSE), close.share)
        here = ratios_of(stage, close.share)
        assert here is not None
        before, close = here.progress, replace(close, worst=here.worst)
        self.keep(close, stage, True)
        rough = self.stage_for(Axis(close.frequency, ROUGH), close.share)
        base = near_field(rough, close.share)
        near = differences(close.share, stage.field, lambda share: near_field(rough, share), base)
        radius = RADIUS
        for _ in range(MOVES):
            if radius < LEAST_RADIUS or not self.go_on():
                break
            close, near, here, radius = self._move(close, stage, near, here, radius)
        self.last = stage, near
        failing = self._between(close) if self.go_on() else []
        done = "" if here.progress < 0.99 * before else "no gain left in sight"
        if here.worst <= 1 and not failing and self.go_on():
            done = "every target is met"
        added = tuple(sorted((*close.frequency, *failing)))
        return replace(close, round=close.round + 1, frequency=added, done="" if failing and close.round == 0 else done)

    def _move(
        self, close: Close, stage: Stage, near: LinearField, here: Ratios, radius: float
    ) -> tuple[Close, LinearField, Ratios, float]:
        assert stage.objective is not None
        share, promised = best_near(near, stage.objective, radius, stage.constraints)
        length = float(np.abs(share - close.share).max())
        if length < 1e-4:
            return close, near, here, 0.0
        found = ratios_of(stage, share)
        close = replace(close, moves=close.moves + 1)
        if found is None:
            return close, near, here, 0.4 * length
        field = stage.field
        if found.progress < here.progress:
            kept = (here.progress - found.progress) > 0.5 * (here.progress - promised.progress)
            close = replace(close, share=share, worst=found.worst)
            self.keep(close, stage, True)
            return close, near.moved(share, field.far, field.impedance), found, radius if kept else 0.6 * radius
        self.keep(close, stage, False)
        return close, near.mended(share, field.far, field.impedance), here, 0.4 * length

    def _between(self, close: Close) -> list[float]:
        """Hz, the worst of those between the solved frequencies where the beam fails, few and apart."""
        axis = np.geomspace(self.aim.low, self.aim.high, round(float(np.log2(self.aim.high / self.aim.low)) / BETWEEN) + 1)
        stage = self.stage_for(Axis(tuple(axis.tolist()), CLOSE), close.share)
        found = ratios_of(stage, close.share)
        if found is None:
            return []
        worst = np.maximum(np.maximum(np.abs(found.width), found.neck).max(axis=0), found.dip.max(axis=(0, 1, 2)))
        return worst_apart(axis, worst, close.frequency)


def ratios_of(stage: Stage, share: Array) -> Ratios | None:
    """The ratios of a shape that is solved now, its field kept in the stage; None where the body cannot be."""
    trial = stage(share)
    if trial is None or stage.objective is None:
        return None
    return ratios_at(stage.objective, stage.field.far, stage.field.impedance)


def near_field(stage: Stage, share: Array) -> Field | None:
    """The field at a share close by, on the same meshes; None where the body cannot be, or its meshes not follow."""
    solver = stage.solver
    morphs = list(solver.morphs)
    try:
        found = solver.solve(stage.space.at(share), stage.tell)
    except DesignError:
        return None
    stage.counts.solves += len(solver.frequency)
    stage.counts.solve_seconds += found.seconds
    same = all(a is b for a, b in zip(morphs, solver.morphs, strict=True))
    solver.morphs = morphs
    return replace(found, solved=()) if same else None


def worst_apart(
    frequency: Array, worst: Array, known: tuple[float, ...], limit: float = 1.0, most: int = MOST_ADDED
) -> list[float]:
    """Hz of the greatest of `worst` (F,) over the limit, at least a 16th of an octave from those known and from each other."""
    found: list[float] = []
    for n in np.argsort(-worst):
        near = [abs(np.log2(frequency[n] / f)) for f in (*known, *found)]
        if worst[n] > limit and min(near, default=1.0) > 1 / 16 and len(found) < most:
            found.append(float(frequency[n]))
    return found


__all__ = ["Close", "Closing", "first_axis", "near_field", "ratios_of", "start_close", "worst_apart"]
