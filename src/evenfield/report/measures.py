"""The one place where the report asks `metrics`: plain arrays come back, or a Refusal with its reason."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from evenfield import metrics
from evenfield.base import DataError, Refusal
from evenfield.data import Directivity, Response
from evenfield.data.directions import Plane
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


def axis_level_db(d: Directivity) -> FloatArray:
    """(F,) on-axis level as the standard curves have it."""
    return standard_curves(d)["on_axis"]


def standard_curves(d: Directivity) -> dict[str, FloatArray]:
    """The standard's curves by name, (F,) dB."""
    dataset = metrics.standard_curves(d)
    return {str(name): np.asarray(values) for name, values in dataset.data_vars.items()}


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
    from evenfield.loudspeaker.superpose import pressure_at

    place = np.asarray(subject.system.origin) + np.array([subject.system.distance or 1.0, 0.0, 0.0])
    found = []
    for name in subject.ways:
        way = subject.filtered(name)
        value = pressure_at(way, place)[0]
        found.append(Response(way.frequency, value, phase_known=way.phase_known, bandwidth=way.bandwidth))
    return found


def step(subject: Subject) -> tuple[FloatArray, FloatArray]:
    """(T,) ms and (T,) step response on the reference axis. Raises Refusal where the data do not suffice."""
    found = metrics.step_response(responses_on_axis(subject))
    return 1e3 * np.asarray(found["time"]), np.asarray(found)


DECAY_TIME = np.geomspace(1e-4, 0.1, 145)
"""s: from where a treble tone has begun to die to where a bass tone has."""


def decay(subject: Subject) -> tuple[FloatArray, FloatArray, FloatArray]:
    """(F,) Hz, (T,) ms and (T, F) dB of the decay on the reference axis. Raises Refusal where the data do not suffice."""
    found = metrics.decay_spectrum(responses_on_axis(subject), time_s=DECAY_TIME)
    return np.asarray(found["frequency"]), 1e3 * np.asarray(found["time"]), np.asarray(found)


def time_words(subject: Subject) -> str:
    """How the time figures came from frequency points, for captions; empty where they are refused."""
    try:
        about = metrics.impulse_response(responses_on_axis(subject)).attrs
    except (Refusal, DataError):
        return ""
    how = "each way interpolated with its own delay taken out, then added" if subject.predicted else "delay taken out"
    return (
        f"From {len(subject.system.frequency)} frequency points ({about['data']}), {how} (grid: {about['grid']}); "
        f"leaving single points out errs by {100 * float(about['leave_one_out_error']):.2g} %."
    )
