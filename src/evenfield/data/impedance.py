"""Impedance: electrical impedance over frequency."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenfield.base.errors import DataError, message


@dataclass(frozen=True)
class Impedance:
    """Electrical impedance at a pair of terminals, e^{+jwt}.

    Parameters
        frequency : (F,) float, Hz, ascending
        value : (F,) complex, ohm
    Raises DataError when shapes disagree or values are not finite.
    """

    frequency: NDArray[np.float64]
    value: NDArray[np.complex128]

    def __post_init__(self) -> None:
        f, v = np.asarray(self.frequency, float), np.asarray(self.value, complex)
        if f.ndim != 1 or v.shape != f.shape or not np.all(np.isfinite(v)):
            raise DataError(message("impedance", "one finite value per frequency", f"{f.shape}, {v.shape}"))
        object.__setattr__(self, "frequency", f)
        object.__setattr__(self, "value", v)

    @property
    def magnitude(self) -> NDArray[np.float64]:
        """(F,) ohm."""
        return np.abs(self.value)
