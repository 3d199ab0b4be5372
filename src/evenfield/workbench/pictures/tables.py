"""Verdict, facts, parts and cost, as tables."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from evenfield.base.errors import EvenfieldError
from evenfield.loudspeaker.circuits import BOX, boxes_of, drivers_of
from evenfield.loudspeaker.design import Design
from evenfield.loudspeaker.geometry import cabinet_of
from evenfield.loudspeaker.predict import Prediction
from evenfield.loudspeaker.verdict import Verdict, judge
from evenfield.report.build import summary
from evenfield.report.document import STATES
from evenfield.shape import surface_facts
from evenfield.transducer.box import VentedBox
from evenfield.transducer.driver import CompressionDriver
from evenfield.workbench.pictures.field import hz
from evenfield.workbench.pictures.parts import parts
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
    notes = " ".join(n if n.rstrip().endswith(".") else f"{n}." for n in found.notes)
    made = table_picture(
        "Verdict", notes, columns, rows, [f"{x.group}: {x.name}" for x in found.lines],
        [STATES[x.passed] for x in found.lines], summary(found.lines),
    )  # fmt: skip
    made.header["groups"] = [x.group for x in found.lines]
    made.header["passed"] = found.passed
    return made


def facts(p: Prediction, options: dict[str, str]) -> Picture:
    """Small-signal parameters, box, volumes, stated errors."""
    return facts_table(p.design, p)


def facts_table(design: Design, p: Prediction | None) -> Picture:
    """What is known of a design before it is solved, and after."""
    columns = [("name", "What", "left"), ("value", "Value", "left")]
    rows = [*_facts(design), *([] if p is None else _found(p))]
    caption = (
        "From the design alone; handovers and stated errors come with the full solve."
        if p is None
        else ("From the design and the last full solve.")
    )
    return table_picture("Facts", caption, columns, rows)


def _facts(design: Design) -> Iterator[tuple[str, str]]:
    c, air = design.cabinet, design.air.to_air()
    size = " x ".join(f"{1e3 * float(v):.4g}" for v in (c.width, c.height, c.depth))
    yield "Cabinet", f"{size} mm (width, height, depth), edges {c.edge_radius.text}, walls {1e3 * float(c.wall_thickness):.3g} mm"
    mounting = design.mounting
    yield (
        "Mounting",
        mounting.replace("free", "free-standing")
        if isinstance(mounting, str)
        else (f"{mounting.wall.text} from its rear to the wall behind"),
    )
    yield (
        "Air",
        (
            f"{float(design.air.temperature):.3g} degC, {float(design.air.pressure) / 1e3:.5g} kPa, "
            f"{100 * float(design.air.humidity):.3g} % RH: c {air.speed_of_sound:.1f} m/s, density {air.density:.4g} kg/m3"
        ),
    )
    for name, driver in drivers_of(design, air).items():
        q = (driver.driver if isinstance(driver, CompressionDriver) else driver).parameters(air)
        yield (
            f"{name}, driver",
            f"Re {q['Re']:.3g} ohm, Bl {q['Bl']:.3g} Tm, Mms {1e3 * q['Mms']:.3g} g, Fs {q['Fs']:.3g} Hz, Qts {q['Qts']:.3g}, "
            f"Vas {1e3 * q['Vas']:.3g} L, Sd {1e4 * q['Sd']:.3g} cm2",
        )
    box = boxes_of(design).get(BOX)
    if isinstance(box, VentedBox):
        yield "Box", f"{1e3 * box.volume:.3g} L, vented, tuned to {box.tuning_hz(air):.3g} Hz"
    elif box is not None:
        yield "Box", f"{1e3 * box.volume:.3g} L, closed"
    body = surface_facts(cabinet_of(design), wall=float(c.wall_thickness))
    yield "Body", f"{1e3 * body.body_volume:.3g} L outside, {1e3 * body.net_volume:.3g} L inside, as drawn"


def _found(p: Prediction) -> Iterator[tuple[str, str]]:
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
    """Parts and cost of the design."""
    return parts(p.design)


def said_verdict(p: Prediction) -> Verdict | None:
    """The verdict, or None where judging is refused."""
    try:
        return judge(p)
    except EvenfieldError:
        return None
