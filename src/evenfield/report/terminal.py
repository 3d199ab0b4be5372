"""The verdict in the terminal."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from typing import TYPE_CHECKING

from evenfield.report.document import SIGNS, STATES
from evenfield.report.subject import LineLike, PredictionLike, VerdictLike, judged_thing

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

_LOOK = {"met": "green", "not met": "bold red", "not judged": "dim"}


def print_verdict(verdict: VerdictLike, prediction: PredictionLike | None = None, console: Console | None = None) -> None:
    """Print the verdict: the lines in a table, what failed and why below it, the notes.

    Parameters
        prediction : adds one line about its handovers
        console : where to; standard output when absent
    Colours only repeat what the words say.
    """
    from rich.console import Console
    from rich.text import Text

    out = console or Console()
    state = STATES[verdict.passed]
    out.print()
    out.print(
        Text.assemble((verdict.title, "bold"), "  ", (f"{SIGNS[state]} {judged_thing(verdict).lower()} {state}", _LOOK[state]))
    )
    if verdict.standard:
        out.print(Text(f"Standard: {verdict.standard}", style="dim"))
    out.print(_table(verdict.lines, narrow=out.width < 100))
    for line in verdict.lines:
        if line.passed is False:
            out.print(_reason(line))
    for line in verdict.lines:
        if line.passed is None and line.sure:
            out.print(Text(f"– {line.name}: {line.sure}", style="dim"))
    for text in (*_handover_words(prediction), *verdict.notes):
        out.print(Text(text, style="dim"))


def _table(lines: Sequence[LineLike], *, narrow: bool) -> Table:
    from rich import box
    from rich.table import Table
    from rich.text import Text

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, header_style="bold")
    for name in ("", "Line", "Target", "Found", "Margin"):
        table.add_column(name, overflow="fold", no_wrap=name == "")
    if not narrow:
        table.add_column("Where", overflow="fold")
    for group, rows in groupby(lines, key=lambda line: line.group):
        table.add_row("", Text(group, style="bold underline"))
        for line in rows:
            state = STATES[line.passed]
            cells = [line.name, line.target, line.found, line.margin, *([] if narrow else [line.where])]
            table.add_row(Text(f"{SIGNS[state]} {state}", style=_LOOK[state]), *(Text(cell) for cell in cells))
    return table


def _reason(line: LineLike) -> object:
    from rich.text import Text

    text = ". ".join(part.rstrip(".") for part in (line.where, line.cause, line.sure) if part)
    return Text.assemble((f"✗ {line.name}: ", "bold"), text or "no cause found", ".")


def _handover_words(prediction: PredictionLike | None) -> list[str]:
    from evenfield.report.style import spoken_hz

    words = []
    for pair in getattr(prediction, "handovers", ()) or ():
        step, mismatch = getattr(pair, "step_db", None), getattr(pair, "mismatch_db", None)
        measures = [f"step {step:+.2f} dB"] if step is not None else []
        measures += [f"mismatch {mismatch:.2f} dB"] if mismatch is not None else []
        words.append(f"Handover {pair.lower} to {pair.upper} at {spoken_hz(pair.frequency)}: {', '.join(measures)}")
    return words
