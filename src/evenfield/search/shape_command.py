"""The shape command's options, read and checked."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

from evenfield.base.errors import DesignError, message
from evenfield.base.units import parse_amount
from evenfield.loudspeaker.load import load_design
from evenfield.loudspeaker.sweep import Progress
from evenfield.search.aim import shaped_way
from evenfield.search.shape_job import ShapeJob, Wish, check_output, run_shape
from evenfield.search.shape_search import Effort


def shape_file(
    path: Path,
    *,
    aim: str = "",
    out: Path | None = None,
    resume: bool = False,
    way: str | None = None,
    first_cut: bool = False,
    hold: tuple[str, ...] = (),
    bound: tuple[str, ...] = (),
    also: tuple[str, ...] = (),
    free: bool = True,
    starts: int = 3,
    minutes: float = 15.0,
    confirm: bool = True,
    write: Path | None = None,
    over: bool = False,
    device: str = "auto",
    tolerance: str = "",
    overhang: bool = True,
    prove: bool = False,
    rounds: int = 3,
    progress: Progress | None = None,
    pictures: Callable[[str], Any] | None = None,
) -> ShapeJob:
    """Run the shape command on a design file; `pictures`: from the way's name to what is called with each step.

    Raises DesignError for options that do not go together, and as `run_shape`.
    """
    check_output(path, write, over)
    if not 0 < minutes <= 24 * 60:
        raise DesignError(message("--minutes", "more than 0 and at most a day", minutes))
    design = load_design(path)
    named = way or (next(reversed(design.ways)) if first_cut else shaped_way(design))
    effort = Effort(starts, minutes=minutes, rounds=rounds)
    bounds, freed = dict(map(read_bound, bound)), dict(map(read_bound, also))
    wish = Wish(aim, way, hold, bounds, freed, free, effort, confirm, device, _tolerance(tolerance), overhang, prove)
    on_step = None if pictures is None else pictures(named)
    return run_shape(
        path, wish, out=out, resume=resume, write=write, over=over, first_cut=first_cut, progress=progress, on_step=on_step
    )


def _tolerance(text: str) -> float:
    try:
        return float(parse_amount(text, "length")) if text else 0.0
    except DesignError as error:
        raise DesignError(f"--tolerance {error}") from None


def read_bound(text: str) -> tuple[str, tuple[float, float]]:
    """NAME and its bounds, SI, from "depth=20 mm..45 mm". Raises DesignError."""
    match = re.match(r"^\s*([\w.]+)\s*=\s*(.+?)\s*\.\.\s*(.+?)\s*$", text)
    if match is None:
        raise DesignError(message("--bound", "NAME=LOW..HIGH with units", repr(text), fix='"depth=20 mm..45 mm"'))
    name = match[1]
    last = name.split(".")[-1] if not name.split(".")[-1].isdigit() else "angle"
    kind = "angle" if "angle" in last else "number" if last == "exponent" else "length"
    try:
        low, high = (float(parse_amount(match[n], kind)) for n in (2, 3))
    except DesignError as error:
        raise DesignError(f"--bound: {name} {error}") from None
    if not low < high:
        raise DesignError(message("--bound", "two values, the lower first", repr(text)))
    return name, (low, high)


__all__ = ["read_bound", "shape_file"]
