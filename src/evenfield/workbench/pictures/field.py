"""What goes out: curves, directivity, beamwidth, levels of the ways, polar maps."""

from __future__ import annotations

import math
from functools import partial
from typing import Any, cast

import numpy as np

from evenfield import metrics
from evenfield.base.errors import DataError, Refusal
from evenfield.data.directions import Plane
from evenfield.data.directivity import Directivity
from evenfield.loudspeaker.brief_lines import REFERENCE_BAND
from evenfield.loudspeaker.predict import Prediction
from evenfield.metrics.averages import level_db, listening_window_power
from evenfield.metrics.smoothing import smooth_power
from evenfield.report import measures
from evenfield.workbench.pictures.picture import FloatArray, Panels, Picture, map_picture, words

CURVES = {
    "on_axis": "On axis",
    "listening_window": "Listening window",
    "early_reflections": "Early reflections",
    "sound_power": "Sound power",
    "in_room": "In-room, estimated",
}
INDICES = {"sound_power_di": "Sound power DI", "early_reflections_di": "Early reflections DI"}
PLANES: tuple[Plane, ...] = ("horizontal", "vertical", "diagonal")
OWN = "evenfield's own measure, not a standard's"


def curves(p: Prediction, options: dict[str, str]) -> Picture:
    """The curves of ANSI/CTA-2034-A, the brief's limits and the tolerance band."""
    d, fraction = p.system, int(options["smoothing"])
    found = {name: np.asarray(v) for name, v in metrics.standard_curves(d).data_vars.items()}
    level = {name: _smooth_db(d.frequency, found[name], fraction) for name in CURVES}
    reference = {"none": np.zeros(len(d.frequency)), "axis": level["on_axis"], "window": level["listening_window"]}[
        options["normalise"]
    ]
    made = Panels(
        "Curves of ANSI/CTA-2034-A",
        f"{measures.reference_words(d)}; {_words_of(fraction)}{_re(options['normalise'])}. Sound power from the two orbits. "
        f"{rigid_words(p)}",
    )
    made.axis(d.frequency)
    made.panel("level", "Level", "dB", height=1.6)
    for name, label in CURVES.items():
        made.series(name, label, level[name] - reference)
    if p.band is not None and options["normalise"] == "none":
        made.band("tolerance", f"On axis, {p.band['words']}", p.band["low_db"], p.band["high_db"], "tolerance")
    _brief_limits(made, p, level, options["normalise"])
    made.fit(floor=40.0, within=(45.0, 20000.0))
    made.panel("di", "DI", "dB", height=0.9)
    if d.is_sphere:
        made.series("full_sphere", "Full sphere", metrics.directivity_index(d), role="sum")
    for name, label in INDICES.items():
        made.series(name, label, _smooth_db(d.frequency, found[name], fraction))
    made.fit(least=10.0)
    return made.done()


def _brief_limits(made: Panels, p: Prediction, level: dict[str, FloatArray], normalise: str) -> None:
    brief, f = p.design.brief, p.frequency
    if brief.flatness is None or normalise != "none":
        return
    band = (f >= REFERENCE_BAND[0]) & (f <= REFERENCE_BAND[1])
    mean = float(10 * np.log10(np.mean(10 ** (level["listening_window"][band] / 10))))
    inside = (f >= float(brief.flatness_from)) & (f <= float(brief.highest_frequency))
    edge = np.where(inside, mean, np.nan)
    allowed = float(brief.flatness)
    made.band("flatness", f"Brief: listening window within ±{allowed:g} dB", edge - allowed, edge + allowed, "limit")


def directivity(p: Prediction, options: dict[str, str]) -> Picture:
    """Full-sphere DI of each way and of the power sum, with its best even rise."""
    made = Panels(
        "Directivity index", f"Full sphere; ways unfiltered, in place; together: power sum with filters. Ripple: {OWN}."
    )
    made.axis(p.frequency)
    made.panel("di", "DI", "dB")
    for i, (name, way) in enumerate(p.ways.items()):
        _add(made, name, name, partial(metrics.directivity_index, way), way=i)
    made.series("sum", "Together", metrics.directivity_index(p.power), role="sum")
    try:
        ripple = metrics.di_ripple(p.power)
        made.axis(ripple.frequency, "bands")
        made.series("fit", "Best even rise", ripple.fit_db, role="fit", x="bands")
        target = float(p.design.brief.di_ripple)
        made.number("di_ripple", "DI ripple", words(ripple.rms_db), f"at most {target:g} dB", ripple.rms_db <= target)
        made.number("steepest", "Steepest rise", f"{ripple.steepest_rise:.1f} dB/octave at {hz(ripple.steepest_at_hz)}")
    except (Refusal, DataError) as reason:
        made.number("di_ripple", "DI ripple", str(reason))
    made.fit()
    marks(made, p)
    return made.done()


