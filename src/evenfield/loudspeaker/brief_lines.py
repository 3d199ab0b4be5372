"""Verdict lines on what the brief asks: level, bandwidth, flatness, coverage, size."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from evenfield import metrics
from evenfield.base.errors import Refusal
from evenfield.data.directivity import Directivity
from evenfield.loudspeaker.blame import cause_at
from evenfield.loudspeaker.design import Brief, Design
from evenfield.loudspeaker.levels import binding_limits
from evenfield.loudspeaker.predict import Prediction
from evenfield.loudspeaker.verdict import Line, accuracy_words, guarded

FloatArray = NDArray[np.float64]

REFERENCE_BAND = (300.0, 3000.0)
"""Hz; the mean level here is what bandwidth and flatness are judged against."""


def brief_lines(d: Directivity, brief: Brief | None, prediction: Prediction | None) -> Iterator[Line]:
    """One line for every wish of the brief that a field can answer."""
    if brief is None:
        return
    sure = accuracy_words(prediction, d)
    if brief.lowest_frequency is not None:
        target = f"-6 dB at or below {brief.lowest_frequency:.0f} Hz"
        yield guarded("brief", "lowest frequency", target, lambda: _lowest(d, brief, target, prediction, sure))
    if brief.flatness is not None:
        low, high = float(brief.flatness_from), float(brief.highest_frequency)
        target = f"listening window within ±{brief.flatness:.1f} dB, {low:.0f} Hz to {high:.0f} Hz"
        yield guarded("brief", "flatness", target, lambda: _flatness(d, brief, target, prediction, sure))
    if brief.coverage is not None:
        yield from _coverage(d, brief, prediction, sure)
    if brief.maximum_level is not None:
        yield _maximum(brief, prediction)
    if brief.noise is not None:
        yield _noise(brief, prediction)


def size_lines(design: Design, brief: Brief) -> Iterator[Line]:
    """Outer measures against the brief's."""
    cabinet = design.cabinet
    for name, limit, value in (
        ("width", brief.widest, cabinet.width),
        ("height", brief.highest, cabinet.height),
        ("depth", brief.deepest, cabinet.depth),
    ):
        if limit is not None:
            yield Line("size", name, value <= limit, f"at most {1e3 * limit:.0f} mm", f"{1e3 * value:.0f} mm",
                       f"{1e3 * (limit - value):+.0f} mm", "", "cabinet", "from the design")  # fmt: skip


def _lowest(d: Directivity, brief: Brief, target: str, prediction: Prediction | None, sure: str) -> Line:
    assert brief.lowest_frequency is not None
    window = _window(d)
    below = np.flatnonzero((window < _mean(d.frequency, window) - 6.0) & (d.frequency < REFERENCE_BAND[0]))
    if len(below) == 0:
        found, text = float(d.frequency[0]), f"below {d.frequency[0]:.0f} Hz"
    else:
        i = int(below[-1])
        level = _mean(d.frequency, window) - 6.0
        share = (level - window[i]) / (window[i + 1] - window[i])
        found = float(d.frequency[i] * (d.frequency[i + 1] / d.frequency[i]) ** share)
        text = f"{found:.1f} Hz"
    wanted = float(brief.lowest_frequency)
    cause = cause_at(prediction, found) if prediction is not None else ""
    return Line("brief", "lowest frequency", found <= wanted, target, text, f"{wanted - found:+.1f} Hz",
                "listening window re its mean, 300 Hz to 3 kHz", cause, sure)  # fmt: skip


def _flatness(d: Directivity, brief: Brief, target: str, prediction: Prediction | None, sure: str) -> Line:
    assert brief.flatness is not None
    _require_band(d, float(brief.flatness_from), float(brief.highest_frequency))
    band = (d.frequency >= float(brief.flatness_from)) & (d.frequency <= float(brief.highest_frequency))
    window = _window(d)[band]
    f = d.frequency[band]
    # the mean is over log frequency; the points are spaced evenly there, or nearly so
    offset = window - np.average(window, weights=np.gradient(np.log(f)))
    worst = int(np.argmax(np.abs(offset)))
    limit = float(brief.flatness)
    cause = cause_at(prediction, float(f[worst])) if prediction is not None else ""
    return Line("brief", "flatness", bool(abs(offset[worst]) <= limit), target, f"{offset[worst]:+.2f} dB",
                f"{limit - abs(offset[worst]):+.2f} dB", f"{f[worst]:.0f} Hz", cause, sure)  # fmt: skip


