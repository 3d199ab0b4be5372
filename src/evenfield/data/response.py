"""Response: a complex transfer function at one place."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenfield.base.constants import REFERENCE_PRESSURE
from evenfield.base.errors import DataError, message


@dataclass(frozen=True)
class Response:
    """Complex response over frequency, e^{+jwt}.

    Parameters
        frequency : (F,) float, Hz, ascending
        value : (F,) complex, in `unit` per volt at the input
        unit : "Pa", "m/s", "m", "1" ...
        point : (3,) m, where it was taken; None where that has no meaning
        phase_known, level_absolute : as in Directivity
    Raises DataError when shapes disagree or values are not finite.
    """

    frequency: NDArray[np.float64]
    value: NDArray[np.complex128]
    unit: str = "Pa"
    point: tuple[float, float, float] | None = None
    phase_known: bool = True
    level_absolute: bool = True
    bandwidth: int | None = None
    provenance: Mapping[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        f, v = np.asarray(self.frequency, float), np.asarray(self.value, complex)
        if f.ndim != 1 or v.shape != f.shape or np.any(np.diff(f) <= 0) or np.any(f <= 0):
            raise DataError(message("response", "one value per ascending positive frequency", f"{f.shape}, {v.shape}"))
        if not np.all(np.isfinite(v)):
            bad = int(np.flatnonzero(~np.isfinite(v))[0])
            raise DataError(message("response.value", "finite", v[bad], where=f"{f[bad]:.5g} Hz"))
        object.__setattr__(self, "frequency", f)
        object.__setattr__(self, "value", v)

    @property
    def level_db(self) -> NDArray[np.float64]:
        """(F,) level in dB: re 20 uPa for a pressure, re 1 otherwise."""
        reference = REFERENCE_PRESSURE if self.unit == "Pa" else 1.0
        return np.asarray(20 * np.log10(np.maximum(np.abs(self.value), 1e-300) / reference))
