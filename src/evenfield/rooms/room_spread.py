"""Room spread, its parts and its error; ensemble departure; early reflections: evenfield's own measures, not a standard's."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenfield.base.errors import DataError, Refusal, message
from evenfield.rooms.grid import NODE_FRACTION
from evenfield.rooms.playing import Played, play
from evenfield.rooms.room_sets import RoomSet
from evenfield.rooms.source import Loudspeaker, Way, constant_index, loudspeaker, omnidirectional

FloatArray = NDArray[np.float64]

MEASURED_BAND = (250.0, 10000.0)
"""Hz; where room spread and departure are taken."""


@dataclass(frozen=True)
class Spread:
    """How far apart the rooms are, for one loudspeaker.

    Parameters
        frequency : (B,) Hz, 1/3-octave centres, 250 Hz to 10 kHz
        spread_db : RMS over bands of the standard deviation between rooms of the response at a seat, each response less its own
            mean level over the band; mean variance over the places and seats drawn
        error_db : one standard error of spread_db from the finite number of rooms
        by_band_db : (B,) the standard deviation in each band
        room_db, place_db, seat_db : the parts, RMS over bands: between rooms (place and seat averaged out), between loudspeaker
            places in one room, between seats at one place; their squares add to spread_db^2. NaN where there is only one.
        departure_db : RMS deviation of the ensemble-mean in-room curve from its straight line in dB over log frequency
        departure_error_db : one standard error of it
        slope_db_per_octave : of that line
        mean_db : (B,) the ensemble-mean curve (mean of squared pressures, each response less its mean level)
        rooms : their number
    """

    frequency: FloatArray
    spread_db: float
    error_db: float
    by_band_db: FloatArray
    room_db: float
    place_db: float
    seat_db: float
    departure_db: float
    departure_error_db: float
    slope_db_per_octave: float
    mean_db: FloatArray
    rooms: int
    title: str


@dataclass(frozen=True)
class Comparison:
    """Room spread of a loudspeaker beside two references in the same rooms.

    `ideal` has constant DI equal to the loudspeaker's mean over the band, `omni` none. `predicted_db` (B,) is left to those who
    hold the standard's curves.
    """

    loudspeaker: Spread
    ideal: Spread
    omni: Spread
    mean_index_db: float
    played: Played


def normalised_db(played: Played) -> tuple[FloatArray, FloatArray]:
    """(B,) Hz and (R, P, S, B) dB: 1/3-octave levels, 250 Hz to 10 kHz, each response less its own mean level.

    Raises Refusal when the loudspeaker's data do not reach over the band.
    """
    third = played.third_octaves()
    inside = (third.frequency > MEASURED_BAND[0] * 0.97) & (third.frequency < MEASURED_BAND[1] * 1.03)
    if inside.sum() < 17:
        f = third.frequency
        raise Refusal(
            f"Room spread is taken over 250 Hz to 10 kHz in third octaves; this loudspeaker's data give "
            f"{f[0]:.4g} to {f[-1]:.4g} Hz."
        )
    level = third.level_db[..., inside]
    return third.frequency[inside], np.asarray(level - level.mean(axis=-1, keepdims=True))


def spread(played: Played) -> Spread:
    """Room spread of one loudspeaker from what the rooms made of it.

    Needs two rooms. The late field's speckle is part of it, as it is of any measurement at one seat.
    """
    f, level = normalised_db(played)
    rooms = len(level)
    if rooms < 2:
        raise DataError(message("rooms", "at least 2 for a spread", rooms, fix="--count 200"))
    centred = level - level.mean(axis=0)
    square = np.mean(centred**2, axis=(1, 2)) * rooms / (rooms - 1)
    by_band = square.mean(axis=0)
    total = float(np.sqrt(by_band.mean()))
    # the estimate is a mean over rooms of s_r = mean over bands of the squared deviation: its standard error is theirs
    each = square.mean(axis=1)
    error = float(each.std(ddof=1) / np.sqrt(rooms) / (2 * total)) if total > 0 else 0.0
    seat, place = _parts(level, centred)
    room = max(total**2 - np.nan_to_num(seat) - np.nan_to_num(place), 0.0)
    mean_db, departure, departure_error, slope = _departure(f, level)
    return Spread(
        f,
        total,
        error,
        np.sqrt(by_band),
        float(np.sqrt(room)),
        float(np.sqrt(place)),
        float(np.sqrt(seat)),
        departure,
        departure_error,
        slope,
        mean_db,
        rooms,
        played.title,
    )


def _parts(level: FloatArray, centred: FloatArray) -> tuple[float, float]:
    """Variance components of seats within places and places within rooms, mean over bands; NaN where there is only one.

    Nested analysis of variance on responses centred over rooms; a negative estimate of a component counts as zero.
    """
    places, seats = level.shape[1:3]
    scale = len(level) / (len(level) - 1)
    seat = scale * float(centred.var(axis=2, ddof=1).mean()) if seats > 1 else float("nan")
    if places == 1:
        return seat, float("nan")
    between = scale * float(centred.mean(axis=2).var(axis=1, ddof=1).mean())
    return seat, max(between - (np.nan_to_num(seat) / seats), 0.0)


def _departure(f: FloatArray, level: FloatArray) -> tuple[FloatArray, float, float, float]:
    """Mean curve, RMS departure from its line, one standard error (jackknife in 20 groups), slope."""
    power = np.mean(10 ** (level / 10), axis=(1, 2))
    x = np.log2(f / 1000.0)

    def fit(curve: FloatArray) -> tuple[float, float]:
        slope, offset = np.polyfit(x, curve, 1)
        return float(np.sqrt(np.mean((curve - slope * x - offset) ** 2))), float(slope)

    mean_db = 10 * np.log10(power.mean(axis=0))
    value, slope = fit(mean_db)
    groups = min(20, len(power))
    member = np.arange(len(power)) % groups
    left_out = np.array([fit(10 * np.log10(power[member != g].mean(axis=0)))[0] for g in range(groups)])
    error = float(np.sqrt((groups - 1) / groups * np.sum((left_out - left_out.mean()) ** 2)))
    return np.asarray(mean_db), value, error, slope


def measure_spread(
    rooms: RoomSet, source: Loudspeaker | Way | list[Way], orbits: str = "refuse", fraction: int = 12, causes: bool = True
) -> Comparison:
    """Room spread of a loudspeaker, of an ideal source of the same mean DI and of an omnidirectional one, in the same rooms.

    Parameters
        rooms : RoomSet, from `ensemble`
        source : Loudspeaker, Directivity, or a list of Directivity or (Directivity, response)
    The three share the late field's random numbers, so that they differ by directivity alone.
    """
    known = loudspeaker(source)
    played = play(rooms, known, fraction, causes=causes, orbits=orbits)
    low, high = float(played.frequency[0]), float(played.frequency[-1])
    third = played.third_octaves()
    inside = (third.frequency > MEASURED_BAND[0] * 0.97) & (third.frequency < MEASURED_BAND[1] * 1.03)
    mean_index = float(third.index_db[inside].mean()) if inside.any() else 0.0
    axis = np.geomspace(low * 0.9, high * 1.1, NODE_FRACTION)
    ideal = constant_index(max(mean_index, 0.0), axis, f"ideal, DI {mean_index:.1f} dB")
    others = [spread(play(rooms, s, fraction, low, high)) for s in (ideal, omnidirectional(axis))]
    return Comparison(spread(played), others[0], others[1], mean_index, played)


def early_reflection_error_db(played: Played) -> FloatArray:
    """(R, P, S) RMS deviation, dB, of the early reflections' spectrum relative to the direct sound from its straight line.

    Sum of squared amplitudes of the reflections traced exactly, 1/3 octave, 250 Hz to 10 kHz, over log frequency. 0 means that
    the early reflections are a tilted copy of the direct sound. evenfield's own measure.
    """
    third = played.third_octaves()
    inside = (third.frequency > MEASURED_BAND[0] * 0.97) & (third.frequency < MEASURED_BAND[1] * 1.03)
    ratio = 10 * np.log10(np.maximum(third.early, 1e-300) / np.maximum(third.direct, 1e-300))[..., inside]
    x = np.log2(third.frequency[inside])
    x = x - x.mean()
    centred = ratio - ratio.mean(axis=-1, keepdims=True)
    slope = centred @ x / (x @ x)
    return np.asarray(np.sqrt(np.mean((centred - slope[..., None] * x) ** 2, axis=-1)))


def percentiles_db(played: Played, percent: tuple[float, ...] = (5, 25, 50, 75, 95)) -> tuple[FloatArray, FloatArray]:
    """(B,) Hz and (Q, B) dB: percentiles over all rooms, places and seats; each response less its mean, 250 Hz to 10 kHz."""
    inside = (played.frequency >= MEASURED_BAND[0]) & (played.frequency <= MEASURED_BAND[1])
    level = played.level_db
    if inside.any():
        level = level - level[..., inside].mean(axis=-1, keepdims=True)
    return played.frequency, np.asarray(np.percentile(level.reshape(-1, level.shape[-1]), percent, axis=0))
