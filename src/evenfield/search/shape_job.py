"""The shape command's work: aim, search, what was gained and lost, which dimension matters, and the design that holds it."""

from __future__ import annotations

import json
import math
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenfield.base.errors import DesignError, message
from evenfield.base.files import write_whole
from evenfield.loudspeaker.design import Design, Profile
from evenfield.loudspeaker.load import located, read_design
from evenfield.loudspeaker.sweep import Progress
from evenfield.search.aim import Aim, aim_of, shaped_way, with_coverage
from evenfield.search.crossing import check_aim, find_handover
from evenfield.search.dimensions import Space, read
from evenfield.search.first_cut import first_cut as cut_by_rule
from evenfield.search.free_wall import freed
from evenfield.search.limit_words import at_limits, overhang_words
from evenfield.search.limits import dimensions_of
from evenfield.search.shape_confirm import Behaviour, Row, compare, confirm
from evenfield.search.shape_search import Effort, ShapeSearch, Step, kept_handover
from evenfield.search.shape_stage import Counts, Stage
from evenfield.search.shape_tolerance import Corner, corners, target_corners, worst
from evenfield.search.shape_write import write_shape

Array = NDArray[np.float64]

SENSED = ("step", "mismatch", "pattern", "coverage")
"""Parts of the objective whose change by each dimension is told."""


@dataclass(frozen=True)
class Wish:
    """What the command was asked.

    Parameters
        aim : text of `aim_of`; way : the way to shape; hold, bound, also : see `dimensions_of`
        free : state the wall by angles that may each change; else the profile of the file stays
        effort : Effort; confirm : predict before and after on meshes of their own
        tolerance : m, of every length: the corners that hurt most are solved, and the worst predicted; 0 leaves it out
        prove : confirm the result also on finer meshes, and with the moving profiles of cones that are solved as rigid
        overhang : keep the acoustic wall within the printer's overhang where its section chooses a way of lying
    """

    aim: str = ""
    way: str | None = None
    hold: tuple[str, ...] = ()
    bound: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    also: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    free: bool = True
    effort: Effort = field(default_factory=Effort)
    confirm: bool = True
    device: str = "auto"
    tolerance: float = 0.0
    overhang: bool = True
    prove: bool = False


@dataclass(frozen=True)
class Sensed:
    """How the measures change where one dimension grows by a drawing's small unit: 0.1 mm, 0.1 degree or 0.01.

    step_db, mismatch_db, pattern_db, coverage_db : change, dB; objective : change
    """

    name: str
    key: str
    unit: str
    change: Mapping[str, float]

    @property
    def size(self) -> float:
        """The largest change, dB."""
        return max(abs(v) for v in self.change.values())


@dataclass(frozen=True)
class ShapeJob:
    """What was done.

    Parameters
        design : as found; aim : Aim; dimensions : (name, before, after)
        first, last : objective of the starting shape and of the best
        cornered, corners : the worst corner of the tolerances against the result, and the worst of each measure over corners
        proofs : what else the result was confirmed with, against it
        before, after : Behaviour, None where not confirmed; rows : what was gained and lost
        sensed : most sensitive dimension first; counts, seconds : what was spent; files : written; notes
    """

    design: Design
    aim: Aim
    dimensions: tuple[tuple[str, str, str], ...]
    first: float
    last: float
    before: Behaviour | None
    after: Behaviour | None
    rows: tuple[Row, ...]
    sensed: tuple[Sensed, ...]
    counts: Counts
    seconds: float
    files: tuple[Path, ...] = ()
    notes: tuple[str, ...] = ()
    cornered: tuple[Row, ...] = ()
    corners: Mapping[str, float] = field(default_factory=dict)
    proofs: Mapping[str, tuple[Row, ...]] = field(default_factory=dict)

    @property
    def met(self) -> bool:
        """True where every target of the table is met."""
        return bool(self.rows) and all(r.met is not False for r in self.rows)

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "aim": self.aim.words(),
            "met": self.met,
            "objective": {"first": self.first, "last": self.last},
            "dimensions": [{"name": n, "before": a, "after": b} for n, a, b in self.dimensions],
            "table": [vars(r) for r in self.rows],
            "before": None if self.before is None else self.before.to_dict(),
            "after": None if self.after is None else self.after.to_dict(),
            "sensitivity": [{"name": s.name, "unit": s.unit, **s.change} for s in self.sensed],
            "spent": {**vars(self.counts), "seconds": self.seconds},
            "corners": {"worst": dict(self.corners), "table": [vars(r) for r in self.cornered]},
            "proofs": {n: [vars(r) for r in found] for n, found in self.proofs.items()},
            "files": [str(f) for f in self.files],
            "notes": list(self.notes),
        }


