"""Revisions of a design: every accepted change with its text, who made it, when, what it changed, and a note."""

from __future__ import annotations

import hashlib
import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from evenfield.base.errors import DataError
from evenfield.loudspeaker.store import Store, settle_layout

_SCHEMA = """
CREATE TABLE IF NOT EXISTS design_revision (
    id INTEGER PRIMARY KEY AUTOINCREMENT, design TEXT NOT NULL, number INTEGER NOT NULL, parent INTEGER, made REAL NOT NULL,
    who TEXT NOT NULL, what TEXT NOT NULL, note TEXT NOT NULL DEFAULT '', pinned INTEGER NOT NULL DEFAULT 0,
    key TEXT NOT NULL, text TEXT NOT NULL,
    UNIQUE (design, number)
);
CREATE TABLE IF NOT EXISTS stand (design TEXT PRIMARY KEY, current INTEGER NOT NULL, tip INTEGER NOT NULL);
"""


@dataclass(frozen=True)
class Heading:
    """One state of a design file, without its text.

    Parameters
        number : counts from 1 in each design; parent : the number it was made from, None for the first
        made : s since 1970
        key : names the text, the same for the same text
    """

    number: int
    parent: int | None
    made: float
    who: str
    what: str
    note: str
    pinned: bool
    key: str


@dataclass(frozen=True)
class Revision(Heading):
    """One state of a design file with its whole text."""

    text: str


class Revisions:
    """The revisions of one design file, kept in the store's index; safe for several processes.

    Parameters
        store : of the design's folder
        design : file name
    """

    def __init__(self, store: Store, design: str) -> None:
        self.store, self.design = store, design

    @contextmanager
    def _open(self, write: bool = True) -> Iterator[sqlite3.Connection]:
        with self.store.index() as index:
            settle_layout(index, _SCHEMA)
            if write:
                index.execute("BEGIN IMMEDIATE")
            yield index

    def headings(self) -> list[Heading]:
        """Every revision, oldest first, without its text."""
        with self._open(write=False) as index:
            rows = index.execute(f"SELECT {_COLUMNS} FROM design_revision WHERE design = ? ORDER BY number", (self.design,))
            return [Heading(*_heading(row)) for row in rows]

    def get(self, number: int) -> Revision:
        """One revision. Raises DataError for an unknown number."""
        with self._open(write=False) as index:
            return self._get(index, number)

    def current(self) -> Revision | None:
        """Where the design stands; None before the first revision."""
        with self._open(write=False) as index:
            stand = self._stand(index)
            return None if stand is None else self._get(index, stand[0])

    def add(self, text: str, who: str, what: str, note: str = "") -> Revision:
        """A new revision made from the current one; it becomes current, and what was undone can no longer be redone."""
        with self._open() as index:
            stand = self._stand(index)
            last = index.execute("SELECT MAX(number) FROM design_revision WHERE design = ?", (self.design,)).fetchone()[0]
            number = (last or 0) + 1
            parent = None if stand is None else stand[0]
            values = (self.design, number, parent, time.time(), who, what, note, name_of(text), text)
            columns = "design, number, parent, made, who, what, note, key, text"
            index.execute(f"INSERT INTO design_revision ({columns}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", values)
            self._set(index, number, number)
            return self._get(index, number)

    def step_back(self) -> Revision:
        """Undo. Raises DataError at the first revision."""
        with self._open() as index:
            stand = self._stand(index)
            here = None if stand is None else self._get(index, stand[0])
            if here is None or here.parent is None or stand is None:
                raise DataError("Nothing is left to undo.")
            self._set(index, here.parent, stand[1])
            return self._get(index, here.parent)

    def step_forth(self) -> Revision:
        """Redo. Raises DataError when nothing was undone."""
        with self._open() as index:
            following = self._following(index)
            stand = self._stand(index)
            if following is None or stand is None:
                raise DataError("Nothing is left to redo.")
            self._set(index, following, stand[1])
            return self._get(index, following)

    def can(self) -> tuple[bool, bool]:
        """Whether there is something to undo, and to redo."""
        with self._open(write=False) as index:
            stand = self._stand(index)
            if stand is None:
                return False, False
            return self._get(index, stand[0]).parent is not None, self._following(index) is not None

    def annotate(self, number: int, note: str) -> None:
        """Set a revision's note."""
        self._update(number, "note", note)

    def pin(self, number: int, pinned: bool) -> None:
        """Pin a revision for comparison, or take the pin out."""
        self._update(number, "pinned", int(pinned))

    def _update(self, number: int, column: str, value: object) -> None:
        with self._open() as index:
            self._get(index, number)
            asked = (value, self.design, number)
            index.execute(f"UPDATE design_revision SET {column} = ? WHERE design = ? AND number = ?", asked)

    def _get(self, index: sqlite3.Connection, number: int) -> Revision:
        asked = (self.design, number)
        row = index.execute(f"SELECT {_COLUMNS}, text FROM design_revision WHERE design = ? AND number = ?", asked).fetchone()
        if row is None:
            raise DataError(f"revision must be one of {self.design}'s, got {number}.")
        return Revision(*_heading(row[:-1]), str(row[-1]))

    def _stand(self, index: sqlite3.Connection) -> tuple[int, int] | None:
        row = index.execute("SELECT current, tip FROM stand WHERE design = ?", (self.design,)).fetchone()
        return None if row is None else (int(row[0]), int(row[1]))

    def _set(self, index: sqlite3.Connection, current: int, tip: int) -> None:
        index.execute("INSERT OR REPLACE INTO stand VALUES (?, ?, ?)", (self.design, current, tip))

    def _following(self, index: sqlite3.Connection) -> int | None:
        """The child of the current revision on the way to the tip."""
        stand = self._stand(index)
        if stand is None or stand[0] == stand[1]:
            return None
        parents = "SELECT parent FROM design_revision WHERE design = ? AND number = ?"
        step: int | None = stand[1]
        while step is not None:
            row = index.execute(parents, (self.design, step)).fetchone()
            if row is None or row[0] == stand[0]:
                return step
            step = row[0]
        return None


_COLUMNS = "number, parent, made, who, what, note, pinned, key"


def _heading(row: tuple[Any, ...]) -> tuple[int, int | None, float, str, str, str, bool, str]:
    number, parent, made, who, what, note, pinned, key = row
    return (
        int(number),
        None if parent is None else int(parent),
        float(made),
        str(who),
        str(what),
        str(note),
        bool(pinned),
        str(key),
    )


def name_of(text: str) -> str:
    """A short name of a text, the same for the same text."""
    return hashlib.sha256(text.encode()).hexdigest()[:20]
