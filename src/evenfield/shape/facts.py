"""Volumes, moving areas and drawing lines of a cabinet, from its dimensions alone."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenfield.base.errors import DesignError, message
from evenfield.shape.elements import Cabinet, Coaxial, Cone, Element, Ring, Source, VentOpening, Waveguide, paired
from evenfield.shape.outlines import footprint, outline_area, polar_radius
from evenfield.shape.strips import RIGID, coaxial_opening, hollow, strips_of

Array = NDArray[np.float64]


@dataclass(frozen=True)
class MovingPart:
    """One moving part: effective area Sd (projected on the face), m2; centre on its face in the design frame, m (between a pair's
    members); and the
    outward direction of its face, along which it moves.
    """

    area: float
    centre: tuple[float, float, float]
    axis: tuple[float, float, float]


@dataclass(frozen=True)
class SurfaceFacts:
    """Volumes in m3.

    Parameters
        box_volume : the rounded box, elements left out
        body_volume : what the surface encloses: the box less recesses, plus what bulges
        internal_volume : inside the walls, with nothing built in
        net_volume : internal volume less the elements' recesses behind the wall and the given displacement. An estimate:
            waveguide bodies, bracing, vent tubes and magnets count only as far as the displacement says.
        parts : moving parts by name
    """

    box_volume: float
    body_volume: float
    internal_volume: float
    net_volume: float
    parts: Mapping[str, MovingPart]


def rounded_box_volume(width: float, height: float, depth: float, radius: float) -> float:
    """Volume of a box whose edges and corners are rounded, m3 (Steiner's formula for parallel bodies)."""
    a, b, c = width - 2 * radius, height - 2 * radius, depth - 2 * radius
    faces, edges = 2 * (a * b + b * c + c * a), 4 * (a + b + c)
    return a * b * c + faces * radius + edges * math.pi * radius**2 / 4 + 4 / 3 * math.pi * radius**3


def surface_facts(cabinet: Cabinet, wall: float = 0.015, displacement: float = 0.0) -> SurfaceFacts:
    """Volumes and moving parts of a cabinet.

    Parameters
        wall : float, m; thickness of all walls
        displacement : float, m3; of magnets, bracing, vent tubes, waveguide bodies
    Raises DesignError when the walls leave nothing inside, or displacement and recesses take more than there is.
    """
    sizes = (cabinet.width, cabinet.height, cabinet.depth)
    if not (math.isfinite(wall) and 0 <= wall < min(sizes) / 2):
        raise DesignError(
            message("cabinet.wall", f"0 to half the smallest dimension ({500 * min(sizes):.4g} mm)", f"{1000 * wall:.4g} mm"),
            key="cabinet.wall",
        )
    box = rounded_box_volume(*sizes, cabinet.edge_radius)
    inner = [s - 2 * wall for s in sizes]
    internal = rounded_box_volume(inner[0], inner[1], inner[2], max(cabinet.edge_radius - wall, 0.0))
    recesses = {e.name: hollow(strips_of(e)) for e in cabinet.elements}
    behind = sum(hollow(strips_of(e), wall) for e in cabinet.elements)
    net = internal - behind - displacement
    if not (math.isfinite(displacement) and displacement >= 0 and net > 0):
        raise DesignError(
            message(
                "cabinet",
                "larger than what is built into it",
                f"{1e3 * internal:.3g} L inside the walls",
                cause=f"Recesses take {1e3 * behind:.3g} L and the displacement given is {1e3 * displacement:.3g} L",
            ),
            key="cabinet",
        )
    parts: dict[str, MovingPart] = {}
    for element in cabinet.elements:
        parts.update(_parts(cabinet, element))
    return SurfaceFacts(box, box - sum(recesses.values()), internal, net, parts)


def _parts(cabinet: Cabinet, element: Element) -> dict[str, MovingPart]:
    side = 1.0 if element.face == "front" else -1.0
    centre = (0.0 if side > 0 else -cabinet.depth, 0.0 if paired(element) else element.y, element.z)

    def one(area: float) -> MovingPart:
        return MovingPart(area, centre, (side, 0.0, 0.0))

    if isinstance(element, Coaxial):
        opening = coaxial_opening(element)
        source = element.source.source if isinstance(element.source, Waveguide) else element.source
        return {
            element.name: one(math.pi * (element.cone.radius**2 - opening**2)),
            source.name: one(_source_area(source)),
        }
    if isinstance(element, VentOpening):
        return {element.name: one(outline_area(element.outline) * (2 if paired(element) else 1))}
    driver = element.source if isinstance(element, Waveguide) else element
    return {element.name: one(math.pi * driver.radius**2 if isinstance(driver, Cone) else _source_area(driver))}


def _source_area(source: Source) -> float:
    inner = source.inner_radius if isinstance(source, Ring) else 0.0
    return math.pi * (source.radius**2 - inner**2)


def outline(cabinet: Cabinet) -> dict[str, dict[str, list[Array]]]:
    """Lines to draw the cabinet to scale, in the design frame, m.

    Returns
        {"front": lines in (y, z), "side": lines in (x, z) of the section y = 0}; each a dict from "cabinet", an element's
        name, "<name>.frame" (what it needs on the face) or "<name>.walls" to polylines (N, 2). Elements off the plane y = 0
        are drawn in the side view as the section through their own axis. Rear elements are left out of the front view.
    """
    w, h, d, r = cabinet.width, cabinet.height, cabinet.depth, cabinet.edge_radius
    front: dict[str, list[Array]] = {"cabinet": [_rounded(0.0, 0.0, w, h, r)]}
    side: dict[str, list[Array]] = {"cabinet": [_rounded(-d / 2, 0.0, d, h, r)]}
    if r > 0:
        front["cabinet"].append(_rounded(0.0, 0.0, w - 2 * r, h - 2 * r, 0.0))
    for element in cabinet.placed:
        if element.face == "front":
            _add_front(front, element)
        _add_side(side, element, d)
    return {"front": front, "side": side}


def plan(cabinet: Cabinet) -> dict[str, list[Array]]:
    """Lines of the cabinet seen from above, lines in (y, -x): the front at the foot, as below an elevation.

    Each front element is drawn as the horizontal section through its own axis; names as in `outline`.
    """
    w, d, r = cabinet.width, cabinet.depth, cabinet.edge_radius
    lines: dict[str, list[Array]] = {"cabinet": [_rounded(0.0, d / 2, w, d, r)]}
    for element in cabinet.placed:
        if element.face != "front":
            continue
        for name, line in _sections(element, d, 0.0):
            lines.setdefault(name, []).append(line[:, ::-1] * np.array([1.0, -1.0]) + np.array([element.y, 0.0]))
    return lines


def _add_front(lines: dict[str, list[Array]], element: Element) -> None:
    theta = np.linspace(0, 2 * math.pi, 181)
    for strip in strips_of(element):
        r = strip.surface(np.zeros(1), theta)[1][0]
        name = f"{element.name}.walls" if strip.part == RIGID else strip.part
        lines.setdefault(name, []).append(_polar(element, r, theta))
    shape, margin = footprint(element)
    r = polar_radius(shape, theta) + margin
    if np.any(r > strips_of(element)[0].surface(np.zeros(1), theta)[1][0] + 1e-9):
        lines[f"{element.name}.frame"] = [_polar(element, r, theta)]


def _polar(element: Element, r: Array, theta: Array) -> Array:
    return np.column_stack([element.y + r * np.cos(theta), element.z + r * np.sin(theta)])


def _add_side(lines: dict[str, list[Array]], element: Element, depth: float) -> None:
    for name, line in _sections(element, depth, math.pi / 2):
        lines.setdefault(name, []).append(line + np.array([0.0, element.z]))


def _sections(element: Element, depth: float, angle: float) -> Iterator[tuple[str, Array]]:
    """(name, (N, 2) line in x and signed distance from the element's axis), in the plane at an angle; both halves are alike."""
    t = np.linspace(0, 1, 61)
    for strip in strips_of(element):
        x, r = strip.surface(t, np.array([angle]))
        along = x[:, 0] if element.face == "front" else -depth - x[:, 0]
        halves = [np.column_stack([along, sign * r[:, 0]]) for sign in (1.0, -1.0)]
        name = f"{element.name}.walls" if strip.part == RIGID else strip.part
        if abs(halves[0][-1, 1]) < 1e-9:  # a cap: one line through the pole
            yield name, np.vstack([halves[0], halves[1][::-1]])
        else:
            yield name, halves[0]
            yield name, halves[1]


def _rounded(x: float, y: float, width: float, height: float, radius: float) -> Array:
    """A closed rounded rectangle about (x, y)."""
    turn = np.linspace(0, math.pi / 2, 13)
    a, b = width / 2 - radius, height / 2 - radius
    pieces = []
    for n, (sx, sy) in enumerate(((1, 1), (-1, 1), (-1, -1), (1, -1))):
        angle = turn + n * math.pi / 2
        pieces.append(np.column_stack([x + sx * a + radius * np.cos(angle), y + sy * b + radius * np.sin(angle)]))
    return np.vstack([*pieces, pieces[0][:1]])
