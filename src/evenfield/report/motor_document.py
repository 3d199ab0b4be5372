"""The motor report: its own pages, written whole or not at all."""

from __future__ import annotations

import os
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import Any

from evenfield.base.files import write_whole
from evenfield.report.document import Document


def motor_document(report: Any) -> Document:
    """Everything a MotorReport says, figures drawn."""
    from evenfield.report.build import _colophon, _row, summary
    from evenfield.report.document import STATES
    from evenfield.report.sections.motor import motor_sections

    design = report.prediction.design
    lines = tuple(report.lines)
    names = ", ".join(report.runs)
    return Document(
        title=f"{design.title or design.name}: motors",
        subtitle=f"Large-signal review of {names}, predicted from the design",
        judged="Brief",
        state=STATES[report.passed],
        summary=summary(lines),
        verdict=tuple(_row(line) for line in lines),
        verdict_notes=report.notes,
        sections=motor_sections(report),
        colophon=_colophon(),
    )


def write_motor_report(
    report: Any, folder: str | os.PathLike[str], *, formats: Sequence[str] = ("html", "pdf")
) -> tuple[Path, ...]:
    """Write `<name>-motor.html` and `.pdf` into a folder and return their paths."""
    from evenfield.report.write import _render

    document = motor_document(report)
    stem = f"{report.prediction.design.name.lower().replace(' ', '-')}-motor"
    made = {name: _render(document, name) for name in formats}
    paths = []
    for name, content in made.items():
        path = Path(folder) / f"{stem}.{name}"
        write_whole(path, partial(_fill, content))
        paths.append(path)
    return tuple(paths)


def _fill(content: bytes, place: Path) -> None:
    place.write_bytes(content)
