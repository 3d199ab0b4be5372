"""PolyhedralRoom: a room of plane faces, convex or L-shaped, whose image sources are checked for visibility."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base.air import Air
from evenfield.base.errors import DataError, message
from evenfield.rooms.enclosure import Enclosure
from evenfield.rooms.room import CLEARANCE, point_text
from evenfield.rooms.surfaces import Surface, surface

if TYPE_CHECKING:
    from evenfield.rooms.kernels import Paths

FloatArray = NDArray[np.float64]

MOST_PATHS = 200_000


@dataclass(frozen=True)
class PolyhedralRoom(Enclosure):
    """A closed room of plane polygons.

    Parameters
        faces : polygons, (N, 3) m each, in order round their edge; turned so that normals point inwards
        surfaces : one for each face
        names : of the faces, for messages
    Raises DataError when a face is not plane, the room is not closed, surfaces overlap, or its volume is 0.
    """

    faces: tuple[FloatArray, ...]
    surfaces: tuple[Surface, ...]
    names: tuple[str, ...] = ()
    air: Air = field(default_factory=Air)
    name: str = "room"

    def __post_init__(self) -> None:
        faces = [np.asarray(f, float) for f in self.faces]
        if len(faces) < 4 or len(self.surfaces) != len(faces):
            raise DataError(
                message(f"{self.name}: faces", "four or more, with one surface each", f"{len(faces)}, {len(self.surfaces)}")
            )
        if not self.names:
            object.__setattr__(self, "names", tuple(f"face {i + 1}" for i in range(len(faces))))
        for name, f in zip(self.names, faces, strict=True):
            _check_plane(f, name)
        volume = _signed_volume(faces)
        if not np.isfinite(volume) or abs(volume) < 0.1:
            raise DataError(
                message(f"{self.name}: volume", "above 0.1 m3", f"{abs(volume):.3g} m3", cause="The faces enclose nothing")
            )
        if volume > 0:  # outward: turn every face round
            faces = [f[::-1].copy() for f in faces]
        object.__setattr__(self, "faces", tuple(faces))
        self._check_overlap()
        self._check_closed()

    def _check_closed(self) -> None:
        """Every edge belongs to two faces, run through in opposite directions."""
        edges: dict[tuple[tuple[float, ...], tuple[float, ...]], str] = {}
        for name, f in zip(self.names, self.faces, strict=True):
            corner = [tuple(float(x) for x in np.round(v, 5) + 0.0) for v in f]
            for a, b in zip(corner, corner[1:] + corner[:1], strict=True):
                if (a, b) in edges:
                    fix = "faces whose corners run the same way round seen from inside, each edge shared by two"
                    raise DataError(message(f"{self.name}: {name}", f"joined to {edges[a, b]} the other way round", a, fix=fix))
                edges[a, b] = name
        for a, b in edges:
            if (b, a) not in edges:
                where = f"the edge {a} to {b}"
                raise DataError(
                    message(
                        f"{self.name}: {edges[a, b]}", "joined to another face at every edge", where, cause="The room is open"
                    )
                )

    def _check_overlap(self) -> None:
        for i, f in enumerate(self.faces):
            for j in range(i):
                g = self.faces[j]
                coplanar = np.abs((g - f[0]) @ self.normals[i]).max() < 1e-4
                if coplanar and (_any_inside(f, g, self.normals[j]) or _any_inside(g, f, self.normals[i])):
                    rule = f"clear of {self.names[j]}"
                    raise DataError(message(f"{self.name}: {self.names[i]}", rule, "a surface that overlaps it"))

    @cached_property
    def normals(self) -> FloatArray:
        """(F, 3) unit normals, inwards."""
        return np.stack([_normal(f) for f in self.faces])

    @property
    def offsets(self) -> FloatArray:
        """(F,) normal . corner of each face."""
        return np.array([n @ f[0] for n, f in zip(self.normals, self.faces, strict=True)])

    @cached_property
    def areas(self) -> FloatArray:
        """(F,) m^2."""
        return np.array([np.linalg.norm(_area_vector(f)) for f in self.faces])

    @cached_property
    def volume(self) -> float:
        """m^3."""
        return abs(_signed_volume(list(self.faces)))

    def check_inside(self, points: FloatArray, what: str) -> None:
        """Raises DataError when any of (N, 3) points is outside or in a wall."""
        for i, p in enumerate(np.atleast_2d(points)):
            inside = bool(np.all(np.isfinite(p))) and abs(self._winding(p)) > 0.5
            near = self._nearest_face(p)
            if not inside or near[1] < CLEARANCE:
                cause = f"It lies outside, in or within {CLEARANCE * 100:g} cm of {self.names[near[0]]}"
                raise DataError(
                    message(f"{what} {i + 1}", "inside the room", point_text(p), cause=cause, fix="a place further in")
                )

    def _winding(self, p: FloatArray) -> float:
        """Solid angle of all faces seen from a point over 4 pi: 1 inside, 0 outside (van Oosterom & Strackee 1983)."""
        total = 0.0
        for f in self.faces:
            for k in range(1, len(f) - 1):
                a, b, c = f[0] - p, f[k] - p, f[k + 1] - p
                la, lb, lc = (float(np.linalg.norm(v)) for v in (a, b, c))
                below = la * lb * lc + (a @ b) * lc + (a @ c) * lb + (b @ c) * la
                total += 2 * np.arctan2(float(a @ np.cross(b, c)), float(below))
        return total / (4 * np.pi)

    def _nearest_face(self, p: FloatArray) -> tuple[int, float]:
        best, distance = 0, np.inf
        for i, (f, n) in enumerate(zip(self.faces, self.normals, strict=True)):
            height = float((p - f[0]) @ n)
            foot = p - height * n
            gap = abs(height) if _inside_polygon(foot, f, n) else np.inf
            if gap < distance:
                best, distance = i, gap
        return best, float(distance)

    def packed(self) -> tuple[FloatArray, NDArray[np.int64], FloatArray, FloatArray]:
        """(F, V, 3) corners, (F,) their number, (F, 3) normals, (F,) offsets, for the kernels."""
        most = max(len(f) for f in self.faces)
        corner = np.zeros((len(self.faces), most, 3))
        for i, f in enumerate(self.faces):
            corner[i, : len(f)] = f
        return corner, np.array([len(f) for f in self.faces]), self.normals, self.offsets

    def paths(self, position: ArrayLike, seat: ArrayLike, early_s: float, order: int) -> tuple[Paths, int]:
        """All visible image paths up to `order` reflections within `early_s` of the straight distance."""
        from evenfield.rooms.visible import visible_paths

        corner, count, normal, offset = self.packed()
        p, s = np.asarray(position, float), np.asarray(seat, float)
        reach = early_s * self.air.speed_of_sound
        for room_for in (512, 8192, MOST_PATHS):
            made, number, full = visible_paths(corner, count, normal, offset, p, s, reach, order, room_for)
            if not full:
                return made, int(number)
        raise DataError(message("order", f"low enough for {MOST_PATHS} paths", order, fix=f"{order - 1}"))


def prism(
    outline: ArrayLike,
    height: float,
    walls: Sequence[Surface | str | float] | Surface | str | float = 0.2,
    floor: Surface | str | float = 0.2,
    ceiling: Surface | str | float = 0.2,
    air: Air | None = None,
    name: str = "room",
) -> PolyhedralRoom:
    """A room of upright walls over a floor outline (N, 2) m, convex or L-shaped, given round its edge.

    Raises DataError when the outline crosses itself or the height is not positive.
    """
    plan = np.asarray(outline, float)
    if plan.ndim != 2 or plan.shape[1] != 2 or len(plan) < 3 or not np.all(np.isfinite(plan)):
        raise DataError(message(f"{name}: outline", "three or more corners (x, y), m", f"shape {plan.shape}"))
    if not (np.isfinite(height) and 0.5 <= height <= 100):
        raise DataError(message(f"{name}: height", "0.5 to 100 m", f"{height:g} m", fix="2.7 m"))
    _check_simple(plan, name)
    low, high = np.c_[plan, np.zeros(len(plan))], np.c_[plan, np.full(len(plan), float(height))]
    sides = [np.array([low[i], low[j], high[j], high[i]]) for i, j in ((i, (i + 1) % len(plan)) for i in range(len(plan)))]
    made = [walls] * len(plan) if isinstance(walls, (Surface, str, float, int)) else list(walls)
    if len(made) != len(plan):
        raise DataError(message(f"{name}: walls", f"one surface per edge of the outline ({len(plan)})", len(made)))
    faces = (*sides, low[::-1].copy(), high)
    surfaces = tuple(surface(s) for s in (*made, floor, ceiling))
    names = (*(f"wall {i + 1}" for i in range(len(plan))), "floor", "ceiling")
    return PolyhedralRoom(faces, surfaces, names, Air() if air is None else air, name)


def _check_simple(plan: FloatArray, name: str) -> None:
    n = len(plan)
    for i in range(n):
        a, b = plan[i], plan[(i + 1) % n]
        if np.linalg.norm(b - a) < 0.01:
            raise DataError(
                message(f"{name}: outline", "of edges over 1 cm", f"corners {i + 1} and {(i + 1) % n + 1} in one place")
            )
        for j in range(i + 2, n):
            if (j + 1) % n == i:
                continue
            c, d = plan[j], plan[(j + 1) % n]
            if _turn(a, b, c) * _turn(a, b, d) <= 0 and _turn(c, d, a) * _turn(c, d, b) <= 0:
                raise DataError(
                    message(f"{name}: outline", "free of crossings", f"walls {i + 1} and {j + 1} meet", cause="Surfaces overlap")
                )


def _turn(a: FloatArray, b: FloatArray, c: FloatArray) -> float:
    return float((b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]))


def _area_vector(f: FloatArray) -> FloatArray:
    return np.asarray(0.5 * np.cross(f - f[0], np.roll(f, -1, axis=0) - f[0]).sum(axis=0))


def _normal(f: FloatArray) -> FloatArray:
    v = _area_vector(f)
    return np.asarray(v / max(float(np.linalg.norm(v)), 1e-12))


def _signed_volume(faces: list[FloatArray]) -> float:
    """Positive when the area vectors point outwards."""
    return float(sum(f[0] @ _area_vector(f) for f in faces) / 3)


def _check_plane(f: FloatArray, name: str) -> None:
    if f.ndim != 2 or f.shape[1] != 3 or len(f) < 3 or not np.all(np.isfinite(f)):
        raise DataError(message(name, "a polygon of three or more corners (x, y, z), m", f"shape {f.shape}"))
    if np.linalg.norm(_area_vector(f)) < 1e-4:
        raise DataError(message(name, "a polygon with an area", "corners on one line or in one place"))
    off = np.abs((f - f[0]) @ _normal(f)).max()
    if off > 1e-3:
        raise DataError(message(name, "plane within 1 mm", f"a corner {1000 * off:.1f} mm off"))


def _inside_polygon(p: FloatArray, f: FloatArray, n: FloatArray) -> bool:
    drop = int(np.argmax(np.abs(n)))
    u, v = (drop + 1) % 3, (drop + 2) % 3
    inside = False
    for a, b in zip(f, np.roll(f, -1, axis=0), strict=True):
        if (a[v] > p[v]) != (b[v] > p[v]) and p[u] < (b[u] - a[u]) * (p[v] - a[v]) / (b[v] - a[v]) + a[u]:
            inside = not inside
    return inside


def _any_inside(f: FloatArray, g: FloatArray, n: FloatArray) -> bool:
    """Whether the middle of f, or a point just inside one of its corners, lies inside g."""
    centre = f.mean(axis=0)
    probes = [centre, *(v + 1e-3 * (centre - v) for v in f)]
    return any(_inside_polygon(p, g, n) for p in probes)
