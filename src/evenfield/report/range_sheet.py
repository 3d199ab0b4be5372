"""The range sheet: what of one loudspeaker's coverage its siblings keep, and what their size takes; one PDF."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import Any

from evenfield.base.files import write_whole
from evenfield.report.document import STATES, Document, Note, Part, Section, Table
from evenfield.report.draw import picture
from evenfield.report.figures.shape_range import CAPTION, range_figure


def write_range_sheet(members: Sequence[Any], target: Path) -> Path:
    """Write the sheet as PDF and return its path."""
    from evenfield.report.pdf import render_pdf

    content = render_pdf(range_document(members))
    write_whole(target, lambda part: part.write_bytes(content))
    return target


def range_document(members: Sequence[Any]) -> Document:
    """Everything the sheet says, figures drawn; `members` as of `search.shape_range.derive_range`, the base first."""
    from evenfield import __version__
    from evenfield.search.range_words import how, kept_and_taken, side_by_side

    base = members[0]
    names = " and ".join(m.name for m in members[1:])
    head, rows = side_by_side(members)
    drawn = picture(
        "range", "Side by side", CAPTION, partial(range_figure, members), "Faces, beamwidths and directivity indices."
    )
    files = "; ".join(f"{m.name}: {m.file.name}" for m in members if m.file is not None)
    table = Table("Side by side", head, tuple(rows), how(members))
    shown: tuple[Part, ...] = (*(Note(words) for words in kept_and_taken(members)), drawn, table)
    told = (
        Note(
            "Each sibling got a first cut by rule for the carried coverage, its own woofer and its own cabinet, then the same "
            f"search as a single design, from its own handover up.{f' Files: {files}.' if files else ''}"
        ),
        *(Note(f"{m.name}: {' '.join(m.notes)}") for m in members if m.notes),
    )
    return Document(
        title=f"{base.name}'s coverage along the range",
        subtitle=f"{base.aim.words()}. Derived: {names}.",
        judged="Range",
        state=STATES[None],
        summary=f"Of the coverage of {base.name}, what is kept and what size takes stands below, sibling by sibling.",
        verdict=(),
        verdict_notes=(),
        sections=(Section("keeps", "What is kept, and what does size take?", shown), Section("how", "How was it derived?", told)),
        colophon=f"Made by evenfield {__version__}.",
    )  # fmt: skip


__all__ = ["range_document", "write_range_sheet"]
