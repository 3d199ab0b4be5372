"""Depth, mouth and angles of the first cut, what conflicts, and the section of the design file that states them."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenfield.base.errors import DesignError, message
from evenfield.search import first_cut_rules as rules
from evenfield.search.first_cut_given import Given
from evenfield.shape import Waveguide
from evenfield.shape.elements import Superelliptic
from evenfield.shape.free import Free
from evenfield.shape.outlines import polar_radius
from evenfield.shape.profiles import OblateSpheroidal
from evenfield.shape.rounding import find_joint
from evenfield.shape.walls import wall_angles

Array = NDArray[np.float64]

STATIONS = (0.08, 0.2, 0.4, 0.7, 1.0)
"""Where the free wall of a first cut states its angles."""
EXPONENT = 3.0
"""Of the superelliptic mouth: between an ellipse and a rounded rectangle. Common practice, no source."""
ROUNDING = 0.2
"""Mouth rounding over the smaller half of the mouth. Common practice, no source."""


@dataclass(frozen=True)
class Conflict:
    """Two wishes that do not go together, and the nearest that do."""

    pair: tuple[str, str]
    text: str
    nearest: str


def sizes_of(given: Given) -> tuple[float, tuple[float, float], tuple[float, float], float, list[Conflict]]:
    """Depth, half angles, mouth, rounding: the mouth that holds the coverage at the crossover, cut to the room there is."""
    steepest = given.steepest - given.closed
    half = (min(given.coverage[0] / 2, steepest), min(given.coverage[1] / 2, steepest))
    needed = tuple(rules.mouth_for(given.coverage[i], given.crossover) for i in (0, 1))
    conflicts = _too_steep(given, half)
    names = (("horizontal", "cabinet.width"), ("vertical", f"ways.{given.woofer}.place"))
    for i, (plane, against) in enumerate(names):
        if given.room[i] < 3 * given.throat:
            raise DesignError(
                message(
                    against,
                    f"to leave room for a mouth at least {3e3 * given.throat:.0f} mm wide",
                    f"{1e3 * given.room[i]:.0f} mm",
                    cause=f"The woofer {given.woofer!r} and the cabinet's edges take the rest",
                    fix="a lower woofer, a larger cabinet, or smaller edges",
                ),
                against,
            )
        if needed[i] > given.room[i]:
            conflicts.append(_too_narrow(given, plane, against, i))
    aim = [min(needed[i], given.room[i]) for i in (0, 1)]
    rounding = ROUNDING * min(aim) / 2
    depths = [_depth(aim[i], half[i], given, rounding) for i in (0, 1)]
    depth = max(depths)  # the deeper plane decides, the other's mouth grows with it
    caps = [_depth(given.room[i], half[i], given, rounding) for i in (0, 1)]
    limit = min(caps)
    if depth > limit * (1 + 1e-6):
        i = int(np.argmin(caps))
        depth = limit
        conflicts.append(_uneven(given, i, depth, half, rounding))
    if depth > given.deepest:
        conflicts.append(_too_deep(given, depth, half, rounding))
        depth = given.deepest
        half = tuple(_half_angle(aim[i], depth, given, rounding) for i in (0, 1))  # type: ignore[assignment]
    mouth = tuple(2 * rules.mouth_radius(depth, half[i], given.throat, given.entry, rounding) for i in (0, 1))
    return depth, (half[0], half[1]), (mouth[0], mouth[1]), rounding, conflicts


def _depth(mouth: float, half: float, given: Given, rounding: float) -> float:
    """The depth, m, from which a wall of this half angle ends at this mouth: bisection."""
    low, high = rounding, 2.0

    def wide(depth: float) -> bool:
        found = rules.mouth_radius(depth, half, given.throat, given.entry, rounding)
        return math.isfinite(found) and 2 * found > mouth

    for _ in range(60):
        middle = (low + high) / 2
        low, high = (low, middle) if wide(middle) else (middle, high)
    return high


def _half_angle(mouth: float, depth: float, given: Given, rounding: float) -> float:
    """The half angle, rad, of a wall from this depth to this mouth: bisection."""
    low, high = given.entry, math.radians(84)
    for _ in range(60):
        middle = (low + high) / 2
        found = rules.mouth_radius(depth, middle, given.throat, given.entry, rounding)
        low, high = (middle, high) if not math.isfinite(found) or 2 * found < mouth else (low, middle)
    return low


def _too_steep(given: Given, half: tuple[float, float]) -> list[Conflict]:
    planes = [p for i, p in enumerate(("horizontal", "vertical")) if half[i] < given.coverage[i] / 2]
    if not planes:
        return []
    wanted = " and ".join(f"{math.degrees(a):.0f} deg" for a in given.coverage)
    held = " and ".join(f"{math.degrees(2 * h):.0f} deg" for h in half)
    return [
        Conflict(
            (f"brief.coverage.{planes[0]}", "printer.overhang"),
            f"walls at half the coverage ({wanted}) hang over by more than {math.degrees(given.steepest):.0f} deg printed mouth "
            f"down; they are closed until they do not, and stand for {held}.",
            "printer.lying: throat-down, where the acoustic wall looks up",
        )
    ]


def _too_narrow(given: Given, plane: str, against: str, i: int) -> Conflict:
    wanted, room, f = given.coverage[i], given.room[i], given.crossover
    return Conflict(
        (f"brief.coverage.{plane}", against),
        f"{math.degrees(wanted):.0f} deg at {f:.0f} Hz asks for a mouth of {1e3 * rules.mouth_for(wanted, f):.0f} mm and there "
        f"is room for {1e3 * room:.0f} mm.",
        f"{math.degrees(rules.KEELE / (room * f)):.0f} deg at {f:.0f} Hz, or {math.degrees(wanted):.0f} deg from "
        f"{rules.control_frequency(wanted, room):.0f} Hz up",
    )


def _uneven(given: Given, i: int, depth: float, half: tuple[float, float], rounding: float) -> Conflict:
    other = 1 - i
    mouth = 2 * rules.mouth_radius(depth, half[other], given.throat, given.entry, rounding)
    planes = ("horizontal", "vertical")
    return Conflict(
        (f"brief.coverage.{planes[i]}", f"brief.coverage.{planes[other]}"),
        f"walls of both angles from one throat need the same depth, and the {planes[i]} mouth leaves the face beyond "
        f"{1e3 * depth:.0f} mm.",
        f"{1e3 * depth:.0f} mm deep, where the {planes[other]} mouth is {1e3 * mouth:.0f} mm and holds its coverage from "
        f"{rules.control_frequency(2 * half[other], mouth):.0f} Hz up",
    )


def _too_deep(given: Given, depth: float, half: tuple[float, float], rounding: float) -> Conflict:
    entry = math.degrees(given.entry)
    mouth = [2e3 * rules.mouth_radius(given.deepest, h, given.throat, given.entry, rounding) for h in half]
    sizes = " x ".join("none" if not math.isfinite(m) else f"{m:.0f}" for m in mouth)
    return Conflict(
        ("waveguide.depth", "waveguide.entry_angle"),
        f"walls that leave the throat at {entry:.0f} deg and open to half the coverage need {1e3 * depth:.0f} mm, and "
        f"{1e3 * given.deepest:.0f} mm are allowed; the walls are opened further instead.",
        f"a depth of {1e3 * depth:.0f} mm, or a mouth of {sizes} mm",
    )


def section_of(
    given: Given, depth: float, half: tuple[float, float], mouth: tuple[float, float], rounding: float
) -> tuple[dict[str, Any], Waveguide]:
    """The design file's section: the oblate-spheroidal walls of the rules stated as a free wall, and those walls."""

    def mm(value: float) -> str:
        return f"{round(1e3 * value, 1):g} mm"

    def deg(value: float) -> str:
        return f"{round(math.degrees(value), 1):g} deg"

    outline = Superelliptic(round(mouth[0], 4), round(mouth[1], 4), EXPONENT)
    plain = Waveguide(
        given.source, round(given.throat, 4), math.radians(round(math.degrees(given.entry), 1)), round(depth, 4), outline,
        round(rounding, 4), "oblate_spheroidal",
    )  # fmt: skip
    stated = freely(plain)
    section = {
        "throat_radius": mm(given.throat),
        "entry_angle": deg(given.entry),
        "depth": mm(depth),
        "mouth": {"shape": "superelliptic", "width": mm(mouth[0]), "height": mm(mouth[1]), "exponent": EXPONENT},
        "rounding": mm(rounding),
        "profile": "free",
        "wall": {
            "stations": [f"{100 * s:g} %" for s in STATIONS],
            "horizontal": [deg(a) for a in stated.angles],
            "vertical": [deg(a) for a in stated.angles_vertical],
            "diagonal": [deg(a) for a in stated.angles_diagonal],
        },
    }
    return section, plain


