"""A part too large for the plate, cut in two through its axis, with pins that find their holes."""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenfield.base.errors import MeshError, message
from evenfield.shape.printing.body import Body, circle
from evenfield.shape.printing.meshing import closed_rings, enclosed, solid_of
from evenfield.shape.printing.plan import PartPlan
from evenfield.shape.printing.settings import Machine

Array = NDArray[np.float64]

PIN_LENGTH_MM, PIN_PLAY_MM = 6.0, 0.15
"""How far a pin stands out, and how much wider its hole is all round (common practice, no source)."""


def fits(size: Array, machine: Machine) -> bool:
    """Whether a box of this size (3,) fits into the build volume, lying on any of its sides, square to the plate."""
    return bool(np.all(np.sort(np.asarray(size)) <= np.sort(np.asarray(machine.volume_mm)) + 1e-9))


def bodies_for(plan: PartPlan, whole: Body, machine: Machine) -> tuple[Body, ...]:
    """The part in one piece where it fits the printer, else in two halves across its longer side."""
    vertices = whole.arrays[0]
    if fits(np.ptp(vertices, axis=0), machine):
        return (whole,)
    return halves(plan, whole)


def halves(plan: PartPlan, whole: Body) -> tuple[Body, ...]:
    """The part cut through its axis: the lower (or right) half carries pins, the other their holes."""
    axis = 1 if plan.flange[0] >= plan.flange[1] else 2
    normal = np.zeros(3)
    normal[axis] = 1.0
    above, below = whole.solid.split_by_plane(normal, 0.0)
    pins, holes = [], []
    for place in pin_places(plan, whole, axis):
        pins.append(_pin(place, axis, plan.making.pin / 2, PIN_LENGTH_MM, 0.8))
        holes.append(_pin(place, axis, plan.making.pin / 2 + PIN_PLAY_MM, PIN_LENGTH_MM + 0.5, 0.0))
    for pin in pins:
        below = below + pin
    for hole in holes:
        above = above - hole
    names = ("right", "left") if axis == 1 else ("lower", "upper")
    return Body(below, names[0]), Body(above, names[1])


def pin_places(plan: PartPlan, whole: Body, axis: int) -> list[Array]:
    """Centres of two pins or more in the cut, where material of the pin's radius and a skin lies all round and on both sides.

    Raises MeshError when the cut has no room for two.
    """
    across = 3 - axis
    radius = plan.making.pin / 2 + PIN_PLAY_MM + 0.8
    found = []
    for sign in (1.0, -1.0):
        place = _widest(whole, axis, across, sign, radius, plan)
        if place is not None:
            found.append(place)
    if len(found) < 2:
        raise MeshError(
            message(
                "printer.pin",
                "small enough for the cut faces",
                f"{plan.making.pin:g} mm",
                fix="a thicker flange, or pins of 2 mm",
            )
        )
    return found


def _widest(whole: Body, axis: int, across: int, sign: float, radius: float, plan: PartPlan) -> Array | None:
    """The place in the cut, on one side, with most material around it, as far out as that allows."""
    sections = [_section(whole, axis, at) for at in (-PIN_LENGTH_MM - 1, -0.01, 0.01, PIN_LENGTH_MM + 1)]
    x = np.arange(-plan.depth, 0.0, 0.75)
    y = np.arange(0.0, max(plan.flange[:2]), 1.0) * sign
    places = np.stack(np.meshgrid(x, y, indexing="ij"), -1).reshape(-1, 2)
    room = np.min([_inside(s, places) for s in sections], axis=0)
    good = room >= radius
    if not np.any(good):
        return None
    best = places[int(np.argmax(np.where(good, np.abs(places[:, 1]) + 0.5 * np.minimum(room, 3 * radius), -np.inf)))]
    made = np.zeros(3)
    made[0], made[across] = best
    return made


def _section(whole: Body, axis: int, at: float) -> list[Array]:
    """Outlines (N, 2) in (x, the other axis) of the plane `axis` = at."""
    # the kernel slices across its third axis
    turn = {1: [[1.0, 0, 0, 0], [0, 0, 1, 0], [0, -1, 0, 0]], 2: [[1.0, 0, 0, 0], [0, 1, 0, 0], [0, 0, 1, 0]]}[axis]
    height = -at if axis == 1 else at
    return [np.asarray(o) for o in whole.solid.transform(np.array(turn)).slice(height).to_polygons()]


def _inside(outlines: list[Array], places: Array) -> Array:
    """(N,) distance from the outlines, positive inside by the even-odd rule, mm."""
    from matplotlib.path import Path
    from scipy.spatial import cKDTree

    if not outlines:
        return np.full(len(places), -1.0)
    odd = np.zeros(len(places), int)
    dense = []
    for outline in outlines:
        odd += Path(outline).contains_points(places)
        ends = np.vstack([outline, outline[:1]])
        for a, b in itertools.pairwise(ends):
            pieces = max(1, math.ceil(float(np.linalg.norm(b - a)) / 0.3))
            dense.append(a + np.arange(pieces)[:, None] / pieces * (b - a))
    distance = cKDTree(np.vstack(dense)).query(places)[0]
    return np.asarray(np.where(odd % 2 == 1, distance, -1.0))


def _pin(place: Array, axis: int, radius: float, length: float, chamfer: float) -> Any:
    """A round pin along +axis from inside the one half into the other, its tip chamfered."""
    stations = [(-length, radius), (length - chamfer, radius)]
    if chamfer > 0:
        stations.append((length, radius - chamfer / 2))
    ring, rings = circle(radius), []
    across = 3 - axis
    for along, r in stations:
        made = np.empty((len(ring), 3))
        made[:, axis], made[:, 0], made[:, across] = along, ring[:, 0] / radius * r, ring[:, 1] / radius * r
        rings.append(made + place)
    vertices, triangles = closed_rings(rings)
    return solid_of(vertices, triangles if enclosed(vertices, triangles) > 0 else triangles[:, ::-1], "a pin")
