"""Writing a report: whole or not at all."""

from __future__ import annotations

import os
import re
from collections.abc import Sequence
from functools import partial
from pathlib import Path

from evenfield.base import DataError, message
from evenfield.base.files import write_whole
from evenfield.data import Directivity
from evenfield.report.document import Document
from evenfield.report.subject import PredictionLike, Subject, VerdictLike

FORMATS = ("html", "pdf")


def write_report(
    prediction_or_directivity: PredictionLike | Directivity,
    verdict: VerdictLike | None,
    folder_or_path: str | os.PathLike[str],
    *,
    formats: Sequence[str] = FORMATS,
) -> tuple[Path, ...]:
    """Write the design review's report and return the files' paths, in the order of `formats`.

    Parameters
        prediction_or_directivity : a Prediction, or a Directivity, of which the report says what it can
        verdict : what `judge` gave; None leaves the verdict table empty
        folder_or_path : a folder (the files are named after the loudspeaker), or a path whose suffix is replaced
        formats : any of "html", "pdf"
    All formats are made before the first is written, and each is put in place at one stroke: a fault on the way leaves what
    stood there before.
    Raises DataError on an unknown format; EvenfieldError when the disk refuses.
    """
    for name in formats:
        if name not in FORMATS:
            raise DataError(message("formats", f"of {', '.join(FORMATS)}", repr(name)))
    from evenfield.report.build import build_document

    subject = Subject.of(prediction_or_directivity, getattr(verdict, "title", ""))
    document = build_document(subject, verdict)
    stem = _stem(Path(folder_or_path), document.title)
    made = {name: _render(document, name) for name in formats}
    paths = []
    for name, content in made.items():
        paths.append(stem.with_name(f"{stem.name}.{name}"))
        write_whole(paths[-1], partial(_fill, content))
    return tuple(paths)


def _fill(content: bytes, place: Path) -> None:
    place.write_bytes(content)


def _stem(place: Path, title: str) -> Path:
    """The files' common path without suffix."""
    if place.suffix.lower().lstrip(".") in FORMATS and not place.is_dir():
        return place.with_suffix("")
    slug = re.sub(r"[^a-z0-9]+", "-", title.lower()).strip("-")
    return place / (slug[:60].rstrip("-") or "report")


def _render(document: Document, name: str) -> bytes:
    if name == "html":
        from evenfield.report.html import render_html

        return render_html(document).encode("utf-8")
    from evenfield.report.pdf import render_pdf

    return render_pdf(document)
