"""What is it? The loudspeaker drawn to scale."""

from __future__ import annotations

from typing import TYPE_CHECKING

from evenfield.report.document import Note, Section
from evenfield.report.draw import picture
from evenfield.report.style import way_pens
from evenfield.report.subject import Subject

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def geometry_section(subject: Subject) -> Section:
    """Front view and side section."""
    question = "What is it?"
    views = subject.get("outline")
    if not views:
        return Section("geometry", question, (Note("No shape is known: this data came without a design."),))

    def draw() -> Figure:
        from evenfield.report.figures import geometry_figure

        return geometry_figure(views, way_pens(subject.ways))

    shown = picture(
        "geometry",
        "Drawn to scale",
        "Front view, and the section in the plane through the reference axis; outer measures in mm; the surface that was solved.",
        draw,
        "Front view and side section of the loudspeaker with its outer measures.",
    )
    note = getattr(subject.get("design"), "note", "")
    return Section("geometry", question, (shown, *((Note(note),) if note else ())))
