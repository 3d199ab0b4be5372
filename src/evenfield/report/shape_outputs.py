"""What the shape command does beside searching: the first cut, the printable part, the scan, the range."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from evenfield.base.errors import DataError, message
from evenfield.base.files import make_folder, write_whole
from evenfield.loudspeaker.load import load_design
from evenfield.loudspeaker.sweep import Progress

if TYPE_CHECKING:
    from evenfield.search.shape_range import RangeWish
    from evenfield.search.shape_search import Step

Say = Callable[[str], object]


def cut_first(path: Path, way: str | None, aim: str, write: Path | None, say: Say) -> dict[str, Any]:
    """The first cut by rule, said, and written where asked."""
    from evenfield.search.aim import with_coverage
    from evenfield.search.first_cut import first_cut, first_cut_lines, write_first_cut

    cut = first_cut(with_coverage(load_design(path), aim), way)
    for line in first_cut_lines(cut):
        say(line)
    if write is not None:
        say(f"Written: {write_first_cut(path, write, cut)}")
    return {"way": cut.way, "waveguide": dict(cut.waveguide), "crossover_hz": cut.crossover, "lines": first_cut_lines(cut)}


def make_the_part(path: Path, way: str | None, folder: Path, say: Say) -> dict[str, Any]:
    """Solid, files, judgement and prototype sheet of a design's waveguide."""
    from evenfield.loudspeaker.part import judge_part, make_part
    from evenfield.report.prototype import part_lines, write_prototype_sheet

    design = load_design(path)
    part = make_part(design, way, folder)
    report = judge_part(design, part)
    sheet = write_prototype_sheet(design, part, report, folder)
    for line in part_lines(part, report):
        say(line)
    say(f"  {sheet}")
    return {"passed": report.passed, "files": [str(p) for p in (*part.paths, sheet)], "report": report.to_dict()}


def judge_the_scan(
    path: Path, way: str | None, scan: Path, unit: str | None, say: Say, progress: Progress | None
) -> dict[str, Any]:
    """A scanned wall laid onto the design, solved in its place: the difference in sound by band."""
    from evenfield.base.bands import octave_axis
    from evenfield.loudspeaker.scan_compare import compare_scan, read_scan
    from evenfield.report.prototype import scan_lines
    from evenfield.search.aim import aim_of

    design = load_design(path)
    aim = aim_of(design, way)
    laid = read_scan(scan, design, way, unit)
    low = (aim.handover or aim.low) / 2**0.5
    difference = compare_scan(design, laid, octave_axis(3, low, max(aim.high, 2 * low)), progress)
    for line in scan_lines(laid, difference):
        say(line)
    return {"rms_mm": laid.rms_mm, "worst_mm": laid.worst[0], "residual_mm": laid.residual_mm, **difference.to_dict()}


def carry_along(
    base: Path, siblings: Sequence[Path], wish: RangeWish, out: Path | None, say: Say, progress: Progress | None,
    tell: Say | None = None,
) -> dict[str, Any]:  # fmt: skip
    """The base's coverage carried to its siblings; picture, sheet and figures where there is a folder. `tell`: a line a step."""
    from evenfield.report.range_sheet import write_range_sheet
    from evenfield.report.shape_pictures import step_words
    from evenfield.search.range_words import range_lines
    from evenfield.search.shape_range import derive_range

    if out is not None:
        make_folder(out)

    def show(step: Step) -> None:
        if tell is not None:
            tell(f"{step.design.name}: {step_words(step)}")

    members = derive_range(base, siblings, wish, out, progress=progress, on_step=show)
    for line in range_lines(members):
        say(line)
    found: dict[str, Any] = {"members": [m.to_dict() for m in members]}
    files = [str(m.file) for m in members if m.file is not None]
    if out is not None:
        text = json.dumps(found, indent=1, ensure_ascii=False)
        write_whole(out / "range.json", lambda part: part.write_text(text, encoding="utf-8"))
        files += [
            str(_draw(members, out / "range.png")),
            str(write_range_sheet(members, out / "range.pdf")),
            str(out / "range.json"),
        ]
    for file in files:
        say(f"Written: {file}")
    return {**found, "files": files}


def _draw(members: Sequence[Any], target: Path) -> Path:
    from matplotlib import rc_context
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    from evenfield.report.figures.shape_range import range_figure
    from evenfield.report.style import RC

    with rc_context(RC):  # type: ignore[arg-type]
        figure = range_figure(members)
        figure.set_dpi(160)
        canvas: Any = FigureCanvasAgg(figure)
        write_whole(target, lambda part: canvas.print_png(str(part)))
    return target


def check_outputs(part: Path | None, scan: Path | None) -> None:
    """Raise DataError early for a scan that is not there."""
    if scan is not None and not scan.is_file():
        raise DataError(message("--scan", "an STL or PLY file", str(scan)))


__all__ = ["carry_along", "check_outputs", "cut_first", "judge_the_scan", "make_the_part"]
