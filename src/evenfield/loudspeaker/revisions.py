"""Revisions of a design: every accepted change with its text, who made it, when, what it changed, and a note."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from evenfield.base.errors import DataError
from evenfield.loudspeaker.store import Store

_SCHEMA = """
CREATE TABLE IF NOT EXISTS change (
    id INTEGER PRIMARY KEY AUTOINCREMENT, design TEXT NOT NULL, number INTEGER NOT NULL, parent INTEGER, made REAL NOT NULL,
    who TEXT NOT NULL, what TEXT NOT NULL, note TEXT NOT NULL DEFAULT '', pinned INTEGER NOT NULL DEFAULT 0, text TEXT NOT NULL,
    UNIQUE (design, number)
);
CREATE TABLE IF NOT EXISTS stand (design TEXT PRIMARY KEY, current INTEGER NOT NULL, tip INTEGER NOT NULL);
"""


@dataclass(frozen=True)
class Revision:
    """One state of a design file.

    Parameters
        number : counts from 1 in each design; parent : the number it was made from, None for the first
        made : s since 1970
        text : the whole file
    """

    number: int
    parent: int | None
    made: float
    who: str
    what: str
    note: str
    pinned: bool
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
    def _open(self) -> Iterator[sqlite3.Connection]:
        with self.store.index() as index:
            index.executescript(_SCHEMA)
            index.execute("BEGIN IMMEDIATE")
            yield index

    def all(self) -> list[Revision]:
        """Every revision, oldest first."""
        with self._open() as index:
            rows = index.execute(f"SELECT {_COLUMNS} FROM change WHERE design = ? ORDER BY number", (self.design,))
            return [_revision(row) for row in rows]

    def get(self, number: int) -> Revision:
        """One revision. Raises DataError for an unknown number."""
        with self._open() as index:
            return self._get(index, number)

    def current(self) -> Revision | None:
        """Where the design stands; None before the first revision."""
        with self._open() as index:
            stand = self._stand(index)
            return None if stand is None else self._get(index, stand[0])

    def add(self, text: str, who: str, what: str, note: str = "") -> Revision:
        """A new revision made from the current one; it becomes current, and what was undone can no longer be redone."""
        with self._open() as index:
            stand = self._stand(index)
            last = index.execute("SELECT MAX(number) FROM change WHERE design = ?", (self.design,)).fetchone()[0]
            number = (last or 0) + 1
            parent = None if stand is None else stand[0]
            values = (self.design, number, parent, time.time(), who, what, note, text)
            index.execute(
                "INSERT INTO change (design, number, parent, made, who, what, note, text) VALUES (?, ?, ?, ?, ?, ?, ?, ?)", values
            )
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
        with self._open() as index:
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
            index.execute(f"UPDATE change SET {column} = ? WHERE design = ? AND number = ?", (value, self.design, number))

    def _get(self, index: sqlite3.Connection, number: int) -> Revision:
        row = index.execute(f"SELECT {_COLUMNS} FROM change WHERE design = ? AND number = ?", (self.design, number)).fetchone()
        if row is None:
            raise DataError(f"revision must be one of {self.design}'s, got {number}.")
        return _revision(row)

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
        parents = dict(index.execute("SELECT number, parent FROM change WHERE design = ?", (self.design,)).fetchall())
        step: int | None = stand[1]
        while step is not None and parents.get(step) != stand[0]:
            step = parents.get(step)
        return step


_COLUMNS = "number, parent, made, who, what, note, pinned, text"


def _revision(row: tuple[object, ...]) -> Revision:
    number, parent, made, who, what, note, pinned, text = row
    return Revision(
        int(str(number)), None if parent is None else int(str(parent)), float(str(made)), str(who), str(what), str(note),
        bool(pinned), str(text),
    )  # fmt: skip
