"""Element surfaces as bands of rings, from the line on the baffle inwards to the pole.

A strip maps (t, theta) to (x, radius) about the element's axis: t = 0 is its outer ring, t = 1 its inner ring or the pole;
theta in rad from +y towards +z; x = 0 is the face, positive outwards.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evenfield.shape.elements import Coaxial, Cone, Dome, Element, Ring, Source, Throat, VentOpening, Waveguide
from evenfield.shape.outlines import polar_radius
from evenfield.shape.rim import rim_width
from evenfield.shape.walls import rim, wall

Array = NDArray[np.float64]
RIGID = "rigid"
CLOSED = 0.05
"""Gaps narrower than this share of the opening are closed: the wall or cone is drawn in to the rim of what fills it."""


@dataclass(frozen=True)
class Strip:
    """One band of an element's surface.

    Parameters
        part : mesh part, or "rigid"
        surface : (t (N,), theta (M,)) -> x (N, M), radius (N, M), m
        region : whose target edge length holds here: a part's name or "walls"
        least_rings : rings that this strip must have
        longest : edge length, m, that its narrowness allows
    """

    part: str
    surface: Callable[[Array, Array], tuple[Array, Array]]
    region: str
    least_rings: int = 1
    longest: float = math.inf


def _revolved(part: str, x: Callable[[Array], Array], r: Callable[[Array], Array], region: str = "", rings: int = 1) -> Strip:
    def surface(t: Array, theta: Array) -> tuple[Array, Array]:
        ones = np.ones_like(theta)
        return np.outer(x(t), ones), np.outer(r(t), ones)

    return Strip(part, surface, region or part, rings)


def _line(part: str, start: tuple[float, float], end: tuple[float, float], region: str = "", rings: int = 1) -> Strip:
    """A straight generator from (x, r) to (x, r)."""
    return _revolved(
        part,
        lambda t: start[0] + t * (end[0] - start[0]),
        lambda t: start[1] + t * (end[1] - start[1]),
        region,
        rings,
    )


def _gap_ring(base: float, outer: float, inner: float) -> Strip:
    """The flat rigid ring between an opening and the smaller surface in it."""
    return replace(_line(RIGID, (base, outer), (base, inner), "walls"), longest=2.5 * (outer - inner))


def _cap(part: str, base: float, radius: float, height: float, rings: int) -> Strip:
    """A spherical cap over the circle of `radius` in the plane x = base."""
    if abs(height) < 1e-9 * radius:
        return _line(part, (base, radius), (base, 0.0), rings=rings)
    sphere = (radius**2 + height**2) / (2 * abs(height))
    opening = math.acos(max(-1.0, 1 - abs(height) / sphere))
    sign = math.copysign(1.0, height)
    return _revolved(
        part,
        lambda t: base + sign * (sphere * (np.cos(opening * (1 - t)) - 1) + abs(height)),
        lambda t: sphere * np.sin(opening * (1 - t)),
        rings=rings,
    )


def throat_height(throat: Throat) -> float:
    """Height of a throat's surface above its rim, m."""
    return 0.0 if throat.shape == "plane" else throat.radius * math.tan(throat.entry_angle / 2)


def opening_of(opening: float, inner: float) -> float:
    """Radius of an opening after a gap too narrow to matter around `inner` is closed, m."""
    return inner if inner > opening * (1 - CLOSED) else opening


def _source(source: Source, base: float, opening: float) -> list[Strip]:
    """A source in the plane x = base, with the flat rigid ring out to `opening`."""
    strips = []
    if source.radius < opening:
        strips.append(_gap_ring(base, opening, source.radius))
    if isinstance(source, Ring):
        return [*strips, *_ring(source, base)]
    height = source.height if isinstance(source, Dome) else throat_height(source)
    strips.append(_cap(source.name, base, source.radius, height, 3))
    return strips


def _ring(ring: Ring, base: float) -> list[Strip]:
    """The raised annulus, a parabola across, and the plug, a paraboloid or a flat disc."""
    inner, width = ring.inner_radius, ring.radius - ring.inner_radius
    roll = _revolved(ring.name, lambda t: base + 4 * ring.height * t * (1 - t), lambda t: ring.radius - width * t, rings=3)
    plug = _revolved(RIGID, lambda t: base + ring.plug_height * (1 - (1 - t) ** 2), lambda t: inner * (1 - t), "walls", 2)
    return [replace(roll, longest=width / 2), replace(plug, longest=inner)]


