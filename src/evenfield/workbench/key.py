"""Port and token of a folder's workbench, kept so that an open page finds the server again after it was stopped or killed."""

from __future__ import annotations

import contextlib
import json
import os
import stat
import time
from pathlib import Path

KEPT_HOURS = 24.0
"""A token older than this is not taken up again."""

NAME = "workbench.json"


def kept_key(folder: Path) -> tuple[int, str] | None:
    """Port and token of the last start on this folder; None where there is none, it is old, or others could have read it."""
    path = folder / ".evenfield" / NAME
    try:
        known = path.stat()
        shared = hasattr(os, "getuid") and (known.st_uid != os.getuid() or stat.S_IMODE(known.st_mode) & 0o077)
        if shared or time.time() - known.st_mtime > KEPT_HOURS * 3600:
            return None
        found = json.loads(path.read_text(encoding="utf-8"))
        port, token = int(found["port"]), str(found["token"])
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return (port, token) if 1024 <= port <= 65535 and len(token) >= 32 else None


def keep_key(folder: Path, port: int, token: str) -> None:
    """Remember them, readable by the owner only; a folder that cannot be written is served all the same."""
    path = folder / ".evenfield" / NAME
    with contextlib.suppress(OSError):
        path.parent.mkdir(exist_ok=True)
        path.unlink(missing_ok=True)
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            json.dump({"port": port, "token": token}, file)