def beamwidth(p: Prediction, options: dict[str, str]) -> Picture:
    """The -6 dB angles in three planes."""
    d = subject(p, options["of"])
    made = Panels(
        f"Beamwidth, {_name(options['of'])}", "Full angle between the −6 dB points; open where the level never falls so far."
    )
    made.axis(d.frequency)
    made.panel("beamwidth", "Beamwidth", "°", 0.0, 360.0)
    for plane in PLANES:
        _add(made, plane, plane.capitalize(), partial(measures.beamwidth_deg, d, plane))
    coverage = p.design.brief.coverage
    for plane in ("horizontal", "vertical"):
        angle = getattr(coverage, plane, None)
        if coverage is not None and angle is not None and options["of"] == "system":
            inside = (d.frequency >= float(coverage.low)) & (d.frequency <= float(coverage.high))
            middle = np.where(inside, math.degrees(angle), np.nan)
            share = float(coverage.tolerance)
            made.band(f"wanted-{plane}", f"Brief, {plane}", middle * (1 - share), middle * (1 + share), "limit")
    return made.done()


def ways(p: Prediction, options: dict[str, str]) -> Picture:
    """Listening-window level of each filtered way and of both together."""
    made = Panels("Ways with their filters", f"Listening window. {measures.reference_words(p.system)}.")
    made.axis(p.frequency)
    made.panel("level", "Level", "dB")
    for i, (name, way) in enumerate(p.ways.items()):
        made.series(name, name, window_db(way.filtered(p.filters[name])), role="way", way=i)
    made.series("sum", "Together", window_db(p.system), role="sum")
    for pair in p.handovers:
        made.mark(pair.frequency, f"crossover {hz(pair.frequency)}")
    made.fit(floor=50.0)
    return made.done()


def polar(p: Prediction, options: dict[str, str]) -> Picture:
    """Level over angle and frequency in one plane."""
    d, plane, fraction = subject(p, options["of"]), cast(Plane, options["plane"]), int(options["smoothing"])
    normalise = {"axis": "axis", "window": "listening_window", "none": None}[options["normalise"]]
    if fraction:
        d = metrics.smoothed(d, fraction)
    found = metrics.polar_map(d, plane, cast(Any, normalise))
    angle, level = np.asarray(found["angle"]), np.asarray(found)
    if angle[-1] >= 180.0 - 1e-6:
        angle, level = np.concatenate([[-180.0], angle]), np.concatenate([level[-1:], level])
    top = 0.0 if normalise else float(5 * np.ceil(np.max(level) / 5))
    re = {"axis": "the reference axis", "window": "the listening window", "none": ""}[options["normalise"]]
    level_words = f"Relative to {re} at each frequency" if re else measures.reference_words(d)
    caption = f"{level_words}; {_words_of(fraction)}. {_POSITIVE[plane]}"
    y = {"label": "Angle", "unit": "°", "min": -180, "max": 180}
    return map_picture(f"Polar map, {plane}, {_name(options['of'])}", caption, d.frequency, angle, level, y, (top - 30.0, top))


_POSITIVE = {
    "horizontal": "Positive angles to the left of someone looking along the axis.",
    "vertical": "Positive angles up.",
    "diagonal": "Plane at 45°; positive angles left and up.",
}


def subject(p: Prediction, of: str) -> Directivity:
    """The system, or a way unfiltered. Raises DataError for an unknown name."""
    if of == "system":
        return p.system
    if of not in p.ways:
        raise DataError(f"of must be system or one of {', '.join(p.ways)}, got {of!r}.")
    return p.ways[of]


def window_db(d: Directivity) -> FloatArray:
    """(F,) listening-window level."""
    return level_db(d, listening_window_power(d))


def rigid_words(p: Prediction) -> str:
    """Where diaphragms count as rigid beyond their first mode."""
    listed = ", ".join(f"{n} above {hz(f)}" for n, f in p.rigid_above_hz.items() if f < p.frequency[-1])
    return f"Rigid piston: {listed}." if listed else ""


def marks(made: Panels, p: Prediction) -> None:
    """Mark on the last panel where diaphragms count as rigid beyond their first mode."""
    for i, name in enumerate(p.ways):
        mode = p.rigid_above_hz.get(name)
        if mode is not None and mode < p.frequency[-1]:
            made.mark(mode, f"{name}: rigid piston above", i)


def hz(frequency: float) -> str:
    """A frequency in words."""
    return f"{frequency / 1000:.3g} kHz" if frequency >= 1000 else f"{frequency:.0f} Hz"


def _add(made: Panels, key: str, label: str, ask: Any, way: int | None = None) -> None:
    values = measures.known(ask)
    if values is not None:
        made.series(key, label, values, role="curve" if way is None else "way", way=way)


def _smooth_db(frequency: FloatArray, level: FloatArray, fraction: int) -> FloatArray:
    return np.asarray(10 * np.log10(smooth_power(frequency, 10 ** (level / 10), fraction))) if fraction else level


def _words_of(fraction: int) -> str:
    return f"1/{fraction}-octave means" if fraction else "not smoothed"


def _re(normalise: str) -> str:
    return {"none": "", "axis": ", relative to the axis", "window": ", relative to the listening window"}[normalise]


def _name(of: str) -> str:
    return "whole loudspeaker" if of == "system" else f"{of} alone, unfiltered"