def freely(guide: Waveguide) -> Waveguide:
    """The guide with its walls stated as a free wall, which keeps them in the three planes."""
    theta = np.array([0.0, math.pi / 2, math.pi / 4])
    across, up, between = (tuple(map(float, a)) for a in _free_angles(guide, theta).T)
    return replace(
        guide, profile="free", stations=STATIONS, angles=across, angles_vertical=up, angles_diagonal=between
    )  # fmt: skip


def _free_angles(guide: Waveguide, theta: Array) -> Array:
    """(K, 3) angles of a free wall that follows the guide's and keeps them: its odds are 1."""
    mouth = polar_radius(guide.mouth, theta)
    joint = find_joint(OblateSpheroidal(), guide.throat_radius, guide.entry_angle, guide.depth, mouth, guide.rounding)
    share = joint.arc / (joint.arc + joint.edge.length)
    station = np.linspace(0, 1, 801)
    angle = wall_angles(guide, station, theta)
    own = [np.interp(np.array(STATIONS) * share[i], station, angle[:, i]) for i in range(len(theta))]
    wish = np.maximum.accumulate(np.clip(np.array(own).T, guide.entry_angle, math.radians(89)), axis=0)
    free = Free(STATIONS)
    turning = free.turning(guide.throat_radius, guide.entry_angle, guide.depth, mouth, guide.rounding, wish)
    return turning.angle[1:-1]
