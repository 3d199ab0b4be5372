"""Title and revision engraved on the flange's back, as outlines of a bold typeface that prints and reads."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from evenfield.base.errors import DesignError, message

if TYPE_CHECKING:
    from evenfield.shape.printing.plan import PartPlan

Array = NDArray[np.float64]

TALLEST, SMALLEST = 6.0, 3.5
"""Height of capitals, mm: strokes of the bold face are a fifth of it, two printed lines at the smallest."""


@dataclass(frozen=True)
class Lettering:
    """Engraved words.

    Parameters
        text : what they say
        outlines : closed outlines (N, 2) in (y, z), mm, even-odd; they read rightly from behind
        x, depth : plane they start from and how deep they go towards +x, mm
        height : of capitals, mm
    """

    text: str
    outlines: tuple[Array, ...]
    x: float
    depth: float
    height: float


def letter(plan: PartPlan) -> Lettering:
    """Words on the widest free side of the flange's back. Raises DesignError when none holds them."""
    best: Lettering | None = None
    for text in (f"{plan.name} {plan.revision}", plan.revision):
        if plan.flange[2] >= min(plan.flange[:2]) - 1e-9:
            best = _on_arc(plan, text)
        for side in ("top", "bottom", "left", "right"):
            made = _on_side(plan, text, side)
            if made is not None and (best is None or made.height > best.height):
                best = made
        if best is not None:
            return best
    raise DesignError(
        message(
            "printer.flange",
            f"wide enough behind for letters {SMALLEST:g} mm high",
            "less on every side",
            fix="a wider flange, gasket: 0 mm (a flat gasket), or lettering_depth: 0 mm",
        ),
        "printer.flange",
    )


def _on_side(plan: PartPlan, text: str, side: str) -> Lettering | None:
    half = plan.flange
    ring = plan.groove[1] if plan.groove is not None else plan.cut_out
    axis = 1 if side in ("top", "bottom") else 0
    sign = 1.0 if side in ("top", "left") else -1.0
    inner, outer = float((sign * ring[:, axis]).max()) + 0.8, half[axis] - 1.0
    height = min(TALLEST, outer - inner)
    if height < SMALLEST:
        return None
    long = half[1 - axis] - half[2]
    for hole in plan.holes:
        place = (hole.y, hole.z)
        if hole.kind in ("screw", "insert") and hole.x > -plan.depth + 1 and sign * place[axis] > inner - hole.radius - 1:
            long = min(long, abs(place[1 - axis]) - hole.radius - 1.5)
    outlines = outlines_of(text, height)
    width = float(np.ptp(np.vstack(outlines)[:, 0]))
    if width > 2 * long:
        height *= 2 * long / width if long > 0 else 0.0
        if height < SMALLEST:
            return None
        outlines = outlines_of(text, height)
    centre = sign * (inner + outer) / 2
    placed = []
    for outline in outlines:
        right, up = outline[:, 0], outline[:, 1]
        # seen from behind, +y lies to the left of the reader: right is -y
        if axis == 1:
            placed.append(np.column_stack([-right, up + centre]))
        else:
            placed.append(np.column_stack([up + centre, right]))
    return Lettering(text, tuple(placed), -plan.flange_thickness, plan.making.lettering_depth, height)


def _on_arc(plan: PartPlan, text: str) -> Lettering | None:
    """Along the upper arc of a round flange."""
    ring = plan.groove[1] if plan.groove is not None else plan.cut_out
    inner, outer = float(np.hypot(*ring.T).max()) + 0.8, plan.flange[0] - 1.0
    height = min(TALLEST, outer - inner)
    if height < SMALLEST:
        return None
    middle = (inner + outer) / 2
    screws = [h for h in plan.holes if h.x > -plan.depth + 1]
    free = min((abs(np.arctan2(h.y, h.z)) * middle - h.radius - 1.5 for h in screws), default=middle)
    width = float(np.ptp(np.vstack(outlines_of(text, height))[:, 0]))
    height *= min(1.0, 2 * free / width) if free > 0 else 0.0
    if height < SMALLEST:
        return None
    placed = []
    for outline in outlines_of(text, height):
        turn, radius = outline[:, 0] / middle, middle + outline[:, 1]
        placed.append(np.column_stack([-radius * np.sin(turn), radius * np.cos(turn)]))
    return Lettering(text, tuple(placed), -plan.flange_thickness, plan.making.lettering_depth, height)


def outlines_of(text: str, height: float) -> list[Array]:
    """Closed outlines of a text centred on the origin, capitals `height` mm high."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import TextPath

    face = FontProperties(family="DejaVu Sans", weight="bold")
    cap = float(np.ptp(TextPath((0, 0), "H", size=100, prop=face).vertices[:, 1]))
    found: list[Array] = []
    reach = 0.0
    for letter_ in text:
        # letter by letter, so that the bridges between them print
        if letter_.isspace():
            reach += 0.45 * height
            continue
        path = TextPath((0, 0), letter_, size=100 * height / cap, prop=face)
        polygons = [np.asarray(p, float) for p in path.to_polygons(closed_only=True)]
        made = [p[:-1] for p in polygons if len(p) > 3]
        points = np.vstack(made)
        found += [p + np.array([reach - points[:, 0].min(), 0.0]) for p in made]
        reach += float(np.ptp(points[:, 0])) + _BRIDGE * height
    points = np.vstack(found)
    middle = np.array([(points[:, 0].min() + points[:, 0].max()) / 2, height / 2])
    return [p - middle for p in found]


_BRIDGE = 0.2  # between letters over their height
