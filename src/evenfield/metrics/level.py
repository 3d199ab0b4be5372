"""Sensitivity."""

from __future__ import annotations

import numpy as np

from evenfield.base.errors import Refusal
from evenfield.data.directivity import Directivity
from evenfield.metrics.averages import level_db, on_axis_power
from evenfield.metrics.smoothing import require_range


def sensitivity(d: Directivity, low_hz: float = 300.0, high_hz: float = 3000.0) -> float:
    """Mean on-axis level over a band, dB re 20 uPa at 2.83 V, 1 m; each octave counts the same, squared pressures are averaged.

    The default band is common practice, no source. Raises Refusal where level is not absolute or the band not covered.
    """
    if not d.level_absolute:
        raise Refusal("Sensitivity needs an absolute level; this data is relative (equalised, normalised or uncalibrated).")
    require_range(d.frequency, "Sensitivity", low_hz, high_hz)
    x = np.linspace(np.log(max(low_hz, d.frequency[0])), np.log(min(high_hz, d.frequency[-1])), 400)
    power = np.interp(x, np.log(d.frequency), on_axis_power(d))
    return float(level_db(d, np.asarray(power.mean())))
