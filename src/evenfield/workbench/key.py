"""Keys to a folder's workbench: a token of each start, and a resume word of each page, of which only the hash is kept on disk.

The token never leaves this process but for the address that is printed and the pages that hold it. A page that lost its server
shows its resume word to the next one on the same port, once, and gets a new word and the new token.
"""

from __future__ import annotations

import contextlib
import hashlib
import hmac
import json
import os
import secrets
import stat
import time
from pathlib import Path
from typing import Any

KEPT_HOURS = 24.0
"""A resume word older than this is not taken."""

MOST_PAGES = 64
"""Resume words kept, the newest."""

NAME = "workbench.json"


class Keys:
    """Who may talk to this start of the workbench.

    Parameters
        folder : the opened folder
        port : where it is served; resume words of another port are dropped, so that whoever took the old port meanwhile and was
            shown a word there can do nothing with it here
    A folder that cannot be written is served all the same; its pages must be opened again after a restart.
    """

    def __init__(self, folder: Path, port: int) -> None:
        self.path, self.port = folder / ".evenfield" / NAME, port
        self.token = new_token()
        found = _read(self.path)
        self._words: dict[str, float] = dict(found["resume"]) if found is not None and found["port"] == port else {}
        self._write()

    def opens(self, token: str) -> bool:
        """True for this start's token; compared in constant time."""
        return same_token(token, self.token)

    def resumes(self, word: str) -> bool:
        """True for a resume word that was given out on this port within the last day and not used since."""
        made = self._words.get(_hash(word))
        return made is not None and 0 <= time.time() - made < KEPT_HOURS * 3600

    def give(self) -> str:
        """A new resume word; its hash is kept."""
        word = new_token()
        self._words[_hash(word)] = time.time()
        self._words = dict(sorted(self._words.items(), key=lambda item: item[1])[-MOST_PAGES:])
        self._write()
        return word

    def burn(self, word: str) -> None:
        """A word that its page has replaced."""
        if self._words.pop(_hash(word), None) is not None:
            self._write()

    def _write(self) -> None:
        now = time.time()
        fresh = {h: t for h, t in self._words.items() if now - t < KEPT_HOURS * 3600}
        with contextlib.suppress(OSError):
            self.path.parent.mkdir(exist_ok=True)
            part = self.path.with_name(f".{NAME}.{os.getpid()}")
            part.unlink(missing_ok=True)
            handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            with os.fdopen(handle, "w", encoding="utf-8") as file:
                json.dump({"port": self.port, "resume": fresh}, file)
            part.replace(self.path)


def last_port(folder: Path) -> int | None:
    """Where this folder was served last; None where that is not known, or others could have written it."""
    found = _read(folder / ".evenfield" / NAME)
    return None if found is None else int(found["port"])


def new_token() -> str:
    """256 random bits, fit for an address."""
    return secrets.token_urlsafe(32)


def same_token(given: str, token: str) -> bool:
    """Compared in constant time."""
    return hmac.compare_digest(given.encode(), token.encode())


def _hash(word: str) -> str:
    # 256 random bits need no salt and no slow hash
    return hashlib.sha256(word.encode()).hexdigest()


def _read(path: Path) -> dict[str, Any] | None:
    try:
        known = path.stat()
        if hasattr(os, "getuid") and (known.st_uid != os.getuid() or stat.S_IMODE(known.st_mode) & 0o077):
            return None
        found = json.loads(path.read_text(encoding="utf-8"))
        port = int(found["port"])
        resume = {str(h): float(t) for h, t in dict(found["resume"]).items() if len(str(h)) == 64}
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return {"port": port, "resume": resume} if 1024 <= port <= 65535 else None
