"""A part too large for the plate, cut through its axis in two or in four, with pins that find their holes on every joint."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
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
SKIN_MM = 1.2
"""Least material around a pin's hole (common practice, no source)."""
_APART_MM = 12.0
"""Between two pins of one joint."""
_SIDES = {1: ("right", "left"), 2: ("lower", "upper")}
"""Names of what lies on the negative and the positive side of a cut across y (1) or z (2)."""


def fits(size: Array, machine: Machine) -> bool:
    """Whether a box of this size (3,) fits into the build volume, lying on any of its sides, square to the plate."""
    return bool(np.all(np.sort(np.asarray(size)) <= np.sort(np.asarray(machine.volume_mm)) + 1e-9))


def bodies_for(plan: PartPlan, whole: Body, machine: Machine) -> tuple[Body, ...]:
    """The part in one piece where it fits the printer, else in two halves across its longer side, else in four quarters."""
    if fits(np.ptp(whole.arrays[0], axis=0), machine):
        return (whole,)
    found = halves(plan, whole)
    return found if all(fits(np.ptp(b.arrays[0], axis=0), machine) for b in found) else quarters(plan, whole)


def longer_side(plan: PartPlan) -> int:
    """1 (y) or 2 (z): the axis across which the first cut goes."""
    return 1 if plan.flange[0] >= plan.flange[1] else 2


def halves(plan: PartPlan, whole: Body) -> tuple[Body, ...]:
    """The part cut through its axis: the lower (or right) half carries pins, the other their holes."""
    return cut(plan, whole, (longer_side(plan),))


def quarters(plan: PartPlan, whole: Body) -> tuple[Body, ...]:
    """The part cut through its axis both ways; of every joint the lower or right side carries the pins."""
    first = longer_side(plan)
    return cut(plan, whole, (first, 3 - first))


def cut(plan: PartPlan, whole: Body, axes: Sequence[int]) -> tuple[Body, ...]:
    """The part cut across each of `axes`, 1 (y) and 2 (z), pins and holes of all joints in place.

    Raises MeshError when a joint has no room for its pins.
    """
    solids = {"": whole.solid}
    for axis in axes:
        normal = np.zeros(3)
        normal[axis] = 1.0
        apart = {name: solid.split_by_plane(normal, 0.0) for name, solid in solids.items()}
        solids = {_named(name, side): half for name, (above, below) in apart.items()
                  for side, half in zip(_SIDES[axis], (below, above), strict=True)}  # fmt: skip
    for axis in axes:
        low, high = _SIDES[axis]
        for place in pin_places(plan, whole, axis, 2 if len(axes) > 1 else 1):
            side = _side_of(place, axis, axes)
            first, second = _named(low, side), _named(high, side)
            solids[first] = solids[first] + _pin(place, axis, plan.making.pin / 2, PIN_LENGTH_MM, 0.8)
            solids[second] -= _pin(place, axis, plan.making.pin / 2 + PIN_PLAY_MM, PIN_LENGTH_MM + 0.5, 0.0)
    return tuple(Body(solid, name) for name, solid in solids.items())


def _named(*words: str) -> str:
    """lower or upper first, as one says it: "lower-left"."""
    return "-".join(sorted((w for w in words if w), key=lambda w: w in _SIDES[1]))


def _side_of(place: Array, axis: int, axes: Sequence[int]) -> str:
    """On which side of the other cut a joint's pin lies; empty where there is no other."""
    across = 3 - axis
    return _SIDES[across][int(place[across] > 0)] if across in axes else ""


def pin_places(plan: PartPlan, whole: Body, axis: int, each: int = 1) -> list[Array]:
    """Centres of the pins in the cut across `axis`, up to `each` on either side of the axis, where material of the pin's radius
    and a skin lies all round and on both sides.

    Raises MeshError when one side of the cut has no room for any.
    """
    found = []
    for sign in (1.0, -1.0):
        here = _widest(whole, axis, sign, plan, each)
        if not here:
            raise MeshError(
                message(
                    "printer.pin",
                    "small enough for the cut faces",
                    f"{plan.making.pin:g} mm",
                    fix="a thicker flange, or pins of 2 mm",
                )
            )
        found += here
    return found


def _widest(whole: Body, axis: int, sign: float, plan: PartPlan, each: int) -> list[Array]:
    """The places in the cut, on one side, with most material around them, as far out as that allows; clear of the other cut."""
    radius = plan.making.pin / 2 + PIN_PLAY_MM + SKIN_MM
    sections = [_section(whole, axis, at) for at in (-PIN_LENGTH_MM - 1, -0.01, 0.01, PIN_LENGTH_MM + 1)]
    x = np.arange(-plan.depth, 0.0, 0.75)
    y = np.arange(PIN_LENGTH_MM + radius + 1 if each > 1 else 0.0, max(plan.flange[:2]), 1.0) * sign
    places = np.stack(np.meshgrid(x, y, indexing="ij"), -1).reshape(-1, 2)
    room = np.min([_inside(s, places) for s in sections], axis=0)
    worth = np.where(room >= radius, np.abs(places[:, 1]) + 0.5 * np.minimum(room, 3 * radius), -np.inf)
    found: list[Array] = []
    for _ in range(each):
        if not np.isfinite(worth).any():
            break
        best = places[int(np.argmax(worth))]
        made = np.zeros(3)
        made[0], made[3 - axis] = best
        found.append(made)
        away = np.linalg.norm(places - best, axis=1)  # the next one as far from it as can be
        worth = np.where(np.isfinite(worth) & (away >= _APART_MM), away, -np.inf)
    return found


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
