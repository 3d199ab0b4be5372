"""How a surface is solved: the tolerances behind `accuracy=`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from evenfield.base import DesignError, message
from evenfield.radiation.solver_rules import NO_RESONANCE_BELOW, Accuracy, SolverRules, choose


@dataclass(frozen=True)
class SurfaceSolver(SolverRules):
    """Tolerances of the Galerkin Burton-Miller solve on a surface.

    Parameters
        precision : "single" (complex64 matrix, 8 bytes an entry) or "double" (16 bytes)
        near_distance : triangles closer than this many (longer) edge lengths get near integrals
        near_degree : degree of the triangle rule for near pairs that do not touch (2, 4 or 5); closer ones, as across a thin gap,
            get degree 5, and the closest (see `near_pairs`) degree 5 on triangles cut `tight_cuts` times along each edge
        touching_order : Gauss points per variable for touching pairs (Sauter & Schwab)
        tolerance : relative residual at which the iteration stops
        max_iterations : int
        coupling_length : of the Burton-Miller coupling, relative to the cube root of the body's volume (see `coupling`)
        threads : int, or 0 for as many as the process may use, at most 16
    """

    precision: Literal["single", "double"] = "single"
    near_distance: float = 2.0
    near_degree: int = 2
    touching_order: int = 3
    tolerance: float = 2e-4
    max_iterations: int = 200
    coupling_length: float = 0.11
    tight_cuts: int = 2
    threads: int = 0

    def __post_init__(self) -> None:
        self.require_positive("near_distance", "touching_order", "tolerance", "max_iterations", "coupling_length", "tight_cuts")
        if self.precision not in ("single", "double"):
            raise DesignError(message("solver.precision", '"single" or "double"', self.precision))

    def coupling_slope(self, wavenumber: float, volume: float) -> float:
        """Derivative of `coupling` by the volume, 1/m2; zero where the coupling does not follow the volume."""
        size = volume ** (1 / 3)
        follows = wavenumber * size >= NO_RESONANCE_BELOW and self.coupling_length * size < 1.0 / wavenumber
        return self.coupling_length * size / (3 * volume) if follows else 0.0


ENGINEERING = SurfaceSolver()
REFERENCE = SurfaceSolver("double", near_distance=3.0, near_degree=5, touching_order=5, tolerance=1e-7, tight_cuts=5)


def choose_solver(accuracy: Accuracy, solver: SurfaceSolver | None) -> SurfaceSolver:
    """The solver object for a named accuracy, unless one is given. Raises DesignError on another name."""
    return choose(accuracy, solver, ENGINEERING, REFERENCE)
