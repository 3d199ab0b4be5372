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
        page.picture("polar", lambda h, i=i: (h["provisional"] or {}).get("seq") == i, 300)
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
    yield from first_drags()
    yield from stops()


def first_drags():
    """The first drag of a fresh server, its kernels compiled before and not, and the second."""
    from bench_fixture import Page, serving, write_design

    for kernels, waits in (("warm", True), ("warm", False), ("cold", True), ("cold", False)):
        with tempfile.TemporaryDirectory(prefix="evenfield-bench-") as name:
            design = write_design(Path(name))
            before = os.environ.pop("NUMBA_CACHE_DIR", None)
            if kernels == "cold":
                os.environ["NUMBA_CACHE_DIR"] = str(Path(name) / "kernels")
            try:
                with serving(design) as (address, _), Page(address) as page:
                    began = time.perf_counter()
                    page.greet("polar", "handover")
                    page.picture("polar", lambda h: h["state"] == "solved", 120)
                    if waits:
                        page.until(lambda h: h["type"] == "warm" and h["ready"], 300)
                    ready = time.perf_counter() - began
                    first, *rest = drags(page, DEPTH, [24.1 + 0.1 * i for i in range(8)])
            finally:
                os.environ.pop("NUMBA_CACHE_DIR", None)
                if before is not None:
                    os.environ["NUMBA_CACHE_DIR"] = before
        when = f"ready {ready:.1f} s after the first hello" if waits else f"begun {ready:.1f} s after the first hello"
        how = "when ready" if waits else "at once"
        note = f"next ones {1e3 * statistics.median(rest):.0f} ms; {when}"
        yield f"workbench: first drag {how}, {kernels} kernels", first, note


STOP_AFTER = (0.0, 0.4, 0.8, 1.5, 2.5, 3.5, 5.0, 7.0)
"""s after the work began: its start, meshing, assembling, solving."""

STOP_AT = (0.6, 0.985)
"""Shares of the work done: late solving, and writing."""


def stops():
    """Ten full solves stopped at different stages: until the page is told, and until the worker is gone."""
    from bench_fixture import Page, serving, write_design

    seen, gone, stages = [], [], []
    with tempfile.TemporaryDirectory(prefix="evenfield-bench-") as name:
        design = write_design(Path(name))
        with serving(design) as (address, process), Page(address) as page:
            page.greet("polar")
            for i, (wait, share) in enumerate([*((w, 2.0) for w in STOP_AFTER), *((300.0, s) for s in STOP_AT)]):
                assert page.ask(type="edit", path="cabinet.width", text=f"{230 + 0.1 * i:.1f} mm")["type"] == "accepted"
                before = {p.pid for p in psutil.Process(process.pid).children()}
                job = page.ask(type="start", work="solve")["job"]
                worker = next(p for p in psutil.Process(process.pid).children() if p.pid not in before)
                what, state, end = "", "running", time.monotonic() + wait
                while (left := end - time.monotonic()) > 0 and state == "running":
                    try:
                        found, _ = page.hear(left)
                    except TimeoutError:
                        break
                    listed = found.get("list", [found]) if found["type"] in ("jobs", "progress") else []
                    mine = next((j for j in listed if j.get("job") == job), None)
                    what, state = (mine["what"], mine["state"]) if mine else (what, state)
                    if mine and mine["total"] and mine["done"] / mine["total"] >= share:
                        break
                if state != "running":
                    continue  # it was done before
                began = time.perf_counter()
                page.say(type="stop", job=job)
                page.until(lambda h, j=job: h["type"] == "jobs" and _state(h, j) in ("stopping", "stopped"))
                seen.append(time.perf_counter() - began)
                while worker.is_running() and worker.status() != psutil.STATUS_ZOMBIE:
                    time.sleep(0.005)
                gone.append(time.perf_counter() - began)
                page.until(lambda h, j=job: h["type"] == "jobs" and _state(h, j) == "stopped")
                stages.append(what or "starting")
    note = f"worst of {len(seen)}: {max(seen):.3f} s; stopped in: {', '.join(dict.fromkeys(stages))}"
    yield "workbench: stop of a full solve, until seen, median", statistics.median(seen), note
    yield "workbench: stop of a full solve, until the worker is gone, median", statistics.median(gone), f"worst {max(gone):.3f} s"


def _state(header, job):
    return next((j["state"] for j in header["list"] if j["job"] == job), "")


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
