"""A meridian made ready: elements, their nodes as a linear function of the given points, quadrature points."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from evenfield.base import MeshError, message
from evenfield.data import Meridian
from evenfield.data.mesh import PartName

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Elements = Literal["quadratic", "linear"]
MOUTH: PartName = "mouth of the recess"
EXTRAPOLATED = ((-1, -0.125), (0, 0.75), (1, 0.375))
"""The middle of the last of two equal steps, of the parabola through three points."""


@dataclass(frozen=True)
class MeridianBody:
    """Elements in order along the line.

    points : (N, 2) x and r of the given points; segment_part : (S,) the part of each segment
    nodes : (M, 2) nodes of the geometry; element i has the nodes 2i, 2i+1, 2i+2
    first, last : (E,) the first and last segment of each element (one or two segments)
    degree : of the pressure, 2 or 1; point_dof : (N,) the unknown at each point
    flush : (E,) lies in the baffle's plane
    """

    points: Floats
    segment_part: NDArray[np.generic]
    matrix: Any
    nodes: Floats
    first: Ints
    last: Ints
    degree: int
    point_dof: Ints
    baffle: bool

    @property
    def count(self) -> int:
        """Elements."""
        return len(self.first)

    @property
    def unknowns(self) -> int:
        """Pressures."""
        return self.count * self.degree + 1

    @cached_property
    def corner_x(self) -> Floats:
        """(E, 3) x of each element's nodes."""
        return np.ascontiguousarray(self.nodes[self._index, 0])

    @cached_property
    def corner_r(self) -> Floats:
        """(E, 3) r of each element's nodes."""
        return np.ascontiguousarray(self.nodes[self._index, 1])

    @property
    def _index(self) -> Ints:
        return np.asarray(2 * np.arange(self.count)[:, None] + np.arange(3))

    @cached_property
    def length(self) -> Floats:
        """(E,) m."""
        step = np.hypot(np.diff(self.corner_x, axis=1), np.diff(self.corner_r, axis=1))
        return np.asarray(step.sum(axis=1))

    @cached_property
    def flush(self) -> NDArray[np.bool_]:
        """(E,) lies in the plane of an infinite baffle."""
        size = float(np.abs(self.nodes).max())
        return np.asarray(np.all(np.abs(self.corner_x) < 1e-9 * size, axis=1) & self.baffle)

    @cached_property
    def volume(self) -> float:
        """Of the body, m3; with a baffle, of the part in front of it and its image."""
        x, r = self.points[:, 0], self.points[:, 1]
        enclosed = np.pi / 3 * np.sum(np.diff(x) * (r[:-1] ** 2 + r[:-1] * r[1:] + r[1:] ** 2))
        return float(abs(enclosed) * (2 if self.baffle else 1))


def build_body(meridian: Meridian, elements: Elements, corner_deg: float, baffle: bool, side: int = 0) -> MeridianBody:
    """Group a meridian's segments into elements: pairs on smooth lines, single at corners and where parts end.

    A pair's three points are an element's nodes. A single segment beside a smooth neighbour is bent with it, its middle taken
    from the parabola through the three points; one alone is straight. `side` 1 or -1 says that the body's air ends at the plane
    x = 0, beyond which no element may bulge: where a parabola would, as on a wall tangent to the plane, the segments are
    straight.
    """
    p, part = meridian.points, meridian.part
    if elements not in ("quadratic", "linear"):
        raise MeshError(message("elements", '"quadratic" or "linear"', elements))
    joined = _smooth(p, part, corner_deg) if elements == "quadratic" else np.zeros(len(part) + 1, bool)
    if side:
        joined &= ~_bulges(side * p[:, 0])
    pairs = _pairs(joined)
    return assemble_body(p, part, pairs, joined, 2 if elements == "quadratic" else 1, baffle)


def assemble_body(
    p: Floats, part: NDArray[np.generic], pairs: list[tuple[int, int]], joined: NDArray[np.bool_], degree: int, baffle: bool
) -> MeridianBody:
    """The body of given elements; `joined` (N,) says at which points the line is smooth."""
    from scipy.sparse import csr_matrix

    rows, columns, values = [0], [0], [1.0]
    point_dof = np.zeros(len(p), np.int64)
    for e, (first, last) in enumerate(pairs):
        for point, value in _middle(p, first, last, joined):
            rows.append(2 * e + 1)
            columns.append(point)
            values.append(value)
        rows.append(2 * e + 2)
        columns.append(last + 1)
        values.append(1.0)
        if last > first:
            point_dof[last] = degree * e + 1
        point_dof[last + 1] = degree * (e + 1)
    matrix: Any = csr_matrix((values, (rows, columns)), shape=(2 * len(pairs) + 1, len(p)))
    index = np.asarray(pairs, np.int64)
    return MeridianBody(p, part, matrix, matrix @ p, index[:, 0].copy(), index[:, 1].copy(), degree, point_dof, baffle)


def _smooth(p: Floats, part: NDArray[np.generic], corner_deg: float) -> NDArray[np.bool_]:
    """(N,) the line goes on smoothly within a part through the point."""
    step = np.diff(p, axis=0)
    angle = np.arctan2(step[:, 1], step[:, 0])
    turn = np.abs((np.diff(angle) + np.pi) % (2 * np.pi) - np.pi)
    length = np.hypot(step[:, 0], step[:, 1])
    ratio = np.maximum(length[1:], length[:-1]) / np.minimum(length[1:], length[:-1])
    inner = (turn < np.radians(corner_deg)) & (part[1:] == part[:-1]) & (ratio < 2.0)
    return np.concatenate([[False], inner, [False]])


def _bulges(height: Floats) -> NDArray[np.bool_]:
    """(N,) the parabola through the point and its neighbours dips below the plane that none of them does."""
    before, here, after = height[:-2], height[1:-1], height[2:]
    slope, curve = 4 * here - 3 * before - after, 2 * before - 4 * here + 2 * after
    inner = (curve > 0) & (slope < 0) & (-slope < 2 * curve)
    lowest = before - np.where(inner, slope, 0.0) ** 2 / np.where(inner, 4 * curve, 1.0)
    return np.concatenate([[False], inner & (lowest < -1e-12 * np.abs(height).max()), [False]])


def _pairs(joined: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and last segment of each element."""
    pairs, i, count = [], 0, len(joined) - 1
    while i < count:
        last = i + 1 if i + 1 < count and joined[i + 1] else i
        pairs.append((i, last))
        i = last + 1
    return pairs


def _middle(p: Floats, first: int, last: int, joined: NDArray[np.bool_]) -> list[tuple[int, float]]:
    """The middle node as a sum over points."""
    if last > first:
        return [(last, 1.0)]
    for joint, step in ((first, 1), (last + 1, -1)):
        if joined[joint]:
            # p0 is the far end of the neighbour, p1 the joint, p2 the other end of this segment
            p0, p1, p2 = joint - step, joint, joint + step
            return [(p0, EXTRAPOLATED[0][1]), (p1, EXTRAPOLATED[1][1]), (p2, EXTRAPOLATED[2][1])]
    return [(first, 0.5), (last + 1, 0.5)]
