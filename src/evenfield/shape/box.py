"""The rounded box: its flat faces, quarter-cylinder edges and sphere corners, as patches between the lines of the skeleton.

Each patch is laid flat without stretching (faces, unrolled edges) or conformally (corners, stereographic), filled there, and
lifted back. Edges with the same number of rows at both ends are stitched row by row.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenfield.shape.elements import Round, VentOpening
from evenfield.shape.fill import fill
from evenfield.shape.outlines import outline_area
from evenfield.shape.rings import Half, mesh_half, place, ring_points, stitch
from evenfield.shape.skeleton import STRETCH, Seat, Skeleton
from evenfield.shape.strips import RIGID

Array = NDArray[np.float64]
Index = NDArray[np.int64]


@dataclass(frozen=True)
class Patch:
    """A piece of the surface: points (P, 3), triangles (T, 3) facing outwards, parts (T,)."""

    points: Array
    triangles: Index
    part: NDArray[np.str_]


class Box(Skeleton):
    """A cabinet being cut into patches."""

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
        cut = [mounted for mounted, seat in zip(halves, seats, strict=True) if seat.cut]
        if cut:
            sides[3] = self._broken(corners[3], corners[0], cut)
        holes = [self._hole(*mounted) for mounted, seat in zip(halves, seats, strict=True) if not seat.cut]
        loop = np.vstack([s[:-1] for s in sides])

        def lifted(flat: Array) -> Array:
            points = np.zeros((len(flat), 3))
            points[:, axis] = side * self.outer[axis]
            points[:, [j, k]] = flat
            return points

        flat, triangles = fill([p[:, [j, k]] for p in [loop, *holes]], lambda p: self.base(lifted(p)), self.edge.grading)
        yield self._outward(lifted(flat), triangles)
        yield from (patch for patch, _ in halves)

    def _broken(self, top: Array, bottom: Array, halves: list[tuple[Patch, Half]]) -> Array:
        """The symmetry line of a face from top to bottom, led round the half outlines on it."""
        pieces, start = [], top
        for patch, half in reversed(halves):  # seats are sorted upwards
            ring = patch.points[: half.outer] - self.shift
            pieces += [self.cut(start, ring[-1])[:-1], ring[::-1][:-1]]
            start = ring[0]
        return np.vstack([*pieces, self.cut(start, bottom)])

    def _hole(self, patch: Patch, half: Half) -> Array:
        right = patch.points[: half.outer]
        left = patch.points[len(half.points) : len(half.points) + half.outer]
        return np.asarray(np.vstack([right, left[-2:0:-1]]) - self.shift)

    def _mount(self, seat: Seat, side: int) -> tuple[Patch, Half]:
        """An element's surface in its place; the other half follows the first where the body has no symmetry."""
        half = self.half_of(seat)
        place_at = np.array([0.0 if side > 0 else -self.cabinet.depth, seat.element.y, seat.element.z])
        points, triangles, part = half.points * [side, 1, 1] + place_at, half.triangles, half.part
        points[: half.outer, 0] = side * self.outer[0] + self.shift[0]
        if side < 0:
            triangles = triangles[:, ::-1]
        if not seat.cut:
            left = half.points * [side, -1, 1] + place_at
            left[: half.outer, 0] = points[: half.outer, 0]
            points = np.vstack([points, left])
            triangles = np.vstack([triangles, triangles[:, ::-1] + len(half.points)])
            part = np.concatenate([part, part])
        return Patch(points, triangles, part), half

    def half_of(self, seat: Seat) -> Half:
        """Half an element on the outline points of its seat: rings, or a plane filling for a long flat vent."""
        assert seat.theta is not None
        if not isinstance(seat.element, VentOpening) or isinstance(seat.element.outline, Round):
            return mesh_half(seat.strips, self.edge.of, seat.theta, self.edge.grading)
        ring = ring_points(seat.strips[0], 0.0, seat.theta, outline_area(seat.element.outline))
        h = self.edge.of(seat.element.name)
        dense = ring[-1] + np.linspace(0, 1, 65)[:, None] * (ring[0] - ring[-1])
        axis = dense[0] + place(dense, np.full(65, h), 1)[1:-1, None] / 64 * (dense[-1] - dense[0])
        loop = np.vstack([ring, axis])
        flat, triangles = fill([loop[:, 1:]], lambda p: np.full(len(p), h), self.edge.grading)
        points = np.column_stack([np.zeros(len(flat)), flat])
        return Half(points, triangles, np.full(len(triangles), seat.element.name), len(ring))

    def _edge(self, axis: int, j: int, sj: int, k: int, sk: int) -> Patch:
        low, high = np.zeros(3), np.zeros(3)
        for p, value in ((low, self.low(axis)), (high, float(self.flat[axis]))):
            p[axis], p[j], p[k] = value, sj * self.flat[j], sk * self.flat[k]
        ej, ek = sj * np.eye(3)[j], sk * np.eye(3)[k]
        first = self.line(self.tip(low, ej), self.tip(high, ej))
        second = self.line(self.tip(low, ek), self.tip(high, ek))
        loop = np.vstack([first[:-1], self.bow(high, ej, ek)[:-1], second[::-1][:-1], self.bow(low, ej, ek)[::-1][:-1]])
        bows = [self.bow(p, ej, ek) for p in (low, high)]
        if len(bows[0]) == len(bows[1]):
            rows = self._rows(axis, first, second, bows)
            if rows is not None:
                return rows
        return self._unrolled(axis, low, (ej, ek), (first, second), loop)

    def _rows(self, axis: int, first: Array, second: Array, bows: list[Array]) -> Patch | None:
        """A rounded edge stitched row by row, or None where its lines are too unlike for that."""
        count = len(bows[0]) - 1
        height = self.arc / count
        u = np.linspace(first[0, axis], first[-1, axis], 129)
        near, far = _spacing(first[:, axis], u), _spacing(second[:, axis], u)
        if np.any(np.maximum(near, far) > 1.6 * np.minimum(near, far)) or min(near.min(), far.min()) < 0.6 * height:
            return None
        rows = [first]
        for n in range(1, count):
            size = near + (far - near) * n / count
            line = np.outer(u, np.eye(3)[axis])
            pieces = len(place(line, size, 1)) - 1
            if pieces == len(rows[-1]) - 1:  # staggered rows make better triangles
                pieces += 1 if n % 2 else -1
            index = place(line, size * ((len(place(line, size, 1)) - 1) / max(pieces, 1)), max(pieces, 1))
            row = np.repeat(bows[0][n][None], len(index), axis=0)
            row[:, axis] = np.interp(index, np.arange(len(u)), u)
            row[0], row[-1] = bows[0][n], bows[1][n]
            rows.append(row)
        rows.append(second)
        start = np.concatenate([[0], np.cumsum([len(r) for r in rows])])
        triangles = [stitch(rows[n][:, axis], rows[n + 1][:, axis], int(start[n]), int(start[n + 1])) for n in range(count)]
        return self._outward(np.vstack(rows), np.vstack(triangles))

    def _unrolled(self, axis: int, low: Array, arms: tuple[Array, Array], lines: tuple[Array, Array], loop: Array) -> Patch:
        """A rounded edge unrolled, shortened lengthwise where its triangles may be long, and filled."""
        ej, ek = arms
        first, second = lines
        u = np.linspace(first[0, axis], first[-1, axis], 129)
        middle = np.outer(u, np.eye(3)[axis]) + low * (1 - np.eye(3)[axis]) + self.radius * (ej + ek) / math.sqrt(2)
        across = self.across(middle)
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
        h = float(self.across(centre + self.radius * pole))

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
        return Patch(points + self.shift, triangles, np.full(len(triangles), RIGID))


def _spacing(at: Array, where: Array) -> Array:
    """Distance between the points `at` (monotonic), read at `where`."""
    at = np.sort(at)
    return np.interp(where, (at[1:] + at[:-1]) / 2, np.diff(at))
