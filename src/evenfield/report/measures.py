"""The one place where the report asks `metrics`: plain arrays come back, or a Refusal with its reason."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenfield.base import DataError, Refusal
from evenfield.data import Directivity
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
    from evenfield.metrics.curves import standard_curves as curves

    dataset = curves(d)
    return {str(name): np.asarray(values) for name, values in dataset.data_vars.items()}


def window_level_db(d: Directivity) -> FloatArray:
    """(F,) listening-window level."""
    from evenfield.metrics.averages import level_db, listening_window_power

    return level_db(d, listening_window_power(d))


def directivity_index(d: Directivity) -> FloatArray:
    """(F,) full-sphere DI, dB."""
    from evenfield.metrics.curves import directivity_index as index

    return index(d)


def polar_map(d: Directivity, plane: str) -> tuple[FloatArray, FloatArray]:
    """(A,) angle, degrees, and (A, F) level relative to the reference axis, dB."""
    found = _metric("polar_map")(d, plane)
    return np.asarray(found["angle"]), np.asarray(found)


def beamwidth_deg(d: Directivity, plane: str) -> FloatArray:
    """(F,) full -6 dB angle in one plane, degrees; NaN where the level never falls so far."""
    return np.asarray(_metric("beamwidth")(d, plane))


def step(subject: Subject) -> tuple[FloatArray, FloatArray]:
    """(T,) ms and (T,) step response on the reference axis."""
    found = _metric("step_response")(subject.system)
    return 1e3 * np.asarray(found["time"]), np.asarray(found)


def decay(subject: Subject) -> tuple[FloatArray, FloatArray, FloatArray]:
    """(F,) Hz, (T,) ms and (T, F) dB of the decay on the reference axis."""
    found = _metric("decay_spectrum")(subject.system)
    return np.asarray(found["frequency"]), 1e3 * np.asarray(found["time"]), np.asarray(found)


def time_words(subject: Subject) -> str:
    """How the time-domain figures came from frequency points, for captions."""
    return f"Data: {subject.data_words}."


def _metric(name: str) -> Any:
    import evenfield.metrics as metrics

    found = getattr(metrics, name, None)
    if found is None:
        raise Refusal(f"This version has no {name.replace('_', ' ')}.")
    return found
