"""The workbench: from a drag to its new picture, first pictures, stop, and what thousands of edits cost in memory.

Talks to a server of its own as a page does, on Ketch with its field solved (a full solve first, where the store is empty:
minutes). `EVENFIELD_STORE` names a folder whose `.evenfield` already holds it; `EVENFIELD_EDITS` the number of edits (default
400; the figure to reach is stated for 5000).
"""

from __future__ import annotations

import os
import shutil
import statistics
import sys
import tempfile
import time
from pathlib import Path

import psutil

ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT / "tests" / "workbench"))

DEPTH, GAIN = "ways.tweeter.waveguide.depth", "ways.tweeter.filters.gain"


def folder_of() -> Path:
    """A copy of the example with its store."""
    folder = Path(tempfile.mkdtemp(prefix="evenfield-bench-"))
    shutil.copy(ROOT / "examples" / "ketch.yaml", folder)
    kept = Path(os.environ.get("EVENFIELD_STORE", ROOT / "examples")) / ".evenfield"
    if kept.is_dir():
        shutil.copytree(kept, folder / ".evenfield")
    return folder


def drags(page, path, values):
    """Seconds from each wish to its polar map."""
    found = []
    for i, value in enumerate(values, 1):
        began = time.perf_counter()
        page.say(type="drag", seq=i, changes=[{"path": path, "value": value}])
        page.picture("polar", lambda h, i=i: (h["provisional"] or {}).get("seq") == i)
        found.append(time.perf_counter() - began)
        page.picture("handover", lambda h, i=i: (h["provisional"] or {}).get("seq") == i)
        page.heard.clear()
    page.say(type="release")
    return found


def percentile(values, share):
    return sorted(values)[min(len(values) - 1, round(share * len(values)))]


def memory(process):
    """(MB, handles) of the server and of its thinking process together."""
    family = [psutil.Process(process.pid), *psutil.Process(process.pid).children()]
    return sum(p.memory_info().rss for p in family) / 2**20, sum(p.num_fds() for p in family)


def figures():
    from bench_fixture import Page, serving

    folder = folder_of()
    began = time.perf_counter()
    with serving(folder / "ketch.yaml") as (address, process):
        yield "workbench: command to listening", time.perf_counter() - began, ""
        with Page(address) as page:
            began = time.perf_counter()
            page.greet("handover", "polar")
            header, _ = page.picture("polar", lambda h: True, 120)
            yield "workbench: cold server, hello to first pictures", time.perf_counter() - began, header["state"]
            if header["state"] != "solved":
                page.ask(type="start", work="solve")
                page.picture("polar", lambda h: h["state"] == "solved", 3600)
            for seq, path in enumerate((DEPTH, GAIN)):  # warm
                drags(page, path, [38.0 + 0.05 * seq] if path == DEPTH else [-8.7])
            for path, values in ((DEPTH, [38.1 + 0.07 * i for i in range(40)]), (GAIN, [-8.0 - 0.02 * i for i in range(40)])):
                took = drags(page, path, values)
                what = "waveguide depth" if path == DEPTH else "filter gain"
                note = f"95th percentile {1e3 * percentile(took, 0.95):.0f} ms, {len(took)} drags"
                yield f"workbench: drag of a {what} to its polar map, median", statistics.median(took), note
            began = time.perf_counter()
            with Page(address) as other:
                other.greet("handover", "polar")
                other.picture("polar")
            yield "workbench: warm server, hello to pictures", time.perf_counter() - began, ""
            yield from edits(page, process, int(os.environ.get("EVENFIELD_EDITS", "400")))
    shutil.rmtree(folder, ignore_errors=True)


def edits(page, process, count):
    """Scripted edits: seconds of one, and growth of memory and handles after the first fifth."""
    took, first = [], (0.0, 0)
    for i in range(count):
        if i == count // 5:
            first = memory(process)
        began = time.perf_counter()
        assert page.ask(type="edit", path=GAIN, text=f"{-8 - (i % 50) / 50:.2f} dB")["type"] == "accepted"
        took.append(time.perf_counter() - began)
        page.picture("polar", lambda h: h["current"])
        page.heard.clear()
    last = memory(process)
    growth = 100 * (last[0] / first[0] - 1)
    note = f"memory {first[0]:.0f} to {last[0]:.0f} MB ({growth:+.1f} %), handles {first[1]} to {last[1]}, {count} edits"
    yield "workbench: one edit written and answered, median", statistics.median(took), note
