"""What filters do in time: group delay against published thresholds, decay in periods, excess phase, pre-ringing's trade-off."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenfield import metrics
from evenfield.data.response import Response
from evenfield.filters.audibility import SOURCE, delay_threshold
from evenfield.filters.fir import PreRinging, fir_from_magnitude, minimum_phase, pre_ringing
from evenfield.loudspeaker.predict import Prediction
from evenfield.metrics.time import time_basis

FloatArray = NDArray[np.float64]

DECAY_DB = 20.0
"""Decay is timed to this far below the steady level."""


@dataclass(frozen=True)
class TimeBehaviour:
    """On the reference axis at the listening distance.

    Parameters
        frequency : (F,) Hz; delay : (F,) s, group delay re its median over 4 ... 8 kHz
        threshold : (F,) s, published; NaN where nothing is
        audible_hz : frequencies where the delay exceeds the threshold
        margin : least threshold / |delay|
        decay_frequency : (D,) Hz; decay_s, decay_periods : (D,) time to fall by 20 dB, in seconds and in periods
        excess_deg : (F,) phase beyond minimum phase, common delay out, deg
        source : of the thresholds
    """

    frequency: FloatArray
    delay: FloatArray
    threshold: FloatArray
    audible_hz: FloatArray
    margin: float
    decay_frequency: FloatArray
    decay_s: FloatArray
    decay_periods: FloatArray
    excess_deg: FloatArray
    source: str = SOURCE


def time_behaviour(prediction: Prediction) -> TimeBehaviour:
    """Time figures of the filtered sum. Raises Refusal, with the reason, where the data cannot support them."""
    top = prediction.ways[list(prediction.ways)[-1]].origin
    point = np.asarray(top) + np.array([float(prediction.design.brief.listening_distance), 0, 0])
    response = prediction.at(point)
    found = metrics.group_delay(response)
    f = prediction.frequency
    delay = np.asarray(found.excess.values, float)
    treble = (f >= 4000) & (f <= 8000)
    delay = delay - (np.median(delay[treble]) if np.any(treble) else 0.0)
    threshold = delay_threshold(f)
    judged = np.isfinite(threshold)
    margin = float(np.min(threshold[judged] / np.maximum(np.abs(delay[judged]), 1e-9))) if np.any(judged) else math.nan
    tones, seconds = decay_times(response)
    audible = judged & (np.abs(delay) > np.where(judged, threshold, 0.0))
    return TimeBehaviour(f, delay, threshold, f[audible], margin, tones, seconds, seconds * tones, excess_phase(response))


def decay_times(response: Response) -> tuple[FloatArray, FloatArray]:
    """(D,) Hz and (D,) s until a tone, switched off, has fallen by 20 dB; NaN where it has not within 0.1 s."""
    tones = np.geomspace(50.0, 16000.0, 51)
    after = np.concatenate([np.arange(0, 0.01, 5e-5), np.arange(0.01, 0.1, 5e-4)])
    level = metrics.decay_spectrum(response, tones, after).values
    seconds = np.full(len(tones), np.nan)
    for i in range(len(tones)):
        loud = np.flatnonzero(level[:, i] > -DECAY_DB)
        if len(loud) and loud[-1] < len(after) - 1:
            seconds[i] = after[loud[-1] + 1]
        elif not len(loud):
            seconds[i] = 0.0
    return tones, seconds


def excess_phase(response: Response) -> FloatArray:
    """(F,) degrees of phase beyond minimum phase, the common delay taken out.

    The minimum phase by the Hilbert relation of log magnitude on the linear grid of the time figures; above 0.85 of the data's
    upper
    end, where that grid is tapered, nothing is said (NaN).
    """
    basis = time_basis(response)
    size = 2 * (len(basis.frequency) - 1)
    log_level = np.log(np.maximum(np.abs(basis.value), 1e-6 * np.abs(basis.value).max()))
    lowest = minimum_phase(log_level, size)
    excess = np.unwrap(np.angle(basis.value * np.exp(-1j * lowest)))
    f = response.frequency
    value = np.degrees(np.interp(f, basis.frequency, excess))
    value -= 360 * np.round(np.median(value) / 360)
    return np.asarray(np.where((f > 2 * basis.frequency[1]) & (f < 0.8 * basis.high_hz), value, np.nan))


def pre_ringing_trade(
    frequency: FloatArray, magnitude: FloatArray, sample_rate: float, taps: int = 1025
) -> list[tuple[str, PreRinging]]:
    """The same magnitude as linear, mixed and minimum phase, and at half and double length: what each rings before the sound."""
    cases: list[tuple[str, PreRinging]] = []
    for length in (taps // 2 | 1, taps, 2 * taps | 1):
        for words, phase, share in (("linear", "linear", 0.0), ("mixed, half", "mixed", 0.5), ("minimum", "minimum", 1.0)):
            made = fir_from_magnitude(frequency, magnitude, sample_rate, length, phase, share)  # type: ignore[arg-type]
            cases.append((f"{length} taps, {words}", pre_ringing(made.taps, sample_rate)))
    return cases
