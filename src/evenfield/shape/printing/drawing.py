"""The cabinet cut-out as a workshop drawing: opening, rebate and screw holes, with dimensions; SVG and DXF, mm."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenfield.shape.printing import missing
from evenfield.shape.printing.plan import PartPlan
from evenfield.shape.printing.settings import SCREWS_MM

Array = NDArray[np.float64]

_MARGIN = 26.0


@dataclass(frozen=True)
class CutOut:
    """What is cut into the baffle, seen from the front: +y to the right, z up, mm, about the waveguide's axis.

    Parameters
        opening : (N, 2) right through
        rebate, rebate_depth : (N, 2) and its depth for the flange
        holes, hole_diameter : (K, 2) centres of the flange's screws and what to drill
        lines : what else the drawing says
    """

    opening: Array
    rebate: Array
    rebate_depth: float
    holes: Array
    hole_diameter: float
    lines: tuple[str, ...]


def cut_out(plan: PartPlan, title: str = "") -> CutOut:
    """The cut-out that a part asks for."""
    making = plan.making
    holes = [h for h in plan.holes if h.x > -plan.depth + 1e-6]
    drill = SCREWS_MM[making.screw][0]
    place = f"centre at y = {1000 * plan.guide.y:g} mm, z = {1000 * plan.guide.z:g} mm from the centre of the face"
    what = f"for inserts or wood screws {making.screw}" if making.fixing == "front" else f"clear through for {making.screw}"
    lines = (
        f"{title or plan.name}: cut-out of the baffle, revision {plan.revision}",
        f"Seen from the front, mm, {place}",
        f"Opening right through; rebate {plan.flange_thickness:.1f} deep for the flange, {making.clearance / 2:g} clear around",
        f"{len(holes)} holes, diameter {drill:g} {what}; drill to suit what you use",
    )
    centres = np.array([[h.y, h.z] for h in holes]).reshape(-1, 2)
    return CutOut(plan.cut_out, plan.rebate, plan.flange_thickness, centres, drill, lines)


def _measures(cut: CutOut) -> Iterator[tuple[Array, Array, float, bool]]:
    """Dimensions: two points, distance of the dimension line from the rebate, upright or not."""
    for n, outline in enumerate((cut.opening, cut.rebate)):
        low, high = outline.min(axis=0), outline.max(axis=0)
        reach = cut.rebate.max(axis=0) + 6.0 + 8.0 * n
        yield np.array([low[0], 0.0]), np.array([high[0], 0.0]), float(reach[1]), False
        yield np.array([0.0, low[1]]), np.array([0.0, high[1]]), float(reach[0]), True
    if len(cut.holes):
        low, high = cut.holes.min(axis=0), cut.holes.max(axis=0)
        reach = cut.rebate.min(axis=0) - 6.0
        yield np.array([low[0], low[1]]), np.array([high[0], low[1]]), float(reach[1]), False
        yield np.array([low[0], low[1]]), np.array([low[0], high[1]]), float(reach[0]), True


def write_dxf(cut: CutOut, path: Path) -> None:
    """Write the drawing as DXF R2010 in millimetres, outlines on layers OPENING, REBATE, HOLES, dimensions on DIMENSIONS."""
    try:
        import ezdxf.filemanagement
        from ezdxf import units
    except ImportError as error:
        missing(error)
    document = ezdxf.filemanagement.new("R2010", setup=True)
    document.units = units.MM
    space = document.modelspace()
    for layer, colour in (("OPENING", 1), ("REBATE", 5), ("HOLES", 3), ("DIMENSIONS", 8), ("TEXT", 7)):
        document.layers.add(layer, color=colour)
    # a drawing's first axis runs to the right; seen from the front +y is to the right of who looks at the face
    for outline, layer in ((cut.opening, "OPENING"), (cut.rebate, "REBATE")):
        space.add_lwpolyline(outline.tolist(), close=True, dxfattribs={"layer": layer})
    for y, z in cut.holes.tolist():
        space.add_circle((y, z), cut.hole_diameter / 2, dxfattribs={"layer": "HOLES"})
    style = {"dimtxt": 3.5, "dimasz": 2.5, "dimdec": 2, "dimexe": 1.0, "dimexo": 1.0}
    for first, second, at, upright in _measures(cut):
        base = (at, 0.0) if upright else (0.0, at)
        made = space.add_linear_dim(
            base, first.tolist(), second.tolist(), angle=90 if upright else 0, override=style, dxfattribs={"layer": "DIMENSIONS"}
        )
        made.render()
    low = cut.rebate.min(axis=0)
    for n, line in enumerate(cut.lines):
        space.add_text(line, height=3.5, dxfattribs={"layer": "TEXT"}).set_placement((low[0], low[1] - 22 - 6 * n))
    document.saveas(path)


def svg_drawing(cut: CutOut) -> str:
    """The drawing as SVG at natural size."""
    low, high = cut.rebate.min(axis=0) - _MARGIN, cut.rebate.max(axis=0) + _MARGIN
    low = low - [0, 6 * len(cut.lines)]
    high[0] = max(high[0], low[0] + 1.95 * max(len(line) for line in cut.lines) + 8)
    wide, tall = (high - low).tolist()

    def at(p: Any) -> str:
        return f"{p[0] - low[0]:.3f},{high[1] - p[1]:.3f}"

    body = [_path(cut.opening, at, "#17222b", 0.5), _path(cut.rebate, at, "#1b6f8a", 0.35)]
    for centre in cut.holes:
        x, y = at(centre).split(",")
        body.append(f'<circle cx="{x}" cy="{y}" r="{cut.hole_diameter / 2:g}" fill="none" stroke="#17222b" stroke-width="0.35"/>')
        body.append(_cross(centre, at))
    body.append(_cross(np.zeros(2), at))
    for measure in _measures(cut):
        body.append(_dimension(measure, at))
    for n, line in enumerate(cut.lines):
        x, y = at((low[0] + 4, cut.rebate[:, 1].min() - _MARGIN - 1 - 5.5 * n)).split(",")
        body.append(f'<text x="{x}" y="{y}" font-size="3.6" font-family="DejaVu Sans, sans-serif">{_escaped(line)}</text>')
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{wide:.2f}mm" height="{tall:.2f}mm" viewBox="0 0 {wide:.2f} {tall:.2f}">'
    )
    return "\n".join(
        [head, f"<title>{_escaped(cut.lines[0])}</title>", '<rect width="100%" height="100%" fill="#fff"/>', *body, "</svg>\n"]
    )


def _escaped(text: str) -> str:
    return text.replace("&", "&amp;").replace("<", "&lt;")


def _path(outline: Array, at: Any, colour: str, width: float) -> str:
    points = " ".join(at(p) for p in outline)
    return f'<polygon points="{points}" fill="none" stroke="{colour}" stroke-width="{width}"/>'


def _cross(centre: Array, at: Any) -> str:
    ends = [at(centre + d) for d in ([-3.5, 0], [3.5, 0], [0, -3.5], [0, 3.5])]
    return f'<path d="M{ends[0]} L{ends[1]} M{ends[2]} L{ends[3]}" stroke="#5d6b74" stroke-width="0.18"/>'


def _dimension(measure: tuple[Array, Array, float, bool], at: Any) -> str:
    first, second, reach, upright = measure
    axis = 1 if upright else 0
    a, b = first.copy(), second.copy()
    a[1 - axis] = b[1 - axis] = reach
    tick = np.array([0.9, 0.9])
    lines = [(first, a), (second, b), (a, b), (a - tick, a + tick), (b - tick, b + tick)]
    drawn = "".join(f"M{at(p)} L{at(q)} " for p, q in lines)
    middle = (a + b) / 2 + ([-1.0, 0] if upright else [0, 1.0])
    x, y = at(middle).split(",")
    turn = f' transform="rotate(-90 {x} {y})"' if upright else ""
    text = f'<text x="{x}" y="{y}"{turn} font-size="3.6" text-anchor="middle" font-family="DejaVu Sans, sans-serif">'
    return f'<path d="{drawn}" stroke="#5d6b74" stroke-width="0.18" fill="none"/>{text}{abs(b - a)[axis]:.2f}</text>'
