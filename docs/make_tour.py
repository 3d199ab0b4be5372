"""Photograph the workbench for docs/tour.md. Run: python docs/make_tour.py [DESIGN], by default examples/ketch.yaml.

Needs Chromium and Playwright. The tests run the same steps on a small design.
"""

from __future__ import annotations

import io
import shutil
import sys
import tempfile
from pathlib import Path
from typing import Any

DOCS = Path(__file__).parent
sys.path.insert(0, str(DOCS.parent / "tests" / "workbench"))

from bench_fixture import serving  # noqa: E402
from page_fixture import Sight, browsing  # noqa: E402

DEPTH = "ways.tweeter.waveguide.depth"


def photograph(sight: Sight) -> dict[str, bytes]:
    """The steps of the tour on an open page; PNG by name."""
    page, shots = sight.page, {}
    sight.picture("handover", seconds=90)
    for name in ("polar", "verdict", "curves"):
        sight.picture(name, seconds=60)
    page.wait_for_timeout(600)
    shots["open"] = page.screenshot()
    first = sight.see("() => evenfield.desk.state.revision")
    knob = page.locator(f".sheet-drawing .knob[data-path='{DEPTH}']").bounding_box()
    x, y = knob["x"] + knob["width"] / 2, knob["y"] + knob["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x - 3, y, steps=2)
    both = "['polar', 'handover'].every(n => evenfield.desk.pictures.get(n).current.head.provisional)"
    sight.until(f"() => {both}", seconds=60)
    page.wait_for_timeout(1500)
    shots["pull"] = page.screenshot()
    page.mouse.up()
    sight.until("n => evenfield.desk.state.revision > n", first)
    page.get_by_role("button", name="History", exact=True).click()
    page.locator(f".history li[data-revision='{first}'] input[type=checkbox]").check()
    sight.until("n => evenfield.desk.pictures.get('handover').pinned.has(n)", first)
    sight.until(f"n => evenfield.desk.pictures.get('polar').current.head.revision > n && {both}", first, 60)
    page.wait_for_timeout(800)
    shots["laid-over"] = page.screenshot()
    page.get_by_role("button", name="Lay none over").click()
    page.keyboard.press("Escape")
    field = sight.field(DEPTH)
    field.scroll_into_view_if_needed()
    field.fill("-5 mm")
    field.press("Enter")
    page.locator(".rule:visible").wait_for()
    sight.ask("changes")
    sight.card("changes").locator("table").first.wait_for()
    page.locator(".drawing").get_by_text("Solid", exact=True).click()
    page.locator(".solid canvas").wait_for()
    page.wait_for_timeout(1200)
    shots["refused"] = page.screenshot()
    page.locator(".rule:visible button").last.click()
    page.get_by_role("button", name="Back", exact=True).click()
    sight.until("n => evenfield.desk.state.is_solved && evenfield.desk.state.revision !== n", first + 1, 60)
    page.locator(".drawing").get_by_text("Side + front", exact=True).click()
    for kind in ("limits", "step"):
        sight.ask(kind)
        heads = "[...evenfield.desk.pictures.values()].map(s => s.current?.head)"
        sight.until(f"k => {heads}.some(h => h?.kind === k && h.state === 'solved')", kind, 60)
    sight.card("curves").locator(".panels").focus()
    page.keyboard.press("ArrowRight")
    sight.see("() => document.querySelector('.sheet').scrollTo(0, 1e5)")
    page.wait_for_timeout(600)
    shots["read"] = page.screenshot()
    sight.ask("search")
    card = sight.card("search")
    card.get_by_role("button", name="First cut", exact=True).click()
    card.locator(".offer h3").wait_for(timeout=60_000)
    sight.see("() => document.querySelector(\".answer[data-kind='search']\").scrollIntoView({block: 'end'})")
    page.wait_for_timeout(800)
    shots["shape"] = page.screenshot()
    return shots


def small(png: bytes) -> bytes:
    """The same picture with a palette of 200 colours."""
    from PIL import Image

    out = io.BytesIO()
    Image.open(io.BytesIO(png)).convert("RGB").quantize(200, dither=Image.Dither.NONE).save(out, "PNG", optimize=True)
    return out.getvalue()


def main(design: Path) -> None:
    """Photograph the tour, light and dark."""
    place = DOCS / "assets" / "tour"
    place.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as name, browsing() as browser:
        for theme in ("light", "dark"):
            folder = Path(name) / theme
            folder.mkdir()
            shutil.copy(design, folder)
            solved = design.parent / ".evenfield" / "results"
            if solved.is_dir():
                shutil.copytree(solved, folder / ".evenfield" / "results")
            with serving(folder / design.name, "--no-solve" if solved.is_dir() else "--solve") as (line, _):
                sight = Sight(browser, line, color_scheme=theme, reduced_motion="reduce")
                shots: dict[str, Any] = photograph(sight)
                sight.close()
            for shot, png in shots.items():
                (place / f"{shot}-{theme}.png").write_bytes(small(png))


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else DOCS.parent / "examples" / "ketch.yaml")
