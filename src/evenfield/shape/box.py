"""The rounded box: its flat faces, quarter-cylinder edges and sphere corners, as patches that share their boundary points.

Every boundary curve is sampled once, so neighbouring patches fit by construction. Each patch is laid flat without
stretching (faces, unrolled edges) or conformally (corners, stereographic), filled there, and lifted back.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenfield.shape.elements import Cabinet, Element
from evenfield.shape.fill import fill
from evenfield.shape.rings import HALF, Half, curvature_limit, dense_ring, lengths, mesh_half, place
from evenfield.shape.sizes import EdgeLengths
from evenfield.shape.strips import Strip, strips_of

Array = NDArray[np.float64]
Index = NDArray[np.int64]
Key = tuple[float, ...]

ROWS = 2
"""Least number of rows of triangles over the 90 degrees of a rounded edge."""
STRETCH = 2.2
"""How much longer than wide triangles may be along a rounded edge."""
_GROWTH = 0.13  # edge length per distance behind the front face
_THIN = 1e-9  # m; a sharp edge


@dataclass(frozen=True)
class Patch:
    """A piece of the surface: points (P, 3), triangles (T, 3) facing outwards, parts (T,)."""

    points: Array
    triangles: Index
    part: NDArray[np.str_]


@dataclass
class _Line:
    """A straight boundary line: dense points, the target edge length there, the points chosen."""

    dense: Array
    size: Array
    points: Array | None = None

    def sample(self) -> None:
        index = place(self.dense, self.size, 1)
        share = index / (len(self.dense) - 1)
        self.points = self.dense[0] + share[:, None] * (self.dense[-1] - self.dense[0])
        self.points[0], self.points[-1] = self.dense[0], self.dense[-1]


@dataclass
class Seat:
    """An element in its place: its strips, and the line where it meets the face."""

    element: Element
    strips: list[Strip]
    size: Array
    theta: Array | None = None

    @property
    def dense(self) -> Array:
        """(241, 3) half outline in the element's own axes, m."""
        return dense_ring(self.strips[0], 0.0)


