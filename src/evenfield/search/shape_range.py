"""Along the range: the coverage of one loudspeaker's waveguide carried to its siblings, and what their size takes away.

Each sibling gets a first cut by rule for that coverage, its own woofer and its own cabinet, then a short search; all are
solved at the same few frequencies relative to their own handover, so that the curves stand side by side.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenfield import metrics
from evenfield.base.errors import DesignError, message
from evenfield.data.directions import sphere_directions
from evenfield.data.directivity import Directivity
from evenfield.loudspeaker.design import Design
from evenfield.loudspeaker.geometry import elements_of, way_origin
from evenfield.loudspeaker.load import load_design
from evenfield.loudspeaker.sweep import Progress
from evenfield.search.aim import PLANES, Aim, aim_of, shaped_way, with_coverage
from evenfield.search.crossing import CONTROL, find_handover
from evenfield.search.dimensions import read
from evenfield.search.first_cut import first_cut
from evenfield.search.free_wall import freed
from evenfield.search.limits import dimensions_of
from evenfield.search.shape_confirm import waist
from evenfield.search.shape_field import Fineness, ShapeField
from evenfield.search.shape_job import plain_guide
from evenfield.search.shape_search import Effort, ShapeSearch, Step
from evenfield.search.shape_stage import Plan
from evenfield.search.shape_write import write_shape
from evenfield.shape.elements import Waveguide
from evenfield.shape.outlines import support

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Member:
    """One loudspeaker of the range.

    Parameters
        name : of the design; aim : Aim, the common coverage at its own handover
        mouth : m, width and height; depth : m; control : Hz, down to which that mouth holds the coverage by rule
        frequency : (F,) Hz; width : plane -> (F,) rad, beamwidth; index_db : way -> (F,)
        step_db, mismatch_db : handover, on these frequencies
        kept : share of the band from the handover up, in octaves, with all three beamwidths within ±10 % of the aim
        file : the copy that holds the derived waveguide, None for the one that the coverage comes from
    """

    name: str
    aim: Aim
    mouth: tuple[float, float]
    depth: float
    control: float
    frequency: Array
    width: Mapping[str, Array]
    index_db: Mapping[str, Array]
    step_db: float
    mismatch_db: float
    kept: float
    solves: int
    file: Path | None = None

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "name": self.name, "handover_hz": self.aim.handover, "mouth_mm": [1e3 * m for m in self.mouth],
            "depth_mm": 1e3 * self.depth, "control_hz": self.control, "step_db": self.step_db, "mismatch_db": self.mismatch_db,
            "kept": self.kept, "waist": {p: waist(w) for p, w in self.width.items()}, "solves": self.solves,
            "frequency": self.frequency.tolist(), "width_deg": {p: np.degrees(w).tolist() for p, w in self.width.items()},
            "index_db": {n: v.tolist() for n, v in self.index_db.items()}, "file": None if self.file is None else str(self.file),
        }  # fmt: skip


def derive_range(
    base: Path,
    siblings: Sequence[Path],
    aim: str = "",
    out: Path | None = None,
    steps: int = 6,
    minutes: float = 5.0,
    progress: Progress | None = None,
    on_step: Callable[[Step], None] | None = None,
) -> list[Member]:
    """Derive the siblings' waveguides from the base's coverage; the base comes first, as it is.

    Parameters
        base, siblings : design files; aim : as for `aim_of`, over the base's brief
        out : folder for the derived copies; steps, minutes : of each short search
    Raises DesignError where a design has no waveguide or brief to start from.
    """
    if not siblings:
        raise DesignError(message("--range", "one design or more beside the first", "none"))
    design = load_design(base)
    wanted = aim_of(design, None, aim)
    angles = ", ".join(f"{p}={math.degrees(wanted.coverage[p]):.4g} deg" for p in PLANES)
    found = [_member(design, base.parent, _own_aim(design, angles, base.parent), 0)]
    for path in siblings:
        found.append(_sibling(path, angles, out, steps, minutes, progress, on_step))
    return found


def _own_aim(design: Design, angles: str, folder: Path) -> Aim:
    """The common coverage from a design's own handover, three octaves up or as high as its brief asks."""
    aim = aim_of(design, None, angles)
    fx = find_handover(design, aim, folder)
    top = min(8 * fx, float(design.brief.coverage.high) if design.brief.coverage else 10e3)
    return replace(aim, handover=fx, low=fx, high=max(top, 2 * fx))


def _plan(aim: Aim) -> Plan:
    return Plan(3, 0.5, aim.high, Fineness(4.0, 2.5))


