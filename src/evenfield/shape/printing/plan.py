"""The part as drawn: outlines, holes, groove, ribs, lettering. Both the printed mesh and the STEP solid follow this plan."""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evenfield.base.errors import DesignError, message
from evenfield.shape.elements import Cabinet, Round, RoundedRectangle, Waveguide, key_of
from evenfield.shape.fit import ROOM
from evenfield.shape.outlines import footprint, support
from evenfield.shape.printing.backing import backing, with_ribs
from evenfield.shape.printing.grid import WallGrid, wall_grid
from evenfield.shape.printing.lettering import Lettering, letter
from evenfield.shape.printing.settings import SCREWS_MM, Making, Printer

Array = NDArray[np.float64]

_SKIN = 1.2  # mm; least material over a blind hole and beside a hole
_LEDGE = 4.0  # mm; least width on which the flange rests
_GROOVE = 0.75  # depth of the cord's groove over its diameter (common practice, no source)


@dataclass(frozen=True)
class Hole:
    """A hole along x, mm: from `x` (its open end) over `depth` towards `sense`; `head` widens its open end to a countersink.

    `kind`: "screw" goes through, "insert" is blind.
    """

    y: float
    z: float
    radius: float
    x: float
    depth: float
    sense: float
    kind: str
    head: float = 0.0


@dataclass(frozen=True)
class PartPlan:
    """Everything the part is, mm.

    Parameters
        guide : the waveguide as designed, m
        grid : its wall
        back_theta, back : (P,) rad and (R, P, 3) rings of the back of the wall, ribs included, from flange to driver seat
        flange : (half width, half height, corner radius) of the flange
        groove : (inner, outer) outlines (M, 2) of the gasket's groove, or None
        cut_out, rebate : outlines (N, 2) of the opening and of the flange's rebate in the baffle
    """

    guide: Waveguide
    grid: WallGrid
    making: Making
    name: str
    revision: str
    back_theta: Array
    back: Array
    flange: tuple[float, float, float]
    flange_thickness: float
    seat_radius: float
    seat_thickness: float
    holes: tuple[Hole, ...]
    groove: tuple[Array, Array] | None
    groove_depth: float
    lettering: Lettering | None
    cut_out: Array
    rebate: Array
    notes: tuple[str, ...] = ()

    @property
    def depth(self) -> float:
        """From baffle plane to driver seat, mm."""
        return self.grid.depth


def rounded_rectangle(half_width: float, half_height: float, corner: float, chord: float = 0.01) -> Array:
    """(N, 2) outline, anticlockwise, mm."""
    corner = min(corner, half_width, half_height)
    pieces = max(6, math.ceil(math.pi / 2 / (2 * math.acos(max(0.0, 1 - chord / max(corner, 0.1))))))
    turn = np.linspace(0, math.pi / 2, pieces + 1)
    arc = corner * np.column_stack([np.cos(turn), np.sin(turn)])
    centre = np.array([half_width - corner, half_height - corner])
    corners = []
    for k, sign in enumerate(((1, 1), (-1, 1), (-1, -1), (1, -1))):
        c, s = math.cos(k * math.pi / 2), math.sin(k * math.pi / 2)
        corners.append(arc @ np.array([[c, s], [-s, c]]) + centre * sign)
    outline = np.vstack(corners)
    step = np.linalg.norm(outline - np.roll(outline, 1, axis=0), axis=1)
    return np.asarray(outline[step > 1e-9])