def _walls(guide: Waveguide, base: float, throat: float) -> list[Strip]:
    def surface(t: Array, theta: Array) -> tuple[Array, Array]:
        x, r = wall(guide, 1 - t, theta, throat)
        return base + x, r

    def blend(t: Array, theta: Array) -> tuple[Array, Array]:
        x, r = rim(guide, t, theta)
        return base + x, r

    strips = [Strip(RIGID, surface, "walls", 3)]
    return [Strip(RIGID, blend, "walls", 3, 0.7 * rim_width(guide)), *strips] if guide.proud > 0 else strips


def throat_of(guide: Waveguide) -> float:
    """Radius at which a guide's wall begins, after a gap too narrow to matter is closed, m."""
    return opening_of(guide.throat_radius, guide.source.radius + (guide.gap_width if guide.gap_depth > 0 else 0.0))


def _seat(guide: Waveguide, base: float, throat: float) -> list[Strip]:
    """From the throat plane x = base to the pole: the short cylinder down to the source, the gap around it, the source."""
    strips, rest = [], base - guide.source_depth
    if guide.source_depth > 0:
        strips.append(_line(RIGID, (base, throat), (rest, throat), "walls"))
    if guide.gap_depth <= 0:
        return [*strips, *_source(guide.source, rest, throat)]
    inner, outer, bottom = guide.source.radius, guide.source.radius + guide.gap_width, rest - guide.gap_depth
    if outer < throat * (1 - 1e-9):
        strips.append(_gap_ring(rest, throat, outer))
    slot = [((rest, outer), (bottom, outer)), ((bottom, outer), (bottom, inner)), ((bottom, inner), (rest, inner))]
    strips += [replace(_line(RIGID, a, b, "walls"), longest=2.5 * guide.gap_width) for a, b in slot]
    return [*strips, *_source(guide.source, rest, inner)]


def _waveguide(guide: Waveguide, base: float, opening: float | None = None) -> list[Strip]:
    strips = []
    mouth = float(polar_radius(guide.mouth, np.zeros(1))[0])
    if opening is not None and mouth < opening:
        strips.append(_gap_ring(base, opening, mouth))
    throat = throat_of(guide)
    return [*strips, *_walls(guide, base, throat), *_seat(guide, base - guide.depth, throat)]


def coaxial_opening(pair: Coaxial) -> float:
    """Inner radius of a coaxial cone, m."""
    source = pair.source
    inner = float(polar_radius(source.mouth, np.zeros(1))[0]) if isinstance(source, Waveguide) else source.radius
    return opening_of(pair.cone.dust_cap_radius, inner)


def strips_of(element: Element) -> list[Strip]:
    """The strips of an element, outermost first; the last one ends in the pole."""
    if isinstance(element, Dome | Throat | Ring):
        return _source(element, 0.0, element.radius)
    if isinstance(element, Waveguide):
        return _waveguide(element, 0.0)
    if isinstance(element, VentOpening):
        outline = element.outline

        def disc(t: Array, theta: Array) -> tuple[Array, Array]:
            r = np.outer(1 - t, polar_radius(outline, theta))
            return np.zeros_like(r), r

        return [Strip(element.name, disc, element.name, 3)]
    cone = element.cone if isinstance(element, Coaxial) else element
    neck, opening = -cone.depth, coaxial_opening(element) if isinstance(element, Coaxial) else cone.dust_cap_radius
    flank = _line(cone.name, (0.0, cone.radius), (neck, opening), rings=2)
    if isinstance(element, Cone):
        return [flank, _cap(cone.name, neck, opening, cone.dust_cap_height, 2)]
    if isinstance(element.source, Waveguide):
        return [flank, *_waveguide(element.source, neck, opening)]
    return [flank, *_source(element.source, neck, opening)]


def hollow(strips: list[Strip], behind: float | None = None, stations: int = 400, rays: int = 361) -> float:
    """Signed volume between the face and the element's surface, m3: positive where it is recessed.

    With `behind` (m), only what lies farther than that behind the face.
    """
    theta = np.linspace(-math.pi / 2, math.pi / 2, rays)
    total = 0.0
    for strip in strips:
        x, r = strip.surface(np.linspace(0, 1, stations), theta)
        if behind is not None:
            x = np.minimum(x + behind, 0.0)
        swept = np.diff(r**2, axis=0)  # twice the area swept per angle; both halves make up for the half
        total += float(np.trapezoid((x[1:] + x[:-1]) / 2 * swept, theta, axis=1).sum())
    return total
