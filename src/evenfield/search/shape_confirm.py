"""What a shape does, told from a whole prediction on meshes and frequencies that no search has seen; before against after."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenfield import metrics
from evenfield.base.bands import octave_axis
from evenfield.base.errors import EvenfieldError
from evenfield.data.directivity import Directivity
from evenfield.loudspeaker.design import Design
from evenfield.loudspeaker.predict import Prediction, predict
from evenfield.loudspeaker.sweep import Progress
from evenfield.search.aim import PLANES, Aim

Array = NDArray[np.float64]

WITHIN = 0.10
"""Share of the wanted beamwidth that it may be off."""


@dataclass(frozen=True)
class Behaviour:
    """How one shape sounds, against an aim.

    Parameters
        handover : Hz, where the filtered ways meet; step_db, mismatch_db, pattern_db : there, nan without a way below
        frequency : (F,) Hz, the aim's band; width : plane -> (F,) rad, beamwidth of the shaped way
        off : plane -> largest departure of the beamwidth from the aim, as a share of it; off_at : plane -> Hz
        met : plane -> share of the band, in octaves, that lies within ±10 %
        waist : plane -> how much narrower the beam is somewhere than on both sides of it in frequency, as a share
        ripple_db : of the directivity index, powers added; axis_db : on-axis level about its own cubic, RMS
        error_db : stated error of the solves
        index_db : way -> directivity index on the prediction's axis; lower_width_deg : plane -> beamwidth of the way below at
            the handover
    """

    handover: float
    step_db: float
    mismatch_db: float
    pattern_db: float
    frequency: Array
    width: Mapping[str, Array]
    off: Mapping[str, float]
    off_at: Mapping[str, float]
    met: Mapping[str, float]
    waist: Mapping[str, float]
    ripple_db: float
    axis_db: float
    error_db: float
    index_db: Mapping[str, Array] = field(default_factory=dict)
    lower_width_deg: Mapping[str, float] = field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        names = ("handover", "step_db", "mismatch_db", "pattern_db", "ripple_db", "axis_db", "error_db")
        found: dict[str, Any] = {n: _plain(getattr(self, n)) for n in names}
        for name in ("off", "off_at", "met", "waist"):
            found[name] = {k: _plain(v) for k, v in getattr(self, name).items()}
        found["frequency"] = [round(float(f), 2) for f in self.frequency]
        found["width_deg"] = {p: np.degrees(w).round(2).tolist() for p, w in self.width.items()}
        return found


def _plain(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def confirm(
    design: Design,
    aim: Aim,
    folder: str | Path | None = None,
    progress: Progress | None = None,
    device: str = "auto",
    finer: float = 1.0,
) -> tuple[Behaviour, Prediction]:
    """Predict a design from 250 Hz past the aim's band and measure it; parameters and errors as `predict`."""
    highest = max(aim.high * 1.04, 10.5e3)
    axis = octave_axis(24, 250.0, highest)
    prediction = predict(design, folder=folder, progress=progress, frequency_hz=axis, device=device, finer=finer)
    return behaviour(prediction, aim), prediction


def behaviour(prediction: Prediction, aim: Aim) -> Behaviour:
    """The measures of a prediction against an aim."""
    upper = prediction.ways[aim.upper]
    frequency = upper.frequency
    band = (frequency >= aim.low / 1.001) & (frequency <= aim.high * 1.001)
    width = {p: np.radians(metrics.beamwidth(upper, p).beamwidth.values[band]) for p in PLANES}  # type: ignore[arg-type]
    share = {p: w / aim.coverage[p] - 1 for p, w in width.items()}
    worst = {p: int(np.argmax(np.abs(s))) for p, s in share.items()}
    step = mismatch = pattern = math.nan
    handover = aim.handover
    for h in prediction.handovers:
        if h.upper == aim.upper:
            handover, step, mismatch, pattern = h.frequency, h.step_db, h.mismatch_db, h.pattern_db
    return Behaviour(
        handover,
        step,
        mismatch,
        pattern,
        frequency[band],
        width,
        {p: float(s[worst[p]]) for p, s in share.items()},
        {p: float(frequency[band][worst[p]]) for p in share},
        {p: float(np.mean(np.abs(s) <= WITHIN)) for p, s in share.items()},
        {p: waist(w) for p, w in width.items()},
        _ripple(prediction.power),
        axis_ripple(upper, aim),
        float(prediction.error_db or math.nan),
        {n: metrics.directivity_index(w) for n, w in prediction.ways.items()},
        {} if aim.lower is None else _lower_widths(prediction.ways[aim.lower], handover),
    )