def make_plan(cabinet: Cabinet, guide: Waveguide, printer: Printer, title: str = "", baffle_mm: float | None = None) -> PartPlan:
    """Draw the part for its place in the cabinet.

    Parameters
        cabinet : the body, m; its other elements and edges bound the flange
        guide : one of its waveguides
        title : engraved before the revision
        baffle_mm : thickness of the baffle; None does not check the rebate
    Raises DesignError, with the key, where something has no room; the message says what would.
    """
    key, making = f"{key_of(guide)}.waveguide", printer.making
    if guide.name not in {e.name for e in cabinet.elements}:
        raise DesignError(message(key, "one of the cabinet's waveguides", guide.name), key)
    grid = wall_grid(guide)
    screw, insert = SCREWS_MM[making.screw], making.fixing == "rear"
    thick = max(making.flange_thickness, making.wall, screw[3] + _SKIN if insert else (screw[1] - screw[0]) / 2 + 1.5)
    _check_baffle(thick, baffle_mm)
    seat_insert = SCREWS_MM[making.seat_screw]
    seat = max(making.seat_thickness, making.wall, seat_insert[3] + _SKIN)
    rings = backing(grid, making.wall, thick, seat, f"{key}.depth")
    flange = _flange(cabinet, guide, making, grid)
    seat_holes, seat_radius = _seat(making, grid, float(_radius(rings[-1]).max()), seat)
    neck = np.maximum(_radius(rings[0]), seat_radius)
    ledge = _polar(flange, grid.theta) - neck
    if ledge.min() < _LEDGE:
        at = math.degrees(grid.theta[int(np.argmin(ledge))])
        raise DesignError(
            message(
                "printer.flange",
                f"such that {_LEDGE:g} mm of it rest on the baffle",
                f"{ledge.min():.1f} mm at {at:.0f} deg",
                cause="The wall behind the mouth fills the cut-out there and the baffle's flat ends beyond",
                fix="a smaller mouth, a larger rounding of it, a thinner flange or wall, or a wider cabinet",
            ),
            "printer.flange",
        )
    groove, cord = _groove(grid, neck, flange, making, thick)
    holes = _flange_holes(making, grid, neck, flange, groove, thick)
    room = making.clearance
    theta, back = with_ribs(grid, rings, _rib_angles(making), making.rib_thickness, seat_radius)
    plan = PartPlan(
        guide, grid, making, title or guide.name, _revision(guide, printer), theta, back, flange, thick, seat_radius, seat,
        (*holes, *seat_holes), groove, cord, None, _grown(neck, grid.theta, room),
        rounded_rectangle(*(size + room / 2 for size in flange)),
        _notes(making, grid, guide, thick, seat, seat_radius, groove is None),
    )  # fmt: skip
    return replace(plan, lettering=letter(plan) if making.lettering_depth > 0 else None)


def _check_baffle(thick: float, baffle_mm: float | None) -> None:
    if baffle_mm is not None and thick > 0.75 * baffle_mm:
        raise DesignError(
            message(
                "printer.flange_thickness",
                f"at most three quarters of the baffle ({0.75 * baffle_mm:.1f} mm)",
                f"{thick:.1f} mm",
                cause="The flange sits in a rebate and the screws need what is left",
                fix="a thinner flange, smaller screws, or a thicker cabinet.wall_thickness",
            ),
            "printer.flange_thickness",
        )


def _revision(guide: Waveguide, printer: Printer) -> str:
    """Seven letters that change with the shape or how it is made."""
    from evenfield.shape import PHYSICS_VERSION

    text = repr((guide, printer.making, printer.material.name, PHYSICS_VERSION))
    return hashlib.sha256(text.encode()).hexdigest()[:7]


def _radius(ring: Array) -> Array:
    return np.asarray(np.hypot(ring[..., 1], ring[..., 2]))


def _flange(cabinet: Cabinet, guide: Waveguide, making: Making, grid: WallGrid) -> tuple[float, float, float]:
    """Half width, half height and corner radius: the mouth and the flange's width, less where the baffle has no room."""
    foot = footprint(guide)
    mouth = 1000 * np.array([float(support(foot[0], np.array(a), foot[1])) for a in (0.0, math.pi / 2)])
    place = 1000 * np.abs([guide.y, guide.z])
    face = 1000 * (np.array([cabinet.width, cabinet.height]) / 2 - cabinet.edge_radius) - 0.1 - place
    room = np.minimum(face, mouth + making.flange)
    for other in cabinet.placed:
        if other.name != guide.name and other.face == guide.face:
            room = _beside(room, mouth, guide, other)
    if isinstance(guide.mouth, Round) and np.ptp(room) < 1e-6:
        return float(room[0]), float(room[1]), float(room[0])
    corner = min(making.corner, float(room.min()))
    while _polar((room[0], room[1], corner), grid.theta).min() > 0 and corner > 1.0:
        if np.all(_polar((room[0], room[1], corner), grid.theta) >= _radius(grid.outline) + 0.3):
            break
        corner *= 0.8
    return float(room[0]), float(room[1]), float(corner)


def _beside(room: Array, mouth: Array, guide: Waveguide, other: object) -> Array:
    """Room that another element leaves, shrinking the side that loses least."""
    outline, margin = footprint(other)  # type: ignore[arg-type]
    away = 1000 * np.abs([other.y - guide.y, other.z - guide.z])  # type: ignore[attr-defined]
    reach = 1000 * np.array([float(support(outline, np.array(a), margin)) for a in (0.0, math.pi / 2)])
    free = away - reach - 1000 * ROOM
    if np.any(free >= room):
        return room
    axis = int(np.argmax(free - mouth))
    limited = room.copy()
    limited[axis] = min(room[axis], max(free[axis], mouth[axis] + 0.3))
    return limited


def _polar(flange: tuple[float, float, float], theta: Array) -> Array:
    """(M,) distance of the flange's outline from the axis, mm."""
    from evenfield.shape.outlines import polar_radius

    return polar_radius(RoundedRectangle(2 * flange[0], 2 * flange[1], flange[2]), theta)


