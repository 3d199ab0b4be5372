"""Progress bars in the terminal."""

from __future__ import annotations

from typing import Any


class TerminalProgress:
    """A bar with steps, time left and what is being done; silent when told so.

    Use as a context manager; Ctrl-C closes the bar and passes on.
    """

    def __init__(self, silent: bool = False) -> None:
        self._silent = silent
        self._bar: Any = None
        self._task: Any = None

    def __enter__(self) -> TerminalProgress:
        return self

    def __exit__(self, *error: object) -> None:
        self.done()

    def start(self, total: int, what: str) -> None:
        """Begin a job of `total` steps."""
        if self._silent:
            return
        from rich.console import Console
        from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn, TimeRemainingColumn

        columns = (
            TextColumn("{task.description}"),
            BarColumn(bar_width=30),
            MofNCompleteColumn(),
            TimeElapsedColumn(),
            TextColumn("left"),
            TimeRemainingColumn(),
            TextColumn("{task.fields[detail]}"),
        )
        self._bar = Progress(*columns, console=Console(stderr=True), transient=True)
        self._bar.start()
        self._task = self._bar.add_task(what, total=total, detail="")

    def step(self, what: str = "", share: float = 1.0) -> None:
        """One step done, or a share of it."""
        if self._bar is not None:
            self._bar.update(self._task, advance=share, **({"detail": what} if what else {}))

    def done(self) -> None:
        """The job is over."""
        if self._bar is not None:
            self._bar.stop()
            self._bar = None
