"""Assembling the document: verdict first, then the questions of the design review."""

from __future__ import annotations

import re

from evenfield.report.document import STATES, Document, VerdictRow
from evenfield.report.sections import (
    brief_section,
    drivers_section,
    evidence_section,
    field_section,
    filters_section,
    geometry_section,
    handover_section,
    time_section,
)
from evenfield.report.sections.motor import motor_sections
from evenfield.report.subject import LineLike, Subject, VerdictLike, judged_thing


def build_document(subject: Subject, verdict: VerdictLike | None) -> Document:
    """Everything the report says, figures drawn."""
    sections = [
        brief_section(subject),
        field_section(subject),
        handover_section(subject),
        filters_section(subject),
        drivers_section(subject),
        *(motor_sections(subject.get("motors")) if subject.get("motors") is not None else ()),
        time_section(subject),
        geometry_section(subject),
    ]
    sections.append(evidence_section(subject, sections))
    lines = tuple(verdict.lines) if verdict is not None else ()
    return Document(
        title=subject.title,
        subtitle=_subtitle(subject, verdict),
        judged=judged_thing(verdict),
        state=STATES[verdict.passed if verdict is not None else None],
        summary=summary(lines),
        verdict=tuple(_row(line) for line in lines),
        verdict_notes=tuple(verdict.notes) if verdict is not None else (),
        sections=tuple(sections),
        colophon=_colophon(),
    )


def _subtitle(subject: Subject, verdict: VerdictLike | None) -> str:
    kind = "predicted from its design" if subject.predicted else "from a directivity alone"
    standard = f"; judged by {verdict.standard}" if verdict is not None and verdict.standard else ""
    about = f"{subject.about}. " if subject.about else ""
    return f"{about}Design review, {kind}{standard}"


def summary(lines: tuple[LineLike, ...]) -> str:
    """One or two sentences: how many lines are met, and which are not."""
    if not lines:
        return "Nothing was judged: no brief and no standard were given."
    met = [line for line in lines if line.passed]
    failed = [line for line in lines if line.passed is False]
    open_lines = len(lines) - len(met) - len(failed)
    text = f"{len(met)} of {len(lines)} lines are met, {len(failed)} not met, {open_lines} not judged."
    if failed:
        listed = _set("; ".join(f"{line.name} ({line.found}, margin {line.margin})" for line in failed))
        text += f" Not met: {listed}."
    return text


def _row(line: LineLike) -> VerdictRow:
    words = (line.target, line.found, line.margin, line.where, line.cause, line.sure)
    return VerdictRow(_set(_capital(line.group)), STATES[line.passed], _set(_capital(line.name)), *(_set(w) for w in words))


def _set(text: str) -> str:
    """Typeset: a true minus before digits, ± for +-."""
    return re.sub(r"(?<![\w)])-(?=\d)", "−", text.replace("+-", "±"))


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _colophon() -> str:
    import datetime

    from evenfield import __version__

    today = datetime.date.today().isoformat()
    return f"Made by evenfield {__version__} on {today}. One file, nothing loaded from elsewhere."
