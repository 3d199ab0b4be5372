"""Target edge lengths of the surface grid, per region and per part."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

from evenfield.base.errors import DesignError, message
from evenfield.shape.elements import Cabinet, Coaxial, Element, Ring, VentOpening, Waveguide
from evenfield.shape.outlines import outline_area, smallest_half


@dataclass(frozen=True)
class EdgeLengths:
    """Target edge lengths, m.

    Parameters
        front : on the front face
        rear : on the rear face and as far forward as the growth from the front allows
        edges : upper limit on the rounded edges (two rows at least, whatever the limit)
        walls : on waveguide walls
        parts : per moving part; a part not named takes `walls` or `front`, whichever is shorter
        focus : names of the parts whose sound is wanted; the front face may be coarser away from them
        away : the edge length, m, that the front face may reach away from the focus (None: `front`)
        grading : growth of edge length per distance from a finer part
    Raises DesignError when a length is not finite and positive.
    """

    front: float
    rear: float
    edges: float
    walls: float
    parts: Mapping[str, float] = field(default_factory=dict)
    focus: tuple[str, ...] = ()
    away: float | None = None
    grading: float = 0.3

    def finer(self, factor: float) -> EdgeLengths:
        """All of them shorter by a factor, those that geometry sets too."""
        lengths = {n: getattr(self, n) / factor for n in ("front", "rear", "edges", "walls")}
        parts = {n: v / factor for n, v in self.parts.items()}
        return replace(self, **lengths, parts=parts, away=None if self.away is None else self.away / factor)

    def __post_init__(self) -> None:
        object.__setattr__(self, "parts", MappingProxyType(dict(self.parts)))
        named = {n: getattr(self, n) for n in ("front", "rear", "edges", "walls", "grading")}
        if self.away is not None:
            named["away"] = self.away
        for name, value in {**named, **self.parts}.items():
            if not (math.isfinite(value) and value > 0):
                raise DesignError(message(f"edge length of {name}", "finite and positive", value))

    def of(self, region: str) -> float:
        """Target on a region: "walls" or a part's name, m."""
        default = self.walls if region == "walls" else min(self.walls, self.front)
        return self.parts.get(region, default)


def edge_lengths_for(
    cabinet: Cabinet,
    frequency_max: float,
    speed_of_sound: float,
    per_wavelength: float = 6.0,
    rear_factor: float | None = None,
    across_radius: float = 4.0,
    focus: tuple[str, ...] = (),
    away_factor: float = 3.0,
) -> EdgeLengths:
    """Edge lengths fit for a frequency, m.

    Parameters
        frequency_max : float, Hz; speed_of_sound : float, m/s
        per_wavelength : elements per wavelength on the front, the waveguides and the moving parts
        rear_factor : how much longer edges may be on the rear; default 2 up to ka = 7.3 (a the cabinet's half width or
            height, the smaller), then rising as the square root of ka as the shadow deepens (common practice, no source)
        focus : names of the parts whose sound is wanted: everything else on the front, other moving parts included, may be
            `away_factor` coarser at a distance (common practice, no source). Empty: the front is uniform.
        across_radius : least number of elements across the radius of a moving part
    Raises DesignError when a number is not finite and positive, or `focus` names no part of the cabinet.
    At low frequency the geometry sets the limit: an eighth of the smaller of width and height on the front.
    """
    for name, value in (("frequency_max", frequency_max), ("speed_of_sound", speed_of_sound)):
        if not (math.isfinite(value) and value > 0):
            raise DesignError(message(name, "finite and positive", value))
    wave = speed_of_sound / frequency_max / per_wavelength
    size = min(cabinet.width, cabinet.height)
    ka = math.pi * frequency_max * size / speed_of_sound
    factor = rear_factor or 2.0 * min(4.0, max(1.0, ka / 7.3) ** 0.5)
    front = min(wave, size / 8)
    parts: dict[str, float] = {}
    for element in cabinet.elements:
        for name, radius in _radii(element).items():
            wanted = wave if not focus or name in focus else wave * away_factor
            parts[name] = min(wanted, radius / across_radius)
    for name in focus:
        if name not in parts:
            raise DesignError(message("focus", f"among the moving parts ({', '.join(parts)})", repr(name)))
    return EdgeLengths(
        front=front,
        rear=min(front * factor, size / 5),
        edges=min(front * factor, size / 5),
        walls=min(wave, size / 10),
        parts=parts,
        focus=focus,
        away=min(front * away_factor, size / 8) if focus else None,
    )


def _radii(element: Element) -> dict[str, float]:
    """The radius that `across_radius` counts on, per moving part, m."""
    if isinstance(element, Coaxial):
        return {element.cone.name: element.cone.radius, **_radii(element.source)}
    if isinstance(element, Waveguide):
        return _radii(element.source)
    if isinstance(element, VentOpening):
        equal = math.sqrt(outline_area(element.outline) / math.pi)
        return {element.name: min(equal, 2.5 * smallest_half(element.outline))}
    if isinstance(element, Ring):  # its width is what moves
        return {element.name: 1.5 * (element.radius - element.inner_radius)}
    return {element.name: element.radius}
