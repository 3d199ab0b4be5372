"""The lines on which the surface's patches meet, and how fine each is: edges of faces, element outlines, quarter circles.

Every line is sampled once, so neighbouring patches fit by construction. Edge lengths on them follow the base size, the bends,
the gaps between outlines, and grow no faster than the grading.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenfield.shape.elements import Cabinet, Element, moving_names
from evenfield.shape.outlines import polar_radius, surface_outline
from evenfield.shape.rings import HALF, curvature_limit, dense_ring, lengths, place
from evenfield.shape.sizes import EdgeLengths
from evenfield.shape.strips import Strip, strips_of

Array = NDArray[np.float64]
Key = tuple[float, ...]

ROWS = 2
"""Least number of rows of triangles over the 90 degrees of a rounded edge."""
STRETCH = 2.2
"""How much longer than wide triangles may be along a rounded edge."""
_GROWTH = 0.22  # edge length per distance behind the front face
_SPREAD = 0.1  # edge length per distance from the outline of a part in focus
_THIN = 1e-9  # m; a sharp edge
_SHORTEST = 2e-4  # m; no gap asks for less


@dataclass
class Line:
    """A straight boundary line: dense points, the target edge length there, the points chosen."""

    dense: Array
    size: Array
    points: Array | None = None

    def sample(self) -> None:
        """Choose the points."""
        index = place(self.dense, self.size, 1)
        share = index / (len(self.dense) - 1)
        self.points = self.dense[0] + share[:, None] * (self.dense[-1] - self.dense[0])
        self.points[0], self.points[-1] = self.dense[0], self.dense[-1]


@dataclass
class Seat:
    """An element in its place: its strips, the line where it meets the face and the edge length there; `cut` when the
    symmetry plane halves it.
    """

    element: Element
    strips: list[Strip]
    size: Array
    cut: bool
    theta: Array | None = None

    @property
    def dense(self) -> Array:
        """(241, 3) half outline in the element's own axes, m."""
        return dense_ring(self.strips[0], 0.0)


