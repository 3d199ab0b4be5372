"""Whether the elements are possible, stand on the flat of their face, and leave each other room."""

from __future__ import annotations

import itertools
import math

import numpy as np

from evenfield.shape.elements import (
    Cabinet,
    Coaxial,
    Cone,
    Dome,
    Element,
    Ring,
    Round,
    Throat,
    VentOpening,
    Waveguide,
    key_of,
    moving_names,
)
from evenfield.shape.fit_guide import check_waveguide
from evenfield.shape.fit_words import LARGEST, SMALLEST, check_outline, mm, positive, refuse
from evenfield.shape.outlines import footprint, smallest_half, support
from evenfield.shape.strips import strips_of

ROOM = 0.0005
"""Least flat left between two outlines, and between an outline and a rounded edge, m."""
_BACK = 0.002  # m; least left between the deepest point of an element and the rear


def check_cabinet(cabinet: Cabinet) -> None:
    """Raise DesignError, with the key at fault, unless the cabinet can be built."""
    _check_box(cabinet)
    _check_names(cabinet)
    for element in cabinet.elements:
        _check_element(element)
        _check_depth(cabinet, element)
        _check_place(cabinet, element)
    for first, second in itertools.combinations(cabinet.placed, 2):
        if first.face == second.face:
            _check_apart(cabinet, first, second)


def _check_box(cabinet: Cabinet) -> None:
    for name in ("width", "height", "depth"):
        value = getattr(cabinet, name)
        if not (math.isfinite(value) and SMALLEST <= value <= LARGEST):
            shown = mm(value) if math.isfinite(value) else value
            refuse(f"cabinet.{name}", f"{mm(SMALLEST)} to {mm(LARGEST)}", shown, "A size outside is likely a wrong unit")
    radius, smallest = cabinet.edge_radius, min(cabinet.width, cabinet.height, cabinet.depth)
    if not (math.isfinite(radius) and radius >= 0):
        refuse("cabinet.edge_radius", "0 or more", mm(radius) if math.isfinite(radius) else radius)
    if radius > 0.49 * smallest:
        refuse(
            "cabinet.edge_radius",
            f"less than half the smallest outer dimension ({mm(smallest)})",
            mm(radius),
            "Two edges would meet and leave no flat face",
            f"at most {mm(0.49 * smallest)}",
        )


def _check_names(cabinet: Cabinet) -> None:
    seen: set[str] = set()
    for element in cabinet.elements:
        for name in moving_names(element):
            if name in ("", "0", "rigid", "walls"):
                refuse(key_of(element), 'named, and not "0", "rigid" or "walls"', repr(name))
            if name in seen:
                refuse(key_of(element), "named once", repr(name), "Two moving parts would share one mesh part")
            seen.add(name)


def _check_element(element: Element, inside: bool = False) -> None:
    key = key_of(element)
    for axis in ("y", "z"):
        if not math.isfinite(getattr(element, axis)):
            refuse(f"{key}.place", "finite", getattr(element, axis))
    if isinstance(element, Coaxial):
        _check_coaxial(element)
    elif isinstance(element, Cone):
        _check_cone(element)
    elif isinstance(element, Dome):
        positive(f"{key}.radius", element.radius)
        _bounded(f"{key}.height", element.height, element.radius, "A cap is at most a hemisphere")
        _check_frame(key, element)
    elif isinstance(element, Throat):
        positive(f"{key}.radius", element.radius)
        _check_angle(f"{key}.entry_angle", element.entry_angle)
        if element.shape not in ("plane", "cap"):
            refuse(f"{key}.shape", '"plane" or "cap"', repr(element.shape))
    elif isinstance(element, Ring):
        _check_ring(element)
    elif isinstance(element, VentOpening):
        if element.face not in ("front", "rear"):
            refuse(f"{key}.face", '"front" or "rear"', repr(element.face))
        check_outline(key, element.outline)
    else:
        _check_element(element.source)
        check_waveguide(element)


def _bounded(key: str, value: float, limit: float, cause: str) -> None:
    if not (math.isfinite(value) and abs(value) <= limit):
        refuse(key, f"between -{mm(limit)} and {mm(limit)}", mm(value), cause)


