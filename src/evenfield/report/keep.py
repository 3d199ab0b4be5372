"""A report is made once for the same inputs: a rerun that changes nothing leaves it as it stands."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

from evenfield import __version__
from evenfield.base.files import write_whole

STAMP = "made-from.json"


def kept_report(folder: Path, stem: str, key: str) -> tuple[Path, ...]:
    """The files of a report made from the same inputs and untouched since; none when there is no such report."""
    record = _read(folder).get(stem)
    if not isinstance(record, dict) or record.get("key") != _full(key):
        return ()
    paths = tuple(folder / name for name in record["files"])
    if all(p.exists() and _digest(p) == record["files"][p.name] for p in paths):
        return paths
    return ()


def keep_report(folder: Path, stem: str, key: str, paths: tuple[Path, ...]) -> None:
    """Note what a report was made from."""
    records = _read(folder)
    records[stem] = {"key": _full(key), "files": {p.name: _digest(p) for p in paths}}
    write_whole(folder / STAMP, lambda p: p.write_text(json.dumps(records, indent=1), encoding="utf-8"))


def _full(key: str) -> str:
    return f"{key}-{__version__}"


def _read(folder: Path) -> dict[str, Any]:
    try:
        found = json.loads((folder / STAMP).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}


def _digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()
