"""MotorCurves: what a motor gives, over the coil's position."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenfield.base.errors import DataError, message


@dataclass(frozen=True)
class MotorCurves:
    """Force factor and inductance over displacement.

    Parameters
        displacement : (X,) float, m, ascending, positive outwards
        force_factor : (X,) float, T m
        inductance : (X,) float, H, or None where it was not computed; without eddy currents (the limit of low frequency)
        resistance : float, ohm at 20 degrees C, of the driven windings in series; None where unknown
        reluctance_force : (X,) float, N/A^2: force per current squared, half the slope of `inductance`; None where unknown
        shorted_force_factor : (X,) float, T m, of a winding closed on itself; None where there is none
        shorted_resistance : float, ohm, of that winding
        travel : (inwards, outwards) free way of the coil before it meets a part, m, both positive; None where unknown
    Raises DataError when shapes disagree or values are not finite.
    """

    displacement: NDArray[np.float64]
    force_factor: NDArray[np.float64]
    inductance: NDArray[np.float64] | None = None
    resistance: float | None = None
    reluctance_force: NDArray[np.float64] | None = None
    shorted_force_factor: NDArray[np.float64] | None = None
    shorted_resistance: float | None = None
    travel: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        x = np.asarray(self.displacement, float)
        if x.ndim != 1 or np.any(np.diff(x) <= 0) or not np.all(np.isfinite(x)):
            raise DataError(message("motor.displacement", "finite and ascending", x.shape))
        for name in ("force_factor", "inductance", "reluctance_force", "shorted_force_factor"):
            value = getattr(self, name)
            if value is not None and (np.shape(value) != x.shape or not np.all(np.isfinite(value))):
                raise DataError(message(f"motor.{name}", "one finite value per displacement", np.shape(value)))
