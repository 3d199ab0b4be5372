"""Measured files dropped onto the page: received within limits, kept beside the design, read by the data readers."""

from __future__ import annotations

import hashlib
import re
import shutil
from collections.abc import AsyncIterator
from pathlib import Path

from evenfield.base.errors import DataError, message
from evenfield.base.files import make_folder
from evenfield.workbench.guard import DROP_LIMIT

SUFFIXES = (".sofa", ".csv", ".nc", ".wav")
MOST_FILES = 5000
_SAFE = re.compile(r"^[^\x00-\x1f/\\:]{1,120}$")
_WORD = re.compile(r"^[A-Za-z0-9_-]{1,40}$")


class TooLarge(Exception):
    """More bytes than are taken."""


class Drops:
    """Dropped files of one opened folder, each set in a folder of its own under `.evenfield/measured`.

    Parameters
        folder : the opened folder
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder / ".evenfield" / "measured"
        self.open_sets: dict[str, int] = {}

    def place(self, name: str, word: str) -> Path:
        """Where a file of a set goes. Raises DataError for a name that is no plain file name of a kind that is read."""
        if not _SAFE.match(name) or name.startswith(".") or Path(name).name != name:
            raise DataError(message("name", "a plain file name", repr(name[:120])))
        if Path(name).suffix.lower() not in SUFFIXES:
            raise DataError(message(name, f"a file of a kind that is read ({', '.join(SUFFIXES)})", repr(Path(name).suffix)))
        if not _WORD.match(word):
            raise DataError(message("set", "a short word", repr(word[:40])))
        return self.folder / f"part-{word}" / name

    async def receive(self, path: Path, word: str, body: AsyncIterator[bytes], length: int) -> None:
        """Write a body to its place as it comes. Raises TooLarge, DataError; nothing half-written stays."""
        total = self.open_sets.get(word, 0) + length
        if total > DROP_LIMIT:
            raise TooLarge
        make_folder(path.parent)
        if sum(1 for _ in path.parent.iterdir()) >= MOST_FILES:
            raise DataError(message("a dropped set", f"at most {MOST_FILES} files", "more"))
        got = 0
        try:
            with path.open("wb") as file:
                async for piece in body:
                    got += len(piece)
                    if got > length:
                        raise TooLarge
                    file.write(piece)
            if got != length:
                raise DataError(message(path.name, f"{length} bytes, as announced", f"{got}"))
        except BaseException:
            path.unlink(missing_ok=True)
            raise
        self.open_sets[word] = total

    def settle(self, word: str) -> tuple[str, str, Path]:
        """End a set: (its name by content, its title, what to read). The same files dropped twice are one set."""
        part = self.folder / f"part-{word}"
        self.open_sets.pop(word, None)
        files = sorted(p for p in part.iterdir()) if part.is_dir() else []
        if not files:
            raise DataError("Nothing was dropped.")
        digest = hashlib.sha256()
        for file in files:
            digest.update(file.name.encode() + b"\0" + hashlib.file_digest(file.open("rb"), "sha256").digest())
        key = digest.hexdigest()[:12]
        place = self.folder / key
        if place.exists():
            shutil.rmtree(part)
        else:
            part.rename(place)
        return key, *self._read_as(place)

    def kept(self) -> list[tuple[str, str, Path]]:
        """(name, title, what to read) of every set that was dropped before."""
        if not self.folder.is_dir():
            return []
        for part in self.folder.glob("part-*"):
            if part.name.removeprefix("part-") not in self.open_sets:
                shutil.rmtree(part, ignore_errors=True)
        return [(p.name, *self._read_as(p)) for p in sorted(self.folder.iterdir()) if p.is_dir() and any(p.iterdir())]

    def forget(self, key: str) -> None:
        """Delete a set. Raises DataError for an unknown name."""
        place = self.folder / key
        if not _WORD.match(key) or not place.is_dir():
            raise DataError(message("measured", "a set on the table", repr(key[:40])))
        shutil.rmtree(place)

    def _read_as(self, place: Path) -> tuple[str, Path]:
        files = sorted(p for p in place.iterdir())
        if len(files) == 1:
            return files[0].name, files[0]
        whole = [f for f in files if f.suffix.lower() in (".sofa", ".nc")]
        if "angles.csv" not in {f.name for f in files} and whole:
            return whole[0].name, whole[0]
        return f"{len(files)} files with {files[0].name}", place
