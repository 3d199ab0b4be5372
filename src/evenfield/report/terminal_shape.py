"""The shape command in the terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING

from evenfield.report.terminal_filters import plain_table

if TYPE_CHECKING:
    from rich.console import Console

    from evenfield.search.shape_job import ShapeJob

_WORD = {True: "met", False: "[bold]not met[/bold]", None: ""}


def print_shape(job: ShapeJob, console: Console | None = None) -> None:
    """Print the aim, the table of gains and losses, the dimensions, and which of them matter."""
    from rich.console import Console

    out = console or Console()
    out.print(f"\n[bold]{job.design.name}[/bold]  {job.aim.upper}, aim: {job.aim.words()}")
    c = job.counts
    out.print(
        f"objective {job.first:.3f} -> {job.last:.3f}; {c.values} shapes, {c.solves} solves, {c.adjoints} adjoint passes, "
        f"{job.seconds:.0f} s",
        highlight=False,
    )
    if job.rows:
        table = plain_table("What", "Aim", "Before", "After", "")
        for r in job.rows:
            table.add_row(r.name, r.target, r.before, r.after, _WORD[r.met])
        out.print(table)
    table = plain_table("Dimension", "Before", "After")
    for row in job.dimensions:
        table.add_row(*row)
    out.print(table)
    print_sensitivity(job, out)
    print_corners(job, out)
    for note in job.notes:
        out.print(note, highlight=False, markup=False)
    for path in job.files:
        out.print(f"Written: {path}", highlight=False, markup=False)


def print_corners(job: ShapeJob, out: Console) -> None:
    """Print what the worst corners of the tolerances do."""
    if job.corners:
        words = ", ".join(
            f"{n.removesuffix('_db').replace('_', ' ')} {v:.2f}" for n, v in job.corners.items() if n.endswith("_db")
        )
        out.print(f"Worst over the corners of the tolerances, dB: {words}", highlight=False)
    tables = {"in the worst corner": job.cornered} if job.cornered else {}
    for name, rows in {**tables, **job.proofs}.items():
        table = plain_table(f"What, {name}", "Aim", "Designed", "So", "")
        for r in rows:
            table.add_row(r.name, r.target, r.before, r.after, _WORD[r.met])
        out.print(table)


def print_sensitivity(job: ShapeJob, out: Console) -> None:
    """Print which dimension matters, the most sensitive first."""
    if not job.sensed:
        return
    names = list(job.sensed[0].change)
    table = plain_table("Matters, per", "", *(n.removesuffix("_db") + ", dB" for n in names))
    for s in job.sensed[:12]:
        table.add_row(s.name, s.unit, *(f"{s.change[n]:+.3f}" for n in names))
    out.print(table)
    if len(job.sensed) > 12:
        out.print(f"({len(job.sensed) - 12} more matter less; --json or shape.json has them all)", highlight=False)


__all__ = ["print_sensitivity", "print_shape"]