def run_shape(
    path: str | Path,
    wish: Wish | None = None,
    *,
    out: Path | None = None,
    resume: bool = False,
    write: Path | None = None,
    over: bool = False,
    first_cut: bool = False,
    progress: Progress | None = None,
    on_step: Callable[[Step], None] | None = None,
) -> ShapeJob:
    """Search the shape of a design's waveguide.

    Parameters
        path : design file; wish : Wish
        out : folder for state, pictures and result; resume : go on from the state there
        write : where the designed copy goes, default out/<name>-shaped.yaml; over : it may be the design itself
        first_cut : start from the first cut by rule in place of the file's shape
        on_step : called with each Step, for a picture
    Raises DesignError for an aim that conflicts with the cabinet; MeshError; DataError where there is nothing to go on from.
    """
    began = time.perf_counter()
    wish, path = wish or Wish(), Path(path)
    design, positions = read_design(path)
    with located(positions):
        way = shaped_way(design, wish.way) if not first_cut else wish.way
        start, added = _start(design if wish.overhang else without_lying(design), way, wish, first_cut)
        way = shaped_way(start, way)
        aim = aim_of(start, way, wish.aim)
        check_aim(start, aim)
        if "handover" not in wish.aim:
            kept = kept_handover(out) if resume else None  # found anew it may differ in its last digits
            aim = replace(aim, handover=kept or find_handover(start, aim, path.parent, wish.device))
        space = dimensions_of(start, way, wish.hold, dict(wish.bound), dict(wish.also))
        search = ShapeSearch(
            space, aim, wish.effort, (), path.parent, out, wish.device, progress, on_step,
        )  # fmt: skip
        if resume:
            search.resume()
        best = search.run()
        share = space.share(best)
        sensed, slopes = sensitivities(search.last_stage, share)
        last = search.last_stage.score.value if sensed else math.nan
        found = _corners(search, share, slopes, wish.tolerance) if wish.tolerance else []
        before = after = None
        rows: list[Row] = []
        cornered: list[Row] = []
        proofs: dict[str, tuple[Row, ...]] = {}
        if wish.confirm:
            before, _ = confirm(start, aim, path.parent, progress, wish.device)
            after, _ = confirm(best, aim, path.parent, progress, wish.device)
            rows = compare(before, after, aim, _targets(start))
            if found:
                hurt = max(found, key=lambda c: c.badness)
                cornered = compare(after, confirm(hurt.design, aim, path.parent, progress, wish.device)[0], aim, _targets(start))
            for name, design_there, finer in _proofs(best, aim) if wish.prove else []:
                other, _ = confirm(design_there, aim, path.parent, progress, wish.device, finer)
                proofs[name] = tuple(compare(after, other, aim, _targets(start)))
        files = _write(path, write, over, out, space, best, added)
    job = ShapeJob(
        start, aim, tuple(_changes(space, start, best)), search.state.first, last, before, after, tuple(rows),
        tuple(sensed), search.state.counts, time.perf_counter() - began, tuple(files),
        tuple(_notes(aim, before, _ended(search), search, best)), tuple(cornered), worst(found), proofs,
    )  # fmt: skip
    if out is not None:
        text = json.dumps(job.to_dict(), indent=1, ensure_ascii=False)
        write_whole(out / "shape.json", lambda part: part.write_text(text, encoding="utf-8"))
    return job


def _start(design: Design, way: str | None, wish: Wish, first_cut: bool) -> tuple[Design, dict[str, Any]]:
    """The design to start from, and the sections that the file lacks for it."""
    added: dict[str, Any] = {}
    if first_cut:
        cut = cut_by_rule(with_coverage(design, wish.aim), way)
        design = cut.apply(design)
        way = shaped_way(design, way)
        added[f"ways.{way}.waveguide"] = plain_guide(design, way)
    assert way is not None
    if wish.free:
        design, more = freed(design, way)
        added |= more
    return design, added


FINER = 1.6
"""By what factor the edges of the meshes that prove a result are shorter than a prediction's."""


def _proofs(best: Design, aim: Aim) -> list[tuple[str, Design, float]]:
    """What else a result is confirmed with: its name, the design, how much finer."""
    found = [(f"on meshes {FINER:g} times finer", best, FINER)]
    way = None if aim.lower is None else best.ways[aim.lower]
    if way is not None and way.driver is not None and way.driver.kind == "cone" and way.driver.profile is None:
        moving = way.model_copy(update={"driver": way.driver.model_copy(update={"profile": Profile()})})
        found.append(
            (
                f"with the profile of the {aim.lower}'s cone",
                best.model_copy(update={"ways": {**best.ways, aim.lower: moving}}),
                1.0,
            )
        )
    return found


def _corners(search: ShapeSearch, share: Array, slopes: Mapping[str, Array], tolerance: float) -> list[Corner]:
    if search.near is None:
        return corners(search.last_stage, share, slopes, tolerance)
    return target_corners(*search.near, tolerance)


