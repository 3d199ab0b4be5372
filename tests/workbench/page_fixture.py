"""A real browser on a real workbench, for the tests of the page.

Without Chromium or Playwright the tests skip with a line; where CI=true they fail instead.
"""

from __future__ import annotations

import os
import shutil
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[2]
AXE = ROOT / "web" / "node_modules" / "axe-core" / "axe.min.js"
FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip
DESK = "evenfield.desk"


def missing(what: str) -> None:
    """Skip on a user's machine; in continuous integration the browser must be there."""
    words = f"{what} is not installed: the page is not tested in a browser"
    if os.environ.get("CI") == "true":
        pytest.fail(words)
    pytest.skip(words)


def chromium() -> str | None:
    """Where Chromium is, if anywhere."""
    return shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")


@contextmanager
def browsing() -> Iterator[Any]:
    """One browser with a profile of its own."""
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        missing("Playwright")
    found = chromium()
    if found is None:
        missing("Chromium")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=found, args=list(FLAGS))
        try:
            yield browser
        finally:
            browser.close()


class Sight:
    """A page in the browser, with what went wrong on it."""

    def __init__(self, browser: Any, address: str, **options: Any) -> None:
        self.context = browser.new_context(viewport={"width": 1280, "height": 720}, accept_downloads=True, **options)
        self.context.set_default_timeout(10_000)
        self.page = self.context.new_page()
        self.wrong: list[str] = []
        self.page.on("pageerror", lambda error: self.wrong.append(str(error)))
        self.page.on("console", lambda m: self.wrong.append(m.text) if m.type == "error" and "WebSocket" not in m.text else None)
        self.response = self.page.goto(address.split("Workbench: ")[-1].strip())

    def close(self) -> None:
        self.context.close()

    def see(self, expression: str, argument: Any = None) -> Any:
        """A value of the page."""
        return self.page.evaluate(expression, argument)

    def until(self, expression: str, argument: Any = None, seconds: float = 15.0) -> Any:
        """The value once it is true. Asked from outside: the page's own policy forbids to evaluate text inside."""
        end = time.monotonic() + seconds
        while True:
            value = self.page.evaluate(expression, argument)
            if value:
                return value
            assert time.monotonic() < end, f"not seen in {seconds:g} s: {expression}\n{self.wrong}"
            self.page.wait_for_timeout(40)

    def picture(self, name: str, state: str = "solved", seconds: float = 25.0) -> dict[str, Any]:
        """Head of a picture on the sheet once it is in that state."""
        test = "([n, s]) => { const h = evenfield.desk.pictures.get(n)?.current?.head; return h && h.state === s ? h : null }"
        return self.until(test, [name, state], seconds)

    def level(self, name: str, array: str) -> list[float]:
        """Numbers of a picture's array."""
        return self.see("([n, a]) => [...evenfield.desk.pictures.get(n).current.arrays.get(a)]", [name, array])

    def text_of(self, path: str) -> str:
        """What stands in a field of the outline."""
        return self.see("p => document.querySelector(`.rail [data-path='${p}']`).value", path)

    def field(self, path: str) -> Any:
        return self.page.locator(f".rail [data-path='{path}']")

    def card(self, kind: str) -> Any:
        return self.page.locator(f".answer[data-kind='{kind}']")

    def ask(self, kind: str) -> None:
        self.page.locator(f".ask button[data-kind='{kind}']").click()

    def menu(self, kind: str, words: str) -> None:
        """One of the tools of an answer."""
        card = self.card(kind)
        if card.locator(".menu").is_hidden():
            card.locator("button[aria-expanded]").click()
        card.locator(".menu").get_by_text(words, exact=True).click()


def drop_files(sight: Sight, files: list[tuple[str, str, int | None]]) -> None:
    """Drop files (name, text, pretended size) onto the page."""
    sight.see(
        """files => {
        const carried = new DataTransfer();
        for (const [name, text, size] of files) {
            const file = new File([text], name);
            if (size !== null) Object.defineProperty(file, "size", {value: size});
            carried.items.add(file);
        }
        const list = [...carried.files];
        files.forEach(([, , size], i) => size !== null && Object.defineProperty(list[i], "size", {value: size}));
        const event = new DragEvent("drop", {bubbles: true, cancelable: true, dataTransfer: carried});
        const large = files.some(f => f[2] !== null);
        if (large) Object.defineProperty(event, "dataTransfer", {value: {types: ["Files"], files: list}});
        document.dispatchEvent(event);
    }""",
        [list(f) for f in files],
    )


def violations(sight: Sight) -> list[str]:
    """What axe-core finds."""
    if not AXE.is_file():
        missing("axe-core (npm ci in web/)")
    if not sight.see("() => typeof axe === 'object'"):
        sight.see(AXE.read_text(encoding="utf-8") + "; true")
    found = sight.see("() => axe.run(document, {resultTypes: ['violations']}).then(r => r.violations.map(v => "
                      "`${v.id}: ${v.help}: ${v.nodes.slice(0, 3).map(n => n.html.slice(0, 160)).join(' | ')}`))")  # fmt: skip
    return list(found)


@contextmanager
def short_folder() -> Iterator[Path]:
    """A folder for downloads."""
    with tempfile.TemporaryDirectory() as name:
        yield Path(name)
