"""How a meridian is solved: the rules behind `accuracy=`."""

from __future__ import annotations

from dataclasses import dataclass

from evenfield.radiation.solver_rules import Accuracy, SolverRules, choose


@dataclass(frozen=True)
class MeridianSolver(SolverRules):
    """Rules of the Galerkin solve on a meridian.

    Parameters
        element_points : Gauss points on an element
        near_points : Gauss points on either side of the nearest point, for elements that are near
        near_distance : elements closer than this many (longer) element lengths are near
        ring_effort : points round a ring beyond those the waves ask for
        coupling_length : of the Burton-Miller coupling, relative to the cube root of the body's volume (see `coupling`)
        corner_deg : points where the line turns by more are corners; at fewer, two segments make one curved element
        threads : int, or 0 for as many as the process may use, at most 16
    """

    element_points: int = 3
    near_points: int = 8
    near_distance: float = 0.8
    ring_effort: float = 7.0
    coupling_length: float = 0.11
    corner_deg: float = 35.0
    threads: int = 0

    def __post_init__(self) -> None:
        self.require_positive("element_points", "near_points", "near_distance", "ring_effort", "coupling_length", "corner_deg")


ENGINEERING = MeridianSolver()
REFERENCE = MeridianSolver(element_points=5, near_points=14, near_distance=1.5, ring_effort=12.0)


def choose_solver(accuracy: Accuracy, solver: MeridianSolver | None) -> MeridianSolver:
    """The solver object for a named accuracy, unless one is given. Raises DesignError on another name."""
    return choose(accuracy, solver, ENGINEERING, REFERENCE)
