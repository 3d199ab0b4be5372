"""Shapes looked for from the page, by rule or by search; each is offered, never written to the design unasked."""

from __future__ import annotations

import contextlib
import json
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from evenfield.base.errors import DataError, EvenfieldError
from evenfield.base.files import write_whole
from evenfield.loudspeaker.revisions import name_of
from evenfield.loudspeaker.store import Store
from evenfield.workbench.found import keep_proposal
from evenfield.workbench.search_kept import LAST, ending_of, last_search, search_folder

if TYPE_CHECKING:
    from evenfield.search.shape_search import Step

FINE_WEIGHT, CLOSE_WEIGHT = 4.0, 6.0
"""A fine step, and a shape of the closing, count as so many coarse ones in the bar: a guess that only the bar follows."""


def find_first_cut(folder: Path, name: str, text: str, options: dict[str, Any], progress: Any) -> None:
    """The first cut by rule, as a proposal."""
    from evenfield.report.shape_outputs import cut_first

    progress.start(1, "First cut by rule")
    with beside(folder, name, text) as source, tempfile.TemporaryDirectory() as place:
        target = Path(place) / name
        found = cut_first(source, options.get("way") or None, str(options.get("aim", "")), target, lambda line: None)
        proposal = {"text": target.read_text(encoding="utf-8"), "words": list(found["lines"]), "notes": []}
    keep_proposal(Store(folder), name_of(text), "first-cut", proposal)
    progress.step()
    progress.done()


def find_shape(folder: Path, name: str, text: str, options: dict[str, Any], progress: Any) -> None:
    """A search of the waveguide's shape, as a proposal; what it has found so far lies beside the store, step by step."""
    from evenfield.search.shape_job import Wish, run_shape
    from evenfield.search.shape_search import STATE, Effort

    out = search_folder(folder, name)
    out.mkdir(parents=True, exist_ok=True)
    asked = {k: options[k] for k in ("aim", "way", "hold", "starts", "first_cut") if options.get(k)} | {"text": name_of(text)}
    kept = last_search(folder, name) or {}
    resume = kept.get("asked") == asked and (out / STATE).is_file()
    steps = Steps(out, folder, asked, options, kept["steps"] if resume else [], progress)
    minutes, starts = float(options.get("minutes", 15.0)), int(options.get("starts", 3))
    best_so_far = resume and bool(options.get("take"))
    usual = Effort()
    effort = Effort(
        starts, int(options.get("coarse_steps", usual.coarse_steps)), int(options.get("fine_steps", usual.fine_steps)),
        1e-6 if best_so_far else minutes, rounds=int(options.get("rounds", 0)),
    )  # fmt: skip
    wish = Wish(
        str(options.get("aim", "")), options.get("way") or None, tuple(options.get("hold") or ()), effort=effort, confirm=False
    )
    steps.plan(effort)
    with beside(folder, name, text) as source, tempfile.TemporaryDirectory() as place:
        target = Path(place) / name
        call: dict[str, Any] = {
            "out": out, "write": target, "first_cut": bool(options.get("first_cut")), "progress": steps, "on_step": steps.take,
        }  # fmt: skip
        try:
            job = run_shape(source, wish, resume=resume, **call)
        except (DataError, KeyError):
            if not resume:
                raise
            # kept by another version of the search: begin again rather than mix two questions
            steps.list.clear()
            job = run_shape(source, wish, **call)
        found = target.read_text(encoding="utf-8")
    measures = steps.compared()
    words = [f"{job.aim.words()}.", f"Objective: {job.first:.3f} → {job.last:.3f}.", *measures]
    counts = f"{job.counts.solves} solves, {job.counts.adjoints} gradients, {job.seconds / 60:.1f} min."
    keep_proposal(
        Store(folder), name_of(text), "search",
        {"text": found, "words": words, "notes": [*(n.replace("--continue", "'Go on'") for n in job.notes), counts]},
    )  # fmt: skip
    steps.keep(ended=True)


