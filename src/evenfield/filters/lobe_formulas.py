"""Where the lobe of two alike sources points, and where its nulls lie, in closed form."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray


def lobe_tilt(phase: float, spacing: float, frequency: float, speed_of_sound: float = 343.2) -> float:
    """Elevation of the main lobe, rad, of two equal point sources one above the other, far away.

    Parameters
        phase : rad, of the upper source's signal less the lower's, within +-pi
        spacing : m; frequency : Hz
    In phase where k d sin(angle) + phase = 0: a lagging upper source tilts the lobe up. NaN where that lies beyond +-90 degrees.
    Source: S. Linkwitz, J. Audio Eng. Soc. 24 (1976) 2, tilt of the radiation pattern (from memory).
    Example:
        >>> round(math.degrees(lobe_tilt(-math.pi / 2, 0.1716, 2000.0)), 2)
        14.48
    """
    sine = -phase * speed_of_sound / (2 * math.pi * frequency * spacing)
    return math.asin(sine) if abs(sine) <= 1 else math.nan


def null_angles(phase: float, spacing: float, frequency: float, speed_of_sound: float = 343.2) -> NDArray[np.float64]:
    """Elevations of the nulls, rad, ascending: k d sin(angle) + phase = odd multiples of pi.

    Parameters, source: as `lobe_tilt`.
    """
    per_turn = speed_of_sound / (frequency * spacing)
    odd = np.arange(-15, 16) + 0.5
    sine = (odd - phase / (2 * math.pi)) * per_turn
    return np.asarray(np.arcsin(np.sort(sine[np.abs(sine) <= 1])))
