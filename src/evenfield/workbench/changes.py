"""What a change did: verdict lines gained and lost, handovers, ripple, cost."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from itertools import zip_longest
from typing import Any

from evenfield import metrics
from evenfield.base.errors import EvenfieldError
from evenfield.loudspeaker.predict import Prediction
from evenfield.loudspeaker.verdict import Line, judge
from evenfield.report.document import STATES
from evenfield.workbench.pictures.parts import total_of

Row = dict[str, Any]


def changes_between(
    before: Prediction,
    after: Prediction,
    spread_before: dict[str, float] | None = None,
    spread_after: dict[str, float] | None = None,
) -> Row:
    """Lines and numbers of both, side by side; room spreads by ensemble where rooms were run."""
    old = {(x.group, x.name): x for x in judge(before).lines}
    new = {(x.group, x.name): x for x in judge(after).lines}
    lines = [_line(key, old.get(key), new.get(key)) for key in dict.fromkeys([*old, *new])]
    order = {"lost": 0, "gained": 1, "worse": 2, "better": 3, "new": 4, "gone": 5, "same": 6}
    spreads = (spread_before or {}, spread_after or {})
    numbers = [*_numbers(before, after), *_spreads(*spreads)]
    return {"lines": sorted(lines, key=lambda r: order[r["verdict"]]), "numbers": numbers}


def _spreads(before: dict[str, float], after: dict[str, float]) -> Iterator[Row]:
    for name in dict.fromkeys([*before, *after]):
        yield _number(f"Room spread, {name}", before.get(name, math.nan), after.get(name, math.nan), "dB", 2)


def _line(key: tuple[str, str], old: Line | None, new: Line | None) -> Row:
    def said(x: Line | None) -> str:
        return "" if x is None else " ".join(p for p in (STATES[x.passed], x.found) if p)

    return {
        "group": key[0], "name": key[1], "before": said(old), "after": said(new),
        "target": (new or old or Line("", "", None)).target,
        "verdict": _verdict(old, new),
    }  # fmt: skip


def _verdict(old: Line | None, new: Line | None) -> str:
    if old is None:
        return "new"
    if new is None:
        return "gone"
    if old.passed is not True and new.passed is True:
        return "gained"
    if old.passed is True and new.passed is not True:
        return "lost"
    before, after = _margin(old.margin), _margin(new.margin)
    if before is None or after is None or math.isclose(before, after, abs_tol=5e-3):
        return "same"
    return "better" if after > before else "worse"


def _margin(text: str) -> float | None:
    match = re.match(r"\s*([-+−]?\d+(?:\.\d+)?)", text)
    return float(match[1].replace("−", "-")) if match else None


def _numbers(before: Prediction, after: Prediction) -> Iterator[Row]:
    for old, new in zip_longest(before.handovers, after.handovers):
        if old is None or new is None:
            continue
        name = f"{new.lower} to {new.upper}"
        yield _number(f"Crossover, {name}", old.frequency, new.frequency, "Hz", 0)
        yield _number(f"Step, {name}", old.step_db, new.step_db, "dB", 2)
        yield _number(f"Mismatch, {name}", old.mismatch_db, new.mismatch_db, "dB", 2)
        yield _number(f"Pattern difference, {name}", old.pattern_db, new.pattern_db, "dB", 2)
    yield _number("DI ripple", _ripple(before), _ripple(after), "dB", 2)
    yield _number("Parts with a price, printed ones aside", total_of(before.design), total_of(after.design), "EUR", 2)
    yield _number("Sensitivity, 300 Hz to 3 kHz", _sensitivity(before), _sensitivity(after), "dB", 1)


def _number(label: str, before: float, after: float, unit: str, digits: int) -> Row:
    def known(v: float) -> float | None:
        return round(v, 4) if math.isfinite(v) else None

    def said(v: float) -> str:
        return f"{v:.{digits}f} {unit}" if math.isfinite(v) else "not judged"

    return {
        "label": label, "before": known(before), "after": known(after), "unit": unit, "text": [said(before), said(after)],
        "change": f"{after - before:+.{digits}f} {unit}" if math.isfinite(before) and math.isfinite(after) else "",
    }  # fmt: skip


def _ripple(p: Prediction) -> float:
    try:
        return float(metrics.di_ripple(p.power).rms_db)
    except EvenfieldError:
        return math.nan


def _sensitivity(p: Prediction) -> float:
    try:
        return float(metrics.sensitivity(p.system))
    except EvenfieldError:
        return math.nan