class Skeleton:
    """The lines of a cabinet. `gap_factor`: edge length over the gap between two outlines."""

    def __init__(self, cabinet: Cabinet, edge: EdgeLengths, gap_factor: float) -> None:
        self.cabinet, self.edge, self.gap_factor = cabinet, edge, gap_factor
        self.half = cabinet.symmetric
        self.elements = [e for e in cabinet.placed if not (self.half and e.y < 0)]
        self.outer = np.array([cabinet.depth, cabinet.width, cabinet.height]) / 2
        self.radius = cabinet.edge_radius if cabinet.edge_radius > _THIN else 0.0
        self.flat = self.outer - self.radius
        self.shift = np.array([-cabinet.depth / 2, 0.0, 0.0])
        self.arc = self.radius * math.pi / 2
        self.lines: dict[Key, Line] = {}
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

    def base(self, points: Array) -> Array:
        """Target edge length at points (..., 3) m from the body's centre, before the elements refine it."""
        front = np.full(points.shape[:-1], self.edge.front)
        if self.edge.focus and self.edge.away is not None:
            away = np.full(points.shape[:-1], np.inf)
            for element in self.elements:
                if set(moving_names(element)) & set(self.edge.focus):
                    y, z = points[..., 1] - element.y, points[..., 2] - element.z
                    rim = polar_radius(surface_outline(element), np.arctan2(z, y))
                    away = np.minimum(away, np.maximum(np.hypot(y, z) - rim, 0.0))
            front = np.minimum(front + _SPREAD * away, self.edge.away)
        behind = np.maximum(self.outer[0] - points[..., 0], 0.0)
        return np.asarray(np.minimum(self.edge.rear, front + _GROWTH * behind))

    def across(self, points: Array) -> Array:
        """Target edge length across a rounded edge at points (..., 3), m."""
        h = np.minimum(self.base(points), self.edge.edges)
        return np.minimum(h, self.arc / ROWS) if self.radius else h

    def _seats(self, side: int) -> list[Seat]:
        face = "front" if side > 0 else "rear"
        seats = []
        for element in sorted((e for e in self.elements if e.face == face), key=lambda e: (e.z, e.y)):
            strips = strips_of(element)
            start, size = 0.0, self.edge.of(strips[0].region)
            for strip, long in zip(strips, lengths(strips), strict=True):
                size = min(size, min(self.edge.of(strip.region), strip.longest) + self.edge.grading * start)
                start += long
            ring = dense_ring(strips[0], 0.0)
            at = np.column_stack([np.full(len(ring), side * self.outer[0]), ring[:, 1:] + [element.y, element.z]])
            limit = np.minimum(self.base(at), self.base(at * [1, -1, 1] + [0, 2 * element.y, 0]))
            seats.append(Seat(element, strips, np.minimum(curvature_limit(ring, size), limit), self.half and element.y == 0))
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
        on_plane = self.half and ends[0, 1] == 0 and ends[1, 1] == 0
        base = self.base(dense)
        size = base if on_plane else np.minimum(base, STRETCH * self.across(dense))
        self.lines[_key(ends)] = Line(dense, size)

    def _on_face(self, side: int) -> list[Line]:
        return [
            line
            for line in self.lines.values()
            if np.all(line.dense[:, 0] == side * self.outer[0]) and not (self.half and np.all(line.dense[:, 1] == 0))
        ]

    def _whole(self, seat: Seat) -> Array:
        """(N, 2) the seat's outline in its face: both halves, or the right half alone where it is cut."""
        right = seat.dense[:, 1:]
        points = right if seat.cut else np.vstack([right, right * [-1, 1]])
        return np.asarray(points + np.array([seat.element.y, seat.element.z]))

    def _respect_gaps(self) -> None:
        from scipy.spatial import cKDTree

        for side in (1, -1):
            outlines = [self._whole(s) for s in self.seats[side]]
            for n, (seat, outline) in enumerate(zip(self.seats[side], outlines, strict=True)):
                gap = np.min(self.flat[1:] - np.abs(outline), axis=1)
                for m, other in enumerate(outlines):
                    if m != n:
                        gap = np.minimum(gap, cKDTree(other).query(outline)[0])
                if self.half and not seat.cut:
                    gap = np.minimum(gap, outline[:, 0])
                both = gap.reshape(-1, len(HALF)).min(axis=0)
                seat.size = np.minimum(seat.size, np.maximum(self.gap_factor * both, _SHORTEST))
                for line in self._on_face(side):
                    near = cKDTree(outline).query(line.dense[:, 1:])[0]
                    line.size = np.minimum(line.size, np.maximum(self.gap_factor * near, _SHORTEST))

    def _grade(self) -> None:
        """Let no boundary's edge length grow faster than the grading along and between the boundaries."""
        points, sizes = [], []
        for line in self.lines.values():
            points.append(line.dense[::2])
            sizes.append(line.size[::2])
        for side in (1, -1):
            for seat in self.seats[side]:
                whole = self._whole(seat)[:: 4 if seat.cut else 8]
                points.append(np.column_stack([np.full(len(whole), side * self.outer[0]), whole]))
                size = seat.size if seat.cut else np.concatenate([seat.size, seat.size])
                sizes.append(size[:: 4 if seat.cut else 8])
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
        key = (*np.round(centre, 9).tolist(), *(np.abs(first) + np.abs(second)).tolist())
        forward = int(np.argmax(np.abs(first))) < int(np.argmax(np.abs(second)))
        if key not in self.arcs:
            a, b = (first, second) if forward else (second, first)
            middle = centre + self.radius * (a + b) / math.sqrt(2)
            tips = np.array([self.tip(centre, a), self.tip(centre, b)])
            size = min(float(self.across(middle)), 1.5 * float(self._graded(tips).min()))
            count = max(ROWS, math.ceil(self.arc / size - 0.1))
            turn = np.linspace(0, math.pi / 2, count + 1)[:, None]
            points = centre + self.radius * (np.cos(turn) * a + np.sin(turn) * b)
            points[0], points[-1] = self.tip(centre, a), self.tip(centre, b)
            self.arcs[key] = points
        return self.arcs[key] if forward else self.arcs[key][::-1]

    def tip(self, centre: Array, direction: Array) -> Array:
        """The end of a quarter circle, to the last bit where the lines have it."""
        axis = int(np.argmax(np.abs(direction)))
        point = centre.copy()
        point[axis] = math.copysign(self.outer[axis], direction[axis])
        return point

    def cut(self, start: Array, end: Array) -> Array:
        """Points of a straight line on a face from start to end, spaced as its surroundings ask."""
        dense = start + np.linspace(0, 1, 65)[:, None] * (end - start)
        line = Line(dense, np.minimum(self.base(dense), self._graded(dense)))
        line.sample()
        assert line.points is not None
        return line.points


def _key(ends: Array) -> Key:
    a, b = sorted(tuple(np.round(p, 9).tolist()) for p in ends)
    return (*a, *b)
