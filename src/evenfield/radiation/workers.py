"""Compiled work on several threads, results taken in order, so that sums do not depend on who finished first."""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from itertools import pairwise
from typing import TypeVar

Task = TypeVar("Task")
Result = TypeVar("Result")

IN_FLIGHT = 3
"""Tasks begun beyond the number of threads, so that none waits for a result to be taken."""


def in_order(work: Callable[[Task], Result], tasks: Iterable[Task], threads: int) -> Iterator[Result]:
    """Yield work(task) for each task, in the order of the tasks; fewer than `threads` + IN_FLIGHT are begun and not taken.

    `work` must release the interpreter lock to gain anything. An interrupt leaves after the tasks in flight.
    """
    if threads <= 1:
        yield from map(work, tasks)
        return
    waiting: deque[Future[Result]] = deque()
    with ThreadPoolExecutor(threads) as pool:
        try:
            for task in tasks:
                waiting.append(pool.submit(work, task))
                if len(waiting) > threads + IN_FLIGHT - 2:
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()
        finally:
            for future in waiting:
                future.cancel()


def processors() -> int:
    """How many processors this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else (os.cpu_count() or 1)


def spans(count: int, pieces: int) -> list[tuple[int, int]]:
    """Cut range(count) into at most `pieces` spans of nearly equal length."""
    edges = [round(i * count / pieces) for i in range(pieces + 1)]
    return [(a, b) for a, b in pairwise(edges) if b > a]
