"""The objective of a filter fit, over directions, with analytic derivatives.

Every term is a list of residuals in dB (or ms), so that least squares applies; half their sum of squares is what is minimised.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evenfield.base.bands import OCTAVE, octave_axis
from evenfield.filters.audibility import delay_threshold
from evenfield.loudspeaker.filter_fit_field import FitField
from evenfield.loudspeaker.filter_fit_model import Charges, FitModel, beyond
from evenfield.metrics.ripple import STEEPEST_DB_PER_OCTAVE, bounded_slope_fit

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
Owner = NDArray[np.intp]

_DB = 20 / math.log(10)


@dataclass(frozen=True)
class Weights:
    """How much each term counts; 1 means that a decibel there is worth a decibel of the listening window."""

    window: float = 1.0
    early: float = 0.3
    index: float = 1.0
    phase: float = 0.6
    delay: float = 0.5
    limit: float = 3.0
    size: float = 0.015


@dataclass(frozen=True)
class DriveLimit:
    """What one way can take: (F,) V RMS at its terminals over frequency, infinite where nothing binds, and the level asked."""

    name: str
    way: int
    volts: FloatArray


@dataclass(frozen=True)
class Objective:
    """Residuals of a model, and their derivatives.

    Parameters
        field : FitField
        target_db : (F,) wanted shape of the listening window; its level is free
        weights : Weights
        limits : drive limits at the level `level_pa` (Pa RMS at the listening distance); 0 leaves them out
        boost_db : largest gain of any way's sections, broadband gain left out
        index_fit_db : (B,) smooth DI to follow, renewed by `renewed`
        emphasis : (F,) extra weight of each frequency of the window term
    """

    field: FitField
    target_db: FloatArray
    weights: Weights = Weights()
    limits: tuple[DriveLimit, ...] = ()
    level_pa: float = 0.0
    boost_db: float = 6.0
    index_fit_db: FloatArray | None = None
    emphasis: FloatArray | None = None
    smoothing: FloatArray = dataclasses.field(default_factory=lambda: np.zeros((0, 0)))

    def __post_init__(self) -> None:
        if self.smoothing.size == 0:
            object.__setattr__(self, "smoothing", band_matrix(self.field.frequency))

    def residuals(self, model: FitModel) -> FloatArray:
        """(N,) residuals."""
        h, table, owner = model.responses(self.field.frequency)
        return np.concatenate([r for r, _ in self._terms(model, h, table[:0], owner[:0])])

    def linearised(self, model: FitModel) -> tuple[FloatArray, FloatArray]:
        """(N,) residuals and their (N, P) derivatives by the model's free numbers."""
        h, table, owner = model.responses(self.field.frequency)
        terms = list(self._terms(model, h, table, owner))
        return np.concatenate([t[0] for t in terms]), model.gathered(np.concatenate([t[1].T for t in terms]))

    def value(self, model: FitModel) -> float:
        """Half the sum of squares."""
        return 0.5 * float(np.sum(self.residuals(model) ** 2))

    def window_db(self, model: FitModel) -> FloatArray:
        """(F,) listening window less target and less its own mean, dB."""
        return self.window_of(model.responses(self.field.frequency)[0])

    def window_of(self, h: ComplexArray) -> FloatArray:
        """The same of (W, F) responses."""
        level = 10 * np.log10(quadratic(h, self.field.window)) - self.target_db
        return np.asarray(level - np.average(level, weights=self.field.weight))

    def way_share(self, model: FitModel) -> FloatArray:
        """(W, F) decibels of the window per decibel of each way."""
        h, _, _ = model.responses(self.field.frequency)
        power, pull = _pull(h, self.field.window)
        return np.asarray(pull.real / power)

    def renewed(self, model: FitModel) -> Objective:
        """With the smooth DI taken anew from the model: the bounded-slope fit of the DI ripple measure."""
        index, _ = self._index(
            model.responses(self.field.frequency)[0], np.zeros((0, len(self.field.frequency)), complex), np.zeros(0, np.intp)
        )
        band = index_bands(self.field.frequency)
        fit = bounded_slope_fit(np.log(band) / np.log(OCTAVE), index, 0.0, STEEPEST_DB_PER_OCTAVE)
        return replace(self, index_fit_db=fit)

    def _terms(
        self, model: FitModel, h: ComplexArray, table: ComplexArray, owner: Owner
    ) -> Iterator[tuple[FloatArray, FloatArray]]:
        w, f = self.weights, self.field
        scale = 1 / math.sqrt(len(f.frequency))
        power, change = _power_change(h, f.window, table, owner)
        local = scale * np.sqrt(f.weight) * (1.0 if self.emphasis is None else self.emphasis)
        level, slope = 10 * np.log10(power) - self.target_db, change
        yield _centred(level, slope, f.weight, w.window * local)
        early, early_change = _power_change(h, f.early, table, owner)
        yield _detrended(10 * np.log10(early) - self.target_db, early_change, np.log(f.frequency), w.early * scale)
        if self.index_fit_db is not None:
            index, index_change = self._index(h, table, owner)
            share = w.index / math.sqrt(len(index))
            yield (index - self.index_fit_db) * share, index_change * share
        yield self._phase(h, power, change, table, owner, w.phase * scale)
        yield self._delay(h, table, owner, w.delay * scale)
        if self.level_pa > 0:
            for limit in self.limits:
                yield self._drive(limit, h, power, change, table, owner, w.limit * scale)
        yield from model.penalties(f.frequency, h, table, owner, Charges(w.limit * scale, w.size, self.boost_db))

    def _index(self, h: ComplexArray, table: ComplexArray, owner: Owner) -> tuple[FloatArray, FloatArray]:
        """DI of the power-summed field in sixth-octave bands, and its derivatives."""
        size = np.abs(h) ** 2
        both = []
        for of in (self.field.axis_power, self.field.sphere_power):
            part = size * of
            total = self.smoothing @ part.sum(axis=0)
            change = (2 * table.real * part[owner]) @ self.smoothing.T / total
            both.append((10 * np.log10(total), change * 10 / math.log(10)))
        return both[0][0] - both[1][0], both[0][1] - both[1][1]

    def _phase(
        self, h: ComplexArray, power: FloatArray, change: FloatArray, table: ComplexArray, owner: Owner, weight: float
    ) -> tuple[FloatArray, FloatArray]:
        """Loss of the window against its ways in phase in every direction: 10 lg |sum|^2 / (sum of |ways|)^2, dB."""
        each = np.abs(h) * np.sqrt(np.real(np.einsum("fww->wf", self.field.window)))
        together = each.sum(axis=0)
        loss = 10 * np.log10(power) - 20 * np.log10(together)
        slope = change - _DB * table.real * (each / together)[owner]
        return loss * weight, slope * weight

    def _delay(self, h: ComplexArray, table: ComplexArray, owner: Owner, weight: float) -> tuple[FloatArray, FloatArray]:
        """ms of group delay on the axis, re its mean over 4 ... 8 kHz, beyond the published threshold."""
        f = self.field.frequency
        parts = h * self.field.axis
        total = parts.sum(axis=0)
        turned = (table * parts[owner] / total).imag
        step = 2 * np.pi * np.diff(f)
        path = float(np.median(-np.diff(np.unwrap(np.angle(self.field.axis[-1]))) / step))
        delay = -(np.angle(total[1:] * np.conj(total[:-1]) * np.exp(1j * step * path))) / step + path
        slope = -np.diff(turned, axis=1) / step
        middle = np.sqrt(f[1:] * f[:-1])
        treble = (middle >= 4000) & (middle <= 8000)
        if not np.any(treble):
            return np.zeros(0), np.zeros((len(table), 0))
        relative = delay - delay[treble].mean()
        slope = slope - slope[:, treble].mean(axis=1, keepdims=True)
        allowed = delay_threshold(middle)
        judged = np.isfinite(allowed)
        return beyond(1e3 * (np.abs(relative) - allowed)[judged], 1e3 * (slope * np.sign(relative))[:, judged], weight)

    def _drive(
        self,
        limit: DriveLimit,
        h: ComplexArray,
        power: FloatArray,
        change: FloatArray,
        table: ComplexArray,
        owner: Owner,
        weight: float,
    ) -> tuple[FloatArray, FloatArray]:
        """dB by which a way's voltage, at the level asked, exceeds what it can take."""
        volts = np.abs(h[limit.way]) * self.level_pa / np.sqrt(power)
        over = 20 * np.log10(np.maximum(volts, 1e-300) / limit.volts)
        slope = _DB * table.real * (owner == limit.way)[:, None] - change
        known = np.isfinite(limit.volts)
        return beyond(over[known], slope[:, known], weight)


