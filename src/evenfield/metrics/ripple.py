"""Ripple of the directivity index: evenfield's own measure, not a standard's."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenfield.base.bands import OCTAVE, octave_axis
from evenfield.data.directivity import Directivity
from evenfield.metrics.averages import on_axis_power, sphere_sound_power
from evenfield.metrics.smoothing import require_resolution, smooth_power

FloatArray = NDArray[np.float64]

STEEPEST_DB_PER_OCTAVE = 4.0
"""Slope that the fit may have at most."""

_LOW_HZ, _HIGH_HZ, _FRACTION = 300.0, 10000.0, 6


@dataclass(frozen=True)
class Ripple:
    """Ripple of the directivity index.

    Parameters
        rms_db : RMS deviation of the index from its fit; target <= 0.3
        steepest_rise : over any 1/3 octave, dB/octave; steepest_at_hz : the middle of it
        worst_at_hz, worst_db : where the index departs farthest from the fit, and by how much
        frequency, index_db, fit_db : (B,) sixth-octave bands 300 Hz ... 10 kHz
    """

    rms_db: float
    steepest_rise: float
    steepest_at_hz: float
    worst_at_hz: float
    worst_db: float
    frequency: FloatArray
    index_db: FloatArray
    fit_db: FloatArray


def di_ripple(summed: Directivity, may_fall: bool = False) -> Ripple:
    """RMS deviation of the full-sphere DI, 1/6 octave, 300 Hz ... 10 kHz, from its best fit of bounded slope.

    evenfield's own measure, not a standard's. Target <= 0.3 dB. The fit is the nearest curve, in least squares, that neither
    falls nor rises faster than 4 dB/octave; so a step of 4 dB fails, which a plain non-decreasing fit would let pass.

    Parameters
        summed : the ways' power-summed field with their filters; or any closed sphere, where there are no ways
        may_fall : let the fit fall by as much as 4 dB/octave too (the milder reading)
    Raises DataError on orbits-only data; Refusal where the data are coarser than 1/6 octave or lack part of the range.
    """
    require_resolution(summed, _FRACTION, "DI ripple", _LOW_HZ, _HIGH_HZ)
    band = octave_axis(_FRACTION, _LOW_HZ, _HIGH_HZ)
    axis = smooth_power(summed.frequency, on_axis_power(summed), _FRACTION, band)
    total = smooth_power(summed.frequency, sphere_sound_power(summed), _FRACTION, band)
    index = 10 * np.log10(axis / total)
    fit = bounded_slope_fit(
        np.log(band) / np.log(OCTAVE), index, -STEEPEST_DB_PER_OCTAVE if may_fall else 0.0, STEEPEST_DB_PER_OCTAVE
    )
    third = 2
    rise = (index[third:] - index[:-third]) * _FRACTION / third
    steepest, worst = int(np.argmax(rise)), int(np.argmax(np.abs(index - fit)))
    return Ripple(
        rms_db=float(np.sqrt(np.mean((index - fit) ** 2))),
        steepest_rise=float(rise[steepest]),
        steepest_at_hz=float(band[steepest + 1]),
        worst_at_hz=float(band[worst]),
        worst_db=float(index[worst] - fit[worst]),
        frequency=band,
        index_db=index,
        fit_db=fit,
    )


def bounded_slope_fit(x: FloatArray, y: FloatArray, lowest: float, steepest: float) -> FloatArray:
    """The curve nearest y in least squares whose slope dy/dx lies between `lowest` and `steepest` everywhere; (N,).

    A bounded linear least-squares problem in the first value and the slopes, solved exactly.
    """
    from scipy.optimize import lsq_linear

    n = len(x)
    matrix = np.zeros((n, n))
    matrix[:, 0] = 1.0
    matrix[:, 1:] = np.tril(np.ones((n, n - 1)), -1) * np.diff(x)
    lower = np.concatenate([[-np.inf], np.full(n - 1, lowest)])
    upper = np.concatenate([[np.inf], np.full(n - 1, steepest)])
    solution = lsq_linear(matrix, y, (lower, upper), method="bvls", tol=1e-12)
    return np.asarray(matrix @ solution.x)
