"""How does the handover go? One strip and one row of numbers for every adjacent pair of ways."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from evenfield import metrics
from evenfield.data.directions import Plane
from evenfield.report import measures
from evenfield.report.document import Note, Part, Picture, Section, Table
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
        return Section("handover", "How does the handover go?", (Note(f"Not judged: {why}."), _ripple_picture(subject)))
    parts: list[Part] = [_strip_picture(subject, pair) for pair in pairs]
    parts.append(_table(subject, pairs))
    parts.append(_ripple_picture(subject))
    return Section("handover", "How does the handover go?", tuple(parts))


def _strip_picture(subject: Subject, pair: HandoverLike) -> Part:
    return picture(
        f"handover-{pair.lower}-{pair.upper}",
        f"Handover strip: {pair.lower} to {pair.upper} at {spoken_hz(pair.frequency)}",
        f"Level: listening window with filters, relative to both together at the crossover. DI and beamwidth: "
        f"{pair.lower} and {pair.upper} each unfiltered, in place in the cabinet, far field; together: with filters, "
        f"DI of the power sum, beamwidth of the coherent sum at the listening distance. Lobing share: "
        f"DI of the coherent less that of the power sum. Shaded: the octave that is "
        f"judged; hatched: mismatch. Not smoothed.",
        partial(_draw, subject, pair),
        f"Level, directivity index and beamwidth of {pair.lower}, {pair.upper} and both across their crossover.",
    )


PLANES: tuple[Plane, ...] = ("horizontal", "vertical")


def _draw(subject: Subject, pair: HandoverLike) -> Figure:
    from evenfield.report.figures import handover_figure

    return handover_figure(strip_of(subject, pair))


def strip_of(subject: Subject, pair: HandoverLike) -> Strip:
    """What the strip shows, from the prediction's ways."""
    from evenfield.report.figures import Strip

    names = {"lower": pair.lower, "upper": pair.upper}
    pens = way_pens(subject.ways)
    ways = {key: subject.ways[name] for key, name in names.items()}
    rigid = subject.rigid_above_hz
    di = _known({key: partial(measures.directivity_index, way) for key, way in ways.items()})
    if (power := subject.get("power")) is not None:
        di |= _known({"sum": partial(measures.directivity_index, power)})
    planes: dict[str, dict[str, FloatArray]] = {
        plane: _known({key: partial(measures.beamwidth_deg, d, plane) for key, d in {**ways, "sum": subject.system}.items()})
        for plane in PLANES
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
        rigid_above_hz={key: rigid[name] for key, name in names.items() if name in rigid},
        lobing=_lobing(subject, pair),
        step_db=_number(pair, "step_db"),
        mismatch_db=_number(pair, "mismatch_db"),
    )


def _lobing(subject: Subject, pair: HandoverLike) -> FloatArray | None:
    share = getattr(pair, "lobing_db", None)
    if share is None or np.shape(share) != subject.system.frequency.shape:
        return None
    return np.asarray(share, float)


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


def _ripple_picture(subject: Subject) -> Picture:
    of = (
        "the ways' power sum with their filters" if subject.get("power") is not None else "the whole: its ways are not kept apart"
    )
    return picture(
        "ripple",
        "Evenness of the directivity index",
        f"Full-sphere DI of {of}, sixth-octave bands 300 Hz to 10 kHz; dashed: the best fit that neither falls nor rises "
        f"faster than 4 dB/octave; hatched: the ripple. The project's own measure, not a standard's.",
        partial(_ripple, subject),
        "Directivity index over frequency beside its best even rise.",
    )


def _ripple(subject: Subject) -> Figure:
    from evenfield.report.figures import ripple_figure

    found = metrics.di_ripple(subject.get("power", subject.system))
    return ripple_figure(found.frequency, found.index_db, found.fit_db)


def _table(subject: Subject, pairs: list[HandoverLike]) -> Table:
    brief = getattr(subject.get("design"), "brief", None)

    def target(name: str, default: float) -> str:
        return f"{float(getattr(brief, name, default)):g} dB"

    rows = [
        ("Crossover", *(spoken_hz(p.frequency) for p in pairs), ""),
        ("Step: DI of the upper way less the lower's", *_column(pairs, "step_db", True), f"±{target('handover_step', 0.5)}"),
        ("Mismatch: RMS of that over the octave", *_column(pairs, "mismatch_db"), target("handover_mismatch", 1.0)),
        ("Pattern difference, front half, over the octave", *_column(pairs, "pattern_db"), target("pattern_difference", 1.0)),
        *_ratio_rows(pairs),
        ("Lobing share, RMS over the octave", *_column(pairs, "lobing_rms_db"), "none"),
        ("Lobing share, largest in the octave", *_column(pairs, "lobing_max_db"), "none"),
        ("RMS lobing of ideal matched ways, same spacing", *_column(pairs, "ideal_lobing_rms_db"), "none"),
    ]  # fmt: skip
    return Table(
        "Handover in numbers",
        ("Measure", *(f"{p.lower} to {p.upper}" for p in pairs), "Target"),
        tuple(rows),
        "The project's own measures, not a standard's. The octave is that round the crossover. A waveguide "
        "of constant DI over a rigid piston cannot get below about 1.8 dB of mismatch at zero step.",
    )


def _ratio_rows(pairs: list[HandoverLike]) -> list[tuple[str, ...]]:
    """Beamwidth of the upper over the lower way, a row for each plane that any pair states."""
    stated = [getattr(pair, "beamwidth_ratio", None) or {} for pair in pairs]
    planes = list(dict.fromkeys(plane for ratios in stated for plane in ratios))
    return [
        (
            f"Beamwidth, upper over lower, {plane}",
            *(_words(float(ratios.get(plane, float("nan")))) for ratios in stated),
            "0.90 to 1.10",
        )
        for plane in planes
    ]


def _column(pairs: list[HandoverLike], name: str, sign: bool = False) -> list[str]:
    values = [_number(pair, name) for pair in pairs]
    return [_words(v, sign=sign) + (" dB" if np.isfinite(v) else "") for v in values]
