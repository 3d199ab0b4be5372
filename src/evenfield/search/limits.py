"""What a shape may not do: margins, in cm, that must stay positive while a waveguide's dimensions change."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from evenfield.base.errors import DesignError, EvenfieldError, message
from evenfield.loudspeaker.design import Design
from evenfield.loudspeaker.geometry import elements_of
from evenfield.loudspeaker.printer_section import printer_of
from evenfield.search.aim import PLANES
from evenfield.search.dimensions import Dimension, Space, read
from evenfield.shape.elements import Element, RoundedRectangle, Superelliptic, Waveguide
from evenfield.shape.fit import ROOM
from evenfield.shape.outlines import footprint, smallest_half, support
from evenfield.shape.overhang import LYING, hang
from evenfield.shape.profiles import PROFILES

Array = NDArray[np.float64]

_CM = 100.0
_THETA = np.linspace(-math.pi, math.pi, 361)
SPARE = 2e-4
"""m; kept beyond what the geometry itself asks, so that rounded values still fit."""
LEAST_CORNER, LEAST_ROUNDING, LEAST_BEND = 6e-3, 3e-3, 3e-3
"""m; the smallest mouth corner, the smallest radius of its edge, and the smallest along the wall, that are worth printing (common
practice, no source)."""
Named = list[tuple[str, float]]


def margins(design: Design, way: str, folder: str | Path | None = None) -> Array:
    """(M,) cm, all positive where the waveguide of `way` fits its cabinet and neighbours and can be made."""
    return np.array([value for _, value in named_margins(design, way, folder)])


def named_margins(design: Design, way: str, folder: str | Path | None = None) -> list[tuple[str, float]]:
    """`margins`, each with the words for what it keeps apart."""
    elements = elements_of(design, folder)
    guide = next(e for e in elements if isinstance(e, Waveguide) and e.name == way)
    others = [e for e in elements if e is not guide and e.face == guide.face]
    found = [*_on_flat(design, guide), *((f"room beside {e.name}", _apart(guide, e)) for e in others)]
    found += [*_inner(guide), *_falling(design, way), *_bends(guide)]
    for element in others:
        found += _on_flat(design, element)
    deepest = float(design.cabinet.depth) - 2 * float(design.cabinet.wall_thickness)
    found.append(("depth inside the cabinet", deepest - guide.depth))
    return [(name, _CM * (value - SPARE)) for name, value in (*found, *overhang_margins(design, guide))]


def _on_flat(design: Design, element: Element) -> Named:
    outline, margin = footprint(element)
    c = design.cabinet
    found = []
    for side, size, place, direction in (("width", c.width, element.y, 0.0), ("height", c.height, element.z, math.pi / 2)):
        flat = float(size) / 2 - float(c.edge_radius) - ROOM
        spare = flat - abs(place) - float(support(outline, np.array(direction), margin))
        found.append((f"{element.name} on the flat of the face ({side})", spare))
    return found


def _apart(first: Element, second: Element) -> float:
    a, margin_a = footprint(first)
    b, margin_b = footprint(second)
    between = (second.y - first.y) * np.cos(_THETA) + (second.z - first.z) * np.sin(_THETA)
    room = between - support(a, _THETA, margin_a) - support(b, _THETA + math.pi, margin_b)
    return float(room.max()) - ROOM


def _inner(guide: Waveguide) -> Named:
    """Inside the waveguide: no wall may turn back, no radius be too small."""
    half = smallest_half(guide.mouth)
    deep = guide.depth + guide.proud
    least = PROFILES[guide.profile].least_mouth(guide.throat_radius, guide.entry_angle, deep, guide.rounding)
    found = [
        ("mouth wider than the entry angle leads", half - least),
        ("rounding within the depth", 0.9 * guide.depth - guide.rounding),
    ]
    if isinstance(guide.mouth, RoundedRectangle):
        found.append(("corner within the mouth", half - guide.mouth.corner_radius))
    if isinstance(guide.mouth, Superelliptic):
        found.append(("least radius of the mouth's corner", corner_of(guide.mouth) - LEAST_CORNER))
    return found


def corner_of(mouth: Superelliptic) -> float:
    """m, least radius of curvature of a superellipse: (x'^2 + y'^2)^(3/2) / |x' y'' - y' x''| over its parameter."""
    a, b, power = mouth.width / 2, mouth.height / 2, 2 / mouth.exponent
    t = np.linspace(0.02, math.pi / 2 - 0.02, 121)
    c, s = np.cos(t), np.sin(t)
    x1, y1 = -a * power * c ** (power - 1) * s, b * power * s ** (power - 1) * c
    x2 = a * power * ((power - 1) * c ** (power - 2) * s**2 - c**power)
    y2 = b * power * ((power - 1) * s ** (power - 2) * c**2 - s**power)
    return float(np.min((x1**2 + y1**2) ** 1.5 / np.abs(x1 * y2 - y1 * x2)))


def _bends(guide: Waveguide) -> Named:
    """Between its stations a free wall may turn no tighter than `LEAST_BEND`: a monotone cubic bends at most 1.5 times as tightly
    as the arc, whose length is no less than its share of the straight line from throat to mouth.
    """
    if not guide.angles:
        return []
    line = math.hypot(guide.depth, smallest_half(guide.mouth) - guide.throat_radius)
    shares = np.diff([0.0, *guide.stations]) if guide.stations else np.full(len(guide.angles), 1 / len(guide.angles))
    found: Named = []
    for name, angles in zip(PLANES, (guide.angles, guide.angles_vertical, guide.angles_diagonal), strict=True):
        if angles:
            room = shares * line / 1.5 - LEAST_BEND * np.diff([guide.entry_angle, *angles])
            found += [(f"least radius along the {name} wall", float(v)) for v in room]
    return found


def overhang_of(design: Design) -> tuple[str, float] | None:
    """The way of lying that the printer's section chooses, and the steepest overhang, rad; None where it chooses none."""
    if not (design.printer or {}).get("lying"):
        return None
    machine = printer_of(design).machine
    return None if machine.lying is None else (machine.lying, math.radians(machine.overhang_deg))


