"""The published preference regression of 2004, from memory."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenfield.base.bands import band_edges, octave_axis
from evenfield.base.errors import Refusal
from evenfield.data.directivity import Directivity
from evenfield.metrics.curves import standard_curves
from evenfield.metrics.smoothing import at_frequency, require_resolution

FloatArray = NDArray[np.float64]

COEFFICIENTS = {"constant": 12.69, "nbd_on_axis": -2.49, "nbd_in_room": -2.99, "lfx": -4.31, "sm_in_room": 2.32}
"""From memory: Olive, AES 117th Convention (2004), preprint 6190."""


@dataclass(frozen=True)
class PreferenceRating:
    """The regression and its four terms.

    Parameters
        rating : 12.69 - 2.49 NBD_on - 2.99 NBD_in-room - 4.31 LFX + 2.32 SM_in-room
        nbd_on_axis, nbd_in_room : narrow-band deviation, dB
        low_frequency_hz : where sound power falls 6 dB below the mean listening window; LFX is its log10
        sm_in_room : r squared of the straight line through the in-room curve
        status : always "from memory"
    """

    rating: float
    nbd_on_axis: float
    nbd_in_room: float
    low_frequency_hz: float
    sm_in_room: float
    status: str = "from memory"


def preference_rating(d: Directivity) -> PreferenceRating:
    """Preference rating by the 2004 regression, from memory.

    Source: Olive, AES 117th Convention (2004), preprint 6190, Part II: coefficients, bands and definitions from memory.
    Valid for: the 70 loudspeakers it was fitted to, heard in one room; it says nothing of level, distortion or near listening.
    Raises Refusal where the data are coarser than 1/12 octave, do not span 100 Hz ... 16 kHz, or never fall 6 dB in the bass.
    """
    require_resolution(d, 12, "The preference rating", 100.0, 16000.0)
    curves = {name: np.asarray(value) for name, value in standard_curves(d).data_vars.items()}
    f = d.frequency
    on_axis = narrow_band_deviation(f, curves["on_axis"])
    in_room = narrow_band_deviation(f, curves["in_room"])
    lowest = low_frequency_extension(f, curves["sound_power"], curves["listening_window"])
    smooth = smoothness(f, curves["in_room"])
    c = COEFFICIENTS
    rating = c["constant"] + c["nbd_on_axis"] * on_axis + c["nbd_in_room"] * in_room
    rating += c["lfx"] * np.log10(lowest) + c["sm_in_room"] * smooth
    return PreferenceRating(float(rating), on_axis, in_room, lowest, smooth)


def narrow_band_deviation(frequency: FloatArray, level: FloatArray) -> float:
    """Mean over half-octave bands, 100 Hz ... 12 kHz, of the mean absolute deviation from the band's mean, dB."""
    lower, upper = band_edges(octave_axis(2, 118.0, 10200.0), 2)
    deviations = []
    for low, high in zip(lower, upper, strict=True):
        y = at_frequency(frequency, level, np.geomspace(max(low, 100.0), min(high, 12000.0), 11))
        deviations.append(np.mean(np.abs(y - y.mean())))
    return float(np.mean(deviations))


def smoothness(frequency: FloatArray, level: FloatArray) -> float:
    """r squared of the regression of level on log frequency, 100 Hz ... 16 kHz; 0 where the level is constant."""
    x = np.linspace(np.log(100.0), np.log(min(16000.0, frequency[-1])), 147)
    y = at_frequency(frequency, level, np.exp(x))
    if np.ptp(y) < 1e-9:
        return 0.0
    return float(np.corrcoef(x, y)[0, 1] ** 2)


def low_frequency_extension(frequency: FloatArray, power_db: FloatArray, window_db: FloatArray) -> float:
    """First frequency going down from 300 Hz where sound power is 6 dB below the mean listening window of 300 Hz ... 10 kHz."""
    target = float(np.mean(at_frequency(frequency, window_db, np.geomspace(300.0, 10000.0, 101)))) - 6.0
    low = np.flatnonzero((frequency < 300.0) & (power_db <= target))
    if len(low) == 0:
        raise Refusal(f"The bass limit needs data down to -6 dB; sound power is still above that at {frequency[0]:.5g} Hz.")
    i = int(low[-1])
    share = (target - power_db[i]) / (power_db[i + 1] - power_db[i])
    return float(frequency[i] * (frequency[i + 1] / frequency[i]) ** np.clip(share, 0.0, 1.0))
