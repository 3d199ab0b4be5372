"""Writing fitted filters back into a copy of the design file, its comments kept."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from evenfield.filters.passive_parts import Capacitor, Inductor, Load, Part, Resistor, Transformer
from evenfield.filters.passive_series import TOLERANCE, written
from evenfield.loudspeaker.design import Design, Filters
from evenfield.loudspeaker.design_text import in_one_line, read_text, write_text
from evenfield.loudspeaker.passive_fit import PassiveFit


def write_active(source: str | Path, target: str | Path, design: Design) -> Path:
    """A copy of the design file `source` at `target` with the filters of `design` in place of its own."""
    yaml, tree = read_text(Path(source))
    for name, way in design.ways.items():
        tree["ways"][name]["filters"] = _filters(way.filters)
    return write_text(yaml, tree, Path(target))


def write_passive(source: str | Path, target: str | Path, fit: PassiveFit, series: str = "E12") -> Path:
    """A copy with the fitted network as its `passive` section and no filters in its ways."""
    yaml, tree = read_text(Path(source))
    for way in tree["ways"].values():
        way.pop("filters", None)
        way.pop("amplifier", None)
    tree["passive"] = {
        "series": series,
        "voltage": f"{fit.voltage:.4g} V",
        "rated_impedance": f"{fit.rated:.4g} ohm",
        "parts": [in_one_line(_part(p, series)) for p in fit.model.network.parts],
    }
    return write_text(yaml, tree, Path(target))


def _filters(filters: Filters) -> dict[str, Any]:
    found: dict[str, Any] = {}
    if float(filters.gain):
        found["gain"] = filters.gain.text
    if float(filters.delay):
        found["delay"] = filters.delay.text
    if filters.invert:
        found["invert"] = True
    if filters.sample_rate is not None:
        found["sample_rate"] = filters.sample_rate.text
    sections = []
    for s in filters.sections:
        row: dict[str, Any] = {"kind": s.kind}
        if s.kind in ("low-pass", "high-pass"):
            row |= {"family": s.family, "order": s.order}
        row["frequency"] = s.frequency.text
        if s.kind in ("peaking", "low-shelf", "high-shelf"):
            row["gain"] = s.gain.text
        if s.limit is not None:
            row["limit"] = s.limit.text
        if s.kind not in ("low-pass", "high-pass", "integrator-shelf"):
            row["q"] = float(f"{float(s.q):.4g}")
        sections.append(in_one_line(row))
    found["sections"] = sections
    return found


def _part(part: Part, series: str) -> dict[str, Any]:
    row: dict[str, Any] = {"kind": part.kind, "name": part.name, "nodes": list(part.nodes)}
    if isinstance(part, Load):
        return row | {"way": part.name}
    if isinstance(part, Resistor):
        row["ohms"] = written(part)
    if isinstance(part, Inductor):
        row |= {"henry": written(part), "resistance": f"{part.winding:.3g} ohm"}
        row |= {"core_loss": part.core_loss} if part.core_loss else {}
    if isinstance(part, Capacitor):
        row |= {"farad": written(part), "resistance": f"{part.resistance:.3g} ohm", "dissipation": part.dissipation}
    if isinstance(part, Transformer):
        return row | {"ratio": part.ratio, "resistance": f"{part.primary_resistance:.3g} ohm"}
    return row | {"tolerance": f"{100 * TOLERANCE[series]:g} %"}
