"""Searching a waveguide's shape for an aim: several starts on a coarse objective, the best one carried on finely.

Everything is kept in a folder after each step, so that a search that is stopped goes on where it stood.
"""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenfield.base.errors import DataError, DesignError, message
from evenfield.base.files import write_whole
from evenfield.loudspeaker.design import Design
from evenfield.loudspeaker.sweep import NoProgress, Progress
from evenfield.search.aim import Aim
from evenfield.search.closing import Close, Closing, start_close
from evenfield.search.descent import Point, advance, drawn_inside, nearest_fitting, start
from evenfield.search.dimensions import Space
from evenfield.search.limit_words import no_room
from evenfield.search.limits import fits, margins
from evenfield.search.linear_field import LinearField
from evenfield.search.objective import Score
from evenfield.search.shape_stage import Axis, Counts, Plan, Stage, coarse_plan, fine_plan

Array = NDArray[np.float64]

REACH = 0.3
"""Of a dimension's range; how far drawn starts may lie from the design's own shape."""

STATE = "search.json"
"""The file, in the search's folder, that it goes on from."""


@dataclass(frozen=True)
class Step:
    """What is shown of a step: the start it belongs to, its number, the stage, the value, the design, and its score (None where
    the step was not taken).
    """

    start: int
    number: int
    stage: str
    value: float
    design: Design
    score: Score | None
    frequency: Array


@dataclass(frozen=True)
class Effort:
    """How long to search.

    Parameters
        starts : how many; the first is the design's own shape
        coarse_steps, fine_steps : at most, for each start and for the best
        minutes : of wall time; the search then ends with the best so far
        seed : of the drawn starts
        rounds : of the closing, at most; 0 leaves it out
    """

    starts: int = 3
    coarse_steps: int = 7
    fine_steps: int = 9
    minutes: float = 15.0
    seed: int = 1
    rounds: int = 0


@dataclass
class State:
    """Where a search stands: coarse descents by start, the fine one, the closing, and what was spent."""

    coarse: list[Point] = field(default_factory=list)
    fine: Point | None = None
    close: Close | None = None
    first: float = float("nan")
    counts: Counts = field(default_factory=Counts)
    seconds: float = 0.0
    log: list[dict[str, Any]] = field(default_factory=list)

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "coarse": [p.to_dict() for p in self.coarse],
            "fine": None if self.fine is None else self.fine.to_dict(),
            "close": None if self.close is None else self.close.to_dict(),
            "first": self.first,
            "counts": asdict(self.counts),
            "seconds": self.seconds,
            "log": self.log,
        }

    @classmethod
    def from_dict(cls, data: dict[str, Any]) -> State:
        """The reverse of `to_dict`."""
        return cls(
            [Point.from_dict(p) for p in data["coarse"]],
            None if data["fine"] is None else Point.from_dict(data["fine"]),
            None if data["close"] is None else Close.from_dict(data["close"]),
            data["first"],
            Counts(**data["counts"]),
            data["seconds"],
            data["log"],
        )


