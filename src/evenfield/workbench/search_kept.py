"""Where a search begun from the page keeps what it has found, and what the server reads of it."""

from __future__ import annotations

import contextlib
import json
import os
from pathlib import Path
from typing import Any

from evenfield.base.errors import DataError

LAST = "last.json"
"""What was asked, and every step."""

_ENDING = ".evenfield-search"


def search_folder(folder: Path, name: str) -> Path:
    """The folder of a design's search."""
    return folder / ".evenfield" / "searches" / name


def ending_of() -> str:
    """The ending of this process's copy of a design while it is searched."""
    return f"{_ENDING}-{os.getpid()}"


def sweep(folder: Path) -> None:
    """Remove copies that a killed process left."""
    for path in folder.glob(f".*{_ENDING}-*"):
        with contextlib.suppress(OSError):
            path.unlink()


def last_search(folder: Path, name: str) -> dict[str, Any] | None:
    """What the last search of a design was asked and found, or None."""
    try:
        found = json.loads((search_folder(folder, name) / LAST).read_text(encoding="utf-8"))
        return found if isinstance(found, dict) and isinstance(found.get("steps"), list) else None
    except (OSError, ValueError):
        return None


def search_options(given: dict[str, Any]) -> dict[str, Any]:
    """What a page may ask of a search, each of its kind. Raises DataError with the name of what is not."""
    found: dict[str, Any] = {}
    for name in ("aim", "way"):
        if given.get(name):
            found[name] = str(given[name])[:400]
    if given.get("hold"):
        found["hold"] = [str(h)[:80] for h in list(given["hold"])[:40]]
    for name in ("first_cut", "take"):
        if given.get(name):
            found[name] = True
    for name, least, most in (
        ("starts", 1, 20),
        ("coarse_steps", 1, 100),
        ("fine_steps", 1, 100),
        ("rounds", 0, 20),
        ("minutes", 0.1, 24 * 60),
    ):
        if name in given:
            value = float(given[name]) if name == "minutes" else int(given[name])
            if not least <= value <= most:
                raise DataError(f"{name} must be {least:g} to {most:g}, got {value:g}. Try {min(max(value, least), most):g}.")
            found[name] = value
    return found
