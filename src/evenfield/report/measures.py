"""The one place where the report asks `metrics`: plain arrays come back, or a Refusal with its reason."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenfield import metrics
from evenfield.base import DataError, Refusal
from evenfield.data import Directivity, Response
from evenfield.data.directions import Plane
from evenfield.report.style import spoken_hz
from evenfield.report.subject import Subject

FloatArray = NDArray[np.float64]

__all__ = ["DataError", "Refusal"]


def known(ask: Callable[[], FloatArray]) -> FloatArray | None:
    """What was asked, or None where this data cannot say."""
    try:
        return ask()
    except (Refusal, DataError):
        return None


def reference_words(d: Directivity) -> str:
    """What levels are relative to, for captions."""
    if not d.level_absolute:
        return "Level relative: this data carries no absolute level"
    place = "referred to 1 m" if d.distance is None else f"taken at {d.distance:g} m, referred to 1 m"
    return f"dB re 20 µPa at 2.83 V RMS input, {place}"


def standard_curves(d: Directivity) -> dict[str, FloatArray]:
    """The standard's curves by name, (F,) dB."""
    dataset = metrics.standard_curves(d)
    return {str(name): np.asarray(values) for name, values in dataset.data_vars.items()}


def said(ask: Callable[[], str]) -> str:
    """A figure in words, or why it is refused."""
    try:
        return ask()
    except (Refusal, DataError) as reason:
        return f"Refused: {reason}"


def numbers(subject: Subject) -> tuple[tuple[str, str], ...]:
    """Single figures of the loudspeaker: name and value in words, or the reason why there is none."""
    summed: Directivity = subject.get("power", subject.system)

    def ripple() -> str:
        found = metrics.di_ripple(summed)
        return f"{found.rms_db:.2f} dB RMS (target 0.3), largest {found.worst_db:+.1f} dB at {spoken_hz(found.worst_at_hz)}"

    def rise() -> str:
        found = metrics.di_ripple(summed)
        return f"{found.steepest_rise:.1f} dB/octave over a third octave at {spoken_hz(found.steepest_at_hz)}"

    def rating() -> str:
        return f"{metrics.preference_rating(subject.system).rating:.1f} (coefficients from memory)"

    return (
        ("Sensitivity, 300 Hz to 3 kHz", said(lambda: f"{metrics.sensitivity(subject.system):.1f} dB at 2.83 V, 1 m")),
        ("DI ripple, the project's own", said(ripple)),
        ("Steepest rise of DI, the project's own", said(rise)),
        ("Preference regression of 2004", said(rating)),
    )


def window_level_db(d: Directivity) -> FloatArray:
    """(F,) listening-window level."""
    from evenfield.metrics.averages import level_db, listening_window_power

    return level_db(d, listening_window_power(d))


def directivity_index(d: Directivity) -> FloatArray:
    """(F,) full-sphere DI, dB."""
    return metrics.directivity_index(d)


def polar_map(d: Directivity, plane: Plane) -> tuple[FloatArray, FloatArray]:
    """(A,) angle from -180 to 180 degrees, and (A, F) level relative to the reference axis, dB."""
    found = metrics.polar_map(d, plane)
    angle, level = np.asarray(found["angle"]), np.asarray(found)
    if angle[-1] >= 180.0 - 1e-6:
        angle, level = np.concatenate([[-180.0], angle]), np.concatenate([level[-1:], level])
    return angle, level


def beamwidth_deg(d: Directivity, plane: Plane) -> FloatArray:
    """(F,) full -6 dB angle in one plane, degrees; NaN where the level never falls so far on one side."""
    found = metrics.beamwidth(d, plane)
    return np.where(np.asarray(found["open"]), np.nan, np.asarray(found["beamwidth"]))


def responses_on_axis(subject: Subject) -> Directivity | list[Response]:
    """What the time figures are made from: every way at the listening place, its own delay known; else the whole on its axis."""
    if not subject.predicted:
        return subject.system
    from evenfield.data.interpolation import pressure_at

    place = np.asarray(subject.system.origin) + np.array([subject.system.distance or 1.0, 0.0, 0.0])
    found = []
    for name in subject.ways:
        way = subject.filtered(name)
        value = pressure_at(way, place)
        found.append(Response(way.frequency, value, phase_known=way.phase_known, bandwidth=way.bandwidth))
    return found


DECAY_TIME = np.geomspace(1e-4, 0.1, 145)
"""s: from where a treble tone has begun to die to where a bass tone has."""


@dataclass(frozen=True)
class Movement:
    """How the sound on the reference axis moves in time.

    Parameters
        time_ms, step : (T,) ms from the common delay, and the response to a step
        decay_frequency, decay_ms, decay_db : (F,) Hz, (S,) ms and (S, F) dB of tones switched off at time zero
        words : how these came from frequency points, for captions
    """

    time_ms: FloatArray
    step: FloatArray
    decay_frequency: FloatArray
    decay_ms: FloatArray
    decay_db: FloatArray
    words: str


def movement(subject: Subject) -> Movement:
    """Step response and decay. Raises Refusal, with the reason, where phase or points do not suffice."""
    source = responses_on_axis(subject)
    step = metrics.step_response(source)
    decay = metrics.decay_spectrum(source, time_s=DECAY_TIME)
    about = step.attrs
    how = "each way interpolated with its own delay taken out, then added" if subject.predicted else "delay taken out"
    words = (
        f"From {len(subject.system.frequency)} frequency points ({about['data']}), {how} (grid: {about['grid']}); "
        f"leaving single points out errs by {100 * float(about['leave_one_out_error']):.2g} %."
    )
    return Movement(
        1e3 * np.asarray(step["time"]),
        np.asarray(step),
        np.asarray(decay["frequency"]),
        1e3 * np.asarray(decay["time"]),
        np.asarray(decay),
        words,
    )