def _lower_widths(way: Directivity, handover: float) -> dict[str, float]:
    at = int(np.argmin(np.abs(np.log(way.frequency / handover))))
    return {p: float(metrics.beamwidth(way, p).beamwidth.values[at]) for p in PLANES}  # type: ignore[arg-type]


def waist(width: Array) -> float:
    """How much narrower a beam (F,) is somewhere than the widest on both sides of it, as a share: 0 for one that only narrows or
    only widens. evenfield's own measure.
    """
    before, after = np.maximum.accumulate(width), np.maximum.accumulate(width[::-1])[::-1]
    return float(np.max(1 - width / np.minimum(before, after)))


def axis_ripple(way: Directivity, aim: Aim) -> float:
    """RMS of a way's on-axis level about its own cubic over log frequency, from the handover (or the aim's low end) up, dB."""
    use = (way.frequency >= (aim.handover or aim.low)) & (way.frequency <= aim.high * 1.001)
    level = 20 * np.log10(np.maximum(np.abs(way.on_axis()[use]), 1e-300))
    x = np.log2(way.frequency[use])
    q, _ = np.linalg.qr(np.vander((x - x.mean()) / max(float(np.ptp(x)), 1e-9), 4))
    return float(np.sqrt(np.mean((level - q @ (q.T @ level)) ** 2)))


def _ripple(power: Directivity) -> float:
    try:
        return metrics.di_ripple(power).rms_db
    except EvenfieldError:
        return math.nan


@dataclass(frozen=True)
class Row:
    """A line of the table of what was gained and lost: both in words with units, `better` where the second is nearer the aim."""

    name: str
    target: str
    before: str
    after: str
    met: bool | None
    better: bool | None


def compare(before: Behaviour, after: Behaviour, aim: Aim, targets: tuple[float, float, float] = (0.5, 1.0, 1.0)) -> list[Row]:
    """What was gained and lost."""
    rows = []
    if aim.lower is not None:
        for name, key, target in zip(
            ("handover step", "handover mismatch", "pattern difference, front"),
            ("step_db", "mismatch_db", "pattern_db"),
            targets,
            strict=True,
        ):
            a, b = getattr(before, key), getattr(after, key)
            sign = "+" if key == "step_db" else ""
            rows.append(
                Row(name, f"within {target:g} dB", f"{a:{sign}.2f} dB", f"{b:{sign}.2f} dB", abs(b) <= target, abs(b) <= abs(a))
            )
    for plane in PLANES:
        wanted = math.degrees(aim.coverage[plane])
        rows.append(
            Row(
                f"beamwidth, {plane}", f"{wanted:.0f} deg ±10 %", _widths(before, plane), _widths(after, plane),
                after.met[plane] == 1.0, abs(after.off[plane]) <= abs(before.off[plane]),
            )
        )  # fmt: skip
        a, b = before.waist[plane], after.waist[plane]
        rows.append(Row(f"waist, {plane}", "none (under 10 %)", f"{100 * a:.0f} %", f"{100 * b:.0f} %", b < 0.1, b <= a))
    for name, key in (("DI ripple, powers added", "ripple_db"), ("on-axis level about a cubic, RMS", "axis_db")):
        a, b = getattr(before, key), getattr(after, key)
        met = b <= 0.3 if key == "ripple_db" and math.isfinite(b) else None
        rows.append(Row(name, "0.3 dB" if key == "ripple_db" else "", f"{a:.2f} dB", f"{b:.2f} dB", met, b <= a))
    return rows


def _widths(found: Behaviour, plane: str) -> str:
    w = np.degrees(found.width[plane])
    return (
        f"{w.min():.0f} to {w.max():.0f} deg, worst {100 * found.off[plane]:+.0f} % at {found.off_at[plane]:.0f} Hz, "
        f"{100 * found.met[plane]:.0f} % within"
    )


__all__ = ["WITHIN", "Behaviour", "Row", "axis_ripple", "behaviour", "compare", "confirm", "waist"]