def _coverage(d: Directivity, brief: Brief, prediction: Prediction | None, sure: str) -> Iterator[Line]:
    assert brief.coverage is not None
    c = brief.coverage
    for plane, wanted in (("horizontal", c.horizontal), ("vertical", c.vertical)):
        if wanted is None:
            continue
        degrees = math.degrees(wanted)
        target = f"{degrees:.0f} deg ±{100 * c.tolerance:.0f} %, {c.low:.0f} Hz to {c.high:.0f} Hz"

        def make(plane: str = plane, degrees: float = degrees, target: str = target) -> Line:
            field = prediction.power if prediction is not None else d
            width = metrics.beamwidth(field, plane).beamwidth.values  # type: ignore[arg-type]
            _require_band(field, float(c.low), float(c.high))
            band = (field.frequency >= c.low) & (field.frequency <= c.high)
            mean = float(np.exp(np.mean(np.log(width[band]))))
            off = mean / degrees - 1
            narrow, wide = float(width[band].min()), float(width[band].max())
            cause = cause_at(prediction, float(np.sqrt(c.low * c.high))) if prediction is not None else ""
            return Line("brief", f"coverage, {plane}", bool(abs(off) <= c.tolerance), target,
                        f"{mean:.0f} deg (from {narrow:.0f} to {wide:.0f})", f"{100 * (c.tolerance - abs(off)):+.0f} %",
                        "geometric mean of the -6 dB beamwidth, powers added", cause, sure)  # fmt: skip

        yield guarded("brief", f"coverage, {plane}", target, make)


def _maximum(brief: Brief, prediction: Prediction | None) -> Line:
    assert brief.maximum_level is not None
    low, high = float(brief.maximum_level_from), 10000.0
    target = f"{brief.maximum_level:.0f} dB RMS at {brief.listening_distance:.2g} m, {low:.0f} Hz to {high / 1000:.0f} kHz"
    name = "maximum level, linear limits"
    if prediction is None:
        return Line("brief", name, None, target, sure="a directivity alone knows no limits of drivers and amplifiers")
    limits = binding_limits(prediction)
    if limits is None:
        return Line("brief", name, None, target, sure="the design gives neither Xmax nor amplifier voltages")
    band = (limits.frequency >= low) & (limits.frequency <= high)
    worst = int(np.flatnonzero(band)[np.argmin(limits.level_db[band])])
    found = float(limits.level_db[worst])
    wanted = float(brief.maximum_level)
    return Line("brief", name, found >= wanted, target, f"{found:.1f} dB", f"{found - wanted:+.1f} dB",
                f"{limits.frequency[worst]:.0f} Hz, sine", limits.cause[worst],
                "small-signal model held against Xmax, amplifier and vent speed; no heat, no distortion")  # fmt: skip


def _noise(brief: Brief, prediction: Prediction | None) -> Line:
    from evenfield.loudspeaker.maximum_level import noise_level_db

    assert brief.noise is not None
    target = f"at most {brief.noise:.0f} dB(A) at 1 m"
    ways = {} if prediction is None else prediction.design.ways
    volts = {n: float(w.amplifier.noise) for n, w in ways.items() if w.amplifier.noise is not None}
    if prediction is None or len(volts) < len(ways):
        missing = ", ".join(n for n in ways if n not in volts) or "every way"
        return Line("brief", "noise of its own", None, target, sure=f"the amplifier noise of {missing} is not given")
    found, wanted = noise_level_db(prediction, volts), float(brief.noise)
    loudest = max(volts, key=lambda n: noise_level_db(prediction, {n: volts[n]}))
    return Line("brief", "noise of its own", found <= wanted, target, f"{found:.1f} dB(A)", f"{wanted - found:+.1f} dB",
                "on axis, A-weighted", f"amplifier of {loudest}", "amplifiers' noise taken as white")  # fmt: skip


def _window(d: Directivity) -> FloatArray:
    return np.asarray(metrics.standard_curves(d).listening_window.values, float)


def _mean(frequency: FloatArray, level: FloatArray) -> float:
    band = (frequency >= REFERENCE_BAND[0]) & (frequency <= REFERENCE_BAND[1])
    if not np.any(band):
        raise Refusal("The data hold nothing between 300 Hz and 3 kHz, which levels are referred to.")
    return float(level[band].mean())


def _require_band(d: Directivity, low: float, high: float) -> None:
    if d.frequency[0] > low * 1.03 or d.frequency[-1] < high / 1.03:
        raise Refusal(
            f"The data run from {d.frequency[0]:.0f} Hz to {d.frequency[-1]:.0f} Hz; {low:.0f} Hz to {high:.0f} Hz is asked."
        )