def quadratic(h: ComplexArray, matrix: ComplexArray) -> FloatArray:
    """(F,) H* M H."""
    return np.asarray(np.real(np.einsum("vf,fvw,wf->f", np.conj(h), matrix, h)))


def _pull(h: ComplexArray, matrix: ComplexArray) -> tuple[FloatArray, ComplexArray]:
    pull = np.conj(h) * np.einsum("fvw,wf->vf", matrix, h)
    return np.asarray(pull.real.sum(axis=0)), np.asarray(pull)


def _power_change(h: ComplexArray, matrix: ComplexArray, table: ComplexArray, owner: Owner) -> tuple[FloatArray, FloatArray]:
    """(F,) mean square and (P, F) derivative of its level in dB."""
    power, pull = _pull(h, matrix)
    power = np.maximum(power, 1e-300)
    return power, np.asarray(_DB * np.real(np.conj(table) * (pull / power)[owner]))


def _centred(level: FloatArray, slope: FloatArray, weight: FloatArray, scale: FloatArray) -> tuple[FloatArray, FloatArray]:
    share = weight / weight.sum()
    return (level - share @ level) * scale, (slope - (slope @ share)[:, None]) * scale


def _detrended(level: FloatArray, slope: FloatArray, x: FloatArray, scale: float) -> tuple[FloatArray, FloatArray]:
    """Less the straight line of best fit over log frequency."""
    basis, _ = np.linalg.qr(np.stack([np.ones_like(x), x], axis=1))
    return (level - basis @ (basis.T @ level)) * scale, (slope - (slope @ basis) @ basis.T) * scale


def index_bands(frequency: FloatArray) -> FloatArray:
    """(B,) Hz: sixth octaves of the DI ripple measure that the axis holds."""
    low, high = max(300.0, float(frequency[0])), min(10000.0, float(frequency[-1]))
    return octave_axis(6, low, high)


def band_matrix(frequency: FloatArray) -> FloatArray:
    """(B, F) that takes a squared pressure to its sixth-octave means."""
    from evenfield.metrics.smoothing import smooth_power

    return np.asarray(smooth_power(frequency, np.eye(len(frequency)), 6, index_bands(frequency)).T)
