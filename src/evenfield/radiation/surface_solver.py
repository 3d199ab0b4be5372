"""How a surface is solved: the tolerances behind `accuracy=`."""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import Literal

from evenfield.base import DesignError, message

Accuracy = Literal["engineering", "reference"]

NO_RESONANCE_BELOW = 3.5
"""Wavenumber times the cube root of the volume; the lowest interior resonance of any body lies at 5.06 or above."""


@dataclass(frozen=True)
class SurfaceSolver:
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
        for name in ("near_distance", "touching_order", "tolerance", "max_iterations", "coupling_length", "tight_cuts"):
            if not getattr(self, name) > 0:
                raise DesignError(message(f"solver.{name}", "positive", getattr(self, name)))
        if self.precision not in ("single", "double"):
            raise DesignError(message("solver.precision", '"single" or "double"', self.precision))

    @property
    def worker_count(self) -> int:
        """Threads to run: as asked, or the processors that this process may use (at most 16)."""
        return self.threads or min(16, len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else 2)

    def coupling(self, wavenumber: float, volume: float) -> float:
        """The Burton-Miller coupling, m, for a body of `volume` m3 at `wavenumber` rad/m: with L the cube root of the volume,
        min(1/k, coupling_length L) where k L >= 3.5, none below.

        1/k alone lets the hypersingular operator dominate at low frequency. A tenth of the body keeps the iteration short and
        is still strong at the first interior resonances, which alone need it. Those lie above k L = 5.06, the sphere's
        (Faber 1923, Krahn 1925: of all bodies of one volume the ball has the lowest), so below 3.5 there is nothing to
        cure. Coupling would do harm there: it turns errors of the mesh by 90 degrees, and at low frequency the resistance is
        tiny beside the reactance (24 % of a vent's at 20 Hz, 0.03 % without). Our own rule, measured on the sphere and on
        cabinets; at the step the far field changes by less than 0.005 dB.
        """
        size = volume ** (1 / 3)
        if wavenumber * size < NO_RESONANCE_BELOW:
            return 0.0
        return float(min(1.0 / wavenumber, self.coupling_length * size))

    def coupling_slope(self, wavenumber: float, volume: float) -> float:
        """Derivative of `coupling` by the volume, 1/m2; zero where the coupling does not follow the volume."""
        size = volume ** (1 / 3)
        follows = wavenumber * size >= NO_RESONANCE_BELOW and self.coupling_length * size < 1.0 / wavenumber
        return self.coupling_length * size / (3 * volume) if follows else 0.0


ENGINEERING = SurfaceSolver()
REFERENCE = SurfaceSolver("double", near_distance=3.0, near_degree=5, touching_order=5, tolerance=1e-7, tight_cuts=5)


def choose_solver(accuracy: Accuracy, solver: SurfaceSolver | None) -> SurfaceSolver:
    """The solver object for a named accuracy, unless one is given. Raises DesignError on another name."""
    if solver is not None:
        return solver
    known = {"engineering": ENGINEERING, "reference": REFERENCE}
    if accuracy not in known:
        raise DesignError(message("accuracy", '"engineering" or "reference"', accuracy))
    return known[accuracy]