class ShapeSearch:
    """One search.

    Parameters
        space : the dimensions; aim : Aim; effort : Effort
        starts : designs to start from beside the design's own (as shares of `space`)
        folder : where measured files of the design lie; keep : folder for the state, None keeps nothing
        device : "auto", "cpu" or "gpu"; progress; on_step : called with each Step
        plans : coarse and fine Plan in place of the usual
    """

    def __init__(
        self,
        space: Space,
        aim: Aim,
        effort: Effort | None = None,
        starts: tuple[Array, ...] = (),
        folder: str | Path | None = None,
        keep: Path | None = None,
        device: str = "auto",
        progress: Progress | None = None,
        on_step: Callable[[Step], None] | None = None,
        plans: tuple[Plan, Plan] | None = None,
    ) -> None:
        self.space, self.aim, self.effort = space, aim, effort or Effort()
        self.folder, self.keep, self.device = folder, keep, device
        self.progress, self.on_step = progress or NoProgress(), on_step
        self.plans = plans or (coarse_plan(aim), fine_plan(aim))
        self.given = starts
        self.state = State()
        self.near: tuple[Stage, LinearField] | None = None
        self._began = time.perf_counter()

    @property
    def key(self) -> str:
        """What the search was asked for; a state of another question is refused."""
        asked = (repr(self.space), repr(self.aim), repr(self.plans), self.effort.seed)
        return hashlib.sha256("\n".join(str(a) for a in asked).encode()).hexdigest()[:16]

    def resume(self) -> None:
        """Take up the state in the folder. Raises DataError where there is none, or of another question."""
        assert self.keep is not None
        path = self.keep / STATE
        if not path.is_file():
            raise DataError(message("--continue", "a folder of an earlier search", self.keep, fix="the folder given to --out"))
        data = json.loads(path.read_text(encoding="utf-8"))
        if data.get("key") != self.key:
            raise DataError(
                message(
                    str(path), "of the same design, aim and bounds", "a search of another question",
                    cause="Its derivatives would mislead this one", fix="a new folder",
                )
            )  # fmt: skip
        self.state = State.from_dict(data["state"])

    def run(self) -> Design:
        """Search until done or out of time; the best design, its numbers as the file will write them.

        Stopped by Ctrl-C at any time; the folder holds the last whole step.
        """
        self._began = time.perf_counter() - self.state.seconds
        self._coarse()
        best = self._fine().share
        if self.effort.rounds:
            best = self._close(best).share
        return self.space.at(self.space.snapped(best))

    @property
    def out_of_time(self) -> bool:
        """True when the minutes are used up."""
        return time.perf_counter() - self._began > 60 * self.effort.minutes

    def starting_shares(self) -> list[Array]:
        """Where to start: the design's own shape, those given, then drawn ones that fit."""
        own = self._allowed(np.clip(self.space.share(self.space.design), 0, 1))
        shares = [own, *(np.clip(s, 0, 1) for s in self.given)][: self.effort.starts]
        shares = [s for n, s in enumerate(shares) if n == 0 or fits(self.space.at(s), self.folder)]
        rng = np.random.default_rng(self.effort.seed)
        for _ in range(20 * self.effort.starts):
            if len(shares) >= self.effort.starts:
                break
            drawn = nearest_fitting(own, own + REACH * rng.uniform(-1, 1, len(own)), self._margins)
            if np.abs(drawn - own).max() > REACH / 4 and fits(self.space.at(drawn), self.folder):
                shares.append(drawn)
        return shares

    def _allowed(self, own: Array) -> Array:
        """The design's own shape, or the nearest that keeps every limit. Raises DesignError, naming them, where none does."""
        if np.all(self._margins(own) >= -1e-9):
            return own
        inside = drawn_inside(own, self._margins)
        if inside is None:
            raise DesignError(no_room(self.space.at(own), self.aim.upper, self.folder))
        return inside if fits(self.space.at(inside), self.folder) else own

    def _margins(self, share: Array) -> Array:
        return margins(self.space.at(share), self.aim.upper, self.folder)

    def _coarse(self) -> None:
        shares = self.starting_shares()
        if self.state.fine is not None or (len(shares) == 1 and not self.state.coarse):
            return
        for n, share in enumerate(shares):
            known = self.state.coarse[n] if n < len(self.state.coarse) else None
            if known is not None and (known.done or known.steps >= self.effort.coarse_steps):
                continue
            if self.out_of_time and n > 0:
                return
            stage = self._stage(self.plans[0], self.space.at(share if known is None else known.share))
            self._descend(stage, "coarse", n, share, known, self.effort.coarse_steps)

    def _fine(self) -> Point:
        known = self.state.fine
        from_share = known.share if known is not None else self._best_coarse()
        stage = self._stage(self.plans[1], self.space.at(from_share))
        self.last_stage = stage
        return self._descend(stage, "fine", 0, from_share, known, self.effort.fine_steps)

    def _close(self, share: Array) -> Close:
        def stage_for(axis: Axis, at: Array) -> Stage:
            return self._stage(axis, self.space.at(at))

        work = Closing(stage_for, self.aim, self._keep_close, lambda: not self.out_of_time, self.effort.rounds)
        self.state.close = work.run(self.state.close or start_close(share, self.aim))
        self.near = work.last
        self._write()
        return self.state.close

    def _best_coarse(self) -> Array:
        if not self.state.coarse:
            return self.starting_shares()[0]
        return min(self.state.coarse, key=lambda p: p.value).share

    def _stage(self, plan: Plan | Axis, design: Design) -> Stage:
        tell = lambda word: self.progress.step(word)  # noqa: E731
        self.progress.start(len(plan.frequencies(self.aim)), "Meshes and first field")
        try:
            return Stage(self.space, self.aim, plan, design, self.folder, self.device, tell, self.state.counts)
        finally:
            self.progress.done()

    def _descend(self, stage: Stage, name: str, number: int, share: Array, known: Point | None, steps: int) -> Point:
        point = known
        if point is None:
            trial = stage(share)
            if trial is None:
                raise DesignError(message("the start of the search", "a shape that fits", "one that does not", fix="--first-cut"))
            point = start(share, trial)
            if (name == "coarse" and number == 0) or (name == "fine" and not self.state.coarse):
                self.state.first = point.value
            self._keep(name, number, point, stage, True)
        while not point.done and point.steps < steps and not self.out_of_time:
            self.progress.start(len(stage.solver.frequency), f"{name} step {point.steps + 1}, objective {point.value:.3f}")
            try:
                point, taken = advance(point, stage, stage.constraints)
            finally:
                self.progress.done()
            self._keep(name, number, point, stage, taken is not None)
        return point

    def _keep(self, name: str, number: int, point: Point, stage: Stage, taken: bool) -> None:
        if name == "coarse":
            self.state.coarse = [*self.state.coarse[:number], point]
        else:
            self.state.fine = point
        self._log(name, number, point.steps, point.value, taken, point.share)
        self._show(
            Step(number, point.steps, name, point.value, self.space.at(point.share), None, stage.solver.frequency), stage, taken
        )

    def _keep_close(self, close: Close, stage: Stage, taken: bool) -> None:
        self.state.close = close
        self._log("close", close.round, close.moves, close.worst, taken, close.share)
        design = self.space.at(close.share)
        self._show(Step(close.round, close.moves, "close", close.worst, design, None, stage.solver.frequency), stage, taken)

    def _log(self, name: str, number: int, step: int, value: float, taken: bool, share: Array) -> None:
        self.state.seconds = time.perf_counter() - self._began
        counts, shown = self.state.counts, self.space.texts(share)
        self.state.log.append(
            {
                "stage": name, "start": number, "step": step, "value": value, "taken": taken,
                "solves": counts.solves, "adjoints": counts.adjoints, "seconds": round(self.state.seconds, 1), "values": shown,
            }
        )  # fmt: skip
        self._write()

    def _write(self) -> None:
        if self.keep is not None:
            self.keep.mkdir(parents=True, exist_ok=True)
            kept = {"key": self.key, "handover": self.aim.handover, "state": self.state.to_dict()}
            text = json.dumps(kept, indent=1)
            write_whole(self.keep / STATE, lambda part: part.write_text(text, encoding="utf-8"))

    def _show(self, step: Step, stage: Stage, taken: bool) -> None:
        if self.on_step is not None:
            self.on_step(replace(step, score=stage.score if taken else None))


def kept_handover(folder: Path | None) -> float | None:
    """Hz, the handover that the search kept in a folder was asked for; None where there is none to read."""
    try:
        return None if folder is None else float(json.loads((folder / STATE).read_text(encoding="utf-8"))["handover"])
    except (OSError, KeyError, TypeError, ValueError):
        return None


__all__ = ["STATE", "Effort", "ShapeSearch", "State", "Step", "kept_handover"]