def _check_angle(key: str, angle: float) -> None:
    if not (math.isfinite(angle) and 0 <= angle <= math.radians(80)):
        refuse(key, "0 to 80 deg from the axis", f"{math.degrees(angle):.4g} deg")


def _check_frame(key: str, driver: Cone | Dome | Ring) -> None:
    if driver.frame_radius is not None:
        positive(f"{key}.frame_radius", driver.frame_radius)
        if driver.frame_radius < driver.radius:
            refuse(f"{key}.frame_radius", f"at least the piston's radius ({mm(driver.radius)})", mm(driver.frame_radius))


def _check_cone(cone: Cone) -> None:
    key = key_of(cone)
    positive(f"{key}.radius", cone.radius)
    if not (math.isfinite(cone.depth) and 0 <= cone.depth <= 2 * cone.radius):
        refuse(f"{key}.depth", f"0 to its diameter ({mm(2 * cone.radius)})", mm(cone.depth))
    positive(f"{key}.dust_cap_radius", cone.dust_cap_radius)
    if cone.dust_cap_radius > 0.95 * cone.radius:
        refuse(
            f"{key}.dust_cap_radius",
            f"at most 0.95 of the cone's radius ({mm(cone.radius)})",
            mm(cone.dust_cap_radius),
            "Nothing would be left of the cone",
            f"{mm(0.4 * cone.radius)}, or a dome",
        )
    _bounded(f"{key}.dust_cap_height", cone.dust_cap_height, cone.dust_cap_radius, "A cap is at most a hemisphere")
    _check_frame(key, cone)


def _check_ring(ring: Ring) -> None:
    key = key_of(ring)
    positive(f"{key}.radius", ring.radius)
    positive(f"{key}.inner_radius", ring.inner_radius)
    if ring.inner_radius > 0.95 * ring.radius:
        refuse(f"{key}.inner_radius", f"at most 0.95 of the radius ({mm(ring.radius)})", mm(ring.inner_radius))
    half = (ring.radius - ring.inner_radius) / 2
    _bounded(f"{key}.height", ring.height, half, "A roll is at most as high as half its width")
    if not (math.isfinite(ring.plug_height) and 0 <= ring.plug_height <= 4 * ring.inner_radius):
        refuse(f"{key}.plug_height", f"0 to {mm(4 * ring.inner_radius)}", mm(ring.plug_height))
    _check_frame(key, ring)


def _check_coaxial(pair: Coaxial) -> None:
    _check_cone(pair.cone)
    _check_element(pair.source)
    opening = pair.cone.dust_cap_radius
    source = pair.source
    if isinstance(source, Waveguide):
        if not isinstance(source.mouth, Round):
            refuse(f"{key_of(source)}.waveguide.mouth", "round inside a coaxial cone", source.mouth)
        if source.proud:
            refuse(f"{key_of(source)}.waveguide.proud", "0 mm inside a coaxial cone", mm(source.proud))
        needed = smallest_half(source.mouth)
    else:
        needed = source.radius
    if needed > opening * (1 + 1e-9):
        refuse(
            f"{key_of(source)}.radius",
            f"at most the opening of the cone {pair.cone.name!r} ({mm(opening)})",
            mm(needed),
            fix=f"an opening of {mm(needed)}",
        )
    if source.y or source.z:
        refuse(f"{key_of(source)}.place", "0, 0 inside a coaxial cone, whose place it takes", (source.y, source.z))


def recess(element: Element) -> float:
    """How far the element's surface reaches behind its face, m."""
    t, theta = np.linspace(0, 1, 41), np.linspace(-math.pi / 2, math.pi / 2, 9)
    return -min(float(s.surface(t, theta)[0].min()) for s in strips_of(element))


def _check_depth(cabinet: Cabinet, element: Element) -> None:
    limit = cabinet.depth - max(cabinet.edge_radius, _BACK)
    reach = recess(element)
    if reach > limit:
        key = key_of(element) + (".waveguide.depth" if isinstance(element, Waveguide) else ".depth")
        refuse(
            key,
            f"at most {mm(limit)} in a cabinet {mm(cabinet.depth)} deep",
            mm(reach),
            f"{element.name!r} would come out at the rear",
            f"a cabinet at least {mm(cabinet.depth + reach - limit)} deep",
        )