def _grown(radius: Array, theta: Array, by: float) -> Array:
    """(M, 2) the ring of these radii grown by a distance all round, mm."""
    yz = np.column_stack([radius * np.cos(theta), radius * np.sin(theta)])
    along = np.roll(yz, -1, axis=0) - np.roll(yz, 1, axis=0)
    out = np.column_stack([along[:, 1], -along[:, 0]]) / np.linalg.norm(along, axis=1, keepdims=True)
    return np.asarray(yz + by * out)


def _groove(
    grid: WallGrid, neck: Array, flange: tuple[float, float, float], making: Making, thick: float
) -> tuple[tuple[Array, Array] | None, float]:
    """Outlines of the gasket's groove just outside the cut-out, and its depth; None where a flat gasket must do."""
    if making.gasket <= 0:
        return None, 0.0
    inner = neck + making.clearance + 1.5
    outer = inner + 1.2 * making.gasket
    depth = min(_GROOVE * making.gasket, thick - making.wall / 2 - 1.0)
    if np.any(outer + 1.0 > _polar(flange, grid.theta)) or depth < 0.4 * making.gasket:
        return None, 0.0
    c, s = np.cos(grid.theta), np.sin(grid.theta)
    return (np.column_stack([inner * c, inner * s]), np.column_stack([outer * c, outer * s])), depth


def _flange_holes(
    making: Making, grid: WallGrid, neck: Array, flange: tuple[float, float, float],
    groove: tuple[Array, Array] | None, thick: float,
) -> list[Hole]:  # fmt: skip
    hole, head, insert, length, _ = SCREWS_MM[making.screw]
    rear = making.fixing == "rear"
    inner = neck + making.clearance if rear else _radius(grid.outline)
    if groove is not None:
        inner = np.maximum(inner, np.hypot(*groove[1].T))
    need = insert / 2 + _SKIN if rear else head / 2 + 0.5
    from scipy.interpolate import make_interp_spline

    ring = make_interp_spline(np.append(grid.theta, 2 * math.pi), np.append(inner, inner[0]), k=1)
    places = screw_places(flange, ring, need, making.screws)
    if places is None:
        raise DesignError(
            message(
                "printer.flange",
                f"wide enough for {making.screws} screws {making.screw} ({2 * need:.1f} mm each)",
                f"at most {2 * _best_room(flange, ring):.1f} mm between mouth and edge",
                cause="The baffle has no more room around the mouth",
                fix="smaller or fewer screws, fixing: rear, a smaller corner, or a smaller mouth",
            ),
            "printer.flange",
        )
    if rear:
        return [Hole(y, z, insert / 2, -thick, length + 0.3, 1.0, "insert") for y, z in places]
    return [Hole(y, z, hole / 2, 0.0, thick, -1.0, "screw", head / 2) for y, z in places]


def _room(flange: tuple[float, float, float], ring: object, yz: Array) -> Array:
    """(N,) radius of the largest circle at places (N, 2) between the inner ring and the flange's edge, mm."""
    theta = np.linspace(0, 2 * math.pi, 721)
    r = ring(theta)  # type: ignore[operator]
    inner = np.column_stack([r * np.cos(theta), r * np.sin(theta)])
    from scipy.spatial import cKDTree

    to_inner = cKDTree(inner).query(yz)[0]
    outside = np.hypot(yz[:, 0], yz[:, 1]) > ring(np.arctan2(yz[:, 1], yz[:, 0]) % (2 * math.pi))  # type: ignore[operator]
    box = np.abs(yz) - (np.array(flange[:2]) - flange[2])
    to_edge = flange[2] - np.hypot(*np.maximum(box, 0).T) - np.minimum(box.max(axis=1), 0)
    return np.asarray(np.where(outside, np.minimum(to_inner, to_edge), -1.0))


def _best_room(flange: tuple[float, float, float], ring: object) -> float:
    return float(max(_room(flange, ring, _candidates(flange)).max(), 0.0))


def _candidates(flange: tuple[float, float, float]) -> Array:
    """(N, 2) places in the first quarter of the flange."""
    y, z = (np.arange(0, half, 0.5) for half in flange[:2])
    grid = np.meshgrid(y, z, indexing="ij")
    return np.column_stack([grid[0].ravel(), grid[1].ravel()])


