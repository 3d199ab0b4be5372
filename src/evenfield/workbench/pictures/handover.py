"""The handover strip: how one way passes the sound to the next, in level, in directivity and in angle."""

from __future__ import annotations

from functools import partial
from typing import Any

import numpy as np

from evenfield import metrics
from evenfield.base.errors import DataError, Refusal
from evenfield.loudspeaker.design import Design
from evenfield.loudspeaker.handover import Handover
from evenfield.loudspeaker.predict import Prediction
from evenfield.report import measures
from evenfield.workbench.pictures.field import PLANES, hz, marks, window_db
from evenfield.workbench.pictures.picture import Panels, Picture, words


def handover(p: Prediction, options: dict[str, str]) -> Picture:
    """One pair of ways; `pair` counts from the lowest."""
    number = int(options["pair"])
    if number >= len(p.handovers):
        raise Refusal("One way only: nothing is handed over.") if not p.handovers else DataError(f"There is no pair {number}.")
    pair = p.handovers[number]
    made = Panels(
        f"Handover strip: {pair.lower} to {pair.upper}",
        "Level: listening window with filters, re both together at the crossover. DI, beamwidth: each way unfiltered, in place; "
        "together: DI of the power sum, beamwidth of the coherent sum. Shaded: the octave judged. evenfield's own measures.",
    )
    names = list(p.ways)
    index = {"lower": names.index(pair.lower), "upper": names.index(pair.upper)}
    ways = {"lower": p.ways[pair.lower], "upper": p.ways[pair.upper]}
    labels = {"lower": pair.lower, "upper": pair.upper, "sum": "Together"}
    made.axis(p.frequency)
    made.panel("level", "Level", "dB", -30.0, 5.0, 0.8)
    level = {"sum": window_db(p.system)} | {key: window_db(w.filtered(p.filters[labels[key]])) for key, w in ways.items()}
    reference = float(np.interp(np.log(pair.frequency), np.log(p.frequency), level["sum"]))
    for key in ("lower", "upper", "sum"):
        made.series(key, labels[key], level[key] - reference, role="sum" if key == "sum" else "way", way=index.get(key))
    made.panel("di", "DI", "dB", height=1.8)
    index_db = {key: metrics.directivity_index(w) for key, w in ways.items()} | {"sum": metrics.directivity_index(p.power)}
    for key, values in index_db.items():
        made.series(key, labels[key], values, role="sum" if key == "sum" else "way", way=index.get(key))
    span = pair.frequency * np.array([0.5**0.5, 2.0**0.5])
    judged = (p.frequency >= span[0] / 1.03) & (p.frequency <= span[1] * 1.03)
    low, high = (np.where(judged, f(index_db["lower"], index_db["upper"]), np.nan) for f in (np.minimum, np.maximum))
    made.band("mismatch", "Mismatch", low, high, "mismatch")
    near = (pair.frequency / 5, pair.frequency * 5)
    made.fit(least=8.0, step=2.0, within=near)
    marks(made, p)
    for plane in PLANES:
        made.panel(f"beamwidth-{plane}", f"Beamwidth, {plane}", "°", 0.0, 360.0, 0.8)
        for key, d in {**ways, "sum": p.system}.items():
            width = measures.known(partial(measures.beamwidth_deg, d, plane))
            if width is not None:
                made.series(key, labels[key], width, role="sum" if key == "sum" else "way", way=index.get(key))
    if pair.lobing_db is not None:
        made.panel("lobing", "Lobing share", "dB", -2.0, 4.0, 0.6)
        made.series("sum", "Together", pair.lobing_db, role="sum")
        made.line(0.0)
    made.header["span"] = [float(v) for v in span]
    made.header["ways"] = [pair.lower, pair.upper]
    made.header["crossover"] = crossover(p.design, pair)
    _numbers(made, p, pair)
    return made.done()


def crossover(design: Design, pair: Handover) -> dict[str, Any]:
    """Where the ways cross and which values of the file move with the handle."""
    found: dict[str, Any] = {"hz": pair.frequency, "text": hz(pair.frequency), "changes": []}
    for name, kind in ((pair.lower, "low-pass"), (pair.upper, "high-pass")):
        for i, section in enumerate(design.ways[name].filters.sections):
            if section.kind == kind and pair.frequency / 3 < section.frequency < pair.frequency * 3:
                path = f"ways.{name}.filters.sections.{i}.frequency"
                found["changes"].append({"path": path, "hz": float(section.frequency)})
    if not found["changes"]:
        found["fixed"] = "no low-pass or high-pass section stands near the crossover"
    return found


def _numbers(made: Panels, p: Prediction, pair: Handover) -> None:
    brief = p.design.brief
    if pair.refused:
        made.number("refused", "Not judged", pair.refused)
        return
    step, mismatch, pattern = float(brief.handover_step), float(brief.handover_mismatch), float(brief.pattern_difference)
    made.number("crossover", "Crossover", hz(pair.frequency))
    made.number("step_db", "Step", words(pair.step_db, sign=True), f"±{step:g} dB", abs(pair.step_db) <= step)
    made.number("mismatch_db", "Mismatch", words(pair.mismatch_db), f"at most {mismatch:g} dB", pair.mismatch_db <= mismatch)
    made.number("pattern_db", "Pattern difference", words(pair.pattern_db), f"at most {pattern:g} dB", pair.pattern_db <= pattern)
    for plane, ratio in pair.beamwidth_ratio.items():
        known = np.isfinite(ratio)
        met = bool(0.9 <= ratio <= 1.1) if known else None
        made.number(f"ratio-{plane}", f"Beamwidth ratio, {plane}", words(ratio, ""), "0.90 to 1.10", met)
    lobing = f"{words(pair.lobing_rms_db)} (ideal {words(pair.ideal_lobing_rms_db)})"
    made.number("lobing_rms_db", "Lobing share, RMS", lobing)