def _sibling(
    path: Path,
    angles: str,
    out: Path | None,
    steps: int,
    minutes: float,
    progress: Progress | None,
    on_step: Callable[[Step], None] | None,
) -> Member:
    design = load_design(path)
    way = shaped_way(design)
    cut = first_cut(with_coverage(design, angles), way).apply(design)
    start, added = freed(cut, way)
    aim = _own_aim(start, angles, path.parent)
    space = dimensions_of(start, way)
    search = ShapeSearch(
        space, aim, Effort(1, 0, steps, minutes), (), path.parent, None, "auto", progress, on_step, (_plan(aim), _plan(aim))
    )
    best = search.run()
    file = None
    if out is not None:
        sections = {f"ways.{way}.waveguide": plain_guide(start, way)} | added
        target = out / f"{path.stem}-derived.yaml"
        file = write_shape(path, target, {d: read(best, d.key) for d in space.dimensions}, sections=sections)
    counts = search.state.counts
    return replace(_member(best, path.parent, aim, counts.solves + counts.adjoints), file=file)


def _member(design: Design, folder: Path, aim: Aim, solves: int) -> Member:
    plan = replace(_plan(aim), octave=5, step=0.34, fineness=Fineness(4.5, 2.0))
    sphere = sphere_directions()
    solver = ShapeField(design, plan.frequencies(aim).tolist(), sphere.vectors, plan.fineness, folder, "auto",
                        None if aim.lower is None else (aim.upper, 1.5 * aim.handover))  # fmt: skip
    found = solver.solve(design)
    drive = solver.drive(design, found, aim.upper)
    ways = {}
    for name in (n for n in (aim.lower, aim.upper) if n is not None):
        pressure = np.einsum("pf,pdf->df", drive.motion[name], found.far)
        ways[name] = Directivity(pressure, sphere, solver.frequency, origin=way_origin(design, name))
    width = {p: np.radians(metrics.beamwidth(ways[aim.upper], p).beamwidth.values) for p in PLANES}  # type: ignore[arg-type]
    guide = next(e for e in elements_of(design, folder) if isinstance(e, Waveguide) and e.name == aim.upper)
    mouth = tuple(2 * float(support(guide.mouth, np.array(t))) for t in (0.0, math.pi / 2))
    degrees = [math.degrees(aim.coverage[p]) for p in PLANES[:2]]
    control = max(CONTROL / (m * d) for m, d in zip(mouth, degrees, strict=True))
    step, mismatch, index = _handover(ways, aim)
    kept = _kept(solver.frequency, width, aim)
    return Member(
        design.name, aim, (mouth[0], mouth[1]), guide.depth, control, solver.frequency, width, index, step, mismatch, kept, solves
    )


def _handover(ways: Mapping[str, Directivity], aim: Aim) -> tuple[float, float, dict[str, Array]]:
    with np.errstate(divide="ignore", invalid="ignore"):  # the way below is not solved far above its band
        index = {n: metrics.directivity_index(w) for n, w in ways.items()}
    if aim.lower is None:
        return math.nan, math.nan, index
    frequency = ways[aim.upper].frequency
    octave = np.abs(np.log2(frequency / aim.handover)) <= 0.5 + 1e-6
    apart = index[aim.upper] - index[aim.lower]
    index[aim.lower] = np.where(frequency <= 1.5 * aim.handover, index[aim.lower], np.nan)
    step = float(np.interp(math.log(aim.handover), np.log(frequency), apart))
    return step, float(np.sqrt(np.mean(apart[octave] ** 2))), index


def _kept(frequency: Array, width: Mapping[str, Array], aim: Aim) -> float:
    use = frequency >= aim.low / 1.001
    within = np.all([np.abs(width[p] / aim.coverage[p] - 1) <= 0.10 for p in PLANES], axis=0)
    weight = np.gradient(np.log2(frequency))[use]
    return float(np.sum(weight * within[use]) / np.sum(weight))


def range_lines(members: Sequence[Member]) -> list[str]:
    """What is kept and what size takes away, in words."""
    base = members[0]
    lines = [f"Coverage of {base.name}: {base.aim.words()}"]
    for m in members:
        lines.append(
            f"  {m.name}: mouth {1e3 * m.mouth[0]:.0f} x {1e3 * m.mouth[1]:.0f} mm, {1e3 * m.depth:.0f} mm deep, handover "
            f"{m.aim.handover:.0f} Hz; step {m.step_db:+.2f} dB, mismatch {m.mismatch_db:.2f} dB; all beamwidths within ±10 % "
            f"over {100 * m.kept:.0f} % of {m.aim.low:.0f} to {m.aim.high:.0f} Hz"
        )
    for m in members[1:]:
        octaves = math.log2(m.control / base.control)
        lines.append(
            f"  Size takes from {m.name}: its mouth holds the coverage from about {m.control:.0f} Hz by rule, {octaves:+.1f} "
            f"octaves against {base.name} ({base.control:.0f} Hz); below, its beam is that of the cabinet."
        )
    return lines


__all__ = ["Member", "derive_range", "range_lines"]