def screw_places(flange: tuple[float, float, float], ring: object, need: float, count: int) -> list[tuple[float, float]] | None:
    """Places (y, z) of the screws, mirror images of each other in both planes, far apart; None when they have no room."""
    places = _candidates(flange)
    room = _room(flange, ring, places)
    good = room >= need
    if not np.any(good):
        return None
    if abs(flange[0] - flange[1]) < 1e-6 and abs(flange[2] - flange[0]) < 1e-6:
        pitch = float(np.hypot(*places[int(np.argmax(room))]))
        turn = np.arange(count) * 2 * math.pi / count + math.pi / count
        return [(pitch * math.cos(a), pitch * math.sin(a)) for a in turn]
    found: list[tuple[float, float]] = []
    quarters, rest = divmod(count, 4)
    reach = np.abs(places) / np.array(flange[:2])
    on_axis = good & (places.min(axis=1) == 0)
    free = good & (places.min(axis=1) > need)  # from its own mirror images too
    score = room + 20 * reach.min(axis=1)
    chosen: list[Array] = []
    for _ in range(quarters):
        if not np.any(free):
            return None
        at = places[int(np.argmax(np.where(free, score, -np.inf)))]
        chosen.append(at)
        away = np.min([np.linalg.norm(places - c, axis=1) for c in chosen], axis=0)
        free, score = free & (away > 2 * need), away + room
    for y, z in chosen:
        found += [(sy * y, sz * z) for sy in (1, -1) for sz in (1, -1)]
    if rest:
        if not np.any(on_axis) or rest != 2:
            return None
        y, z = places[int(np.argmax(np.where(on_axis, room, -np.inf)))]
        found += [(y, z), (-y, -z)]
    return [(float(y), float(z)) for y, z in found]


def _seat(making: Making, grid: WallGrid, back: float, thick: float) -> tuple[list[Hole], float]:
    """Inserts for the driver, and the radius of its mounting face."""
    _, _, insert, length, outer = SCREWS_MM[making.seat_screw]
    depth = length + 0.3
    x, r = grid.points[..., 0], _radius(grid.points)
    beside = float(r[x <= -grid.depth + depth + _SKIN].max())
    pitch = making.seat_pitch_radius or beside + _SKIN + insert / 2 + 0.5
    if making.seat_screws and pitch - insert / 2 - beside < _SKIN - 1e-9:
        least = beside + _SKIN + insert / 2
        raise DesignError(
            message(
                "printer.seat_pitch_radius",
                f"at least {least:.1f} mm",
                f"{pitch:.1f} mm",
                cause=f"Inserts {depth:.1f} mm deep would come out in the waveguide's wall",
                fix="smaller screws for the driver, or a larger pitch",
            ),
            "printer.seat_pitch_radius",
        )
    radius = making.seat_radius or max(pitch + outer / 2 + 2.0 if making.seat_screws else 0.0, back + 1.0)
    least = max(pitch + insert / 2 + _SKIN if making.seat_screws else 0.0, back)
    if radius < least - 1e-9:
        raise DesignError(message("printer.seat_radius", f"at least {least:.1f} mm", f"{radius:.1f} mm"), "printer.seat_radius")
    turn = np.arange(making.seat_screws) * 2 * math.pi / max(making.seat_screws, 1) + math.pi / 4
    return [
        Hole(pitch * math.cos(a), pitch * math.sin(a), insert / 2, -grid.depth, depth, 1.0, "insert") for a in turn
    ], radius  # fmt: skip


def _rib_angles(making: Making) -> Array:
    """Angles of the ribs, as far as they can be from the planes in which a large part is cut."""
    if making.ribs == 0:
        return np.zeros(0)
    step = 2 * math.pi / making.ribs
    turns = np.arange(making.ribs) * step
    offsets = np.linspace(0, step, 24, endpoint=False)
    away = [np.abs((turns + o + math.pi / 4) % (math.pi / 2) - math.pi / 4).min() for o in offsets]
    return np.asarray(turns + offsets[int(np.argmax(away))])


def _notes(
    making: Making, grid: WallGrid, guide: Waveguide, thick: float, seat: float, seat_radius: float, flat: bool
) -> tuple[str, ...]:
    notes = []
    if abs(2 * grid.throat - 2000 * guide.throat_radius) > 1e-3:
        notes.append(
            f"throat {2 * grid.throat:.2f} mm as solved, drawn in to the driver's rim, not {2000 * guide.throat_radius:.2f} mm: "
            "see that what moves keeps clear of it"
        )
    if guide.source_depth > 0:
        notes.append(f"the driver's rim lies {1000 * guide.source_depth:.2f} mm behind its seat: a spacer, or its own recess")
    if thick > making.flange_thickness:
        notes.append(f"flange {thick:.1f} mm thick, not {making.flange_thickness:g}: its screws or the wall need it")
    if seat > making.seat_thickness:
        notes.append(f"driver seat {seat:.1f} mm thick, not {making.seat_thickness:g}: its inserts or the wall need it")
    if making.seat_radius is None:
        notes.append(f"driver seat {2 * seat_radius:.1f} mm across, from its screws: give the driver's own mounting measures")
    if flat and making.gasket > 0:
        notes.append("no room for a gasket groove: use a flat gasket under the flange")
    return tuple(notes)
