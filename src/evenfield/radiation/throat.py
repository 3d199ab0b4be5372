"""The acoustic load at a throat, as a driver model takes it."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenfield.base import DataError, message
from evenfield.data.mesh import PartName
from evenfield.radiation.sweep import Sweep

Complex = NDArray[np.complexfloating[Any, Any]]


def throat_impedance(solution: Sweep[Any], part: PartName | None = None) -> Complex:
    """Acoustic impedance that a moving part sees: mean pressure on it over the volume velocity that it gives.

    Parameters
        solution : SurfaceSolution, MeridianSolution or FlushSolution
        part : name of the part; may be left out where there is one only
    Returns
        (F,) complex, Pa s/m3; the pressure's mean is weighted by the part's own motion, so that its real part times the squared
        volume velocity is the power. With the throat's area S a driver model's mechanical load is S^2 times this.
    Raises DataError for an unknown part, or one that moves no air on the whole.
    """
    names = solution.parts
    if part is None and len(names) == 1:
        part = names[0]
    if part not in names:
        raise DataError(message("part", f"one of {names}", part))
    at = names.index(part)
    flow = solution.volume_velocity[at]
    own = solution.radiation_impedance[at, at]
    if abs(flow) < 1e-12:
        raise DataError(message("part", "one that moves air on the whole", part, cause="It only rocks, or its sides cancel"))
    return np.asarray(own / abs(flow) ** 2)
