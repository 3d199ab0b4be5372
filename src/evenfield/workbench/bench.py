"""The server's whole: the folder, its desks, the thinking process, the jobs, the pages."""

from __future__ import annotations

import asyncio
import contextlib
import secrets
import shutil
import tempfile
import time
from pathlib import Path
from typing import Any

from evenfield import __version__
from evenfield.base.errors import DataError, EvenfieldError
from evenfield.loudspeaker.store import Store
from evenfield.workbench.client import Client
from evenfield.workbench.desk import Desk
from evenfield.workbench.drops import Drops
from evenfield.workbench.guard import DROP_LIMIT
from evenfield.workbench.jobs import Job, Jobs
from evenfield.workbench.kernels import Kernels
from evenfield.workbench.thinker import EDIT, Thinker
from evenfield.workbench.work import WORKS

Header = dict[str, Any]

LOOK_EVERY = 0.3
"""s between looks at the files on disk."""

TICKET_SECONDS = 600.0

REST = 1.5
"""s without a change before a full solve begins by itself."""


class Bench:
    """Everything one server holds.

    Parameters
        folder : the opened folder; nothing outside it is read or written
        first : the design a page sees first
    """

    def __init__(self, folder: Path, first: str | None = None) -> None:
        self.folder = folder.resolve()
        self.first = first
        self.thinker = Thinker(self.folder)
        self.jobs = Jobs(self.folder, self._job_changed, self._job_stepped)
        self.kernels = Kernels()
        self.desks: dict[str, Desk] = {}
        self.clients: set[Client] = set()
        self.measured: dict[str, Header] = {}
        self.drops = Drops(self.folder)
        self.solve_at_rest = True
        self.out = Path(tempfile.mkdtemp(prefix="evenfield-"))
        self.wanted: dict[int, set[Client]] = {}
        self.tickets: dict[str, tuple[Path, float]] = {}
        self._opening: dict[str, asyncio.Lock] = {}
        self._watch: asyncio.Task[None] | None = None
        self._reading: asyncio.Task[None] | None = None
        self._told = 0.0
        self._began = time.time()

    async def start(self) -> None:
        """Begin."""
        self.thinker.start()
        self.kernels.start()
        loop = asyncio.get_running_loop()
        self._watch = loop.create_task(self._look_round())
        self._reading = loop.create_task(self._read_kept())

    async def close(self) -> None:
        """End every process."""
        for task in (self._watch, self._reading):
            if task is not None:
                task.cancel()
        self.jobs.close()
        self.kernels.close()
        self.thinker.close()
        shutil.rmtree(self.out, ignore_errors=True)

    async def _read_kept(self) -> None:
        """Sets that were dropped before this start."""
        for key, title, path in self.drops.kept():
            with contextlib.suppress(EvenfieldError):
                await self.take_measured(key, title, path)

    async def take_measured(self, key: str, title: str, path: Path) -> Header:
        """Read a dropped set and show it to every page. Raises DataError with the reader's words; the set is then deleted."""
        reply = await self.thinker.ask({"do": "measure", "id": key, "title": title, "path": str(path)}, EDIT)
        if reply is None or "words" not in reply:
            with contextlib.suppress(EvenfieldError):
                self.drops.forget(key)
            text = "not answered" if reply is None else str(reply["error"]["text"])
            raise DataError(text.replace(f"{path.parent}/", "").replace(str(self.drops.folder), ""))
        self.measured[key] = reply["words"]
        self._measured_changed()
        return self.measured[key]

    async def forget_measured(self, key: str) -> None:
        """Take a set off the table and delete it. Raises DataError for an unknown name."""
        self.drops.forget(key)
        self.measured.pop(key, None)
        await self.thinker.ask({"do": "forget", "id": key}, EDIT)
        self._measured_changed()

    def _measured_changed(self) -> None:
        self.tell(self.measured_message(), subject="measured")
        for desk in self.desks.values():
            desk.forget_frames()
            for client in desk.clients:
                client.start(client.show_pictures())

    def notes(self) -> list[str]:
        """What was done to a store of an older layout since this start."""
        return Store(self.folder).layout_notes(self._began)

    def designs(self) -> list[str]:
        """Design files of the folder; links that lead out of it are none."""
        found = (p for p in self.folder.glob("*.y*ml") if p.suffix in (".yaml", ".yml") and p.is_file())
        return sorted(p.name for p in found if p.resolve().parent == self.folder)

    async def desk(self, name: str) -> Desk:
        """The desk of a design. Raises DataError for a name that is none of the folder's."""
        if name not in self.designs():
            raise DataError(f"design must be one of the folder's ({', '.join(self.designs()) or 'none'}), got {name[:80]!r}.")
        lock = self._opening.setdefault(name, asyncio.Lock())
        async with lock:
            if name not in self.desks:
                desk = Desk(self.folder, name, self.thinker)
                desk.solve_at_rest = self.solve_at_rest
                await desk.open()
                self.desks[name] = desk
        return self.desks[name]

    def welcome(self) -> Header:
        """The `welcome` message."""
        from evenfield.workbench.pictures import catalogue

        return {
            "type": "welcome", "version": __version__, "folder": self.folder.name, "designs": self.designs(),
            "design": self.first,
            "drop_limit_bytes": DROP_LIMIT, "works": list(WORKS), "pictures": catalogue(),
        }  # fmt: skip

    def jobs_message(self) -> Header:
        """The `jobs` message."""
        return {"type": "jobs", "list": [j.to_dict() for j in self.jobs.list]}

    def measured_message(self) -> Header:
        """The `measured` message."""
        return {"type": "measured", "list": list(self.measured.values())}

    def tell(self, header: Header, subject: Any = None) -> None:
        """Send to every page."""
        for client in self.clients:
            client.send(header, subject=subject)

    def ticket(self, path: Path) -> str:
        """An address under which a made file is served for ten minutes."""
        now = time.monotonic()
        self.tickets = {t: (p, until) for t, (p, until) in self.tickets.items() if until > now}
        word = secrets.token_urlsafe(24)
        self.tickets[word] = (path, now + TICKET_SECONDS)
        return f"/out/{word}/{path.name}"

    def ticketed(self, word: str, name: str) -> Path | None:
        """The file of a ticket, or None."""
        path, until = self.tickets.get(word, (None, 0.0))
        return path if path is not None and until > time.monotonic() and path.name == name else None

    async def _look_round(self) -> None:
        while True:
            await asyncio.sleep(LOOK_EVERY)
            for client in list(self.clients):
                if client.outbox.stuck():
                    client.outbox.overflowed = True
            for desk in list(self.desks.values()):
                if not desk.clients:
                    continue
                with contextlib.suppress(EvenfieldError):
                    await desk.watch()
                    await self._solve_at_rest(desk)

    async def _solve_at_rest(self, desk: Desk) -> None:
        """Begin the full solve of a design that rests unsolved; an older one of the same design makes room."""
        now = asyncio.get_running_loop().time()
        if not desk.solve_at_rest or not desk.text or now - desk.changed_at < REST or await desk.solved(desk.number):
            return
        mine = [j for j in self.jobs.list if j.work == "solve" and j.design == desk.name]
        if any(j.text == desk.text for j in mine if j.state in ("waiting", "running", "stopping", "failed", "stopped")):
            return
        for job in mine:
            if job.state in ("waiting", "running"):
                self.jobs.stop(job.job)
        self.jobs.start("solve", desk.name, desk.number, desk.text)

    def _job_changed(self, job: Job) -> None:
        now = asyncio.get_running_loop().time()
        if job.state == "running" and job.done and now - self._told < 0.2:
            return
        self._told = now
        if job.state == "running" and job.done:
            self.tell({"type": "progress", **job.to_dict()}, subject=("progress", job.job))
            return
        self.tell(self.jobs_message(), subject="jobs")
        if job.work == "report":
            self._report_made(job)
            return
        if job.work in ("search", "first-cut"):
            return
        if job.state == "done" and (desk := self.desks.get(job.design)) is not None:
            desk.forget_frames()
            desk.tell_all()
            for client in desk.clients:
                client.start(client.warm(desk))

    def _job_stepped(self, job: Job, step: Header) -> None:
        desk = self.desks.get(job.design)
        if desk is not None:
            desk.tell({"type": "search-step", "job": job.job, "step": step})

    def _report_made(self, job: Job) -> None:
        if job.state == "done":
            for ending in ("html", "pdf"):
                path = self.out / f"{job.options['stem']}.{ending}"
                for client in self.wanted.get(job.job, ()):
                    client.send({"type": "file-ready", "job": job.job, "name": path.name, "url": self.ticket(path)})
        if job.state in ("done", "failed", "stopped"):
            self.wanted.pop(job.job, None)
