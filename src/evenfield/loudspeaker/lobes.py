"""Lobes between ways: where the vertical lobe points, how wide it is, where nulls meet the listener, and what would help."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenfield.data.directions import orbit_vectors
from evenfield.data.interpolation import pressure_at
from evenfield.filters.lobe_formulas import lobe_tilt, null_angles
from evenfield.loudspeaker.predict import Prediction

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

ANGLES = np.arange(-60.0, 61.0, 1.0)
"""Degrees of elevation looked at, from the top way's place."""
NULL_DB = 6.0
"""A dip this far below the lobe counts as a null."""
HEARD_DEG = 15.0
"""Listeners stay within this of the axis (the listening window has 10; standing up and leaning back, more)."""


@dataclass(frozen=True)
class Lobe:
    """Vertical lobe of one adjacent pair.

    Parameters
        lower, upper : ways; handover : Hz; spacing : m between their places
        frequency : (F,) Hz, the octave around the handover
        tilt_deg, width_deg : (F,) elevation of the greatest level within +-45 degrees, and the -6 dB width about it
        null_below_deg, null_above_deg : (F,) nearest null each side of the axis; NaN where none within +-60
        closed_tilt_deg : what two point sources with these phases would do at the handover
        level_db : (A, F) over `ANGLES`, re the greatest
        suggestions : in words
    """

    lower: str
    upper: str
    handover: float
    spacing: float
    frequency: FloatArray
    tilt_deg: FloatArray
    width_deg: FloatArray
    null_below_deg: FloatArray
    null_above_deg: FloatArray
    closed_tilt_deg: float
    level_db: FloatArray
    suggestions: tuple[str, ...]

    def height_of(self, angle_deg: float, distance: float) -> float:
        """m above the top way at a listening distance, m."""
        return distance * math.tan(math.radians(angle_deg))


def lobes(prediction: Prediction, filters: Mapping[str, ComplexArray] | None = None) -> tuple[Lobe, ...]:
    """The vertical lobe of every adjacent pair at the brief's listening distance.

    Parameters
        filters : (F,) responses to judge in place of the prediction's
    """
    chosen = prediction.filters if filters is None else filters
    return tuple(_lobe(prediction, chosen, pair.lower, pair.upper, pair.frequency) for pair in prediction.handovers)


def _lobe(prediction: Prediction, filters: Mapping[str, ComplexArray], lower: str, upper: str, handover: float) -> Lobe:
    band = (prediction.frequency >= handover / 1.42) & (prediction.frequency <= handover * 1.42)
    f = prediction.frequency[band]
    top = np.asarray(prediction.ways[list(prediction.ways)[-1]].origin)
    distance = float(prediction.design.brief.listening_distance)
    points = top + distance * orbit_vectors("vertical", ANGLES)
    cut = {n: prediction.ways[n].replace(pressure=prediction.ways[n].pressure[:, band], frequency=f) for n in (lower, upper)}
    parts = {n: pressure_at(way, points) * filters[n][band] for n, way in cut.items()}
    level = 20 * np.log10(np.maximum(np.abs(parts[lower] + parts[upper]), 1e-300))
    inner = np.abs(ANGLES) <= 45
    peak = np.argmax(np.where(inner[:, None], level, -np.inf), axis=0)
    relative = level - np.take_along_axis(level, peak[None], axis=0)
    widths = [_width(relative[:, i], int(peak[i])) for i in range(len(f))]
    nulls = [_nulls(relative[:, i]) for i in range(len(f))]
    spacing = float(np.linalg.norm(np.asarray(cut[upper].origin) - np.asarray(cut[lower].origin)))
    at, axis = int(np.argmin(np.abs(f - handover))), int(np.argmin(np.abs(ANGLES)))
    # phase of the two at the listener's axis, as if both stood at equal distance there
    phase = float(np.angle(parts[upper][axis, at] * np.conj(parts[lower][axis, at])))
    closed = math.degrees(lobe_tilt(phase, spacing, handover)) if spacing else 0.0
    below, above = np.array([n[0] for n in nulls]), np.array([n[1] for n in nulls])
    words = _suggestions(handover, spacing, phase, ANGLES[peak][at], below[at], above[at], upper)
    return Lobe(lower, upper, handover, spacing, f, ANGLES[peak], np.array(widths), below, above, closed, relative, words)


def _width(level: FloatArray, peak: int) -> float:
    low, high = peak, peak
    while low > 0 and level[low - 1] > -6:
        low -= 1
    while high < len(level) - 1 and level[high + 1] > -6:
        high += 1
    return float(ANGLES[high] - ANGLES[low])


def _nulls(level: FloatArray) -> tuple[float, float]:
    dips = [i for i in range(1, len(level) - 1) if level[i] < level[i - 1] and level[i] <= level[i + 1] and level[i] < -NULL_DB]
    below = [float(ANGLES[i]) for i in dips if ANGLES[i] < 0]
    above = [float(ANGLES[i]) for i in dips if ANGLES[i] >= 0]
    return max(below, default=math.nan), min(above, default=math.nan)


def _suggestions(fx: float, spacing: float, phase: float, tilt: float, below: float, above: float, upper: str) -> tuple[str, ...]:
    words = []
    nearest = min((abs(a) for a in (below, above) if np.isfinite(a)), default=math.inf)
    if spacing == 0:
        return ("The ways share one place: no lobe.",)
    late = -phase / (2 * math.pi * fx)
    if abs(math.degrees(phase)) > 20:
        fix = f"Delaying {upper} by {-1e6 * late:.0f} us" if late < 0 else f"Delaying the lower way by {1e6 * late:.0f} us"
        words.append(f"{fix} would bring the ways in phase on the axis at {fx:.0f} Hz ({math.degrees(phase):+.0f} deg now).")
    if nearest < HEARD_DEG:
        free = null_angles(0.0, spacing, fx)
        reach = math.degrees(float(np.abs(free).min())) if len(free) else 90.0
        words.append(f"A null stands {nearest:.0f} deg from the axis at {fx:.0f} Hz; in phase it would stand at {reach:.0f} deg.")
        needed = 343.2 / (2 * fx * math.sin(math.radians(2 * HEARD_DEG)))
        if needed < spacing:
            words.append(
                f"In phase and {1e3 * needed:.0f} mm apart instead of {1e3 * spacing:.0f} mm, it would stand at "
                f"{2 * HEARD_DEG:.0f} deg; so would it with a handover at {fx * needed / spacing:.0f} Hz."
            )
        words.append("A steeper handover makes the band with two ways, and so the null, narrower.")
    if abs(tilt) > 5 and abs(math.degrees(phase)) <= 20:
        words.append(f"The lobe points {tilt:+.0f} deg though the ways are in phase on the axis: their own patterns tilt it.")
    return tuple(words) or ("Nothing to mend: the lobe stands on the axis and its nulls lie outside the listeners.",)
