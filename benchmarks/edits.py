"""Thousands of edits through the page: what they cost server and page in memory and handles.

Reach: memory of server and page grows by no more than 5 % over 5000 edits, no handle is lost. `EVENFIELD_EDITS` gives the
count (default 500). Typed values, undo, redo, notes, and pulls on the drawing take turns; growth counts from the first fifth,
once every cache is full. Prints a line at each tenth, so that a slow rise is seen beside the figure.
"""

from __future__ import annotations

import gc
import os
import statistics
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import psutil

GAIN, CROSSOVER = "ways.tweeter.filters.gain", "ways.tweeter.filters.sections.0.frequency"
DEPTH = "ways.tweeter.waveguide.depth"


def figures() -> Iterator[tuple[str, float, str]]:
    """(what, seconds, note) on a small design whose field is closed-form."""
    sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "workbench"))
    from bench_fixture import serving, write_design
    from page_fixture import Sight, browsing

    count = int(os.environ.get("EVENFIELD_EDITS", "500"))
    with tempfile.TemporaryDirectory() as name, browsing() as browser, serving(write_design(Path(name))) as (line, process):
        sight = Sight(browser, line)
        sight.picture("polar")
        ask = sight.context.new_cdp_session(sight.page)
        took, marks = [], []
        for i in range(count):
            if i % max(count // 10, 1) == 0:
                marks.append(state(ask, process))
                print(f"  {i:6d} edits: " + ", ".join(f"{k} {v:.0f}" for k, v in marks[-1].items()), flush=True)
            began = time.perf_counter()
            edit(sight, i)
            took.append(time.perf_counter() - began)
        marks.append(state(ask, process))
        sight.close()
    first, last = marks[2], marks[-1]
    yield f"edits: one of {count}, median", statistics.median(took), f"95 % {sorted(took)[int(0.95 * (count - 1))]:.2f} s"
    for what in first:
        yield (
            f"edits: {what}, first fifth -> end",
            last[what],
            f"from {first[what]:.1f} ({100 * (last[what] / first[what] - 1):+.1f} %)",
        )


def edit(sight: Any, i: int) -> None:
    """One edit of the turn, waited for until its polar map is the page's."""
    before = sight.see("() => evenfield.desk.state.revision")
    turn = i % 10
    if turn == 7:
        sight.see("() => evenfield.desk.tell({type: 'undo'})")
    elif turn == 8:
        sight.see("() => evenfield.desk.tell({type: 'redo'})")
    else:
        path, text = (CROSSOVER, f"{1900 + 10 * (i % 23)} Hz") if turn in (2, 5) else (GAIN, f"{-4 - (i % 37) / 10:.1f} dB")
        if turn == 4:
            pull(sight, i)
        sight.see("([p, t]) => evenfield.desk.edit(p, t)", [path, text])
    sight.until("n => evenfield.desk.state.revision !== n", before, 60)
    sight.until("() => evenfield.desk.pictures.get('polar').current?.head.revision === evenfield.desk.state.revision", None, 60)


def pull(sight: Any, i: int) -> None:
    """A provisional picture, then let go."""
    say = "([s, p, v]) => evenfield.desk.link.send({type: 'drag', seq: s, changes: [{path: p, value: v}]})"
    sight.see(say, [100000 + i, DEPTH, 22 + (i % 20) / 10])
    sight.page.wait_for_timeout(60)
    sight.see("() => evenfield.desk.link.send({type: 'release'})")


def state(ask: Any, process: Any) -> dict[str, float]:
    """Server and its children in MB, their handles and threads; the page's heap in MB after collection, nodes, listeners."""
    gc.collect()
    ask.send("HeapProfiler.collectGarbage")
    ask.send("Performance.enable")
    page = {m["name"]: m["value"] for m in ask.send("Performance.getMetrics")["metrics"]}
    family = [psutil.Process(process.pid), *psutil.Process(process.pid).children(recursive=True)]
    return {
        "server MB": sum(p.memory_info().rss for p in family) / 2**20,
        "handles": sum(p.num_fds() for p in family),
        "threads": sum(p.num_threads() for p in family),
        "page heap MB": page["JSHeapUsedSize"] / 2**20,
        "nodes": page["Nodes"],
        "listeners": page["JSEventListeners"],
    }