def _check_place(cabinet: Cabinet, element: Element) -> None:
    outline, margin = footprint(element)
    for axis, name, size, direction in (("y", "width", cabinet.width, 0.0), ("z", "height", cabinet.height, math.pi / 2)):
        flat = size / 2 - cabinet.edge_radius - ROOM
        reach = float(support(outline, np.array(direction), margin))
        place = getattr(element, axis)
        if reach > flat + 1e-12:
            refuse(
                f"cabinet.{name}",
                f"at least {mm(2 * (reach + ROOM + cabinet.edge_radius))} for {element.name!r}",
                mm(size),
                f"{element.name!r} takes {mm(2 * reach)} and the flat of the {element.face} face is {mm(2 * flat)}",
                f"more {name}, an edge radius under {mm(max(size / 2 - reach - ROOM, 0))}, or "
                f"{_smaller(element, axis, reach - flat)}",
            )
        if abs(place) + reach > flat + 1e-12:
            limit = flat - reach
            refuse(
                f"{key_of(element)}.place",
                f"between {axis} = {mm(-limit)} and {mm(limit)}",
                f"{axis} = {mm(place)}",
                f"{element.name!r} reaches {mm(abs(place) + reach - flat)} beyond the flat part of the {element.face} face",
                f"{axis} = {mm(math.copysign(limit, place))}"
                + (f", or {_smaller(element, axis, abs(place) + reach - flat)}" if isinstance(element, Waveguide) else ""),
            )


def _smaller(element: Element, axis: str, excess: float) -> str:
    """What would fit, in words: a mouth may come up to where the edge's rounding begins."""
    if not isinstance(element, Waveguide):
        return "a smaller element"
    half = float(support(element.mouth, np.array(0.0 if axis == "y" else math.pi / 2)))
    return f"a mouth at most {mm(2 * max(half - excess, 0.0))} {'wide' if axis == 'y' else 'high'}"


def _check_apart(cabinet: Cabinet, first: Element, second: Element) -> None:
    """Two convex outlines are apart by the best of all directions (separating axes)."""
    theta = np.linspace(-math.pi, math.pi, 2881)
    a, margin_a = footprint(first)
    b, margin_b = footprint(second)
    between = (second.y - first.y) * np.cos(theta) + (second.z - first.z) * np.sin(theta)
    room = between - support(a, theta, margin_a) - support(b, theta + math.pi, margin_b)
    best = int(np.argmax(room))
    if room[best] >= ROOM - 1e-9:
        return
    lack = ROOM - float(room[best])
    y = second.y + lack * math.cos(theta[best])
    z = second.z + lack * math.sin(theta[best])
    flat_y, flat_z = (s / 2 - cabinet.edge_radius - ROOM for s in (cabinet.width, cabinet.height))
    on_face = (
        abs(y) + float(support(b, np.array(0.0), margin_b)) <= flat_y
        and abs(z) + float(support(b, np.array(math.pi / 2), margin_b)) <= flat_z
    )
    fix = (
        f"{second.name!r} at y = {mm(y)}, z = {mm(z)}"
        if on_face
        else f"moving both, or sizes {mm(lack)} smaller together, or a larger {second.face} face"
    )
    fix += _smaller_mouth((first, second), float(theta[best]), lack)
    refuse(
        f"{key_of(second)}.place",
        f"clear of {first.name!r} by {mm(ROOM)}",
        f"an overlap of {mm(-float(room[best]))}" if room[best] < 0 else f"{mm(float(room[best]))} between them",
        f"{first.name!r} and {second.name!r} share the {first.face} face",
        fix,
    )


def _smaller_mouth(pair: tuple[Element, Element], direction: float, lack: float) -> str:
    """The mouth that would leave room, in words, where one of the pair is a waveguide and they stand beside or above another."""
    guide = next((e for e in pair if isinstance(e, Waveguide)), None)
    across, up = abs(math.cos(direction)), abs(math.sin(direction))
    if guide is None or max(across, up) < 0.999:
        return ""
    half = float(support(guide.mouth, np.array(0.0 if across > up else math.pi / 2))) - lack
    if half <= guide.throat_radius:
        return ""
    return f", or a mouth at most {mm(2 * half)} {'wide' if across > up else 'high'}"


__all__ = ["LARGEST", "ROOM", "SMALLEST", "check_cabinet", "mm", "recess"]
