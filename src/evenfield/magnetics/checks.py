"""What makes a drawing no motor, said with the place in the drawing."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from evenfield.base import DesignError, message
from evenfield.magnetics.polygons import (
    Points,
    contains,
    crosses_itself,
    distance,
    gap_between,
    overlap,
    perimeter,
    rectangle,
    signed_area,
)

if TYPE_CHECKING:
    from evenfield.magnetics.motor import Coil, Motor, Part

THINNEST = 20e-6
"""m; the thinnest part that is drawn: plating of 20 um."""


def place(point: Points) -> str:
    """Where in the drawing, as people read it."""
    return f"at r {1e3 * point[0]:.2f} mm, z {1e3 * point[1]:.2f} mm"


def check_motor(motor: Motor) -> None:
    """Raise DesignError for the first thing that cannot be built."""
    _names(motor)
    _sizes(motor)
    for part in motor.parts:
        _part(part)
    for i, a in enumerate(motor.parts):
        for b in motor.parts[i + 1 :]:
            at = overlap(a.polygon, b.polygon)
            if at is not None:
                raise DesignError(
                    message(f"parts {a.name} and {b.name}", "apart or touching", "an overlap", where=place(at),
                            cause="Two bodies cannot fill the same place", fix="moving or shortening one of them")
                )  # fmt: skip
    for coil in motor.coils:
        _coil(motor, coil)
    _winding_overlap(motor)
    if not motor.passive:
        _magnets(motor)


def _names(motor: Motor) -> None:
    names = [p.name for p in motor.parts] + [c.name for c in motor.coils]
    twice = sorted({n for n in names if names.count(n) > 1})
    if twice:
        raise DesignError(message("names of parts and coils", "all different", ", ".join(twice), where=motor.name))
    if not motor.driven:
        raise DesignError(message("motor", "given at least one coil that is not shorted", "none", where=motor.name))


def _sizes(motor: Motor) -> None:
    radius, low, high = motor.extent
    size = max(2 * radius, high - low)
    if not 0.005 <= size <= 1.0:
        cause = "Lengths are in metres here; these look like millimetres" if size > 1 else "A length may be in the wrong unit"
        raise DesignError(message("motor's size", "5 mm to 1 m", f"{size:g} m", where=motor.name, cause=cause))
    if not 0 < motor.stroke <= 0.2:
        raise DesignError(message("motor's stroke", "above 0 and at most 200 mm", f"{1e3 * motor.stroke:g} mm"))


def _part(part: Part) -> None:
    p = part.polygon
    if p[:, 0].min() < -1e-9:
        at = p[int(np.argmin(p[:, 0]))]
        raise DesignError(message(f"part {part.name}", "on the side r >= 0 of the axis", "a corner beyond it", where=place(at)))
    crossing = crosses_itself(p)
    if crossing is not None:
        raise DesignError(message(f"part {part.name}", "a simple polygon", "edges that cross", where=place(crossing)))
    if 2 * abs(signed_area(p)) / perimeter(p) < 0.9 * THINNEST:
        raise DesignError(
            message(f"part {part.name}", f"at least {1e6 * THINNEST:.0f} um thick",
                    f"{2e6 * abs(signed_area(p)) / perimeter(p):.1f} um", where=place(p.mean(axis=0)))
        )  # fmt: skip


def _coil(motor: Motor, coil: Coil) -> None:
    """A coil at rest meets no part; where steel on both sides pinches it, the gap is too narrow."""
    hits = [(p, at) for p in motor.parts if (at := overlap(coil.section, p.polygon, 1e-6)) is not None]
    if not hits:
        return
    middle = (coil.inner_radius + coil.outer_radius) / 2
    part, at = hits[0]
    free = _free_width(motor, middle, float(at[1]))
    width = coil.outer_radius - coil.inner_radius
    if free is not None and free < width:
        raise DesignError(
            message("gap", f"wider than coil {coil.name} ({1e3 * width:.2f} mm)", f"{1e3 * free:.2f} mm", where=place(at),
                    cause=f"The coil meets {' and '.join(p.name for p, _ in hits)}",
                    fix=f"a gap of {1e3 * width + 0.6:.1f} mm, which leaves 0.3 mm on each side")
        )  # fmt: skip
    raise DesignError(
        message(f"coil {coil.name}", "clear of every part at rest", f"one that meets {part.name}", where=place(at),
                fix=f"moving or shortening it, or another radius than {1e3 * middle:.2f} mm")
    )  # fmt: skip


def _free_width(motor: Motor, radius: float, z: float) -> float | None:
    """Free radial width around (radius, z), m; None where that point lies in a part or only one side is bounded."""
    line = np.linspace(0, motor.extent[0], 4001)
    solid = np.zeros(len(line), bool)
    for p in motor.parts:
        solid |= contains(p.polygon, np.c_[line, np.full(len(line), z)])
    i = int(np.argmin(abs(line - radius)))
    if solid[i]:
        below = line[: i + 1][~solid[: i + 1]]
        above = line[i:][~solid[i:]]
        near = [abs(radius - s) for s in (below[-1:].tolist() + above[:1].tolist())]
        if not near:
            return None
        at = below[-1] if len(below) and abs(radius - below[-1]) == min(near) else above[0]
        i = int(np.argmin(abs(line - at)))
    left, right = np.flatnonzero(solid[:i]), np.flatnonzero(solid[i:])
    if not len(left) or not len(right):
        return None
    return float(line[i + right[0]] - line[left[-1]])


def _winding_overlap(motor: Motor) -> None:
    for i, a in enumerate(motor.coils):
        for b in motor.coils[i + 1 :]:
            at = overlap(a.section, b.section, 1e-6)
            if at is not None:
                raise DesignError(message(f"coils {a.name} and {b.name}", "apart", "an overlap", where=place(at)))


def _magnets(motor: Motor) -> None:
    """There is a magnet, and steel at both its ends: otherwise the magnetic circuit is open."""
    magnets = [p for p in motor.parts if p.kind == "magnet"]
    if not magnets:
        raise DesignError(message("motor", "given a magnet", "none", where=motor.name))
    steel = [p for p in motor.parts if p.kind == "steel"]
    for m in magnets:
        for sign, end in ((1, "front"), (-1, "rear")):
            face = _end_face(m, sign)
            touching = np.zeros(len(face), bool)
            for s in steel:
                touching |= (distance(s.polygon, face) < 3e-4) | contains(s.polygon, face)
            if touching.mean() < 0.25:
                raise DesignError(
                    message(f"magnet {m.name}", "covered by steel at both poles (open magnetic circuit)",
                            f"{100 * touching.mean():.0f} % covered at its {end} pole", where=place(face.mean(axis=0)),
                            cause="Its flux returns through air", fix="a plate within 0.3 mm of the pole")
                )  # fmt: skip


def _end_face(part: Part, sign: int) -> Points:
    """Points along the edges of a magnet that face along (or against) its magnetisation."""
    p, m = part.polygon, sign * np.asarray(part.magnetisation)
    d = np.roll(p, -1, axis=0) - p
    normal = np.c_[d[:, 1], -d[:, 0]] / np.linalg.norm(d, axis=1, keepdims=True)
    chosen = np.flatnonzero(normal @ m > 0.7)
    t = (np.arange(20) + 0.5) / 20
    return np.concatenate([p[i] + t[:, None] * d[i] for i in chosen]) if len(chosen) else p


def free_travel(motor: Motor, limit: float = 1.0) -> tuple[float, float]:
    """(inwards, outwards) way of the moving coils before one meets a part or a fixed winding, m."""
    fixed = [p.polygon for p in motor.parts] + [c.section for c in motor.coils if not c.moving]
    ways = []
    for sign in (-1, 1):
        way = limit
        for coil in (c for c in motor.coils if c.moving):
            lane = (
                rectangle(coil.inner_radius, coil.outer_radius, coil.top, coil.top + limit)
                if sign > 0
                else rectangle(coil.inner_radius, coil.outer_radius, coil.bottom - limit, coil.bottom)
            )
            for p in fixed:
                if overlap(lane, p, 1e-6) is not None:
                    way = min(way, _way_to(lane, p, sign, coil.top if sign > 0 else coil.bottom))
        ways.append(way)
    return ways[0], ways[1]


def _way_to(lane: Points, p: Points, sign: int, start: float) -> float:
    """How far the lane is free of polygon p from its near end, m: the nearest point of p within the lane's radii."""
    r0, r1 = lane[:, 0].min(), lane[:, 0].max()
    d = np.roll(p, -1, axis=0) - p
    t = np.linspace(0, 1, 401)
    points = (p[:, None] + t[None, :, None] * d[:, None]).reshape(-1, 2)
    inside = (points[:, 0] >= r0 - 1e-9) & (points[:, 0] <= r1 + 1e-9)
    ahead = sign * (points[inside, 1] - start)
    ahead = ahead[ahead > -1e-9]
    return float(max(ahead.min(), 0.0)) if len(ahead) else 0.0


def clearance(motor: Motor, coil: Coil) -> float:
    """Smallest distance between a coil at rest and any part, m."""
    return min(gap_between(coil.section, p.polygon) for p in motor.parts)
