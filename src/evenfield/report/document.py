"""What a report holds, before it takes the form of a page: sections, pictures, tables, notes."""

from __future__ import annotations

from dataclasses import dataclass

Row = tuple[str, ...]


@dataclass(frozen=True)
class Picture:
    """A drawn figure, or in its place the reason why this data cannot support it.

    Parameters
        key : short name, unique in the document
        title : what is shown
        caption : which data, which smoothing, relative to what
        alt : what can be read from it, for those who cannot see it
        svg : standalone SVG text; empty where refused
        refused : the reason; empty where drawn
    """

    key: str
    title: str
    caption: str
    alt: str = ""
    svg: str = ""
    refused: str = ""


@dataclass(frozen=True)
class Table:
    """A table; `head` gives the columns' names."""

    title: str
    head: Row
    rows: tuple[Row, ...]
    note: str = ""


@dataclass(frozen=True)
class Note:
    """A paragraph; a caution is framed."""

    text: str
    caution: bool = False


Part = Picture | Table | Note


@dataclass(frozen=True)
class Section:
    """One question of the design review and what answers it."""

    key: str
    question: str
    parts: tuple[Part, ...]


@dataclass(frozen=True)
class VerdictRow:
    """One line of the verdict in words."""

    group: str
    state: str
    name: str
    target: str
    found: str
    margin: str
    where: str
    cause: str
    sure: str


@dataclass(frozen=True)
class Document:
    """The whole report; `judged` is "Brief" or "Standard", of which `state` is said."""

    title: str
    subtitle: str
    judged: str
    state: str
    summary: str
    verdict: tuple[VerdictRow, ...]
    verdict_notes: tuple[str, ...]
    sections: tuple[Section, ...]
    colophon: str


STATES = {True: "met", False: "not met", None: "not judged"}
SIGNS = {"met": "✓", "not met": "✗", "not judged": "–"}
"""Marks beside the words, never instead of them."""
