"""What do the filters do? Responses, lobes, delay, limiters, trims, the passive network's parts."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from evenfield.report.document import Note, Part, Picture, Section, Table
from evenfield.report.draw import picture
from evenfield.report.style import spoken_hz, way_pens
from evenfield.report.subject import Subject

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from evenfield.loudspeaker.filter_review import FilterReview
    from evenfield.loudspeaker.lobes import Lobe

QUESTION = "What do the filters do?"


def filters_section(subject: Subject) -> Section:
    """Everything from one review of the prediction's filters."""
    from evenfield.loudspeaker.predict import Prediction

    if not subject.predicted:
        return Section("filters", QUESTION, (Note("Not judged: this data holds no separate ways and no filters."),))
    words = "Volts at each way's terminals per volt at the loudspeaker's input; not smoothed."
    parts: list[Part] = [
        picture("filters", "What each way is fed", words, partial(_filters, subject), "Filter level over frequency.")
    ]
    if isinstance(subject.prediction, Prediction):
        from evenfield.loudspeaker.filter_review import review_filters

        parts += _reviewed(review_filters(subject.prediction))
    return Section("filters", QUESTION, tuple(parts))


def _reviewed(review: FilterReview) -> Iterator[Part]:
    from evenfield.report.figures.filters import delay_figure

    if review.measures is not None:
        yield _measures(review)
    for lobe in review.lobes:
        yield _lobe(lobe)
    if review.time is not None:
        t = review.time
        yield picture(
            "delay",
            "Group delay against what is heard",
            f"On the reference axis, re the median over 4 to 8 kHz. Band: {t.source}; nothing published outside 500 Hz to 8 kHz.",
            partial(delay_figure, t.frequency, 1e3 * t.delay, 1e3 * t.threshold),
            "Group delay over frequency with the band of published thresholds.",
        )
    elif "time" in review.refused:
        yield Picture("delay", "Group delay against what is heard", "", refused=review.refused["time"])
    yield _limiters(review)
    if review.passive is not None:
        yield _network(review)
    yield _trims(review)
    yield from (Note(note) for note in review.notes)


def _measures(review: FilterReview) -> Table:
    from evenfield.report.terminal_filters import MEASURES

    rows = tuple((words, f"{getattr(review.measures, field):.2f} dB") for field, words in MEASURES)
    return Table(
        "The filters in the fit's measures", ("Measure", "Found"), rows, "In the brief's band; evenfield's own measures."
    )


def _lobe(lobe: Lobe) -> Picture:
    from evenfield.loudspeaker.lobes import ANGLES, HEARD_DEG
    from evenfield.report.figures.filters import lobe_figure

    words = (
        f"{lobe.lower} and {lobe.upper}, {1e3 * lobe.spacing:.0f} mm apart, about their handover at {spoken_hz(lobe.handover)}, "
        f"at the listening distance; re the greatest level at each frequency. Dashed: ±{HEARD_DEG:.0f}°, within which "
        f"listeners move. {' '.join(lobe.suggestions)}"
    )
    draw = partial(lobe_figure, lobe.frequency, ANGLES, lobe.level_db, lobe.handover, HEARD_DEG)
    title = f"Vertical lobe, {lobe.lower} to {lobe.upper}"
    return picture(
        f"lobe-{lobe.lower}-{lobe.upper}", title, words, draw, "Level over elevation and frequency around the handover."
    )


def _limiters(review: FilterReview) -> Table:
    rows = []
    for x in review.limiters:
        moved = (
            ""
            if x.excursion_volts is None or x.excursion_hz is None
            else f"{x.excursion_volts:.1f} V at {spoken_hz(x.excursion_hz)}"
        )
        model = x.excursion
        words = "" if model is None else f"{1e3 * model.static:.3g} mm/V, {spoken_hz(model.frequency)}, Q {model.q:.2f}"
        rows.append((x.way, _volts(x.peak_volts), _volts(x.rms_volts), moved, words))
    head = ("Way", "Peak", "RMS, long term", "Excursion, RMS sine", "Excursion model")
    note = "At the terminals, from the design's limits; small-signal model at every level. The model is a second-order low-pass."
    return Table("Limiter thresholds", head, tuple(rows), note)


def _volts(value: float | None) -> str:
    return "not stated" if value is None else f"{value:.1f} V"


def _network(review: FilterReview) -> Table:
    p = review.passive
    assert p is not None
    stress = {s.name: s for s in p.stresses}
    rows = []
    for name, kind, value, price in p.parts:
        s = stress[name]
        peak = f"{s.peak_voltage:.0f} V" if np.isfinite(s.peak_voltage) else ""
        rows.append(
            (name, kind, value, f"{s.noise_power:.2f} W", f"{s.sine_power:.1f} W at {spoken_hz(s.sine_hz)}", peak, f"{price:.2f}")
        )
    allowed = "" if p.allowed is None else f", allowed {p.allowed:.2f} ohm"
    note = (
        f"Impedance at least {p.least.ohms:.2f} ohm at {spoken_hz(p.least.frequency)}{allowed}. "
        f"Stresses for {p.voltage:g} V RMS sine at most; noise at half of that. {p.price:.2f} EUR in all (invented prices where "
        "the design gives none). Resistors burn fingers."
    )
    return Table("Passive network", ("Part", "Kind", "Value", "Noise", "Worst sine", "Peak", "EUR"), tuple(rows), note)


def _trims(review: FilterReview) -> Table:
    from evenfield.loudspeaker.room_trims import SOURCE

    rows = []
    for t in review.trims:
        sections = ", ".join(f"{x['kind']} {spoken_hz(x['frequency'])} {x['gain_db']:+.1f} dB q {x['q']:.2f}" for x in t.rows())
        places = " and ".join(f"{d:g} m" for d in t.distances)
        rows.append((t.name, places, sections, f"±{t.error_before_db:.1f} to ±{t.error_after_db:.1f} dB"))
    note = f"Switchable; fitted from 30 to 500 Hz to {SOURCE}, until rooms are computed on this loudspeaker's own field."
    return Table("Room trims", ("Trim", "Distance", "Sections", "Left"), tuple(rows), note)


def _filters(subject: Subject) -> Figure:
    from evenfield.report.figures.filters import filter_figure

    filters = subject.get("filters", {})
    frequency = subject.system.frequency
    levels = {n: 20 * np.log10(np.maximum(np.abs(filters[n]), 1e-6)) for n in subject.ways if n in filters}
    return filter_figure(frequency, levels, way_pens(levels))
