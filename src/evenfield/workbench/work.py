"""Long work in a process of its own: full solves, rooms, motors, filter fits. Ends when its parent does."""

from __future__ import annotations

import os
import threading
import time
from pathlib import Path
from typing import Any

from evenfield.base.errors import EvenfieldError

WORKS = ("solve",)
"""What a page may start."""

ALL_WORKS = (*WORKS, "report")


class PipeProgress:
    """Sends how far the work is through a pipe, at most ten times a second."""

    def __init__(self, connection: Any) -> None:
        self.connection = connection
        self.total, self.count, self.what, self._sent = 0, 0.0, "", 0.0

    def start(self, total: int, what: str) -> None:
        """Begin a job of `total` steps."""
        self.total, self.count, self.what = total, 0.0, what
        self._send(True)

    def step(self, what: str = "", share: float = 1.0) -> None:
        """One step done, or a share of it."""
        self.count += share
        self._send(False, what)

    def done(self) -> None:
        """The job is over."""
        self._send(True)

    def _send(self, always: bool, detail: str = "") -> None:
        now = time.monotonic()
        if always or now - self._sent > 0.1:
            self._sent = now
            self.connection.send(
                {"done": self.count, "total": self.total, "what": f"{self.what}: {detail}" if detail else self.what}
            )


def run(connection: Any, folder: str, name: str, text: str, work: str, options: dict[str, Any]) -> None:
    """The process's main: does the work, sends progress, then `ended` or `failed`."""
    import signal

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    os.nice(5)  # a drag on the page goes first
    threading.Thread(target=_end_with_parent, args=(os.getppid(),), daemon=True).start()
    try:
        do_work(Path(folder), name, text, work, options, PipeProgress(connection))
        connection.send({"ended": True})
    except EvenfieldError as error:
        connection.send({"failed": str(error)})
    except (BrokenPipeError, OSError) as error:
        os._exit(1 if isinstance(error, BrokenPipeError) else 2)
    except Exception as error:
        import traceback

        traceback.print_exc()
        connection.send({"failed": f"{type(error).__name__}: {error}"})


def do_work(folder: Path, name: str, text: str, work: str, options: dict[str, Any], progress: Any) -> None:
    """One piece of work on a design's text; what it finds lies in the store."""
    from evenfield.loudspeaker.load import Positions, _parse_yaml, design_from, located
    from evenfield.loudspeaker.predict import foundation_of, predict
    from evenfield.loudspeaker.store import Store

    tree = _parse_yaml(text, folder / name)
    positions = Positions(folder / name, tree)
    design = design_from(tree, positions)
    with located(positions):
        if work == "solve":
            with Store(folder).run(name, text):
                foundation_of(design, folder=folder, progress=progress)
            return
        prediction = predict(design, folder=folder, progress=progress)
        if work == "report":
            write_report_of(prediction, Path(options["folder"]), options["stem"], progress)


def write_report_of(prediction: Any, folder: Path, stem: str, progress: Any) -> None:
    """The report of one revision, as HTML and PDF."""
    from evenfield.loudspeaker.verdict import judge
    from evenfield.report import write_report

    progress.start(1, "Report")
    write_report(prediction, judge(prediction), folder / f"{stem}.html")
    progress.step()
    progress.done()


def _end_with_parent(parent: int) -> None:
    while os.getppid() == parent:
        time.sleep(0.25)
    os._exit(3)
