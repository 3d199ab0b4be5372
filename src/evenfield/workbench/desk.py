"""One open design: its text on disk and on the page, its revisions, and the pages that look at it."""

from __future__ import annotations

import asyncio
import getpass
import json
from collections import OrderedDict
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from evenfield.base.errors import DataError
from evenfield.base.files import write_whole
from evenfield.loudspeaker.revisions import Heading, Revision, Revisions, name_of
from evenfield.loudspeaker.store import Store
from evenfield.workbench.thinker import CURRENT, EDIT, PINNED, Thinker

if TYPE_CHECKING:
    from evenfield.workbench.client import Client

Header = dict[str, Any]

LISTED = 200
"""Revisions that are listed, besides the pinned ones."""

ASK_AGAIN = 5.0
"""s"""

FARTHEST_BASIS = 60
"""Revisions back to look for a solved one."""

FRAMES_KEPT = 24 * 1024 * 1024
"""Bytes of pictures kept to be sent again."""


class Desk:
    """A design file of the opened folder and everything that is said about it.

    Parameters
        folder, name : the opened folder and the file in it
        thinker : answers what needs physics
    """

    def __init__(self, folder: Path, name: str, thinker: Thinker) -> None:
        self.folder, self.name, self.thinker = folder, name, thinker
        self.path = folder / name
        self.revisions = Revisions(Store(folder), name)
        self.clients: set[Client] = set()
        self.lock = asyncio.Lock()
        self.text = ""
        self.number = 0
        self.state: Header = {"name": name, "title": "", "note": "", "sections": [], "ways": [], "active": False}
        self.file: Header = {"state": "good", "error": "", "line": None}
        self.solve_at_rest = True
        self.changed_at = 0.0
        self.headings: dict[int, Heading] = {}
        self._solved: dict[str, bool] = {}
        self._asked_at: dict[str, float] = {}
        self._frames: OrderedDict[tuple[str, ...], bytes] = OrderedDict()
        self._frames_size = 0
        self._seen: tuple[int, int] | None = None
        self._broken_text: str | None = None

    # --- the file

    async def open(self) -> None:
        """Read the file and find, or begin, its revisions. Raises EvenfieldError when nothing usable is found."""
        async with self.lock:
            current = self.revisions.current()
            self.headings = {h.number: h for h in self.revisions.headings()}
            text = self._read_disk()
            if text is None:
                raise DataError(f"The design file must exist, got {self.name}.")
            reply = await self._look(text)
            if "error" in reply:
                if current is None:
                    self.file = _broken(reply["error"])
                    self._broken_text = text
                    return
                self.file, self._broken_text = _broken(reply["error"]), text
                reply, text = await self._look(current.text), current.text
                if "error" in reply:
                    return
            if current is None or current.text != text:
                what = "opened" if current is None else await self._words(current.text, text)
                current = self.revisions.add(text, "editor" if current else _who(), what)
            self._stand(current, reply)

    def _stand(self, revision: Revision, reply: Header) -> None:
        self.text, self.number, self.state = revision.text, revision.number, reply["state"]
        self.headings[revision.number] = revision
        self._solved[revision.key] = bool(reply["solved"])
        self.changed_at = asyncio.get_running_loop().time()

    def _read_disk(self) -> str | None:
        try:
            stat = self.path.stat()
            text = self.path.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError):
            return None
        self._seen = (stat.st_mtime_ns, stat.st_size)
        return text

    async def watch(self) -> None:
        """Look whether the file changed on disk, and take the change in."""
        try:
            stat = self.path.stat()
            seen = (stat.st_mtime_ns, stat.st_size)
        except OSError:
            if self.file["state"] != "gone":
                self.file = {"state": "gone", "error": f"{self.name} is no longer in the folder.", "line": None}
                self._seen = None
                self.tell_state()
            return
        if seen != self._seen:
            async with self.lock:
                await self.take_disk()

    async def take_disk(self) -> None:
        """Make the file on disk current, or keep the last good state beside its error; the lock is held."""
        text = self._read_disk()
        if text is None:
            self.file = {"state": "broken", "error": f"{self.name} cannot be read as UTF-8 text.", "line": None}
            self.tell_state()
            return
        if text == self.text:
            if self.file["state"] != "good":
                self.file, self._broken_text = {"state": "good", "error": "", "line": None}, None
                self.tell_state()
            return
        if text == self._broken_text and self.file["state"] == "broken":
            return
        reply = await self._look(text)
        if "error" in reply:
            self.file, self._broken_text = _broken(reply["error"]), text
            self.tell_state()
            return
        self.file, self._broken_text = {"state": "good", "error": "", "line": None}, None
        revision = self.revisions.add(text, "editor", await self._words(self.text, text) if self.text else "opened")
        self._stand(revision, reply)
        self.tell({"type": "file-changed", "revision": revision.number})
        self.tell_all()

    def write(self, text: str) -> None:
        """Write the file whole. Raises EvenfieldError when the disk refuses."""
        write_whole(self.path, lambda part: part.write_text(text, encoding="utf-8"))
        stat = self.path.stat()
        self._seen = (stat.st_mtime_ns, stat.st_size)

    # --- changes

    async def edit(self, changes: list[Header], note: str = "", base: int | None = None) -> Header:
        """Write changes as a new revision; the answer is `accepted`, `error` or `conflict`."""
        async with self.lock:
            if self.file["state"] == "broken":
                await self.take_disk()
                if self.file["state"] == "broken":
                    return _error(f"The file on disk cannot be used: {self.file['error']} Mend it first; nothing was written.")
            conflict = await self._meet_disk(changes, base)
            if conflict is not None:
                return conflict
            reply = await self._ask({"do": "apply", "text": self.text, "changes": changes}, EDIT)
            if "error" in reply:
                return {"type": "error", **reply["error"]}
            if reply["text"] == self.text:
                return {"type": "accepted", "revision": self.number}
            self.write(reply["text"])
            revision = self.revisions.add(reply["text"], _who(), said(reply["what"]), note)
            self._stand(revision, reply)
            self.tell_all()
            return {"type": "accepted", "revision": revision.number}

    async def _meet_disk(self, changes: list[Header], base: int | None) -> Header | None:
        """Take in what an editor saved meanwhile; the conflict where the same values, or those since `base`, changed."""
        paths = {str(c.get("path")) for c in changes}
        before = self.text
        disk = self._read_disk()
        if disk is not None and disk != self.text:
            await self.take_disk()
            if self.file["state"] == "broken":
                return _error(f"The file on disk cannot be used: {self.file['error']} Mend it first; nothing was written.")
        elif base is not None and base != self.number:
            before = self.revisions.get(base).text
        if before == self.text:
            return None
        reply = await self._ask({"do": "difference", "before": before, "after": self.text}, EDIT)
        clash = [w for w in reply["what"] if w["path"] in paths]
        if not clash:
            return None
        return {"type": "conflict", "disk": {"what": clash, "text": self.text}, "page": changes}

    async def undo(self) -> Header:
        """One revision back."""
        return await self._move(self.revisions.step_back)

    async def redo(self) -> Header:
        """One revision forth."""
        return await self._move(self.revisions.step_forth)

    async def _move(self, step: Any) -> Header:
        async with self.lock:
            if (refused := await self._disk_first()) is not None:
                return refused
            revision: Revision = step()
            reply = await self._look(revision.text)
            if "error" in reply:
                return {"type": "error", **reply["error"]}
            self.write(revision.text)
            self._stand(revision, reply)
            self.tell_all()
            return {"type": "accepted", "revision": revision.number}

    async def put(self, text: str, what: str, note: str = "") -> Header:
        """A whole new text as a revision."""
        async with self.lock:
            if (refused := await self._disk_first()) is not None:
                return refused
            reply = await self._look(text)
            if "error" in reply:
                return {"type": "error", **reply["error"]}
            self.write(text)
            self._stand(self.revisions.add(text, _who(), what, note), reply)
            self.tell_all()
            return {"type": "accepted", "revision": self.number}

    async def go_to(self, number: int) -> Header:
        """An old revision's text as a new revision."""
        async with self.lock:
            if (refused := await self._disk_first()) is not None:
                return refused
            old = self.revisions.get(number)
            reply = await self._look(old.text)
            if "error" in reply:
                return {"type": "error", **reply["error"]}
            self.write(old.text)
            self._stand(self.revisions.add(old.text, _who(), f"back to revision {number}"), reply)
            self.tell_all()
            return {"type": "accepted", "revision": self.number}

    async def _disk_first(self) -> Header | None:
        disk = self._read_disk()
        if disk is None or disk == self.text:
            return None
        await self.take_disk()
        return _error("The file changed on disk meanwhile: its state is shown now. Nothing was undone.")

    # --- telling

    def tell(self, header: Header) -> None:
        """Send a message to every page on this design."""
        for client in self.clients:
            client.send(header)

    def tell_state(self) -> None:
        """Send the outline to every page."""
        for client in self.clients:
            client.send(self.state_message(), subject="state")

    def tell_all(self) -> None:
        """Send everything that a change of the current revision touches."""
        for client in self.clients:
            client.show()

    def state_message(self) -> Header:
        """The `state` message."""
        undo, redo = self.revisions.can()
        solved = self._solved.get(name_of(self.text), False)
        return {
            "type": "state", "design": self.name, "revision": self.number, "is_solved": solved, "can_undo": undo,
            "can_redo": redo,
            "file": self.file, "solve_at_rest": self.solve_at_rest, **self.state,
        }  # fmt: skip

    def revisions_message(self) -> Header:
        """The `revisions` message: the newest, and those that are pinned."""
        listed = []
        newest = sorted(self.headings, reverse=True)
        shown = [n for i, n in enumerate(newest) if i < LISTED or self.headings[n].pinned or n == self.number]
        for r in (self.headings[n] for n in shown):
            solved = self._solved.get(r.key)
            state = {True: "solved", False: "unsolved", None: "unknown"}[solved]
            listed.append(
                {
                    "revision": r.number, "when": r.made, "who": r.who, "what": r.what, "note": r.note, "pinned": r.pinned,
                    "current": r.number == self.number, "parent": r.parent, "state": state,
                }
            )  # fmt: skip
        return {"type": "revisions", "list": listed, "count": len(self.headings)}

    def annotate(self, number: int, note: str) -> None:
        """Set a revision's note. Raises DataError for an unknown number."""
        self.revisions.annotate(number, note)
        self.headings[number] = replace(self.headings[number], note=note)

    def pin(self, number: int, pinned: bool) -> None:
        """Pin a revision, or take the pin out. Raises DataError for an unknown number."""
        self.revisions.pin(number, pinned)
        self.headings[number] = replace(self.headings[number], pinned=pinned)

    def shown(self) -> list[tuple[int, int]]:
        """(number, urgency) of the current revision and the pinned ones."""
        pinned = [n for n in sorted(self.headings, reverse=True) if self.headings[n].pinned and n != self.number]
        return [(self.number, CURRENT), *((n, PINNED) for n in pinned)]

    def text_of(self, number: int) -> str:
        """A revision's text. Raises DataError for an unknown number."""
        return self.text if number == self.number else self.revisions.get(number).text

    # --- asking

    async def solved(self, number: int) -> bool:
        """Whether the body of a revision is solved; what was not is asked again after a while, for others solve too."""
        key, now = self.headings[number].key, asyncio.get_running_loop().time()
        if not self._solved.get(key) and now - self._asked_at.get(key, -ASK_AGAIN) >= ASK_AGAIN:
            self._asked_at[key] = now
            reply = await self._ask({"do": "solved", "text": self.text_of(number)}, CURRENT)
            self._solved[key] = bool(reply.get("solved"))
        return self._solved.get(key, False)

    async def basis(self, number: int) -> int | None:
        """The nearest solved revision at or before one, along its parents."""
        step: int | None = number
        for _ in range(FARTHEST_BASIS):
            if step is not None and step not in self.headings:  # made by another server on this folder
                self.headings |= {h.number: h for h in self.revisions.headings() if h.number not in self.headings}
            if step is None or step not in self.headings:
                return None
            if await self.solved(step):
                return step
            step = self.headings[step].parent
        return None

    async def frame(self, picture: Header, number: int, urgency: int) -> bytes | None:
        """The frame of one picture of one revision, from memory or asked for; None when a newer wish replaced it."""
        heading, base = self.headings[number], await self.basis(number)
        base_key = "" if base is None or base == number else self.headings[base].key
        key = (heading.key, base_key, picture["kind"], json.dumps(picture["options"], sort_keys=True))
        if key in self._frames:
            self._frames.move_to_end(key)
            return self._frames[key]
        request = {
            "do": "picture", "name": self.name, "text": self.text_of(number), "kind": picture["kind"],
            "options": picture["options"],
            "base": "" if base is None or not base_key else self.text_of(base), "from": base, "head": {},
        }  # fmt: skip
        reply = await self.thinker.ask(request, urgency)
        if reply is None or "frame" not in reply:
            return None
        self._keep(key, reply["frame"])
        frame: bytes = reply["frame"]
        return frame

    def _keep(self, key: tuple[str, ...], frame: bytes) -> None:
        self._frames[key] = frame
        self._frames_size += len(frame)
        while self._frames_size > FRAMES_KEPT:
            self._frames_size -= len(self._frames.popitem(last=False)[1])

    def forget_frames(self) -> None:
        """Pictures are asked for anew, and so is what is solved."""
        self._frames.clear()
        self._frames_size = 0
        self._solved = {key: True for key, solved in self._solved.items() if solved}
        self._asked_at.clear()

    async def _look(self, text: str) -> Header:
        return await self._ask({"do": "look", "text": text}, EDIT)

    async def _words(self, before: str, after: str) -> str:
        reply = await self._ask({"do": "difference", "before": before, "after": after}, EDIT)
        return said(reply["what"])

    async def _ask(self, request: Header, urgency: int) -> Header:
        reply = await self.thinker.ask({"name": self.name, **request}, urgency)
        return reply if reply is not None else {"error": {"text": "not answered", "rule": "", "nearest": None}}


def said(what: list[dict[str, str]]) -> str:
    """Changes in a line."""
    parts = [f"{w['label']}: {w['before'] or 'none'} → {w['after'] or 'none'}" for w in what[:3]]
    more = f" and {len(what) - 3} more" if len(what) > 3 else ""
    return ("; ".join(parts) + more) or "comments or layout only"


def _broken(error: Header) -> Header:
    return {"state": "broken", "error": error["text"], "line": error.get("line"), "key": error.get("key")}


def _error(text: str) -> Header:
    return {"type": "error", "text": text, "rule": text, "nearest": None}


def _who() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return "page"
