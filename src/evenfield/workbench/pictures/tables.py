"""Verdict, facts, parts and cost, as tables."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from evenfield.base.errors import EvenfieldError, Refusal
from evenfield.loudspeaker.circuits import BOX, boxes_of, drivers_of
from evenfield.loudspeaker.geometry import cabinet_of
from evenfield.loudspeaker.predict import Prediction
from evenfield.loudspeaker.verdict import Verdict, judge
from evenfield.report.build import summary
from evenfield.report.document import STATES
from evenfield.shape import surface_facts
from evenfield.transducer.box import VentedBox
from evenfield.transducer.driver import CompressionDriver
from evenfield.workbench.pictures.field import hz
from evenfield.workbench.pictures.picture import Picture, table_picture


def verdict(p: Prediction, options: dict[str, str]) -> Picture:
    """What meets the brief and what does not."""
    return verdict_table(judge(p))


def verdict_table(found: Verdict) -> Picture:
    """A verdict as rows."""
    columns = [
        ("name", "Line", "left"), ("state", "", "left"), ("target", "Target", "left"), ("found", "Found", "left"),
        ("margin", "Margin", "right"), ("where", "Where", "left"), ("cause", "Cause", "left"), ("sure", "How sure", "left"),
    ]  # fmt: skip
    rows = [(x.name, STATES[x.passed], x.target, x.found, x.margin, x.where, x.cause, x.sure) for x in found.lines]
    made = table_picture(
        "Verdict", " ".join(found.notes), columns, rows, [f"{x.group}: {x.name}" for x in found.lines],
        [STATES[x.passed] for x in found.lines], summary(found.lines),
    )  # fmt: skip
    made.header["groups"] = [x.group for x in found.lines]
    made.header["passed"] = found.passed
    return made


def facts(p: Prediction, options: dict[str, str]) -> Picture:
    """Small-signal parameters, box, volumes, stated errors."""
    columns = [("name", "What", "left"), ("value", "Value", "left")]
    rows = list(_facts(p))
    return table_picture("Facts", "From the design and the last full solve.", columns, rows)


def _facts(p: Prediction) -> Iterator[tuple[str, str]]:
    air = p.design.air.to_air()
    for name, driver in drivers_of(p.design, air).items():
        q = (driver.driver if isinstance(driver, CompressionDriver) else driver).parameters(air)
        yield (
            f"{name}, driver",
            f"Re {q['Re']:.3g} ohm, Bl {q['Bl']:.3g} Tm, Mms {1e3 * q['Mms']:.3g} g, Fs {q['Fs']:.3g} Hz, Qts {q['Qts']:.3g}, "
            f"Vas {1e3 * q['Vas']:.3g} L, Sd {1e4 * q['Sd']:.3g} cm2",
        )
    box = boxes_of(p.design).get(BOX)
    if isinstance(box, VentedBox):
        yield "Box", f"{1e3 * box.volume:.3g} L, vented, tuned to {box.tuning_hz(air):.3g} Hz"
    elif box is not None:
        yield "Box", f"{1e3 * box.volume:.3g} L, closed"
    body = surface_facts(cabinet_of(p.design), wall=float(p.design.cabinet.wall_thickness))
    yield "Body", f"{1e3 * body.body_volume:.3g} L outside, {1e3 * body.net_volume:.3g} L inside, as drawn"
    for pair in p.handovers:
        yield f"Handover {pair.lower} to {pair.upper}", hz(pair.frequency)
    if p.error_db is not None:
        yield "Stated error of the solves", f"{p.error_db:.2f} dB RMS, front"
    if p.interpolation_error_db is not None:
        yield "Stated error between the solved frequencies", f"{p.interpolation_error_db:.2f} dB RMS"
    for name, value in p.statistics.items():
        yield name.capitalize(), _said(value)


def _said(value: Any) -> str:
    if isinstance(value, tuple):
        return " to ".join(_said(v) for v in value)
    return f"{value:.0f}" if isinstance(value, float) else str(value)


def cost(p: Prediction, options: dict[str, str]) -> Picture:
    """Parts and cost, as the design file's `cost` section lists them."""
    section = p.design.cost
    if not section:
        raise Refusal("The design states no cost section; parts are counted when it does.")
    rows = [(name, value) for name, value in _leaves(section, "")]
    return table_picture(
        "Parts and cost",
        "As listed in the design file; not added up yet.",
        [("name", "Part", "left"), ("value", "Cost", "right")],
        rows,
    )


def _leaves(node: Mapping[str, Any], head: str) -> Iterator[tuple[str, str]]:
    for key, value in node.items():
        name = f"{head} {key}".strip().replace("_", " ")
        if isinstance(value, Mapping):
            yield from _leaves(value, name)
        else:
            yield name, str(value)


def said_verdict(p: Prediction) -> Verdict | None:
    """The verdict, or None where judging is refused."""
    try:
        return judge(p)
    except EvenfieldError:
        return None
