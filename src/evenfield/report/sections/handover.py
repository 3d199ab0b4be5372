"""How does the handover go? One strip and one row of numbers for every adjacent pair of ways."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from evenfield.report import measures
from evenfield.report.document import Note, Part, Section, Table
from evenfield.report.draw import picture
from evenfield.report.style import spoken_hz, way_pens
from evenfield.report.subject import FloatArray, HandoverLike, Subject

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from evenfield.report.figures import Strip


def handover_section(subject: Subject) -> Section:
    """Strips, then the project's own measures."""
    pairs = list(subject.get("handovers", ()))
    if not pairs:
        why = "one way only" if len(subject.ways) == 1 else "this data does not keep its ways apart"
        return Section("handover", "How does the handover go?", (Note(f"Not judged: {why}."),))
    parts: list[Part] = [_strip_picture(subject, pair) for pair in pairs]
    parts.append(_table(pairs))
    return Section("handover", "How does the handover go?", tuple(parts))


def _strip_picture(subject: Subject, pair: HandoverLike) -> Part:
    return picture(
        f"handover-{pair.lower}-{pair.upper}",
        f"Handover strip: {pair.lower} to {pair.upper} at {spoken_hz(pair.frequency)}",
        f"Level: listening window with filters, relative to both together at the crossover. DI and beamwidth: "
        f"{pair.lower} and {pair.upper} each unfiltered, in place in the cabinet, far field; together: with filters, "
        f"DI of the power sum, beamwidth of the coherent sum at the listening distance. Shaded: the octave that is "
        f"judged; hatched: mismatch. Not smoothed.",
        partial(_draw, subject, pair),
        f"Level, directivity index and beamwidth of {pair.lower}, {pair.upper} and both across their crossover.",
    )


def _draw(subject: Subject, pair: HandoverLike) -> Figure:
    from evenfield.report.figures import handover_figure

    return handover_figure(strip_of(subject, pair))


def strip_of(subject: Subject, pair: HandoverLike) -> Strip:
    """What the strip shows, from the prediction's ways."""
    from evenfield.report.figures import Strip

    names = {"lower": pair.lower, "upper": pair.upper}
    pens = way_pens(subject.ways)
    ways = {key: subject.ways[name] for key, name in names.items()}
    di = _known({key: partial(measures.directivity_index, way) for key, way in ways.items()})
    if (power := subject.get("power")) is not None:
        di |= _known({"sum": partial(measures.directivity_index, power)})
    planes = {
        plane: _known({key: partial(measures.beamwidth_deg, d, plane) for key, d in {**ways, "sum": subject.system}.items()})
        for plane in ("horizontal", "vertical")
    }
    beamwidth = {plane: curves for plane, curves in planes.items() if curves}
    if not di and not beamwidth:
        # asked again for its reason
        measures.directivity_index(ways["lower"])
    return Strip(
        frequency=subject.system.frequency,
        crossover=float(pair.frequency),
        names=names,
        pens={key: pens[name] for key, name in names.items()},
        level=_levels(subject, pair, names),
        di=di,
        beamwidth=beamwidth,
        step_db=_number(pair, "step_db"),
        mismatch_db=_number(pair, "mismatch_db"),
    )


def _known(asks: dict[str, Callable[[], FloatArray]]) -> dict[str, FloatArray]:
    """The curves that this data can give."""
    found = {key: measures.known(ask) for key, ask in asks.items()}
    return {key: curve for key, curve in found.items() if curve is not None}


def _levels(subject: Subject, pair: HandoverLike, names: dict[str, str]) -> dict[str, Any]:
    window = {key: measures.window_level_db(subject.filtered(name)) for key, name in names.items()}
    window["sum"] = measures.window_level_db(subject.system)
    reference = np.interp(np.log(pair.frequency), np.log(subject.system.frequency), window["sum"])
    return {key: level - reference for key, level in window.items()}


def _number(pair: HandoverLike, name: str) -> float:
    value = getattr(pair, name, None)
    return float("nan") if value is None else float(value)


def _words(value: float, digits: int = 2, sign: bool = False) -> str:
    if not np.isfinite(value):
        return "not judged"
    return f"{value:{'+' if sign else ''}.{digits}f}".replace("-", "−")


def _table(pairs: list[HandoverLike]) -> Table:
    return Table(
        "Handover in numbers",
        _HEAD,
        tuple(_row(pair) for pair in pairs),
        "The project's own measures, not a standard's. Step: DI of the upper way less that of the lower at the crossover "
        "(target ±0.5). Mismatch: RMS of that difference over the octave (target 1.0; a constant-DI waveguide over a rigid "
        "piston cannot get below about 1.8 at zero step). Pattern: solid-angle-weighted difference of the two patterns, "
        "front half (target 1.0). Lobing: DI of the coherent less that of the power-summed field; no target. "
        "Beamwidths: target within ±10 %.",
    )


_HEAD = (
    "Pair",
    "Crossover",
    "Step, dB",
    "Mismatch, dB RMS",
    "Pattern, dB RMS",
    "Lobing, dB RMS / largest",
    "Beamwidths, upper to lower",
)


def _row(pair: HandoverLike) -> tuple[str, ...]:
    rms, largest = lobing_numbers(pair)
    ratios = getattr(pair, "beamwidth_ratio", None) or {}
    shown = ", ".join(f"{plane} {_words(float(r))}" for plane, r in ratios.items()) or "not judged"
    return (
        f"{pair.lower} to {pair.upper}",
        spoken_hz(pair.frequency),
        _words(_number(pair, "step_db"), sign=True),
        _words(_number(pair, "mismatch_db")),
        _words(_number(pair, "pattern_db")),
        f"{_words(rms)} / {_words(largest)}",
        shown,
    )


def lobing_numbers(pair: HandoverLike) -> tuple[float, float]:
    """RMS and largest lobing share over the octave, where the pair states them."""
    return _number(pair, "lobing_rms_db"), _number(pair, "lobing_max_db")
