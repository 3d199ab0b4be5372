"""The page in Chromium: the first load, a pull until the new map is on screen, redrawing with revisions laid over.

Reach (two quiet cores): <= 1 s to usable, <= 800 kB; a pull <= 250 ms median, 400 ms at 95 %; no picture over 50 ms
with 8 laid over.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
from collections.abc import Iterator
from importlib.util import find_spec
from pathlib import Path
from typing import Any

DEPTH = "ways.tweeter.waveguide.depth"
GAIN = "ways.tweeter.filters.gain"
LISTEN = """() => {
    const desk = evenfield.desk, sent = new Map(), send = desk.link.send.bind(desk.link);
    window.latency = [];
    desk.link.send = header => { if (header.type === "drag") sent.set(header.seq, performance.now()); return send(header) };
    desk.pictured.on(id => {
        const said = desk.pictures.get(id).current.head.provisional;
        if (id !== "polar" || !said || !sent.has(said.seq)) return;
        const begun = sent.get(said.seq);
        sent.delete(said.seq);
        requestAnimationFrame(() => setTimeout(() => window.latency.push([performance.now() - begun, said.ms])));
    });
}"""
REDRAW = """async anew => {
    const worst = {};
    for (let k = 0; k < 64; k++) {
        if (anew) for (const card of evenfield.sheet.cards) card.cool();
        for (const card of evenfield.sheet.cards) card.show();
        await new Promise(done => setTimeout(done, 20));
        for (const [name, ms] of Object.entries(evenfield.sheet.times())) if (k > 3) (worst[name] ??= []).push(ms);
    }
    return worst;
}"""


def figures() -> Iterator[tuple[str, float, str]]:
    """(what, seconds, note) on a small design whose field is closed-form."""
    sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "workbench"))
    from page_fixture import chromium

    if find_spec("playwright") is None or chromium() is None:
        print("  (page: no Chromium or no Playwright here, not measured)")
        return
    found = measure()
    size = found.pop("size")
    for what, ms in found.items():
        yield what, ms / 1000, f"{size:.0f} kB transferred" if "usable" in what else ""


def measure() -> dict[str, float]:
    """Milliseconds by figure; `size` in kilobytes."""
    from bench_fixture import serving, write_design
    from page_fixture import Sight, browsing

    found: dict[str, float] = {}
    with tempfile.TemporaryDirectory() as name, browsing() as browser, serving(write_design(Path(name))) as (line, _):
        sight = Sight(browser, line)
        sight.picture("polar")
        sight.picture("curves")
        sight.close()
        sight = Sight(browser, line)
        sight.until("() => document.querySelectorAll('.rail .field').length > 10 && document.querySelector('.knob')")
        found["first load, usable"] = sight.see("() => performance.now()")
        sizes = sight.see("() => performance.getEntriesByType('resource').map(e => e.transferSize)")
        found["size"] = sum(sizes) / 1000
        sight.picture("curves")
        pull(sight, found)
        lay_over(sight, found)
        sight.close()
    return found


def pull(sight: Any, found: dict[str, float], count: int = 30) -> None:
    """Pull the waveguide's depth step by step, each step after the last was answered."""
    sight.page.wait_for_timeout(3000)
    sight.see(LISTEN)
    knob = sight.page.locator(f".sheet-drawing .knob[data-path='{DEPTH}']").bounding_box()
    x, y = knob["x"] + knob["width"] / 2, knob["y"] + knob["height"] / 2
    sight.page.mouse.move(x, y)
    sight.page.mouse.down()
    for i in range(count):
        sight.page.mouse.move(x - 1.5 - 0.75 * i if i < count / 2 else x - 1.5 - 0.75 * (count - i), y)
        sight.page.wait_for_timeout(450)
    sight.page.keyboard.press("Escape")
    sight.page.mouse.up()
    times = [total for total, _ in sight.see("() => window.latency")]
    inside = [ms for _, ms in sight.see("() => window.latency")]
    if len(times) > 3:
        found["pull to new map, median"] = statistics.median(times)
        found["pull to new map, 95 %"] = sorted(times)[int(0.95 * (len(times) - 1))]
        found["of it computed, median"] = statistics.median(inside)


def lay_over(sight: Any, found: dict[str, float]) -> None:
    """Fifty-one revisions, eight of them laid over the current one."""
    for k in range(50):
        before = sight.see("() => evenfield.desk.state.revision")
        sight.see("([p, t]) => evenfield.desk.edit(p, t)", [GAIN, f"{-4.1 - 0.1 * k:.1f} dB"])
        sight.until("n => evenfield.desk.state.revision > n", before)
        if k >= 42:
            sight.see("n => evenfield.desk.tell({type: 'pin', revision: n})", before)
    sight.until("() => ['polar', 'curves', 'handover'].every(n => evenfield.desk.pictures.get(n).pinned.size >= 8)", seconds=60)
    for anew, how in ((False, "8 laid over"), (True, "8 laid over anew")):
        for name, times in sight.see(REDRAW, anew).items():
            if name != "fan":
                ranked = sorted(times)
                found[f"redraw {name}, {how}, median"] = statistics.median(ranked)
                found[f"redraw {name}, {how}, 95 %"] = ranked[round(0.95 * (len(ranked) - 1))]
                found[f"redraw {name}, {how}, worst"] = ranked[-1]
