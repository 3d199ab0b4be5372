"""What waits to be sent to one page: bounded, newest first where an older message no longer matters."""

from __future__ import annotations

import asyncio
import time
from collections import OrderedDict
from collections.abc import Hashable

LARGEST_BACKLOG = 16 * 1024 * 1024
LONGEST_WAIT = 10.0
"""s; a page that takes nothing for so long while messages wait is dropped."""


class TooSlow(Exception):
    """This page does not read what it is sent."""


class Outbox:
    """Frames in order; a newer frame of the same subject takes the place of an older one that still waits."""

    def __init__(self) -> None:
        self._waiting: OrderedDict[Hashable, bytes] = OrderedDict()
        self._size = 0
        self._number = 0
        self._ready = asyncio.Event()
        self._since: float | None = None
        self.overflowed = False

    def put(self, frame: bytes, subject: Hashable = None) -> None:
        """Add a frame; never waits."""
        if subject is None:
            self._number += 1
            subject = ("message", self._number)
        old = self._waiting.pop(subject, None)
        if old is not None:
            self._size -= len(old)
        self._waiting[subject] = frame
        self._size += len(frame)
        self._since = self._since or time.monotonic()
        if self._size > LARGEST_BACKLOG:
            self.overflowed = True
        self._ready.set()

    async def get(self) -> bytes:
        """The next frame. Raises TooSlow when the backlog outgrew its bound."""
        while not self._waiting:
            self._ready.clear()
            self._since = None
            await self._ready.wait()
        if self.overflowed:
            raise TooSlow
        _, frame = self._waiting.popitem(last=False)
        self._size -= len(frame)
        self._since = time.monotonic()
        return frame

    @property
    def size(self) -> int:
        """Bytes waiting."""
        return self._size

    def stuck(self) -> bool:
        """True when frames wait and none was taken for too long, or too many wait."""
        return self.overflowed or (self._since is not None and time.monotonic() - self._since > LONGEST_WAIT)