class Box:
    """A cabinet being cut into patches. `gap_factor`: edge length over the gap between two outlines."""

    def __init__(self, cabinet: Cabinet, edge: EdgeLengths, gap_factor: float) -> None:
        self.cabinet, self.edge, self.gap_factor = cabinet, edge, gap_factor
        self.half = cabinet.symmetric
        self.outer = np.array([cabinet.depth, cabinet.width, cabinet.height]) / 2
        self.radius = cabinet.edge_radius if cabinet.edge_radius > _THIN else 0.0
        self.flat = self.outer - self.radius
        self.shift = np.array([-cabinet.depth / 2, 0.0, 0.0])
        self.arc = self.radius * math.pi / 2
        self.lines: dict[Key, _Line] = {}
        self.arcs: dict[Key, Array] = {}
        self.seats = {s: self._seats(s) for s in (1, -1)}
        self._lay_lines()
        self._respect_gaps()
        self._grade()
        for line in self.lines.values():
            line.sample()
        for seat in self.seats[1] + self.seats[-1]:
            index = place(seat.dense, seat.size, 3)
            seat.theta = np.interp(index, np.arange(len(HALF)), HALF)

    # sizes

    def base(self, x: Array) -> Array:
        """Target edge length at x (m, 0 at the front, negative behind), before the elements refine it."""
        return np.minimum(self.edge.rear, self.edge.front + _GROWTH * np.maximum(-x, 0.0))

    def across(self, x: Array) -> Array:
        """Target edge length across a rounded edge, m."""
        h = np.minimum(self.base(x), self.edge.edges)
        return np.minimum(h, self.arc / ROWS) if self.radius else h

    def _seats(self, side: int) -> list[Seat]:
        face = "front" if side > 0 else "rear"
        seats = []
        for element in sorted((e for e in self.cabinet.elements if e.face == face), key=lambda e: (e.z, e.y)):
            strips = strips_of(element)
            start, size = 0.0, self.edge.of(strips[0].region)
            for strip, long in zip(strips, lengths(strips), strict=True):
                size = min(size, self.edge.of(strip.region) + self.edge.grading * start)
                start += long
            x = 0.0 if side > 0 else -self.cabinet.depth
            size = min(size, float(self.base(np.array(x))))
            seats.append(Seat(element, strips, curvature_limit(dense_ring(strips[0], 0.0), size)))
        return seats

    # lines

    def low(self, axis: int) -> float:
        """Lower end of the flat part along an axis, m (from the body's centre)."""
        return 0.0 if axis == 1 and self.half else -float(self.flat[axis])

    def _lay_lines(self) -> None:
        for axis, side in itertools.product(range(3), (1, -1)):
            if self.half and axis == 1 and side < 0:
                continue
            j, k = (axis + 1) % 3, (axis + 2) % 3
            for along, other in ((j, k), (k, j)):
                for value in (self.low(other), float(self.flat[other])):
                    ends = np.zeros((2, 3))
                    ends[:, axis], ends[:, other] = side * self.outer[axis], value
                    ends[:, along] = self.low(along), self.flat[along]
                    self._lay(ends)

    def _lay(self, ends: Array) -> None:
        dense = ends[0] + np.linspace(0, 1, 65)[:, None] * (ends[1] - ends[0])
        x = dense[:, 0] + self.shift[0]
        on_plane = self.half and ends[0, 1] == 0 and ends[1, 1] == 0
        size = self.base(x) if on_plane else np.minimum(self.base(x), STRETCH * self.across(x))
        self.lines[_key(ends)] = _Line(dense, size)

    def _on_face(self, side: int) -> list[_Line]:
        return [
            line
            for line in self.lines.values()
            if np.all(line.dense[:, 0] == side * self.outer[0]) and not (self.half and np.all(line.dense[:, 1] == 0))
        ]

    def _whole(self, seat: Seat) -> Array:
        """(N, 2) the seat's outline in its face: both halves, or the right half alone in a symmetric body."""
        right = seat.dense[:, 1:]
        points = right if self.half else np.vstack([right, right * [-1, 1]])
        return points + [seat.element.y, seat.element.z]

    def _respect_gaps(self) -> None:
        from scipy.spatial import cKDTree

        for side in (1, -1):
            outlines = [self._whole(s) for s in self.seats[side]]
            for n, (seat, outline) in enumerate(zip(self.seats[side], outlines, strict=True)):
                gap = np.min(self.flat[1:] - np.abs(outline), axis=1)
                for m, other in enumerate(outlines):
                    if m != n:
                        gap = np.minimum(gap, cKDTree(other).query(outline)[0])
                both = gap.reshape(-1, len(HALF)).min(axis=0)
                seat.size = np.minimum(seat.size, np.maximum(self.gap_factor * both, 2e-4))
                for line in self._on_face(side):
                    near = cKDTree(outline).query(line.dense[:, 1:])[0]
                    line.size = np.minimum(line.size, np.maximum(self.gap_factor * near, 2e-4))

    def _grade(self) -> None:
        """Let no boundary's edge length grow faster than the grading along and between the boundaries."""
        points, sizes = [], []
        for line in self.lines.values():
            points.append(line.dense)
            sizes.append(line.size)
        for side in (1, -1):
            for seat in self.seats[side]:
                whole = self._whole(seat)[:: 4 if self.half else 8]
                points.append(np.column_stack([np.full(len(whole), side * self.outer[0]), whole]))
                size = seat.size if self.half else np.concatenate([seat.size, seat.size])
                sizes.append(size[:: 4 if self.half else 8])
        at, own = np.vstack(points), np.concatenate(sizes)

        def graded(targets: Array) -> Array:
            d = np.linalg.norm(targets[:, None] - at, axis=2)
            return np.asarray((own + self.edge.grading * d).min(axis=1))

        for line in self.lines.values():
            line.size = np.minimum(line.size, graded(line.dense))
        for side in (1, -1):
            for seat in self.seats[side]:
                whole = self._whole(seat)
                limit = graded(np.column_stack([np.full(len(whole), side * self.outer[0]), whole]))
                seat.size = np.minimum(seat.size, limit.reshape(-1, len(HALF)).min(axis=0))
        self._graded = graded

    # boundary points, in the direction asked for

    def line(self, start: Array, end: Array) -> Array:
        """Points of a boundary line from start to end, both included."""
        points = self.lines[_key(np.array([start, end]))].points
        assert points is not None
        return points if np.allclose(points[0], start, atol=1e-12, rtol=0) else points[::-1]

    def bow(self, centre: Array, first: Array, second: Array) -> Array:
        """Points of a quarter circle about `centre` from the unit vector `first` to `second`, both ends included."""
        key = (*np.round(centre, 9).tolist(), *np.sort(np.abs(first) * 1 + np.abs(second) * 2).tolist())
        key = (*np.round(centre, 9).tolist(), *(np.abs(first) + np.abs(second)).tolist())
        forward = int(np.argmax(np.abs(first))) < int(np.argmax(np.abs(second)))
        if key not in self.arcs:
            a, b = (first, second) if forward else (second, first)
            middle = centre + self.radius * (a + b) / math.sqrt(2)
            count = max(ROWS, math.ceil(self.arc / float(self.across(np.array(middle[0] + self.shift[0]))) - 0.1))
            turn = np.linspace(0, math.pi / 2, count + 1)[:, None]
            points = centre + self.radius * (np.cos(turn) * a + np.sin(turn) * b)
            points[0], points[-1] = self._tip(centre, a), self._tip(centre, b)
            self.arcs[key] = points
        return self.arcs[key] if forward else self.arcs[key][::-1]

    def _tip(self, centre: Array, direction: Array) -> Array:
        """The end of a quarter circle, to the last bit where the lines have it."""
        axis = int(np.argmax(np.abs(direction)))
        point = centre.copy()
        point[axis] = math.copysign(self.outer[axis], direction[axis])
        return point

    # patches

    def patches(self) -> Iterator[Patch]:
        """All patches of the body, or of its half y >= 0."""
        for axis, side in itertools.product(range(3), (1, -1)):
            if not (self.half and axis == 1 and side < 0):
                yield from self._face(axis, side)
        if not self.radius:
            return
        for axis in range(3):
            j, k = (axis + 1) % 3, (axis + 2) % 3
            for sj, sk in itertools.product((1, -1), (1, -1)):
                if not (self.half and ((j == 1 and sj < 0) or (k == 1 and sk < 0))):
                    yield self._edge(axis, j, sj, k, sk)
        for signs in itertools.product((1, -1), (1, -1), (1, -1)):
            if not (self.half and signs[1] < 0):
                yield self._corner(np.array(signs, float))

    def _face(self, axis: int, side: int) -> Iterator[Patch]:
        j, k = (axis + 1) % 3, (axis + 2) % 3
        corners = []
        for a, b in ((0, 0), (1, 0), (1, 1), (0, 1)):
            p = np.zeros(3)
            p[axis] = side * self.outer[axis]
            p[j], p[k] = (self.low(j), self.flat[j])[a], (self.low(k), self.flat[k])[b]
            corners.append(p)
        seats = self.seats[side] if axis == 0 else []
        halves = [self._mount(s, side) for s in seats]
        sides = [self.line(corners[n], corners[(n + 1) % 4]) for n in range(4)]
        holes: list[Array] = []
        if axis == 0 and self.half and seats:
            sides[3] = self._broken(corners[3], corners[0], halves)
        else:
            holes = [self._hole(patch, half) for patch, half in halves]
        loop = np.vstack([s[:-1] for s in sides])

        def size(points: Array) -> Array:
            x = np.full(len(points), side * self.outer[0]) if axis == 0 else points[:, (0 - j) % 3 if j == 0 else 1]
            return np.asarray(self.base(x + self.shift[0]))

        flat, triangles = fill([p[:, [j, k]] for p in [loop, *holes]], size, self.edge.grading)
        points = np.zeros((len(flat), 3))
        points[:, axis] = side * self.outer[axis]
        points[:, [j, k]] = flat
        yield self._outward(points, triangles)
        yield from (patch for patch, _ in halves)

    def _broken(self, top: Array, bottom: Array, halves: list[tuple[Patch, Half]]) -> Array:
        """The symmetry line of a face from top to bottom, led round the half outlines on it."""
        pieces, start = [], top
        for patch, half in reversed(halves):  # seats are sorted upwards
            ring = patch.points[: half.outer] - self.shift
            pieces += [self._cut(start, ring[-1])[:-1], ring[::-1][:-1]]
            start = ring[0]
        return np.vstack([*pieces, self._cut(start, bottom)])

    def _cut(self, start: Array, end: Array) -> Array:
        dense = start + np.linspace(0, 1, 65)[:, None] * (end - start)
        size = np.minimum(self.base(dense[:, 0] + self.shift[0]), self._graded(dense))
        line = _Line(dense, size)
        line.sample()
        assert line.points is not None
        return line.points

    def _hole(self, patch: Patch, half: Half) -> Array:
        right = patch.points[: half.outer]
        left = patch.points[len(half.points) : len(half.points) + half.outer]
        return np.vstack([right, left[-2:0:-1]]) - self.shift

    def _mount(self, seat: Seat, side: int) -> tuple[Patch, Half]:
        """An element's surface in its place; the other half follows the first where the body has no symmetry."""
        assert seat.theta is not None
        half = mesh_element(seat, self.edge)
        place_at = np.array([0.0 if side > 0 else -self.cabinet.depth, seat.element.y, seat.element.z])
        points, triangles, part = half.points * [side, 1, 1] + place_at, half.triangles, half.part
        points[: half.outer, 0] = side * self.outer[0] + self.shift[0]
        if side < 0:
            triangles = triangles[:, ::-1]
        if not self.half:
            left = half.points * [side, -1, 1] + place_at
            left[: half.outer, 0] = points[: half.outer, 0]
            points = np.vstack([points, left])
            triangles = np.vstack([triangles, triangles[:, ::-1] + len(half.points)])
            part = np.concatenate([part, part])
        return Patch(points, triangles, part), half

    def _edge(self, axis: int, j: int, sj: int, k: int, sk: int) -> Patch:
        low, high = np.zeros(3), np.zeros(3)
        for p, value in ((low, self.low(axis)), (high, float(self.flat[axis]))):
            p[axis], p[j], p[k] = value, sj * self.flat[j], sk * self.flat[k]
        ej, ek = sj * np.eye(3)[j], sk * np.eye(3)[k]
        first = self.line(self._tip(low, ej), self._tip(high, ej))
        second = self.line(self._tip(low, ek), self._tip(high, ek))
        loop = np.vstack([first[:-1], self.bow(high, ej, ek)[:-1], second[::-1][:-1], self.bow(low, ej, ek)[::-1][:-1]])
        u = np.linspace(low[axis], high[axis], 129)
        middle = np.outer(u, np.eye(3)[axis]) + low * (1 - np.eye(3)[axis]) + self.radius * (ej + ek) / math.sqrt(2)
        across = self.across(middle[:, 0] + self.shift[0])
        spacing = np.minimum(_spacing(first[:, axis], u), _spacing(second[:, axis], u))
        pace = np.clip(spacing / across, 1.0, STRETCH)
        v = np.concatenate([[0.0], np.cumsum(np.diff(u) * 2 / (pace[1:] + pace[:-1]))])

        def size(points: Array) -> Array:
            return np.interp(points[:, 0], v, across)

        turn = np.arctan2((loop - low) @ ek, (loop - low) @ ej)
        flat, triangles = fill([np.column_stack([np.interp(loop[:, axis], u, v), self.radius * turn])], size, 0.3)
        angle = flat[:, 1:] / self.radius
        points = self.radius * (np.cos(angle) * ej + np.sin(angle) * ek) + low * (1 - np.eye(3)[axis])
        points[:, axis] += np.interp(flat[:, 0], v, u)
        points[: len(loop)] = loop
        return self._outward(points, triangles)

    def _corner(self, signs: Array) -> Patch:
        centre = signs * self.flat
        e = [signs[n] * np.eye(3)[n] for n in range(3)]
        loop = np.vstack([self.bow(centre, e[n], e[(n + 1) % 3])[:-1] for n in range(3)])
        pole = signs / math.sqrt(3)
        right = (e[1] - e[0]) / math.sqrt(2)
        up = np.cross(pole, right)
        q = (loop - centre) / self.radius
        scale = 2 * self.radius / (1 + q @ pole)
        h = float(self.across(np.array(centre[0] + self.shift[0])))

        def size(points: Array) -> Array:
            return np.asarray(h * (1 + np.sum(points**2, axis=1) / (2 * self.radius) ** 2))

        flat, triangles = fill([np.column_stack([scale * (q @ right), scale * (q @ up)])], size, 0.3)
        s = flat / (2 * self.radius)
        square = np.sum(s**2, axis=1, keepdims=True)
        points = (2 * s[:, :1] * right + 2 * s[:, 1:] * up + (1 - square) * pole) / (1 + square)
        points = centre + self.radius * points
        points[: len(loop)] = loop
        return self._outward(points, triangles)

    def _outward(self, points: Array, triangles: Index) -> Patch:
        a, b, c = (points[triangles[:, i]] for i in range(3))
        if np.sum(np.cross(b - a, c - a) * (a + b + c)) < 0:
            triangles = triangles[:, ::-1]
        return Patch(points + self.shift, triangles, np.full(len(triangles), "rigid"))


def mesh_element(seat: Seat, edge: EdgeLengths) -> Half:
    """Half an element, on the outline points its seat has."""
    assert seat.theta is not None
    return mesh_half(seat.strips, edge.of, seat.theta, edge.grading)


def _spacing(at: Array, where: Array) -> Array:
    """Distance between the points `at` (monotonic), read at `where`."""
    at = np.sort(at)
    return np.interp(where, (at[1:] + at[:-1]) / 2, np.diff(at))


def _key(ends: Array) -> Key:
    a, b = sorted(tuple(np.round(p, 9).tolist()) for p in ends)
    return (*a, *b)


__all__ = ["Box", "Callable", "Patch"]