def overhang_margins(design: Design, guide: Waveguide) -> Named:
    """How much steeper than the printer's limit the acoustic wall stands, at places all over it: 1 degree counts 1 mm."""
    chosen = overhang_of(design)
    if chosen is None:
        return []
    lying, limit = chosen
    angle = hang(guide, LYING[lying], limit).angle
    name = f"overhang, {math.degrees(limit):.0f} deg printed {lying.replace('-', ' ')}"
    return [(name, float(v)) for v in np.degrees(limit - angle).ravel() * 1e-3]


def _falling(design: Design, way: str) -> Named:
    """Wall angles may not fall towards the mouth, and start no lower than the entry: 1 degree counts 1 mm."""
    guide = design.ways[way].waveguide
    found: Named = []
    if guide is None or guide.wall is None:
        return found
    entry = [] if guide.entry_angle is None else [float(guide.entry_angle)]
    for plane in PLANES:
        angles = [float(a) for a in getattr(guide.wall, plane)]
        if angles:
            steps = np.diff([*entry, *angles])
            found += [(f"the {plane} wall's angles, which may not fall", float(v)) for v in np.degrees(steps) * 1e-3]
    return found


def dimensions_of(
    design: Design,
    way: str,
    hold: tuple[str, ...] = (),
    bound: dict[str, tuple[float, float]] | None = None,
    also: dict[str, tuple[float, float]] | None = None,
) -> Space:
    """The dimensions of a way's waveguide that may be searched, with their bounds.

    Parameters
        hold : names (last words of the key: "depth", "mouth.width", "place.z") that stay as they are
        bound : name -> (low, high), SI, in place of the usual bounds
        also : dotted path of any other length or angle of the design file -> (low, high), SI: it is searched too
    Raises DesignError for names that are none.
    """
    found = [d for d in _usual(design, way) if _name(d.key, way) not in hold]
    names = {_name(d.key, way) for d in _usual(design, way)}
    for name in (*hold, *(bound or {})):
        if name not in names:
            raise DesignError(message("a dimension's name", f"one of {', '.join(sorted(names))}", repr(name)))
    bound = bound or {}
    found = [Dimension(d.key, *bound.get(_name(d.key, way), (d.low, d.high)), d.unit) for d in found]
    for key, (low, high) in (also or {}).items():
        read(design, key)
        found.append(Dimension(key, low, high, "deg" if "angle" in key.split(".")[-1] else "mm"))
    if not found:
        raise DesignError(message("--hold", "leaving something to change", ", ".join(hold)))
    return Space(design, tuple(found))


def _name(key: str, way: str) -> str:
    return key.removeprefix(f"ways.{way}.").removeprefix("waveguide.")


def _usual(design: Design, way: str) -> list[Dimension]:
    """Bounds from the cabinet and the present shape."""
    guide = design.ways[way].waveguide
    assert guide is not None
    c, base = design.cabinet, f"ways.{way}.waveguide"
    throat, depth = float(guide.throat_radius), float(guide.depth)
    flat = [float(s) - 2 * float(c.edge_radius) for s in (c.width, c.height)]
    least = 2 * throat + 0.02
    found = [Dimension(f"{base}.depth", max(0.008, 0.5 * depth), min(1.8 * depth, 0.6 * float(c.depth)))]
    driver = design.ways[way].driver
    if guide.entry_angle is not None and driver is not None and driver.kind != "compression":
        found.append(Dimension(f"{base}.entry_angle", 0.0, math.radians(70), "deg"))
    mouth = guide.mouth
    if mouth.radius is not None:
        found.append(Dimension(f"{base}.mouth.radius", least / 2, min(flat) / 2))
    if mouth.width is not None and mouth.height is not None:
        found.append(Dimension(f"{base}.mouth.width", least, flat[0]))
        found.append(Dimension(f"{base}.mouth.height", least, min(flat[1], 1.3 * flat[0])))
        if mouth.shape == "rounded-rectangle" and mouth.corner_radius is not None:
            found.append(Dimension(f"{base}.mouth.corner_radius", LEAST_CORNER, min(flat) / 2))
    if mouth.shape == "superelliptic":
        found.append(Dimension(f"{base}.mouth.exponent", 2.0, 6.0, ""))
    found.append(Dimension(f"{base}.rounding", LEAST_ROUNDING, max(0.03, 1.5 * float(guide.rounding))))
    if guide.wall is not None:
        for plane in ("horizontal", "vertical", "diagonal"):
            for n, _ in enumerate(getattr(guide.wall, plane)):
                found.append(Dimension(f"{base}.wall.{plane}.{n}", 0.0, math.radians(88), "deg"))
    z = float(design.ways[way].place.z)
    found.append(Dimension(f"ways.{way}.place.z", z - 0.15 * float(c.height), z + 0.15 * float(c.height)))
    return [d for d in found if (d.low < read(design, d.key) + 1e-9 and read(design, d.key) < d.high + 1e-9) or d.low < d.high]


def fits(design: Design, folder: str | Path | None = None) -> bool:
    """True where the geometry accepts the design."""
    from evenfield.loudspeaker.geometry import cabinet_of

    try:
        cabinet_of(design, folder)
    except EvenfieldError:
        return False
    return True


__all__ = ["LEAST_CORNER", "LEAST_ROUNDING", "dimensions_of", "fits", "margins"]
