"""One element of a cabinet as a round body in an infinite baffle, in the horizontal and in the vertical plane.

The quick model behind a drag: only the difference that a change makes in it is used, never its field alone, because it knows
no cabinet. A mouth that is wider than high is solved twice, with the wall it has in either plane turned about its axis.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from evenfield.base.air import Air
from evenfield.data.meridian import Meridian
from evenfield.shape.elements import Coaxial, Element, Waveguide, moving_names
from evenfield.shape.strips import strips_of

if TYPE_CHECKING:
    from evenfield.radiation import MeridianProblem

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

FREQUENCIES = np.geomspace(400.0, 16000.0, 24)
"""Hz; below and above, the change is held: below, a waveguide is small against the wavelength."""

ANGLES = np.radians(np.arange(0.0, 91.0, 5.0))
PER_WAVELENGTH = 5.0
FEWEST_ON_PART = 6
FEWEST_ON_LINE = 16
"""Segments: fewer miss the wall's shape, by 0.3 dB at the lowest frequencies; the high ones cost the time."""
MESH_RATIO = 2.2
"""A meridian serves frequencies down to its highest one over this."""
RIGID = "rigid"


@dataclass(frozen=True)
class RoundField:
    """Field of an element's moving parts in one plane, each at 1 m/s along x.

    Parameters
        parts : names
        far_field : (P, A, F) complex at `ANGLES`, `FREQUENCIES`; impedance : (P, P, F) complex, N s/m
        nodes : of the finest meridian
    """

    parts: tuple[str, ...]
    far_field: ComplexArray
    impedance: ComplexArray
    nodes: int


def at_origin(element: Element) -> Element:
    """The element alone, its place and its key in the file left out: what its round field depends on."""
    if isinstance(element, Coaxial):
        cone, source = at_origin(element.cone), at_origin(element.source)
        return replace(element, cone=cone, source=source)  # type: ignore[arg-type]
    if isinstance(element, Waveguide):
        return replace(element, y=0.0, z=0.0, key="", source=at_origin(element.source))  # type: ignore[arg-type]
    return replace(element, y=0.0, z=0.0, key="")


def is_round(element: Element) -> bool:
    """True when both planes are alike."""
    around, along = np.linspace(0.0, 2 * math.pi, 33), np.linspace(0.0, 1.0, 5)
    return all(float(np.ptp(s.surface(along, around)[1], axis=1).max()) < 1e-6 for s in strips_of(element))


def meridian_of(element: Element, plane_rad: float, longest: float) -> Meridian:
    """The wall in one plane as a generating line, from the rim on the baffle to the axis.

    Parameters
        plane_rad : of the plane, from +y towards +z
        longest : segment, m
    """
    points: list[FloatArray] = []
    parts: list[str] = []
    strips, fine = strips_of(element), np.linspace(0.0, 1.0, 201)
    ways = []
    for strip in strips:
        x, r = (v[:, 0] for v in strip.surface(fine, np.array([plane_rad])))
        ways.append(np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(r)))]))
    longest = min(longest, sum(float(w[-1]) for w in ways) / FEWEST_ON_LINE)
    for strip, along in zip(strips, ways, strict=True):
        if along[-1] < 1e-9:
            continue
        count = max(2 * math.ceil(along[-1] / longest / 2), FEWEST_ON_PART if strip.part != RIGID else 2)
        at = np.interp(np.linspace(0.0, along[-1], count + 1), along, fine)
        x, r = (v[:, 0] for v in strip.surface(at, np.array([plane_rad])))
        points.append(np.column_stack([x, np.maximum(r, 0.0)])[1 if points else 0 :])
        parts += [strip.part] * count
    line = np.concatenate(points)
    line[0, 0], line[-1, 1] = 0.0, 0.0
    return Meridian(line, np.asarray(parts, dtype=object))


def round_fields(element: Element, air: Air) -> tuple[RoundField, RoundField]:
    """Horizontal and vertical plane; the same twice where the element is round.

    Raises MeshError where the line cannot be solved, as one partly before and partly behind the baffle.
    Cost: some 0.1 s on two cores for a waveguide of 0.2 m.
    """
    from evenfield.radiation.meridian_solver import MeridianSolver
    from evenfield.radiation.workers import in_order

    alone = at_origin(element)
    planes = (0.0,) if is_round(alone) else (0.0, math.pi / 2)
    tasks = [(n, i, problem) for n, plane in enumerate(planes) for i, problem in _problems(alone, plane, air)]
    tasks.sort(key=lambda t: -FREQUENCIES[t[1]])

    def work(task: tuple[int, int, MeridianProblem]) -> tuple[ComplexArray, ComplexArray]:
        solution = task[2].solve(float(FREQUENCIES[task[1]]))
        return solution.far_field(ANGLES), solution.radiation_impedance

    found: dict[tuple[int, int], tuple[ComplexArray, ComplexArray]] = {}
    for (n, i, _), values in zip(tasks, in_order(work, tasks, MeridianSolver().worker_count), strict=True):
        found[n, i] = values
    names = [str(p) for p in tasks[0][2].parts]
    pick = [names.index(n) for n in moving_names(element)]
    nodes = max(len(t[2].meridian.points) for t in tasks)

    def one(n: int) -> RoundField:
        far = np.stack([found[n, i][0][pick] for i in range(len(FREQUENCIES))], axis=-1)
        impedance = np.stack([found[n, i][1][np.ix_(pick, pick)] for i in range(len(FREQUENCIES))], axis=-1)
        return RoundField(moving_names(element), far, impedance, nodes)

    return one(0), one(len(planes) - 1)


def _problems(element: Element, plane_rad: float, air: Air) -> Iterator[tuple[int, MeridianProblem]]:
    """Each frequency with the meridian that serves it."""
    from evenfield.radiation import MeridianProblem

    last = len(FREQUENCIES)
    while last > 0:
        top = FREQUENCIES[last - 1]
        first = int(np.searchsorted(FREQUENCIES, top / MESH_RATIO))
        line = meridian_of(element, plane_rad, air.speed_of_sound / top / PER_WAVELENGTH)
        problem = MeridianProblem(line, motion="axial", baffle=True, air=air)
        yield from ((i, problem) for i in range(first, last))
        last = first
