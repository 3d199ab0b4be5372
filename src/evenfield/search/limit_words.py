"""Limits in words: which of them hold a shape, which of them a shape breaks, and what would help."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np

from evenfield.base.errors import message
from evenfield.loudspeaker.design import Design
from evenfield.loudspeaker.geometry import elements_of
from evenfield.search.dimensions import Space, read
from evenfield.search.limits import named_margins, overhang_of
from evenfield.shape.elements import Waveguide
from evenfield.shape.outlines import polar_radius
from evenfield.shape.overhang import LYING, hang
from evenfield.shape.rounding import straight_reach

NEAR = 0.03
"""cm, or three tenths of a degree: a limit nearer than this holds the shape."""


def at_limits(space: Space, best: Design, way: str, folder: str | Path | None = None) -> list[str]:
    """The limits and bounds that hold a shape, each once, in words."""
    least: dict[str, float] = {}
    for name, value in named_margins(best, way, folder):
        least[name] = min(value, least.get(name, value))
    found = [name for name, value in least.items() if value < NEAR]
    for d in space.dimensions:
        value, near = read(best, d.key), 1e-3 * (d.high - d.low)
        if value - d.low < near:
            found.append(f"{d.name} at its lower bound, {d.text(d.low)}")
        elif d.high - value < near:
            found.append(f"{d.name} at its upper bound, {d.text(d.high)}")
    return found


def guide_of(design: Design, way: str) -> Waveguide:
    """A way's waveguide as the geometry has it."""
    return next(e for e in elements_of(design) if isinstance(e, Waveguide) and e.name == way)


def overhang_words(design: Design, way: str) -> str:
    """How far the acoustic wall of a design hangs over as its printer's section lays it; empty where that says nothing of it."""
    chosen = overhang_of(design)
    if chosen is None:
        return ""
    guide = guide_of(design, way)
    lying, limit = chosen
    found = hang(guide, LYING[lying], limit)
    angle, place = found.worst
    state = "looks up everywhere" if angle < 0 else f"hangs over by {_degrees(angle)} at most ({place})"
    words = f"Printed {lying.replace('-', ' ')}, the acoustic wall {state}; the limit is {_degrees(limit)}."
    if lying == "mouth-down":
        words += f" Left out: the mouth's last {1e3 * found.left_out:.1f} mm, where any wall turns level with the baffle."
    return words


def no_room(design: Design, way: str, folder: str | Path | None = None) -> str:
    """Why no shape within the bounds keeps every limit: those that the nearest breaks, the worst first, and what would help."""
    least: dict[str, float] = {}
    for name, value in named_margins(design, way, folder):
        least[name] = min(value, least.get(name, value))
    broken = sorted((value, name) for name, value in least.items() if value < -1e-9)
    listed = "; ".join(f"{name} ({_short(value, name)})" for value, name in broken)
    fix = "wider --bound, fewer --hold, or --first-cut"
    if any(name.startswith("overhang") for _, name in broken):
        fix = f"printer.lying: throat-down, where the wall looks up, {_nearest(design, way)} (--bound), or --no-overhang"
    return message(f"ways.{way}.waveguide", "such that some shape within the bounds keeps every limit", listed, fix=fix)


def _nearest(design: Design, way: str) -> str:
    """What the overhang asks of this mouth or this throat."""
    guide, chosen = guide_of(design, way), overhang_of(design)
    assert chosen is not None
    lying, limit = chosen
    if lying != "mouth-down":
        return f"an entry angle of {90 - math.degrees(limit):.0f} deg or more"
    along, outwards = straight_reach(limit, guide.rounding)
    widest = float(polar_radius(guide.mouth, np.linspace(0, math.pi / 2, 91)).max())
    deep = along + (widest - outwards - guide.throat_radius) / math.tan(limit) - guide.proud
    return f"a smaller mouth, or {1e3 * deep:.0f} mm of depth for this one"


def _short(value: float, name: str) -> str:
    degrees = name.startswith("overhang") or "fall" in name
    return f"{-10 * value:.1f} {'deg' if degrees else 'mm'} over"


def _degrees(angle: float) -> str:
    return f"{math.degrees(angle):.1f} deg"


__all__ = ["at_limits", "guide_of", "no_room", "overhang_words"]
