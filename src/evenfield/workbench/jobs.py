"""Long work as the server sees it: started, watched, stopped; one at a time, in order."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import multiprocessing
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from evenfield.base.errors import DataError
from evenfield.workbench.search_kept import sweep
from evenfield.workbench.work import ALL_WORKS, WORKS, run

SHOWN = ("aim", "way", "hold", "starts", "minutes", "rounds", "first_cut", "take")
"""Options that pages are told."""

KEPT = 30
"""Finished jobs that stay in the list."""


@dataclass
class Job:
    """One piece of long work."""

    job: int
    work: str
    design: str
    revision: int
    text: str = field(repr=False)
    options: dict[str, Any] = field(default_factory=dict)
    state: str = "waiting"
    done: float = 0.0
    total: int = 0
    what: str = ""
    error: str = ""
    started: float | None = None
    ended: float | None = None
    process: Any = field(default=None, repr=False)
    _first: tuple[float, float] | None = field(default=None, repr=False)

    def to_dict(self) -> dict[str, Any]:
        """As the protocol lists it."""
        now = self.ended or time.monotonic()
        seconds = 0.0 if self.started is None else now - self.started
        return {
            "job": self.job, "work": self.work, "design": self.design, "revision": self.revision, "state": self.state,
            "done": round(self.done, 2), "total": self.total, "what": self.what, "seconds": round(seconds, 1),
            "left_s": self.left(), "error": self.error, "options": {k: v for k, v in self.options.items() if k in SHOWN},
        }  # fmt: skip

    def left(self) -> float | None:
        """Time left, s, from the pace so far; None where unknown. The longest solves come first, so it is on the safe side."""
        if self.state != "running" or self._first is None or not self.total:
            return None
        (count, since), now = self._first, time.monotonic()
        fresh = self.done - count
        if fresh < 1:
            return None
        left = (now - since) / fresh * max(self.total - self.done, 0.0)
        if "minutes" in self.options and self.started is not None:
            left = min(left, max(60 * float(self.options["minutes"]) - (now - self.started), 0.0))
        return round(left, 1)

    def progressed(self, message: dict[str, Any]) -> None:
        """Take a progress message; steps that were in the store already count for no time."""
        self.done, self.total, self.what = float(message["done"]), int(message["total"]), str(message["what"])
        if self._first is None or self.done < self._first[0] or time.monotonic() - (self.started or 0) < 1.0:
            self._first = (self.done, time.monotonic())


class Jobs:
    """Runs jobs one after another, each in a spawned process.

    Parameters
        folder : the opened folder
        on_change : called in the event loop with a job that changed
        on_step : called there with a job and what one step of it found
    """

    def __init__(
        self,
        folder: Path,
        on_change: Callable[[Job], None],
        on_step: Callable[[Job, dict[str, Any]], None] = lambda job, step: None,
    ) -> None:
        self.folder, self.on_change, self.on_step = folder, on_change, on_step
        self.list: list[Job] = []
        self._number = itertools.count(1)
        self._loop: asyncio.AbstractEventLoop | None = None

    def start(self, work: str, design: str, revision: int, text: str, options: dict[str, Any] | None = None) -> Job:
        """Queue work. Raises DataError for unknown work; the same work on the same text is not queued twice."""
        if work not in ALL_WORKS:
            raise DataError(f"work must be one of {', '.join(WORKS)}, got {work!r}.")
        self._loop = asyncio.get_running_loop()
        for job in self.list:
            if job.state in ("waiting", "running") and (job.work, job.text, job.options) == (work, text, options or {}):
                return job
        job = Job(next(self._number), work, design, revision, text, options or {})
        self.list.insert(0, job)
        finished = [j for j in self.list if j.state in ("done", "stopped", "failed")]
        for old in finished[KEPT:]:
            self.list.remove(old)
        self.on_change(job)
        self._next()
        return job

    def stop(self, number: int) -> Job:
        """Stop a job at once; what it finished stays in the store. Raises DataError for an unknown number."""
        job = next((j for j in self.list if j.job == number), None)
        if job is None:
            raise DataError(f"job must be one of the list, got {number}.")
        if job.state == "waiting":
            self._end(job, "stopped")
        elif job.state == "running":
            job.state = "stopping"
            self.on_change(job)
            job.process.terminate()
            asyncio.get_running_loop().call_later(2.0, _kill, job.process)
        return job

    def close(self) -> None:
        """Stop everything."""
        for job in self.list:
            if job.state in ("running", "stopping"):
                job.process.kill()
                job.process.join(3)

    @property
    def running(self) -> Job | None:
        """The job at work."""
        return next((j for j in self.list if j.state in ("running", "stopping")), None)

    def _next(self) -> None:
        waiting = [j for j in self.list if j.state == "waiting"]
        if self.running is not None or not waiting:
            return
        job = waiting[-1]
        context = multiprocessing.get_context("spawn")
        ours, theirs = context.Pipe()
        args = (theirs, str(self.folder), job.design, job.text, job.work, job.options)
        job.process = context.Process(target=run, args=args, name=f"evenfield-{job.work}")
        job.state, job.started = "running", time.monotonic()
        job.process.start()
        theirs.close()
        threading.Thread(target=self._listen, args=(job, ours), daemon=True).start()
        self.on_change(job)

    def _listen(self, job: Job, connection: Any) -> None:
        assert self._loop is not None
        end: dict[str, Any] = {}
        with contextlib.suppress(EOFError, OSError):
            while True:
                message = connection.recv()
                if "done" in message:
                    self._loop.call_soon_threadsafe(self._progressed, job, message)
                elif "step" in message:
                    self._loop.call_soon_threadsafe(self.on_step, job, message["step"])
                else:
                    end = message
        job.process.join()
        connection.close()
        if job.work in ("search", "first-cut"):
            sweep(self.folder)
        with contextlib.suppress(RuntimeError):
            self._loop.call_soon_threadsafe(self._ended, job, end)

    def _progressed(self, job: Job, message: dict[str, Any]) -> None:
        job.progressed(message)
        self.on_change(job)

    def _ended(self, job: Job, end: dict[str, Any]) -> None:
        if "ended" in end:
            self._end(job, "done")
        elif job.state == "stopping":
            self._end(job, "stopped")
        else:
            job.error = str(
                end.get("failed") or f"The process ended with code {job.process.exitcode}; finished frequencies are kept."
            )
            self._end(job, "failed")

    def _end(self, job: Job, state: str) -> None:
        job.state, job.ended = state, time.monotonic()
        self.on_change(job)
        self._next()


def _kill(process: Any) -> None:
    if process.is_alive():
        process.kill()
