"""The results store: `.evenfield/` beside the design, an SQLite index and NetCDF results found by what made them."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import sqlite3
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel

from evenfield.base.errors import EvenfieldError
from evenfield.base.files import make_folder, write_whole

_SCHEMA = """
CREATE TABLE IF NOT EXISTS result (key TEXT PRIMARY KEY, kind TEXT NOT NULL, made REAL NOT NULL, seconds REAL, note TEXT);
CREATE TABLE IF NOT EXISTS run (
    id INTEGER PRIMARY KEY, design TEXT NOT NULL, revision TEXT NOT NULL, started REAL NOT NULL, ended REAL, state TEXT NOT NULL
);
CREATE TABLE IF NOT EXISTS revision (
    revision TEXT PRIMARY KEY, design TEXT NOT NULL, seen REAL NOT NULL, text TEXT NOT NULL
);
"""

Arrays = dict[str, NDArray[Any]]


def canonical(value: Any) -> Any:
    """A JSON tree that is equal exactly when the inputs are equal: dataclasses, models, arrays and tuples laid open."""
    if isinstance(value, BaseModel):
        return {"_": type(value).__name__} | {k: canonical(getattr(value, k)) for k in type(value).model_fields}
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {"_": type(value).__name__} | {f.name: canonical(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {str(k): canonical(v) for k, v in sorted(value.items(), key=lambda kv: str(kv[0]))}
    if isinstance(value, np.ndarray):
        return hashlib.sha256(np.ascontiguousarray(value).tobytes() + str(value.shape).encode()).hexdigest()
    if isinstance(value, (list, tuple)):
        return [canonical(v) for v in value]
    if isinstance(value, (float, np.floating)):
        return float(value).hex()
    if isinstance(value, np.integer):
        return int(value)
    return value if isinstance(value, (str, int, bool)) or value is None else repr(value)


def key_of(*inputs: Any) -> str:
    """A 32-digit key of the inputs."""
    text = json.dumps(canonical(inputs), sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()[:32]


class Store:
    """Results by key; safe for several processes, written whole or not at all.

    Parameters
        folder : the design's folder; the store is its subfolder `.evenfield`
    """

    def __init__(self, folder: str | Path) -> None:
        self.folder = Path(folder) / ".evenfield"
        self.results = self.folder / "results"

    def path_of(self, key: str) -> Path:
        """Where a result lies, or would lie."""
        return self.results / f"{key}.nc"

    def read(self, key: str) -> Arrays | None:
        """The arrays stored under a key, or None. A damaged file counts as absent and is removed."""
        import netCDF4

        path = self.path_of(key)
        if not path.exists():
            return None
        try:
            with netCDF4.Dataset(path) as file:
                return {name: _from_netcdf(file, name) for name in _names(file)}
        except (OSError, RuntimeError, KeyError, ValueError):
            path.unlink(missing_ok=True)
            return None

    def write(self, key: str, kind: str, arrays: Arrays, *, seconds: float | None = None, note: str = "") -> None:
        """Store arrays (real or complex) under a key. Raises EvenfieldError when the disk refuses; nothing is half-written."""
        import netCDF4

        def fill(path: Path) -> None:
            with netCDF4.Dataset(path, "w") as file:
                for name, value in arrays.items():
                    _to_netcdf(file, name, np.asarray(value))

        write_whole(self.path_of(key), fill)
        with self.index() as index:
            index.execute("INSERT OR REPLACE INTO result VALUES (?, ?, ?, ?, ?)", (key, kind, time.time(), seconds, note))

    def remove(self, key: str) -> None:
        """Forget a result."""
        self.path_of(key).unlink(missing_ok=True)
        with self.index() as index:
            index.execute("DELETE FROM result WHERE key = ?", (key,))

    @contextmanager
    def run(self, design: str, text: str) -> Iterator[str]:
        """Record one run and the revision of the design file that it used; yields the revision's short name."""
        revision = hashlib.sha256(text.encode()).hexdigest()[:10]
        with self.index() as index:
            index.execute("INSERT OR IGNORE INTO revision VALUES (?, ?, ?, ?)", (revision, design, time.time(), text))
            cursor = index.execute(
                "INSERT INTO run (design, revision, started, state) VALUES (?, ?, ?, 'running')",
                (design, revision, time.time()),
            )
            number = cursor.lastrowid
        state = "interrupted"
        try:
            yield revision
            state = "done"
        except EvenfieldError:
            state = "refused"
            raise
        finally:
            with self.index() as index:
                index.execute("UPDATE run SET ended = ?, state = ? WHERE id = ?", (time.time(), state, number))

    def runs(self) -> list[tuple[str, str, str]]:
        """(design, revision, state) of every run, oldest first."""
        with self.index() as index:
            return [tuple(row) for row in index.execute("SELECT design, revision, state FROM run ORDER BY id")]

    def layout_notes(self, since: float = 0.0) -> list[str]:
        """What was said of tables of an older layout, oldest first."""
        with self.index() as index:
            if not _columns_of(index, "layout_note"):
                return []
            return [str(row[0]) for row in index.execute("SELECT words FROM layout_note WHERE made >= ? ORDER BY made", (since,))]

    @contextmanager
    def index(self) -> Iterator[sqlite3.Connection]:
        """A connection to the index, committed at the end. Raises EvenfieldError when the disk refuses."""
        make_folder(self.folder)
        try:
            connection = sqlite3.connect(self.folder / "index.sqlite", timeout=30)
            try:
                settle_layout(connection, _SCHEMA)
                with connection:
                    yield connection
            finally:
                connection.close()
        except sqlite3.Error as error:
            raise EvenfieldError(
                f"The store's index must be writable, got '{error}' ({self.folder / 'index.sqlite'}). "
                "The disk may be full or the folder read-only. Try freeing space, or another folder."
            ) from None