def _ended(search: ShapeSearch) -> str:
    """Why the search ended, or nothing where it did not by itself."""
    if search.state.close is not None:
        return search.state.close.done
    return "" if search.state.fine is None else search.state.fine.done


def plain_guide(design: Design, way: str) -> dict[str, Any]:
    """A way's waveguide section as the design file writes it."""

    def plain(node: Any) -> Any:
        if isinstance(node, dict):
            return {k: plain(v) for k, v in node.items() if v is not None}
        if isinstance(node, list | tuple):
            return [plain(v) for v in node]
        return node.text if hasattr(node, "text") else node

    guide = design.ways[way].waveguide
    assert guide is not None
    found: dict[str, Any] = plain(guide.model_dump(exclude_defaults=True))
    return found


def sensitivities(stage: Stage, share: Array) -> tuple[list[Sensed], dict[str, Array]]:
    """How the measures change with each dimension at a shape, the most sensitive first, and the slopes by share that say so; one
    adjoint pass for each measure.
    """
    trial = stage(share)
    if trial is None:
        return [], {}
    names = SENSED if stage.aim.lower is not None else ("coverage",)
    slopes = stage.part_slopes(share, names)
    values = {n: v / w if (w := getattr(stage.aim.weights, n)) else 0.0 for n, v in stage.score.parts.items() if n in names}
    found = []
    for n, d in enumerate(stage.space.dimensions):
        small = d.small / float(stage.space.span[n])
        change = {}
        for name in names:
            root = math.sqrt(max(values.get(name, 0.0), 1e-9))
            unit = 0.5 if name == "step" else 1.0
            change[f"{name}_db"] = unit * float(slopes[name][n]) * small / (2 * root)
        found.append(Sensed(d.name, d.key, {"mm": "0.1 mm", "deg": "0.1 deg", "": "0.01"}[d.unit], change))
    return sorted(found, key=lambda s: -s.size), slopes


def _targets(design: Design) -> tuple[float, float, float]:
    b = design.brief
    return float(b.handover_step), float(b.handover_mismatch), float(b.pattern_difference)


def _changes(space: Space, before: Design, after: Design) -> list[tuple[str, str, str]]:
    return [(d.name, d.text(read(before, d.key)), d.text(read(after, d.key))) for d in space.dimensions]


def _write(
    path: Path, write: Path | None, over: bool, out: Path | None, space: Space, best: Design, added: Mapping[str, Any]
) -> list[Path]:
    target = write or (None if out is None else out / f"{path.stem}-shaped.yaml")
    if target is None:
        return []
    values = {d: read(best, d.key) for d in space.dimensions}
    return [write_shape(path, target, values, over, added)]


def without_lying(design: Design) -> Design:
    """The design whose printer's section chooses no way of lying, so that overhang is judged afterwards only."""
    kept = {k: v for k, v in (design.printer or {}).items() if k != "lying"}
    return design.model_copy(update={"printer": kept}) if design.printer else design


def _notes(aim: Aim, before: Behaviour | None, done: str, search: ShapeSearch, best: Design) -> list[str]:
    held = at_limits(search.space, best, aim.upper, search.folder)
    notes = [f"At its limit: {'; '.join(held)}."] if held else []
    notes += [words] if (words := overhang_words(best, aim.upper)) else []
    if done:
        notes.append(f"The search ended: {done}.")
    elif search.out_of_time:
        notes.append("The search ran out of time; --continue goes on from where it stands.")
    else:
        notes.append("The search took all its steps; --continue with more of them goes on from where it stands.")
    if before is not None and aim.lower is not None:
        notes += _against_lower(aim, before)
    return notes


def _against_lower(aim: Aim, before: Behaviour) -> list[str]:
    """Whether the wanted coverage and a handover without a step can go together."""
    width = before.lower_width_deg
    notes = []
    for plane, found in width.items():
        wanted = math.degrees(aim.coverage[plane])
        if aim.low <= aim.handover * 1.1 and abs(found / wanted - 1) > 0.12:
            notes.append(
                f"{aim.lower} covers {found:.0f} deg at {aim.handover:.0f} Hz in the {plane} plane, the aim is {wanted:.0f} deg "
                "there: equal patterns and that coverage conflict. "
                f"Nearest: {plane}={found:.0f} deg, or low={2 * aim.low:.0f} Hz."
            )
    return notes


def check_output(path: Path, write: Path | None, over: bool) -> None:
    """Raise DesignError early where the result would go over the design."""
    if write is not None and write.resolve() == path.resolve() and not over:
        raise DesignError(message("--write", "another file than the design, which stays as it is", write.name, fix="--over"))


__all__ = ["SENSED", "Sensed", "ShapeJob", "Wish", "check_output", "plain_guide", "run_shape", "sensitivities"]