class Steps:
    """How far a search is: a bar over all its steps, and each step with its measures and its section, sent and kept.

    Parameters
        out : the search's folder; folder : the design's
        asked, options : what was asked, kept beside the steps
        known : steps of an earlier run that is gone on with
        progress : PipeProgress
    """

    def __init__(
        self, out: Path, folder: Path, asked: dict[str, Any], options: dict[str, Any], known: list[Any], progress: Any
    ) -> None:
        self.out, self.folder, self.asked, self.options = out, folder, asked, options
        self.list: list[dict[str, Any]] = list(known)
        self.pipe = progress
        self._done = 0.0
        self._weight = 1.0
        self._inner = (1, 0.0)
        self._what = ""

    def plan(self, effort: Any) -> None:
        """The whole bar: every step of every start, each fine one by its weight."""
        from evenfield.search.closing import MOVES

        # a single start goes to the fine stage at once
        self._coarse, self._starts = effort.coarse_steps + 1, effort.starts if effort.starts > 1 else 0
        self._fine = self._starts * self._coarse + FINE_WEIGHT * (effort.fine_steps + 1)
        total = self._fine + CLOSE_WEIGHT * effort.rounds * (MOVES + 1)
        self.pipe.start(round(total), "Handover of the shape as it is")
        if self.list:
            self._done = self._place(self.list[-1])

    def _place(self, step: dict[str, Any]) -> float:
        if step["stage"] == "close":
            return float(self._fine + CLOSE_WEIGHT * (step["start"] + step["number"] + 1))
        if step["stage"] == "fine":
            return float(self._starts * self._coarse + FINE_WEIGHT * (step["number"] + 1))
        return float(step["start"] * self._coarse + step["number"] + 1)

    # --- the search's own progress, of one step

    def start(self, total: int, what: str) -> None:
        """A step begins."""
        self._inner, self._what = (max(total, 1), 0.0), what
        self._weight = FINE_WEIGHT if what.startswith("fine") else 1.0
        self._show()

    def step(self, what: str = "", share: float = 1.0) -> None:
        """A part of a step is done."""
        self._inner = (self._inner[0], self._inner[1] + share)
        self._show()

    def done(self) -> None:
        """A step is over; `take` says where it led."""

    def _show(self) -> None:
        share = min(self._inner[1] / self._inner[0], 0.95)
        self.pipe.at(self._done + share * self._weight, self._what)

    # --- what it found

    def take(self, step: Step) -> None:
        """One step of the search: kept, and sent to the pages."""
        score = step.score
        made: dict[str, Any] = {
            "stage": step.stage, "start": step.start, "number": step.number, "value": round(step.value, 4),
            "taken": score is not None,
            "measures": {} if score is None else {k: round(float(v), 4) for k, v in score.measures.items()},
            "section": section_of(step.design, self.folder),
        }  # fmt: skip
        self.list.append(made)
        self._done, self._inner = self._place(made), (1, 0.0)
        self.keep()
        self.pipe.connection.send({"step": made})
        self._show()

    def keep(self, ended: bool = False) -> None:
        """Write the steps so far, whole or not at all."""
        text = json.dumps({"asked": self.asked, "options": self.options, "ended": ended, "steps": self.list}, ensure_ascii=False)
        write_whole(self.out / LAST, lambda part: part.write_text(text, encoding="utf-8"))

    def compared(self) -> list[str]:
        """Measures of the first shape and of the best, in words."""
        scored = [s for s in self.list if s["measures"]]
        last = [[s for s in scored if s["stage"] == stage] for stage in ("close", "fine")]
        best_of = last[0] or last[1] or scored
        if not scored:
            return []
        first, best = scored[0]["measures"], min(best_of, key=lambda s: s["value"])["measures"]
        names = {"step_db": "Step", "mismatch_db": "Mismatch", "pattern_db": "Pattern difference"}
        names |= {"coverage_db": "Coverage error", "ripple_db": "DI ripple"}
        return [f"{words}: {first[k]:.2f} → {best[k]:.2f} dB" for k, words in names.items() if k in first and k in best]


def section_of(design: Any, folder: Path) -> list[list[list[float]]]:
    """Walls and moving surfaces of the front's elements in the vertical section, mm, as short polylines."""
    from evenfield.loudspeaker.geometry import cabinet_of
    from evenfield.shape import outline

    lines = []
    with contextlib.suppress(EvenfieldError):
        for name, found in outline(cabinet_of(design, folder))["side"].items():
            if name != "cabinet":
                lines += [np.round(1e3 * np.asarray(line)[:: 1 if len(line) < 40 else 2], 2).tolist() for line in found]
    return lines


@contextlib.contextmanager
def beside(folder: Path, name: str, text: str) -> Iterator[Path]:
    """The revision's text as a file in the design's folder, where its measured files and its store are; gone after."""
    path = folder / f".{Path(name).stem}{ending_of()}"
    write_whole(path, lambda part: part.write_text(text, encoding="utf-8"))
    try:
        yield path
    except EvenfieldError as error:
        said = str(error).replace(str(path), name).replace(path.name, name)
        raise type(error)(said) from None
    finally:
        path.unlink(missing_ok=True)
