"""What the solver objects share: threads, the Burton-Miller coupling, and how `accuracy=` picks one."""

from __future__ import annotations

from typing import Literal, TypeVar

from evenfield.base import DesignError, message
from evenfield.radiation.workers import processors

Accuracy = Literal["engineering", "reference"]

NO_RESONANCE_BELOW = 3.5
"""Wavenumber times the cube root of the volume; the lowest interior resonance of any body lies at 5.06 or above."""


class SolverRules:
    """Of a frozen solver object with the fields `threads` and `coupling_length`."""

    threads: int
    coupling_length: float

    def require_positive(self, *names: str) -> None:
        """Raise DesignError for a field that is not."""
        for name in names:
            if not getattr(self, name) > 0:
                raise DesignError(message(f"solver.{name}", "positive", getattr(self, name)))

    @property
    def worker_count(self) -> int:
        """Threads to run: as asked, or the processors that this process may use (at most 16)."""
        return self.threads or min(16, processors())

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


S = TypeVar("S")


def choose(accuracy: Accuracy, solver: S | None, engineering: S, reference: S) -> S:
    """The solver object for a named accuracy, unless one is given. Raises DesignError on another name."""
    if solver is not None:
        return solver
    known = {"engineering": engineering, "reference": reference}
    if accuracy not in known:
        raise DesignError(message("accuracy", '"engineering" or "reference"', accuracy))
    return known[accuracy]
