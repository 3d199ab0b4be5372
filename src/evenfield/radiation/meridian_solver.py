"""How a meridian is solved: the rules behind `accuracy=`."""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import Literal

from evenfield.base import DesignError, message

Accuracy = Literal["engineering", "reference"]

NO_RESONANCE_BELOW = 3.5
"""Wavenumber times the cube root of the volume; the lowest interior resonance of any body lies at 5.06 or above."""


@dataclass(frozen=True)
class MeridianSolver:
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
        for name in ("element_points", "near_points", "near_distance", "ring_effort", "coupling_length", "corner_deg"):
            if not getattr(self, name) > 0:
                raise DesignError(message(f"solver.{name}", "positive", getattr(self, name)))

    @property
    def worker_count(self) -> int:
        """Threads to run: as asked, or the processors that this process may use (at most 16)."""
        return self.threads or min(16, len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else 2)

    def coupling(self, wavenumber: float, volume: float) -> float:
        """The Burton-Miller coupling, m, for a closed body of `volume` m3 at `wavenumber` rad/m; none where no body of that
        volume can resonate, for there it only turns the mesh's errors into resistance (see docs/theory/radiation.md)."""
        size = volume ** (1 / 3)
        if wavenumber * size < NO_RESONANCE_BELOW:
            return 0.0
        return float(min(1.0 / wavenumber, self.coupling_length * size))


ENGINEERING = MeridianSolver()
REFERENCE = MeridianSolver(element_points=5, near_points=14, near_distance=1.5, ring_effort=12.0)


def choose_solver(accuracy: Accuracy, solver: MeridianSolver | None) -> MeridianSolver:
    """The solver object for a named accuracy, unless one is given. Raises DesignError on another name."""
    if solver is not None:
        return solver
    known = {"engineering": ENGINEERING, "reference": REFERENCE}
    if accuracy not in known:
        raise DesignError(message("accuracy", '"engineering" or "reference"', accuracy))
    return known[accuracy]
