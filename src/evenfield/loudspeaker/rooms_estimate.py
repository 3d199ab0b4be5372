"""How well the estimated in-room response of ANSI/CTA-2034-A predicts what an ensemble of rooms does."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenfield.base.errors import DataError, Refusal
from evenfield.data.directivity import Directivity
from evenfield.metrics import standard_curves
from evenfield.rooms.playing import Played
from evenfield.rooms.room_spread import normalised_db, spread

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class EstimateMatch:
    """The standard's estimate against the rooms, 1/3 octave, 250 Hz to 10 kHz, each curve less its mean level.

    Parameters
        frequency : (B,) Hz
        estimate_db, rooms_db : (B,) the estimate, and the ensemble mean
        mean_error_db : RMS over bands of estimate less ensemble mean: what the estimate gets wrong on the whole
        room_error_db : median over rooms, places and seats of the RMS of estimate less that response: what it leaves to each room
    """

    frequency: FloatArray
    estimate_db: FloatArray
    rooms_db: FloatArray
    mean_error_db: float
    room_error_db: float


def match_estimate(d: Directivity, played: Played) -> EstimateMatch:
    """Compare. Raises Refusal where the directivity lacks the standard's orbits."""
    try:
        curves = standard_curves(d)
    except DataError as error:
        raise Refusal(f"The estimated in-room response needs the standard's two orbits: {error}") from None
    f, level = normalised_db(played)
    estimate = third_octave_means(d.frequency, 10 ** (np.asarray(curves["in_room"]) / 10), f)
    estimate = estimate - estimate.mean()
    mean = spread(played).mean_db
    mean = mean - mean.mean()
    each = np.sqrt(np.mean((level - estimate) ** 2, axis=-1))
    return EstimateMatch(f, estimate, mean, float(np.sqrt(np.mean((estimate - mean) ** 2))), float(np.median(each)))


def third_octave_means(frequency: FloatArray, power: FloatArray, centre: FloatArray) -> FloatArray:
    """(B,) dB: means of a power over third octaves, linear between the points it is given at."""
    half = 10 ** (0.3 / 6)
    fine = [np.geomspace(c / half, c * half, 25) for c in centre]
    return np.asarray([10 * np.log10(np.mean(np.interp(f, frequency, power))) for f in fine])
