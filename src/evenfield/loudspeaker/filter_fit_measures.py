"""What a set of filters does, in the fit's own measures."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenfield.base.bands import OCTAVE
from evenfield.loudspeaker.filter_fit_objective import Objective, index_bands, quadratic
from evenfield.metrics.ripple import STEEPEST_DB_PER_OCTAVE, bounded_slope_fit

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]


@dataclass(frozen=True)
class FitMeasures:
    """Measures of filters on a field.

    Parameters
        window_db : (F,) listening window less target, centred between its extremes
        window_max_db : half the range of that: the window stays within ± this
        window_rms_db : RMS of the window about its mean
        left_out_max_db : the same half range at directions kept out of the fit
        early_rms_db : early reflections about their straight line
        index_ripple_db : DI ripple of the power-summed field, in the fit's band
        phase_loss_db : greatest loss of the window against its ways in phase, where both are within 10 dB of each other
    """

    window_db: FloatArray
    window_max_db: float
    window_rms_db: float
    left_out_max_db: float
    early_rms_db: float
    index_ripple_db: float
    phase_loss_db: float

    def to_dict(self) -> dict[str, Any]:
        """Plain values."""
        return {k: v for k, v in asdict(self).items() if k != "window_db"}


def fit_measures(objective: Objective, response: ComplexArray) -> FitMeasures:
    """Measures of (W, F) responses on the objective's field."""
    field = objective.field
    window = 10 * np.log10(np.maximum(quadratic(response, field.window), 1e-300)) - objective.target_db
    left = 10 * np.log10(np.maximum(quadratic(response, field.left_out), 1e-300)) - objective.target_db
    early = 10 * np.log10(np.maximum(quadratic(response, field.early), 1e-300))
    x = np.log(field.frequency)
    line = np.polyval(np.polyfit(x, early, 1), x)
    centred = window - (window.max() + window.min()) / 2
    return FitMeasures(
        centred, half_range(window), float(np.std(window)), half_range(left), float(np.std(early - line)),
        _index_ripple(objective, response), _phase_loss(objective, response),
    )  # fmt: skip


def half_range(level: FloatArray) -> float:
    """± dB about the middle of the extremes."""
    return float(level.max() - level.min()) / 2


def _index_ripple(objective: Objective, response: ComplexArray) -> float:
    size = np.abs(response) ** 2
    axis, total = (
        objective.smoothing @ (size * of).sum(axis=0) for of in (objective.field.axis_power, objective.field.sphere_power)
    )
    index = 10 * np.log10(axis / total)
    bands = index_bands(objective.field.frequency)
    fit = bounded_slope_fit(np.log(bands) / math.log(OCTAVE), index, 0.0, STEEPEST_DB_PER_OCTAVE)
    return float(np.sqrt(np.mean((index - fit) ** 2)))


def _phase_loss(objective: Objective, response: ComplexArray) -> float:
    """Greatest loss against ways in phase, dB."""
    if len(response) < 2:
        return 0.0
    each = np.abs(response) * np.sqrt(np.real(np.einsum("fww->wf", objective.field.window)))
    ranked = np.sort(each, axis=0)
    shared = ranked[-2] > ranked[-1] * 10 ** (-10 / 20)
    loss = 20 * np.log10(each.sum(axis=0)) - 10 * np.log10(quadratic(response, objective.field.window))
    return float(loss[shared].max()) if np.any(shared) else 0.0
