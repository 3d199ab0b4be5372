"""The server's end of the thinking process: requests by urgency, the newest wish only, replies as they come."""

from __future__ import annotations

import asyncio
import contextlib
import heapq
import itertools
import multiprocessing
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

Reply = dict[str, Any]
OnReply = Callable[[Reply], None]

DRAG, EDIT, CURRENT, PINNED, IDLE = range(5)
"""Urgencies, the most urgent first."""


@dataclass(order=True)
class _Wish:
    urgency: int
    number: int
    request: dict[str, Any] = field(compare=False)
    on_reply: OnReply | None = field(compare=False)
    done: asyncio.Future[Reply | None] = field(compare=False)
    subject: Any = field(compare=False, default=None)
    last: Reply | None = field(compare=False, default=None)


class Thinker:
    """One spawned process that answers one request at a time.

    Parameters
        folder : opened folder
    A process that dies is started again; the request it held is answered by an error.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._queue: list[_Wish] = []
        self._number = itertools.count()
        self._held: _Wish | None = None
        self._latest: dict[Any, int] = {}
        self._process: Any = None
        self._connection: Any = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._closed = False

    def start(self) -> None:
        """Start the process; to be called in the event loop."""
        self._loop = asyncio.get_running_loop()
        context = multiprocessing.get_context("spawn")
        self._connection, theirs = context.Pipe()
        self._process = context.Process(target=_serve, args=(theirs, str(self.folder)), daemon=True, name="evenfield-thinker")
        self._process.start()
        theirs.close()
        threading.Thread(target=self._listen, args=(self._connection, self._loop), daemon=True, name="thinker-replies").start()

    def close(self) -> None:
        """End the process."""
        self._closed = True
        with contextlib.suppress(OSError):
            self._connection.close()
        self._process.terminate()
        self._process.join(3)

    @property
    def pid(self) -> int | None:
        """Of the process."""
        return None if self._process is None else self._process.pid

    async def ask(
        self, request: dict[str, Any], urgency: int = CURRENT, subject: Any = None, on_reply: OnReply | None = None
    ) -> Reply | None:
        """The last reply to a request; each is passed to `on_reply` as it comes.

        Of waiting requests with the same `subject` only the newest is answered; the others get None.
        """
        assert self._loop is not None
        wish = _Wish(urgency, next(self._number), request, on_reply, self._loop.create_future(), subject)
        if subject is not None:
            self._latest[subject] = wish.number
        heapq.heappush(self._queue, wish)
        self._next()
        return await wish.done

    def _next(self) -> None:
        while self._held is None and self._queue and not self._closed:
            wish = heapq.heappop(self._queue)
            if wish.done.cancelled():
                continue
            if wish.subject is not None and self._latest.get(wish.subject) != wish.number:
                wish.done.set_result(None)
                continue
            self._held = wish
            try:
                self._connection.send(wish.request)
            except (OSError, ValueError):
                self._lost(self._connection)

    def _listen(self, connection: Any, loop: asyncio.AbstractEventLoop) -> None:
        while True:
            try:
                reply = connection.recv()
            except (EOFError, OSError, TypeError):
                with contextlib.suppress(RuntimeError):
                    loop.call_soon_threadsafe(self._lost, connection)
                return
            with contextlib.suppress(RuntimeError):
                loop.call_soon_threadsafe(self._take, reply)

    def _take(self, reply: Reply) -> None:
        wish = self._held
        if wish is None:
            return
        if not reply.pop("last"):
            wish.last = reply
            if wish.on_reply is not None and not wish.done.cancelled():
                wish.on_reply(reply)
            return
        self._held = None
        if wish.subject is not None and self._latest.get(wish.subject) == wish.number:
            del self._latest[wish.subject]
        if not wish.done.done():
            wish.done.set_result(wish.last)
        self._next()

    def _lost(self, connection: Any) -> None:
        if self._closed or connection is not self._connection:
            return
        wish, self._held = self._held, None
        with contextlib.suppress(OSError):
            connection.close()
        self._process.join(1)
        self.start()
        if wish is not None and not wish.done.done():
            wish.done.set_result(
                {
                    "error": {
                        "text": "The thinking process ended and was started again. Try once more.",
                        "rule": "",
                        "nearest": None,
                    }
                }
            )
        self._next()


def _serve(connection: Any, folder: str) -> None:
    from evenfield.workbench.answers import serve

    serve(connection, folder)
