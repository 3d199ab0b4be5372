"""The printed body: the plan as a closed mesh, whose acoustic triangles are the grid's own."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenfield.shape.printing import need
from evenfield.shape.printing.meshing import Ints, arrays_of, closed_rings, prism, prism_of, solid_of
from evenfield.shape.printing.plan import Hole, PartPlan, rounded_rectangle

Array = NDArray[np.float64]

_PAST = 3.0  # mm; how far cutting bodies reach past what they cut


@dataclass(frozen=True)
class Body:
    """A closed body of triangles, mm, in the part's frame.

    Parameters
        solid : manifold3d solid
        name : "part"; "lower", "upper" or "right", "left" where it was cut in two; "lower-right" and so on in four
    """

    solid: Any
    name: str = "part"

    @cached_property
    def arrays(self) -> tuple[Array, Ints]:
        """Vertices (V, 3) mm and triangles (T, 3), outward."""
        return arrays_of(self.solid)

    @property
    def volume(self) -> float:
        """mm3."""
        return float(self.solid.volume())


def build_body(plan: PartPlan) -> Body:
    """The whole part. Raises MeshError where its walls cross each other."""
    need("manifold3d")
    import manifold3d

    back, air = closed_rings(_back_rings(plan)), closed_rings(_air_rings(plan))
    flange = prism(rounded_rectangle(*plan.flange), -plan.flange_thickness, 0.0)
    seat = prism(circle(plan.seat_radius), -plan.depth, -plan.depth + plan.seat_thickness)
    union = flange + seat + solid_of(*back, "the wall's back")
    if len(plan.grid.rim):
        foot = plan.grid.rim[:1].copy()
        foot[..., 0] = -plan.flange_thickness / 2
        union += solid_of(*closed_rings(np.concatenate([foot, plan.grid.rim])[::-1]), "the rim of the mouth")
    cuts = [solid_of(*air, "the acoustic wall"), *(hole_solid(h) for h in plan.holes)]
    if plan.groove is not None:
        bottom = -plan.flange_thickness
        cuts.append(prism_of(list(plan.groove), bottom - _PAST, bottom + plan.groove_depth))
    if plan.lettering is not None:
        words = plan.lettering
        cuts.append(prism_of(list(words.outlines), words.x - _PAST, words.x + words.depth))
    return Body(union - manifold3d.Manifold.batch_boolean(cuts, manifold3d.OpType.Add))


def _back_rings(plan: PartPlan) -> Array:
    """The back of the wall, led into flange and seat so that the three overlap."""
    first, last = plan.back[0].copy(), plan.back[-1].copy()
    first[:, 0] += plan.flange_thickness / 2
    last[:, 0] -= plan.seat_thickness / 2
    return np.concatenate([first[None], plan.back, last[None]])


def _air_rings(plan: PartPlan) -> Array:
    """The air: the acoustic grid, led straight out past mouth and throat."""
    first, last = plan.grid.points[0].copy(), plan.grid.points[-1].copy()
    first[:, 0] += _PAST
    last[:, 0] -= _PAST
    return np.concatenate([first[None], plan.grid.points, last[None]])


def circle(radius: float, chord: float = 0.01) -> Array:
    """(N, 2) points on a circle, mm."""
    pieces = 4 * max(6, math.ceil(math.pi / 4 / math.acos(max(0.0, 1 - chord / radius))))
    turn = np.arange(pieces) * 2 * math.pi / pieces
    return radius * np.column_stack([np.cos(turn), np.sin(turn)])


def hole_solid(hole: Hole) -> Any:
    """What a hole takes away: one body of revolution, its countersink (90 degrees) included."""
    past = _PAST if hole.kind == "screw" else 0.0
    stations = [(-_PAST, hole.head or hole.radius), (0.0, hole.head or hole.radius), (hole.depth + past, hole.radius)]
    if hole.head > 0:
        stations.insert(2, (hole.head - hole.radius, hole.radius))
    ring = circle(max(r for _, r in stations))
    rings = [
        np.column_stack([np.full(len(ring), hole.x + hole.sense * x), ring / np.hypot(*ring[0]) * r + [hole.y, hole.z]])
        for x, r in stations
    ]
    return solid_of(*closed_rings(rings if hole.sense < 0 else rings[::-1]), "a hole")