_SETTLED: set[tuple[str, int, str]] = set()


def settle_layout(connection: sqlite3.Connection, schema: str) -> None:
    """Make the tables of a schema; one of another layout is set aside beside it, and the columns both know are carried over.

    What was done is written into the table `layout_note`. Looked at once for each file in a process. Raises sqlite3.Error.
    """
    path = str(connection.execute("PRAGMA database_list").fetchone()[2])
    known = (path, Path(path).stat().st_ino, schema)
    if known not in _SETTLED:
        wanted = sqlite3.connect(":memory:")
        wanted.executescript(schema)
        tables = [
            str(row[0])
            for row in wanted.execute("SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%'")
        ]
        for table in tables:
            _settle_table(connection, table, _columns_of(wanted, table), schema)
        wanted.close()
        _SETTLED.add(known)
    connection.executescript(schema)


def _settle_table(connection: sqlite3.Connection, table: str, columns: list[str], schema: str) -> None:
    there = _columns_of(connection, table)
    if not there or set(there) == set(columns):
        return
    listed = _tables_of(connection)
    aside = next(name for n in range(1, 1000) if (name := f"{table}_before_{n}") not in listed)
    connection.execute(f"ALTER TABLE {table} RENAME TO {aside}")
    connection.executescript(schema)
    both = ", ".join(c for c in columns if c in there)
    count = connection.execute(f"SELECT COUNT(*) FROM {aside}").fetchone()[0]
    try:
        connection.execute(f"INSERT INTO {table} ({both}) SELECT {both} FROM {aside}")
        words = f"{table}: {count} rows of an older layout were carried over"
    except sqlite3.Error as error:
        words = f"{table}: {count} rows of an older layout could not be carried over ({error}); they stay in {aside}"
    connection.execute("CREATE TABLE IF NOT EXISTS layout_note (made REAL NOT NULL, words TEXT NOT NULL)")
    connection.execute("INSERT INTO layout_note VALUES (?, ?)", (time.time(), words))
    connection.commit()


def _tables_of(connection: sqlite3.Connection) -> list[str]:
    return [str(row[0]) for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]


def _columns_of(connection: sqlite3.Connection, table: str) -> list[str]:
    return [str(row[1]) for row in connection.execute(f"PRAGMA table_info({table})")]


def _names(file: Any) -> list[str]:
    return list(dict.fromkeys(n.removesuffix("__re").removesuffix("__im") for n in file.variables))


def _to_netcdf(file: Any, name: str, value: NDArray[Any]) -> None:
    dims = []
    for i, n in enumerate(value.shape):
        dims.append(f"{name}_{i}")
        file.createDimension(dims[-1], n)
    pieces = {f"{name}__re": value.real, f"{name}__im": value.imag} if np.iscomplexobj(value) else {name: value}
    for label, part in pieces.items():
        file.createVariable(label, part.dtype, tuple(dims))[...] = part


def _from_netcdf(file: Any, name: str) -> NDArray[Any]:
    def raw(label: str) -> NDArray[Any]:
        variable = file.variables[label]
        variable.set_auto_mask(False)
        return np.asarray(variable[...])

    if f"{name}__re" in file.variables:
        return raw(f"{name}__re") + 1j * raw(f"{name}__im")
    return raw(name)
