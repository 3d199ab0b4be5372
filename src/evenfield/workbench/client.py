"""One page: what it looks at, what it is sent, what it asks."""

from __future__ import annotations

import asyncio
import itertools
from collections.abc import Hashable
from typing import TYPE_CHECKING, Any

import numpy as np

from evenfield.base.errors import DataError, EvenfieldError
from evenfield.workbench.desk import said
from evenfield.workbench.frames import Arrays, encode, with_head
from evenfield.workbench.outbox import Outbox
from evenfield.workbench.search_kept import last_search, search_options
from evenfield.workbench.thinker import CURRENT, DRAG, IDLE
from evenfield.workbench.work import WORKS

if TYPE_CHECKING:
    from evenfield.workbench.bench import Bench
    from evenfield.workbench.desk import Desk
    from evenfield.workbench.key import Keys

Header = dict[str, Any]

MOST_PICTURES = 40
WISHES_KEPT = 16

_numbers = itertools.count(1)


class Client:
    """A page's side of the server.

    Parameters
        bench : the server's whole
        keys : of this start
    """

    def __init__(self, bench: Bench, keys: Keys) -> None:
        self.bench, self.keys = bench, keys
        self.number = next(_numbers)
        self.outbox = Outbox()
        self.desk: Desk | None = None
        self.pictures: list[Header] = []
        self.wishes: dict[int, list[Header]] = {}
        self.round = 0
        self._tasks: set[asyncio.Task[None]] = set()

    # --- sending

    def send(self, header: Header, arrays: Arrays | None = None, subject: Hashable = None) -> None:
        """Queue a message."""
        self.outbox.put(encode(header, arrays), subject)

    def start(self, work: Any) -> None:
        """Run a coroutine beside the socket; its errors go to the page."""
        task = asyncio.get_running_loop().create_task(self._guarded(work))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _guarded(self, work: Any) -> None:
        try:
            await work
        except EvenfieldError as error:
            self.send({"type": "error", "text": str(error), "rule": str(error), "nearest": None})

    def close(self) -> None:
        """The page is gone."""
        for task in self._tasks:
            task.cancel()
        if self.desk is not None:
            self.desk.clients.discard(self)

    # --- showing

    def show(self) -> None:
        """Everything of the current revision."""
        if self.desk is None:
            return
        self.send(self.desk.state_message(), subject="state")
        self.send(self.desk.revisions_message(), subject="revisions")
        self.start(self.show_pictures())
        self.start(self.show_geometry())

    async def show_geometry(self) -> None:
        """The drawing of the current revision."""
        desk = self._desk()
        if not desk.text:
            return
        head = {"revision": desk.number, "provisional": None}
        request = {"do": "geometry", "name": desk.name, "text": desk.text, "head": head}
        reply = await self.bench.thinker.ask(request, CURRENT, ("geometry", self.number))
        if reply and "frame" in reply and desk is self.desk:
            self.outbox.put(reply["frame"], "geometry")

    async def show_pictures(self, only: str | None = None) -> None:
        """Pictures of the current and the pinned revisions; a newer call makes an older one stop."""
        desk = self._desk()
        if not desk.text:
            return
        self.round += 1
        mine = self.round
        for number, urgency in desk.shown():
            for picture in list(self.pictures):
                if only is not None and picture["id"] != only:
                    continue
                await self._show_picture(desk, picture, number, urgency)
                if mine != self.round or desk is not self.desk:
                    return

    async def _show_picture(self, desk: Desk, picture: Header, number: int, urgency: int) -> None:
        frame = await desk.frame(picture, number, urgency)
        if frame is None or desk is not self.desk or picture not in self.pictures:
            return
        head = {
            "id": picture["id"], "revision": number, "current": number == desk.number, "pinned": desk.headings[number].pinned,
        }  # fmt: skip
        self.outbox.put(with_head(frame, head), ("picture", picture["id"], number))

    def _desk(self) -> Desk:
        if self.desk is None:
            raise DataError("No design is open yet.")
        return self.desk

    # --- hearing

    async def hear(self, header: Header) -> None:
        """One message of the page."""
        kind = str(header.get("type", "")).replace("-", "_")
        action = getattr(self, f"on_{kind}", None)
        re = {"re": header["id"]} if "id" in header else {}
        if action is None:
            self.send({"type": "error", "text": f"type {kind!r} is not known.", "rule": "", "nearest": None} | re)
            return
        try:
            answer = await action(header)
        except EvenfieldError as error:
            answer = {"type": "error", "text": str(error), "rule": str(error), "nearest": None}
        except (KeyError, TypeError, ValueError) as error:
            answer = {"type": "error", "text": f"The message {kind!r} is not complete: {error!r}.", "rule": "", "nearest": None}
        if answer is not None:
            self.send(answer | re)

    async def on_hello(self, header: Header) -> None:
        """First message."""
        self.send(self.bench.welcome() | {"token": self.keys.token, "resume": self.keys.give()})
        self.send(self.bench.measured_message())
        wanted = header.get("design") or self.bench.first
        if wanted:
            await self.on_open({"design": wanted})
        self.send(self.bench.jobs_message())

    async def on_open(self, header: Header) -> None:
        """Another design."""
        desk = await self.bench.desk(str(header["design"]))
        if self.desk is not None:
            self.desk.clients.discard(self)
        self.desk = desk
        desk.clients.add(self)
        self.wishes.clear()
        self.show()
        if notes := self.bench.notes():
            self.send({"type": "notice", "text": f"The store's index was of an older layout. {'. '.join(notes)}."})
        self.start(self.warm(desk))

    async def warm(self, desk: Desk) -> None:
        """Make the quick model ready while nothing else is wanted."""
        step, more = 0, bool(desk.text)
        self.send({"type": "warm", "ready": False}, subject="warm")
        while more and not self.bench.kernels.are_ready:
            await asyncio.sleep(0.2)
        while more:
            request = {"do": "warm", "name": desk.name, "text": desk.text, "step": step}
            reply = await self.bench.thinker.ask(request, IDLE, ("warm", desk.name, step))
            step, more = step + 1, bool(reply and reply.get("more"))
        self.send({"type": "warm", "ready": True}, subject="warm")

    async def on_subscribe(self, header: Header) -> None:
        """The pictures on screen."""
        given = [
            {"id": str(p["id"])[:80], "kind": str(p["kind"]), "options": dict(p.get("options") or {})}
            for p in header["pictures"][:MOST_PICTURES]
        ]
        self.pictures = given
        if self.desk is not None:
            self.start(self.show_pictures())

    async def on_edit(self, header: Header) -> Header:
        """One field."""
        change: Header = {k: header[k] for k in ("path", "text", "value", "unit") if k in header}
        return await self._edit([change], header)

    async def on_edits(self, header: Header) -> Header:
        """Several fields."""
        return await self._edit([dict(c) for c in header["changes"]], header)

    async def _edit(self, changes: list[Header], header: Header) -> Header:
        base = header.get("base")
        answer = await self._desk().edit(changes, str(header.get("note", "")), None if base is None else int(base))
        if answer["type"] == "error" and len(changes) == 1:
            answer.setdefault("path", changes[0].get("path"))
        return answer

    async def on_drag(self, header: Header) -> None:
        """A wish in mid-drag; answered by frames, newest wish only."""
        seq, changes = int(header["seq"]), [dict(c) for c in header["changes"]]
        self.wishes[seq] = changes
        while len(self.wishes) > WISHES_KEPT:
            del self.wishes[next(iter(self.wishes))]
        self.start(self._drag(seq, changes))

    async def _drag(self, seq: int, changes: list[Header]) -> None:
        desk = self._desk()
        base = await desk.basis(desk.number)
        request = {
            "do": "drag", "name": desk.name, "text": desk.text, "base": "" if base is None else desk.text_of(base),
            "from": base,
            "changes": changes, "seq": seq, "revision": desk.number, "pictures": self.pictures,
        }  # fmt: skip

        def take(reply: Header) -> None:
            if "error" in reply:
                self.send({"type": "error", "seq": seq, **reply["error"]}, subject="wish-error")
            elif seq in self.wishes:
                self.outbox.put(reply["frame"], ("wish", reply["subject"]))

        await self.bench.thinker.ask(request, DRAG, ("drag", self.number), take)

    async def on_accept(self, header: Header) -> Header:
        """Write the wish."""
        seq = int(header["seq"])
        changes = self.wishes.get(seq)
        if changes is None:
            raise DataError(f"seq must be one of the last wishes, got {seq}.")
        self.wishes.clear()
        answer = await self._edit(changes, header) | {"seq": seq}
        if answer["type"] != "accepted":
            self.show()
        return answer

    async def on_release(self, header: Header) -> None:
        """Give the wish up."""
        self.wishes.clear()
        self.show()

    async def on_undo(self, header: Header) -> Header:
        """One revision back."""
        return await self._desk().undo()

    async def on_redo(self, header: Header) -> Header:
        """One revision forth."""
        return await self._desk().redo()

    async def on_goto(self, header: Header) -> Header:
        """An old revision made current."""
        return await self._desk().go_to(int(header["revision"]))

    async def on_note(self, header: Header) -> Header:
        """A revision's note."""
        desk = self._desk()
        desk.annotate(int(header["revision"]), str(header["text"])[:2000])
        desk.tell(desk.revisions_message())
        return {"type": "accepted", "revision": int(header["revision"])}

    async def on_pin(self, header: Header, pinned: bool = True) -> Header:
        """Show a revision beside the current one."""
        desk = self._desk()
        desk.pin(int(header["revision"]), pinned)
        for client in desk.clients:
            client.send(desk.revisions_message(), subject="revisions")
            client.start(client.show_pictures())
        return {"type": "accepted", "revision": int(header["revision"])}

    async def on_unpin(self, header: Header) -> Header:
        """No longer show it."""
        return await self.on_pin(header, False)

    async def on_rest(self, header: Header) -> Header:
        """Whether designs are solved by themselves when they rest."""
        desk = self._desk()
        desk.solve_at_rest = bool(header["solve"])
        desk.tell_state()
        return {"type": "accepted"}

    async def on_start(self, header: Header) -> Header:
        """Long work."""
        desk = self._desk()
        if header["work"] not in WORKS:
            raise DataError(f"work must be one of {', '.join(WORKS)}, got {header['work']!r}.")
        options = dict(header.get("options") or {})
        if header["work"] in ("search", "first-cut"):
            options = search_options(options)
        number = int(header.get("revision") or desk.number)
        job = self.bench.jobs.start(str(header["work"]), desk.name, number, desk.text_of(number), options)
        return {"type": "accepted", "job": job.job}

    async def on_stop(self, header: Header) -> Header:
        """Stop long work."""
        job = self.bench.jobs.stop(int(header["job"]))
        if self.desk is not None and job.design == self.desk.name and job.work == "solve":
            self.desk.solve_at_rest = False
            self.desk.tell_state()
        return {"type": "accepted", "job": job.job}

    async def on_resolve(self, header: Header) -> Header:
        """End a conflict: what is on disk stays, or the page's values are written over it."""
        if header["choice"] == "page":
            return await self._desk().edit([dict(c) for c in header["changes"]], "written over a change on disk")
        self.show()
        return {"type": "accepted", "revision": self._desk().number}

    async def on_changes(self, header: Header) -> Header:
        """What a change did."""
        desk = self._desk()
        numbers = [int(header["from"]), int(header["to"])]
        texts = [desk.text_of(n) for n in numbers]
        request = {"do": "changes", "name": desk.name, "before": texts[0], "after": texts[1], "numbers": numbers}
        reply = await self.bench.thinker.ask(request, CURRENT)
        return _answer(reply, {"type": "changes", "from": numbers[0], "to": numbers[1]})

    async def on_export(self, header: Header) -> Header | None:
        """A picture's data."""
        desk = self._desk()
        number = int(header.get("revision") or desk.number)
        kind, options = str(header["picture"]["kind"]), dict(header["picture"].get("options") or {})
        if header.get("format", "csv") != "csv":
            raise DataError("format must be csv: pictures are drawn by the page.")
        request = {"do": "export", "name": desk.name, "text": desk.text_of(number), "kind": kind, "options": options}
        reply = await self.bench.thinker.ask(request, CURRENT)
        if reply is None or "csv" not in reply:
            return _answer(reply, {})
        stem = "-".join([desk.path.stem, f"r{number}", kind, *(v for v in reply["options"].values() if v.isalpha())])
        data = np.frombuffer(reply["csv"].encode("utf-8"), np.uint8)
        re = {"re": header["id"]} if "id" in header else {}
        self.send({"type": "file", "name": f"{stem}.csv", "media": "text/csv"} | re, {"bytes": data})
        return None

    async def on_report(self, header: Header) -> Header:
        """The printed report, made beside."""
        desk = self._desk()
        number = int(header.get("revision") or desk.number)
        text = desk.text_of(number)
        if not await desk.solved(number):
            raise DataError(f"Revision {number} is not solved yet: a report shows solved results only.")
        job = self.bench.jobs.start(
            "report", desk.name, number, text, {"folder": str(self.bench.out), "stem": f"{desk.path.stem}-r{number}"}
        )
        self.bench.wanted.setdefault(job.job, set()).add(self)
        return {"type": "accepted", "job": job.job}

    async def on_forget(self, header: Header) -> Header:
        """Take a measured set off the table."""
        await self.bench.forget_measured(str(header["measured"]))
        return {"type": "accepted"}

    async def on_proposal(self, header: Header) -> Header:
        """What long work proposes to change in a revision; with `quiet` nothing proposed is no error."""
        desk = self._desk()
        number = int(header.get("revision") or desk.number)
        request = {"do": "proposal", "name": desk.name, "text": desk.text_of(number), "work": str(header["work"])}
        reply = await self.bench.thinker.ask(request, CURRENT)
        head = {"type": "proposal", "work": str(header["work"]), "revision": number}
        if header.get("quiet") and (reply is None or "error" in reply):
            return head | {"what": [], "words": [], "none": True}
        answer = _answer(reply, head)
        answer.pop("text", None) if answer["type"] == "proposal" else None
        return answer

    async def on_adopt(self, header: Header) -> Header:
        """Write a proposal as a revision; one found on an older revision goes on from there."""
        desk = self._desk()
        work, number = str(header["work"]), int(header.get("revision") or desk.number)
        request = {"do": "proposal", "name": desk.name, "text": desk.text_of(number), "work": work}
        reply = await self.bench.thinker.ask(request, CURRENT)
        if reply is None or "text" not in reply:
            return _answer(reply, {})
        said_first = {"search": "shape searched", "first-cut": "first cut"}.get(work, f"{work} fitted")
        since = "" if number == desk.number else f" (from revision {number})"
        return await desk.put(reply["text"], f"{said_first}{since}: {said(reply['what'])}", str(header.get("note", "")))

    async def on_search(self, header: Header) -> Header:
        """What the last search of this design was asked and has found."""
        desk = self._desk()
        found = last_search(self.bench.folder, desk.name) or {"asked": {}, "options": {}, "steps": [], "ended": False}
        numbers = [n for n, h in desk.headings.items() if h.key == found["asked"].get("text")]
        return {"type": "search", "revision": max(numbers, default=None), **found}

    async def on_kept(self, header: Header) -> None:
        """The page holds its new resume word; the one before is of no more use."""
        if header.get("before"):
            self.keys.burn(str(header["before"])[:200])

    async def on_ping(self, header: Header) -> Header:
        """Answer."""
        return {"type": "pong"}


def _answer(reply: Header | None, head: Header) -> Header:
    """A reply of the thinking process as a message."""
    if reply is None:
        return {"type": "error", "text": "Not answered; a newer wish took its place.", "rule": "", "nearest": None}
    if "error" in reply:
        return {"type": "error", **reply["error"]}
    return head | {k: v for k, v in reply.items() if k != "ms"}
