"""Compiled loops shared out over threads: plain threads around code that releases the interpreter's lock.

(The compiler's own parallel loops double the time of a first compilation and gain nothing here.)
"""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

CHUNK = 8


def thread_count() -> int:
    """Threads to use: those this process may run on, 64 at most."""
    return max(1, min(len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1, 64))


def share_out(function: Callable[..., Any], count: int, *arguments: Any) -> None:
    """Call function(start, stop, *arguments) over 0 ... count in chunks, in parallel."""
    threads = thread_count()
    function(0, min(1, count), *arguments)  # compiles once, in this thread
    if threads == 1 or count <= CHUNK:
        function(min(1, count), count, *arguments)
        return
    starts = range(1, count, CHUNK)
    with ThreadPoolExecutor(threads) as pool:
        for done in [pool.submit(function, start, min(start + CHUNK, count), *arguments) for start in starts]:
            done.result()
