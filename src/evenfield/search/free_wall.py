"""Freeing a waveguide's wall: the present wall stated by its angles at a few stations, so that each may change."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenfield.base.units import Amount
from evenfield.loudspeaker.design import Design, FreeWall
from evenfield.loudspeaker.geometry import elements_of
from evenfield.shape.elements import Waveguide
from evenfield.shape.walls import wall

Array = NDArray[np.float64]

STATIONS = (0.25, 0.5, 0.75, 1.0)
_PLANES = {"horizontal": 0.0, "vertical": math.pi / 2, "diagonal": math.pi / 4}
_ROUNDED_FROM = math.radians(80)
"""Where a wall that says nothing of its rounding counts as rounded."""


def freed(design: Design, way: str, stations: tuple[float, ...] = STATIONS) -> tuple[Design, dict[str, Any]]:
    """The design with its wall stated as a free one, near the present wall, and what that adds to the design file.

    A design whose wall is free already comes back as it is.
    """
    guide = design.ways[way].waveguide
    assert guide is not None
    if guide.wall is not None and guide.wall.vertical and guide.wall.diagonal:
        return design, {}
    element = next(e for e in elements_of(design) if isinstance(e, Waveguide) and e.name == way)
    angles = {p: angles_along(element, theta, stations) for p, theta in _PLANES.items()}
    lists = {p: tuple(_amount(a, "deg", 180 / math.pi, 2) for a in found) for p, found in angles.items()}
    shares = tuple(_amount(s, "%", 100.0, 1) for s in stations)
    free = FreeWall(stations=shares, **lists)
    entry = guide.entry_angle if guide.entry_angle is not None else _amount(element.entry_angle, "deg", 180 / math.pi, 2)
    changed = guide.model_copy(update={"profile": "free", "wall": free, "entry_angle": entry, "transition": None})
    ways = {**design.ways, way: design.ways[way].model_copy(update={"waveguide": changed})}
    base = f"ways.{way}.waveguide"
    sections = {
        f"{base}.profile": "free",
        f"{base}.entry_angle": entry.text,
        f"{base}.wall": {"stations": [s.text for s in shares]} | {p: [a.text for a in found] for p, found in lists.items()},
    }
    return design.model_copy(update={"ways": ways}), sections


def _amount(value: float, unit: str, factor: float, digits: int) -> Amount:
    shown = round(value * factor, digits)
    return Amount(shown / factor, 0.0, f"{shown:g} {unit}")


def angles_along(guide: Waveguide, theta: float, stations: tuple[float, ...]) -> list[float]:
    """The wall's angles, rad, at shares of its length up to the rounding, rising by 0.2 degrees at least."""
    x, r = wall(guide, np.linspace(0, 1, 801), np.array([theta]))
    dx, dr = np.diff(x[:, 0]), np.diff(r[:, 0])
    angle = np.arctan2(dr, dx)
    length = np.cumsum(np.hypot(dx, dr))
    straight = angle < _ROUNDED_FROM
    end = length[straight][-1] if np.any(straight) else length[-1]
    found = np.interp(np.asarray(stations) * end, length, np.maximum.accumulate(angle))
    least = guide.entry_angle + math.radians(0.2) * np.arange(1, len(found) + 1)
    rising = np.minimum(np.maximum(np.maximum.accumulate(found), least), math.radians(87.5))
    return [float(a) for a in rising]


__all__ = ["STATIONS", "angles_along", "freed"]
