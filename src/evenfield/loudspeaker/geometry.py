"""From the design file's dimensions to the body whose surface is solved."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

from evenfield.base.errors import DesignError, message
from evenfield.loudspeaker.design import Design, Driver, FreeWall, Gap, Mouth, Transition, Vent, Waveguide, Way
from evenfield.loudspeaker.profiles import profile_of
from evenfield.shape import elements as shape

VENT = "vent"
"""Mesh part of the vents; several vents of one box move as one."""


def cabinet_of(design: Design, folder: str | Path | None = None) -> shape.Cabinet:
    """The body of a design.

    Raises DesignError, with the key, where sizes are missing or do not fit, or a flush one has a vent behind the wall.
    """
    if design.flush:
        _refuse_rear_vents(design)
    c = design.cabinet
    return shape.Cabinet(c.width, c.height, c.depth, c.edge_radius, (*_ways(design, folder), *_vents(design)))


def _refuse_rear_vents(design: Design) -> None:
    for i, vent in enumerate(design.vents):
        if vent.face == "rear":
            key = f"vent.{i}.face" if len(design.vents) > 1 else "vent.face"
            raise DesignError(
                message(
                    key, "front with mounting: flush", "rear", cause="Set into a wall, a vent at the rear reaches no listener",
                    fix="face: front at a free place of the front face, or mounting: free",
                ),
                key,
            )  # fmt: skip


def way_origin(design: Design, name: str) -> tuple[float, float, float]:
    """Centre of a way on the baffle plane, m."""
    way = design.ways[name]
    host = design.ways[way.within] if way.within else way
    return (0.0, float(host.place.y), float(host.place.z))


def effective_radius(driver: Driver, key: str) -> float:
    """Radius, m, of the circle whose area is Sd."""
    if driver.sd is None:
        raise DesignError(message(f"{key}.sd", "given", "nothing", fix="the effective area, e.g. 55 cm2"), f"{key}.sd")
    return math.sqrt(driver.sd / math.pi)


def _ways(design: Design, folder: str | Path | None) -> list[shape.Element]:
    inner = {way.within: name for name, way in design.ways.items() if way.within}
    for host in inner:
        if host not in design.ways:
            key = f"ways.{inner[host]}.within"
            raise DesignError(message(key, f"one of the ways ({', '.join(design.ways)})", host), key)
    found: list[shape.Element] = []
    for name, way in design.ways.items():
        if way.driver is None or way.within:
            continue
        element: shape.Element = _element(name, way, folder)
        if name in inner:
            if not isinstance(element, shape.Cone):
                key = f"ways.{inner[name]}.within"
                raise DesignError(message(key, "a way with a cone", f"{name}, {way.driver.kind}"), key)
            source = _element(inner[name], design.ways[inner[name]], folder)
            assert isinstance(source, shape.Source | shape.Waveguide)
            element = shape.Coaxial(element, source)
        found.append(element)
    return found


def _element(name: str, way: Way, folder: str | Path | None) -> shape.Cone | shape.Source | shape.Waveguide:
    key = f"ways.{name}"
    assert way.driver is not None
    source = _source(name, way.driver, float(way.place.y), float(way.place.z), key, folder)
    if way.waveguide is None:
        return source
    if isinstance(source, shape.Cone):
        raise DesignError(message(f"{key}.waveguide", "given for a dome or compression driver", "a cone's"), f"{key}.waveguide")
    guide = way.waveguide
    return shape.Waveguide(
        source,
        guide.throat_radius,
        _entry_angle(guide, way.driver, f"{key}.waveguide"),
        guide.depth,
        _mouth(guide.mouth, f"{key}.waveguide.mouth"),
        rounding=float(guide.rounding),
        profile=guide.profile.replace("-", "_"),
        y=float(way.place.y),
        z=float(way.place.z),
        key=key,
        proud=float(guide.proud),
        proud_radius=float(guide.proud_radius),
        source_depth=float(guide.source_depth),
        **_wall(guide.wall, guide.transition, guide.gap),
    )


def _entry_angle(guide: Waveguide, driver: Driver, key: str) -> float:
    if guide.entry_angle is not None:
        return float(guide.entry_angle)
    if driver.kind != "compression":
        raise DesignError(
            message(f"{key}.entry_angle", "given where the driver has no exit angle", "nothing", fix="30 deg"),
            f"{key}.entry_angle",
        )
    return float(driver.exit_angle)


def _wall(wall: FreeWall | None, transition: Transition | None, gap: Gap | None) -> dict[str, Any]:
    """What few waveguides state: angles, transition, gap."""
    found: dict[str, Any] = {}
    if wall is not None:
        found |= {"stations": tuple(map(float, wall.stations)), "angles": tuple(map(float, wall.horizontal))}
        found |= {"angles_vertical": tuple(map(float, wall.vertical)), "angles_diagonal": tuple(map(float, wall.diagonal))}
    if transition is not None:
        found["transition"] = (float(transition.begin), float(transition.end))
    if gap is not None:
        found |= {"gap_width": float(gap.width), "gap_depth": float(gap.depth)}
    return found


def _source(name: str, driver: Driver, y: float, z: float, key: str, folder: str | Path | None) -> shape.Cone | shape.Source:
    if driver.kind == "compression":
        if driver.throat_radius is None:
            where = f"{key}.driver.throat_radius"
            raise DesignError(message(where, "given for a compression driver", "nothing", fix="12.5 mm"), where)
        return shape.Throat(name, driver.throat_radius, "cap", driver.exit_angle, y, z, key=key)
    radius = effective_radius(driver, f"{key}.driver")
    if driver.profile is not None:
        # the surround's outer half moves too, ever less, so the moving surface reaches farther than the effective radius
        radius = float(profile_of(driver, f"{key}.driver", folder).radius[-1])
    frame = radius + float(driver.surround_width) / 2
    if driver.kind == "ring":
        return _ring(name, driver, y, z, key)
    if driver.kind == "dome":
        return shape.Dome(name, radius, float(driver.dome_height), y, z, frame_radius=frame, key=key)
    cap = float(driver.dust_cap_radius) if driver.dust_cap_radius is not None else radius / 3
    return shape.Cone(
        name, radius, float(driver.cone_depth), cap, float(driver.dust_cap_height), y, z, frame_radius=frame, key=key
    )


def _ring(name: str, driver: Driver, y: float, z: float, key: str) -> shape.Ring:
    if driver.inner_radius is None:
        where = f"{key}.driver.inner_radius"
        raise DesignError(message(where, "given for a ring radiator", "nothing", fix="8 mm"), where)
    inner = float(driver.inner_radius)
    radius = math.hypot(effective_radius(driver, f"{key}.driver"), inner)
    frame = radius + float(driver.surround_width) / 2
    return shape.Ring(name, radius, inner, float(driver.ring_height), float(driver.plug_height), y, z, frame, key=key)


def _mouth(mouth: Mouth, key: str) -> shape.Outline:
    if mouth.shape == "round":
        if mouth.radius is None:
            raise DesignError(message(f"{key}.radius", "given for a round mouth", "nothing", fix="60 mm"), f"{key}.radius")
        return shape.Round(mouth.radius)
    if mouth.width is None or mouth.height is None:
        raise DesignError(message(key, "given with width and height", f"width {mouth.width}, height {mouth.height}"), key)
    if mouth.shape == "elliptic":
        return shape.Elliptic(mouth.width, mouth.height)
    if mouth.shape == "superelliptic":
        return shape.Superelliptic(mouth.width, mouth.height, float(mouth.exponent))
    corner = mouth.corner_radius if mouth.corner_radius is not None else min(mouth.width, mouth.height) / 4
    return shape.RoundedRectangle(mouth.width, mouth.height, float(corner))


def _vents(design: Design) -> list[shape.Element]:
    found: list[shape.Element] = []
    for i, vent in enumerate(design.vents):
        key = f"vent.{i}" if len(design.vents) > 1 else "vent"
        deepest = float(design.cabinet.depth) - 2 * float(design.cabinet.wall_thickness)
        if vent.length > float(design.cabinet.depth) - float(design.cabinet.wall_thickness):
            raise DesignError(
                message(
                    f"{key}.length",
                    f"less than the cabinet's depth inside ({1e3 * deepest:.0f} mm)",
                    vent.length.text,
                    cause="A straight vent would touch the opposite wall",
                    fix=f"{1e3 * deepest * 0.8:.0f} mm, with a smaller opening for the same tuning",
                ),
                f"{key}.length",
            )
        name = VENT if len(design.vents) == 1 else f"{VENT}{i + 1}"
        found.append(shape.VentOpening(name, _opening(vent, key), float(vent.y), float(vent.z), vent.face, key=key))
    return found


def _opening(vent: Vent, key: str) -> shape.Outline:
    if vent.radius is not None:
        return shape.Round(vent.radius)
    if vent.width is None or vent.height is None:
        raise DesignError(message(key, "given a radius, or width and height", "neither", fix="radius: 18 mm"), key)
    return shape.RoundedRectangle(vent.width, vent.height, min(vent.width, vent.height) * 0.49)


def vent_area(vent: Vent) -> float:
    """Open area of a vent, m2."""
    if vent.radius is not None:
        return math.pi * float(vent.radius) ** 2
    assert vent.width is not None and vent.height is not None
    corner = min(vent.width, vent.height) * 0.49
    return float(vent.width) * float(vent.height) - (4 - math.pi) * corner**2
