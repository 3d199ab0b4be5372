"""Measured data beside the prediction: levels after one broadband gain, directivity, and how far apart they are."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial

import numpy as np

from evenfield import metrics
from evenfield.base.errors import EvenfieldError, Refusal
from evenfield.data.directivity import Directivity
from evenfield.data.interpolation import interpolate
from evenfield.loudspeaker.predict import Prediction
from evenfield.report import measures
from evenfield.workbench.pictures.field import window_db
from evenfield.workbench.pictures.picture import FloatArray, Panels, Picture

BANDS = ((100.0, 300.0), (300.0, 1000.0), (1000.0, 3000.0), (3000.0, 10000.0))


def measured(p: Prediction, sets: Mapping[str, Directivity]) -> Picture:
    """Axis, listening window and DI of each set beside the prediction's."""
    if not sets:
        raise Refusal(
            "Nothing measured is on the table. Drop a SOFA file, a CSV table, or WAVs with an angles.csv onto the page."
        )
    made = Panels(
        "Measured beside predicted", "Each set raised by one gain, the same at all frequencies and directions; not smoothed."
    )
    made.axis(p.frequency)
    gains = {name: _gain(p, d) for name, d in sets.items()}
    for i, name in enumerate(sets):
        made.axis(sets[name].frequency, f"frequency{i}")
    for key, label, ask in (("axis", "On axis", _axis), ("window", "Listening window", window_db)):
        made.panel(key, label, "dB")
        made.series("predicted", "Predicted", ask(p.system), role="sum")
        for i, (name, d) in enumerate(sets.items()):
            values = measures.known(partial(ask, d))
            if values is not None:
                made.series(f"set{i}", name, values + gains[name], way=i, x=f"frequency{i}")
        made.fit(floor=50.0)
    made.panel("di", "DI", "dB")
    made.series("predicted", "Predicted", metrics.directivity_index(p.system), role="sum")
    for i, (name, d) in enumerate(sets.items()):
        values = measures.known(partial(metrics.directivity_index, d))
        if values is not None:
            made.series(f"set{i}", name, values, way=i, x=f"frequency{i}")
    made.fit()
    for name, d in sets.items():
        for low, high in BANDS:
            error = _error(p, d, low, high)
            if error is not None:
                made.number(f"error {name} {low:g}", f"Prediction error, {name}, {low:g} to {high:g} Hz", f"{error:.2f} dB RMS")
    return made.done()


def _axis(d: Directivity) -> FloatArray:
    from evenfield.metrics.averages import level_db, on_axis_power

    return level_db(d, on_axis_power(d))


def _levels(p: Prediction, d: Directivity, low: float, high: float) -> tuple[FloatArray, FloatArray] | None:
    """Predicted and measured level, dB, on the measured set's directions and its frequencies within the band."""
    inside = (d.frequency >= max(low, p.frequency[0])) & (d.frequency <= min(high, p.frequency[-1]))
    if inside.sum() < 3:
        return None
    there = 20 * np.log10(np.maximum(np.abs(interpolate(p.system, d.directions.vectors)), 1e-12))
    at = np.log(d.frequency[inside])
    predicted = np.stack([np.interp(at, np.log(p.frequency), row) for row in there])
    return predicted, 20 * np.log10(np.maximum(np.abs(d.pressure[:, inside]), 1e-12))


def _gain(p: Prediction, d: Directivity) -> float:
    """dB by which a set is raised: the mean difference over 300 Hz to 3 kHz on the axis."""
    try:
        predicted, found = _axis(p.system), _axis(d)
    except EvenfieldError:
        return 0.0
    band = (d.frequency >= 300.0) & (d.frequency <= 3000.0)
    if not band.any():
        return 0.0
    return float(np.mean(np.interp(np.log(d.frequency[band]), np.log(p.frequency), predicted) - found[band]))


def _error(p: Prediction, d: Directivity, low: float, high: float) -> float | None:
    """Prediction error as the project defines it: after one broadband gain, RMS over points and directions, in a band."""
    whole, part = _levels(p, d, 100.0, 10000.0), _levels(p, d, low, high)
    if whole is None or part is None:
        return None
    gain = float(np.mean(whole[0] - whole[1]))
    return float(np.sqrt(np.mean((part[0] - part[1] - gain) ** 2)))


def words_of(name: str, d: Directivity) -> dict[str, object]:
    """What a set is, for the list of measured sets."""
    return {
        "name": name,
        "directions": len(d.directions),
        "frequencies": len(d.frequency),
        "band_hz": [float(d.frequency[0]), float(d.frequency[-1])],
        "sphere": d.is_sphere,
        "phase": d.phase_known,
        "absolute": d.level_absolute,
        "bandwidth": d.bandwidth,
        "words": (
            f"{len(d.directions)} directions ({'closed sphere' if d.is_sphere else 'orbits or single directions'}), "
            f"{len(d.frequency)} frequencies, {'with' if d.phase_known else 'without'} phase, level "
            f"{'absolute' if d.level_absolute else 'relative'}"
        ),
    }
