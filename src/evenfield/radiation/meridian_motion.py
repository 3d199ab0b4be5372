"""How a body of revolution moves: one part at a time, or given velocities."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from evenfield.base import DataError, MeshError, message
from evenfield.data import Meridian
from evenfield.data.mesh import PartName
from evenfield.radiation.meridian_body import Floats, Ints, MeridianBody

Complex = NDArray[np.complex128]
Motion = Literal["normal", "axial"]


@dataclass(frozen=True)
class Sources:
    """Normal velocities, each element's entries one after another.

    count : patterns; start : (E + 1,) where an element's entries begin; which : (n,) pattern of each entry;
    coefficient : (n, 5) of 1, t, t^2 (normal), axial, turning (see `meridian_elements.strength`); pivot : (n,) x, m
    """

    count: int
    start: Ints
    which: Ints
    coefficient: Complex
    pivot: Floats

    @property
    def table(self) -> tuple[Ints, Ints, Complex, Floats]:
        """As compiled code takes them."""
        return self.start, self.which, self.coefficient, self.pivot

    def conjugate(self) -> Sources:
        """The same patterns, conjugated."""
        return Sources(self.count, self.start, self.which, self.coefficient.conj(), self.pivot)


def part_names(meridian: Meridian) -> tuple[PartName, ...]:
    """Moving parts: integers ascending, strings by first appearance; 0 and "rigid" left out. Raises MeshError for none."""
    seen = list(dict.fromkeys(meridian.part.tolist()))
    names = [n for n in seen if n not in (0, "0", "rigid")]
    if not names:
        raise MeshError(
            message("meridian.part", "other than 0 or rigid somewhere", "a wholly rigid body", fix="naming the moving segments")
        )
    return tuple(sorted(names) if all(isinstance(n, int) for n in names) else names)


def part_sources(body: MeridianBody, parts: tuple[PartName, ...], motion: Motion, order: int) -> Sources:
    """Unit motion of each part. Raises DataError for a bad motion.

    "normal": unit normal velocity times cos(m azimuth). "axial": order 0, unit velocity along the axis; order 1, rocking, unit
    angular velocity about the line across the axis through the centre of the part's widest circle.
    """
    if motion not in ("normal", "axial"):
        raise DataError(message("motion", '"normal" or "axial"', motion))
    if motion == "axial" and order > 1:
        raise DataError(message("motion", '"normal" for order 2 and above', motion, cause="A rigid body only moves or rocks"))
    column = 0 if motion == "normal" else 3 + order
    name = body.segment_part[body.first]
    entries = []
    for e in range(body.count):
        for k, part in enumerate(parts):
            if name[e] == part:
                entries.append((e, k, column))
    coefficient = np.zeros((len(entries), 5), complex)
    coefficient[np.arange(len(entries)), [c for _, _, c in entries]] = 1.0
    pivot = {k: rocking_point(body, part) for k, part in enumerate(parts)}
    return _sources(
        body, len(parts), np.array([e for e, _, _ in entries]), np.array([k for _, k, _ in entries]), coefficient,
        np.array([body.points[pivot[k], 0] for _, k, _ in entries]),
    )  # fmt: skip


def rocking_point(body: MeridianBody, part: PartName) -> int:
    """Index of the part's widest point."""
    segment = np.flatnonzero(body.segment_part == part)
    ends = np.union1d(segment, segment + 1)
    return int(ends[np.argmax(body.points[ends, 1])])


def velocity_sources(body: MeridianBody, velocity: Complex) -> Sources:
    """Patterns (K, S) of normal velocity on the segments; within an element of two, linear through the two values."""
    one, two = velocity[:, body.first], velocity[:, body.last]
    pattern, element = np.nonzero((one != 0) | (two != 0))
    order = np.argsort(element, kind="stable")
    pattern, element = pattern[order], element[order]
    a, b = one[pattern, element], two[pattern, element]
    # the segments' middles lie at t = 1/4 and 3/4
    coefficient = np.zeros((len(a), 5), complex)
    coefficient[:, 0], coefficient[:, 1] = a - (b - a) / 2, 2 * (b - a)
    return _sources(body, len(velocity), element, pattern, coefficient, np.zeros(len(a)))


def shape_sources(body: MeridianBody, elements: Ints) -> Sources:
    """One pattern for each function of the pressure on adjoining elements: the unknown velocity in a mouth."""
    shapes = {1: [(1, -1, 0), (0, 1, 0)], 2: [(1, -3, 2), (0, 4, -4), (0, -1, 2)]}[body.degree]
    entries = [(e, i * body.degree + j, s) for i, e in enumerate(elements) for j, s in enumerate(shapes)]
    coefficient = np.zeros((len(entries), 5), complex)
    coefficient[:, :3] = [s for _, _, s in entries]
    which = np.array([n for _, n, _ in entries])
    return _sources(
        body, body.degree * len(elements) + 1, np.array([e for e, _, _ in entries]), which, coefficient, np.zeros(len(entries))
    )


def join_sources(body: MeridianBody, one: Sources, two: Sources) -> Sources:
    """The patterns of both, the second's after the first's."""
    element = np.concatenate([np.repeat(np.arange(body.count), np.diff(s.start)) for s in (one, two)])
    order = np.argsort(element, kind="stable")
    which = np.concatenate([one.which, two.which + one.count])[order]
    coefficient = np.concatenate([one.coefficient, two.coefficient])[order]
    return _sources(
        body, one.count + two.count, element[order], which, coefficient, np.concatenate([one.pivot, two.pivot])[order]
    )


def _sources(body: MeridianBody, count: int, element: Ints, which: Ints, coefficient: Complex, pivot: Floats) -> Sources:
    start = np.searchsorted(element, np.arange(body.count + 1))
    return Sources(
        count, start.astype(np.int64), np.asarray(which, np.int64), np.ascontiguousarray(coefficient), np.asarray(pivot, float)
    )


def nodal_sources(body: MeridianBody, elements: Ints, values: Complex) -> Sources:
    """Patterns given by nodal values (K, n) on adjoining elements."""
    unit = shape_sources(body, elements)
    count = len(values)
    which = np.tile(np.arange(count), len(unit.which))
    coefficient = (values.T[unit.which][:, :, None] * unit.coefficient[:, None]).reshape(-1, 5)
    element = np.repeat(np.repeat(np.arange(body.count), np.diff(unit.start)), count)
    return _sources(body, count, element, which, coefficient, np.zeros(len(which)))


def scale_sources(sources: Sources, factor: complex) -> Sources:
    """All strengths times a factor."""
    return Sources(sources.count, sources.start, sources.which, factor * sources.coefficient, sources.pivot)


def add_sources(body: MeridianBody, one: Sources, two: Sources) -> Sources:
    """The sum of the patterns, number by number."""
    joined = join_sources(body, one, two)
    return Sources(one.count, joined.start, joined.which % one.count, joined.coefficient, joined.pivot)
