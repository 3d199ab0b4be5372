"""What each conducting part buys, and at which frequency: the impedance with its eddy currents switched off, compared."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.magnetics.harmonic import blocked_impedance
from evenfield.magnetics.motor import Motor
from evenfield.magnetics.statics import StaticField, solve_static


@dataclass(frozen=True)
class RingWorth:
    """One conducting part's effect at the driven coils' terminals, at rest and over position.

    Parameters
        ring : name
        frequency : (F,) Hz
        inductance_with, inductance_without : (F,) H at rest
        resistance_with, resistance_without : (F,) ohm at rest, beside the DC resistance
        modulation_with, modulation_without : (F,) largest less smallest L over the positions, H
        mass, cost : kg and EUR of the part
    """

    ring: str
    frequency: NDArray[np.float64]
    inductance_with: NDArray[np.float64]
    inductance_without: NDArray[np.float64]
    resistance_with: NDArray[np.float64]
    resistance_without: NDArray[np.float64]
    modulation_with: NDArray[np.float64]
    modulation_without: NDArray[np.float64]
    mass: float
    cost: float

    @property
    def corner_hz(self) -> float | None:
        """Lowest frequency at which the part takes a tenth off the inductance, Hz (log-interpolated); None if it never does."""
        cut = 1 - self.inductance_with / self.inductance_without
        above = np.flatnonzero(cut >= 0.1)
        if not len(above):
            return None
        i = int(above[0])
        if i == 0:
            return float(self.frequency[0])
        t = (0.1 - cut[i - 1]) / (cut[i] - cut[i - 1])
        return float(np.exp(np.interp(t, [0, 1], np.log(self.frequency[i - 1 : i + 1]))))

    @property
    def largest_cut(self) -> tuple[float, float]:
        """(share of the inductance taken away at most, frequency in Hz)."""
        cut = 1 - self.inductance_with / self.inductance_without
        i = int(np.argmax(cut))
        return float(cut[i]), float(self.frequency[i])


def ring_worth(
    motor: Motor, frequency_hz: ArrayLike | None = None, positions: int = 7, static: StaticField | None = None,
    rings: tuple[str, ...] | None = None,
) -> tuple[RingWorth, ...]:  # fmt: skip
    """The worth of each conducting ring and cap, one after another, all others in place.

    Parameters
        static : solved with layers=True, to save its time
        rings : names; all conducting parts by default
    Cost: one blocked impedance (about 2 s) per ring, and one more.
    """
    f = np.geomspace(20, 20e3, 31) if frequency_hz is None else np.asarray(frequency_hz, float)
    field = static or solve_static(motor, layers=True)
    x = np.unique(np.r_[0.0, np.linspace(field.low, field.high, positions)])
    rest = int(np.argmin(abs(x)))
    drive, short = {c.name: 1.0 for c in motor.driven}, tuple(c.name for c in motor.shorted)
    w = 2 * np.pi * f

    def solve(insulated: tuple[str, ...]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        b = blocked_impedance(field, x, float(f.max()), insulated=insulated, check=False, snapshots=6)
        z = b.terminal(f, drive, short, resistance=False)
        return z.imag / w, z.real

    inductance, resistance = solve(())
    out = []
    for name in motor.rings if rings is None else rings:
        part = next(p for p in motor.parts if p.name == name)
        bare, loss = solve((name,))
        out.append(
            RingWorth(name, f, inductance[rest], bare[rest], resistance[rest], loss[rest], np.ptp(inductance, axis=0),
                      np.ptp(bare, axis=0), part.mass, part.cost)
        )  # fmt: skip
    return tuple(out)
