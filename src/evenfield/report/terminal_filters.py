"""The filters command in the terminal."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from evenfield.report.style import spoken_hz

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

    from evenfield.loudspeaker.filter_fit import FilterFit
    from evenfield.loudspeaker.filter_fit_measures import FitMeasures
    from evenfield.loudspeaker.filter_job import FilterJob
    from evenfield.loudspeaker.filter_review import FilterReview
    from evenfield.loudspeaker.passive_fit import PassiveFit

MEASURES = (
    ("window_max_db", "listening window within ±"),
    ("left_out_max_db", "the same at directions left out of the fit"),
    ("early_rms_db", "early reflections about their line, RMS"),
    ("index_ripple_db", "DI ripple, powers added, RMS"),
    ("phase_loss_db", "most lost against ways in phase, window"),
)
"""Field and words of every measure, dB."""


def print_job(job: FilterJob, console: Console | None = None) -> None:
    """Print what the command did, and the files written."""
    from rich.console import Console

    out = console or Console()
    if job.review is not None:
        print_review(job.review, out)
    if job.fit is not None:
        print_fit(job.fit, out)
    if job.passive is not None:
        print_passive(job.passive, out)
    for path in job.files:
        out.print(f"Written: {path}", highlight=False, markup=False)


def print_review(review: FilterReview, console: Console | None = None) -> None:
    """Print what the design's own filters do."""
    from rich.console import Console

    out = console or Console()
    out.print(f"\n[bold]{review.name}[/bold]  filters")
    if review.measures is not None:
        out.print(measures_table({"found": review.measures}))
    for line in review_lines(review):
        out.print(line, highlight=False, markup=False)


def print_fit(fit: FilterFit, console: Console | None = None) -> None:
    """Print an active fit: before and after, every section with its worth, what was left alone."""
    from rich.console import Console

    out = console or Console()
    out.print(f"\n[bold]Fitted filters[/bold] in {fit.seconds:.1f} s")
    out.print(measures_table({"as designed": fit.before, "fitted": fit.after}))
    table = plain_table("Way", "Section", "What for", "Worth")
    for s in fit.sections:
        table.add_row(s.way, s.title, s.repairs, f"{s.worth_db:.1f} dB")
    out.print(table)
    for name, way in fit.design.ways.items():
        invert = ", inverted" if way.filters.invert else ""
        words = f"{name}: gain {way.filters.gain.text}, delay {1e6 * way.filters.delay:.0f} us{invert}"
        out.print(words, highlight=False)
    for note in fit.notes:
        out.print(note, highlight=False, markup=False)


def print_passive(fit: PassiveFit, console: Console | None = None) -> None:
    """Print a passive fit: measures, parts with price and stress, impedance."""
    from rich.console import Console

    from evenfield.filters.passive_series import PriceRule, written

    out = console or Console()
    out.print(f"\n[bold]Fitted passive network[/bold] in {fit.seconds:.1f} s")
    out.print(measures_table({"any values": fit.continuous, "preferred values": fit.measures}))
    stress = {s.name: s for s in fit.stresses}
    table = plain_table("Part", "Nodes", "Value", "Noise power", "Worst sine", "Peak voltage", "Price")
    for part in fit.model.network.valued:
        s = stress[part.name]
        peak = f"{s.peak_voltage:.0f} V" if np.isfinite(s.peak_voltage) else ""
        sine = f"{s.sine_power:.1f} W at {spoken_hz(s.sine_hz)}"
        nodes = " ".join(part.nodes)
        table.add_row(part.name, nodes, written(part), f"{s.noise_power:.2f} W", sine, peak, f"{PriceRule().of(part):.2f} EUR")
    out.print(table)
    least = f"{fit.least.ohms:.2f} ohm at {spoken_hz(fit.least.frequency)}"
    out.print(
        f"Impedance at least {least}; allowed {0.8 * fit.rated:.2f} ohm (80 % of {fit.rated:g} ohm, from memory)", highlight=False
    )
    out.print(f"Parts {fit.price:.2f} EUR (invented prices); stresses at {fit.voltage:g} V RMS sine at most", highlight=False)
    for words, worth in fit.worth:
        out.print(f"Added: {words}, worth {worth:.2f} dB", highlight=False)
    for note in fit.notes:
        out.print(note, highlight=False, markup=False)


def measures_table(columns: dict[str, FitMeasures]) -> Table:
    """Measures side by side."""
    table = plain_table("dB", *columns)
    for field, words in MEASURES:
        table.add_row(words, *(f"{getattr(m, field):.2f}" for m in columns.values()))
    return table


def plain_table(*head: str) -> Table:
    """In the house's look."""
    from rich import box
    from rich.table import Table

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, header_style="bold")
    for name in head:
        table.add_column(name, overflow="fold")
    return table


def review_lines(review: FilterReview) -> Iterator[str]:
    """The rest of the review, a line each."""
    for lobe in review.lobes:
        at = int(np.argmin(np.abs(lobe.frequency - lobe.handover)))
        nulls = [f"{a:+.0f} deg" for a in (lobe.null_below_deg[at], lobe.null_above_deg[at]) if np.isfinite(a)]
        yield (
            f"Lobe {lobe.lower} to {lobe.upper} at {spoken_hz(lobe.handover)}: points {lobe.tilt_deg[at]:+.0f} deg, "
            f"{lobe.width_deg[at]:.0f} deg wide, nulls {' and '.join(nulls) or 'none within 60 deg'}"
        )
        yield from (f"  {words}" for words in lobe.suggestions)
    if review.time is not None:
        t, worst = review.time, int(np.nanargmax(review.time.decay_periods))
        state = "below" if len(t.audible_hz) == 0 else f"above from {spoken_hz(t.audible_hz[0])}"
        yield f"Group delay {state} the published thresholds (least margin {t.margin:.1f} times; {t.source})"
        yield (
            f"Slowest decay by 20 dB: {t.decay_periods[worst]:.1f} periods ({1e3 * t.decay_s[worst]:.1f} ms) at "
            f"{spoken_hz(t.decay_frequency[worst])}"
        )
    for limiter in review.limiters:
        parts = []
        parts += [f"peak {limiter.peak_volts:.1f} V"] if limiter.peak_volts is not None else []
        parts += [f"RMS {limiter.rms_volts:.1f} V"] if limiter.rms_volts is not None else []
        if limiter.excursion_volts is not None and limiter.excursion_hz is not None:
            parts.append(f"excursion {limiter.excursion_volts:.1f} V RMS at {spoken_hz(limiter.excursion_hz)}")
        yield f"Limiter {limiter.way}: {', '.join(parts) or 'no limit stated'}"
    if review.headroom is not None:
        h = review.headroom
        band = h.frequency >= 50
        i = int(np.flatnonzero(band)[np.argmin(h.headroom_db[band])])
        yield (
            f"Headroom for programme of {h.level_db:.0f} dB RMS, 12 dB crest: {h.headroom_db[i]:+.1f} dB at "
            f"{spoken_hz(h.frequency[i])} ({h.cause[i]})"
        )
    for trim in review.trims:
        sections = ", ".join(f"{x['kind']} {spoken_hz(x['frequency'])} {x['gain_db']:+.1f} dB" for x in trim.rows())
        yield f"Trim {trim.name}: {sections}; ±{trim.error_before_db:.1f} to ±{trim.error_after_db:.1f} dB"
    if review.passive is not None:
        p = review.passive
        allowed = "" if p.allowed is None else f", allowed {p.allowed:.2f} ohm: {'met' if p.passed else 'NOT met'}"
        yield (
            f"Passive network: {len(p.parts)} parts, {p.price:.2f} EUR; impedance at least {p.least.ohms:.2f} ohm at "
            f"{spoken_hz(p.least.frequency)}{allowed}"
        )
    for name, w in review.word_length.items():
        yield (
            f"24 bit, {name}: response within {w.response_error_db:.4f} dB, round-off noise {w.noise_db:.0f} dB, "
            f"greatest sine inside {w.overflow_db:+.1f} dB"
        )
    yield from review.notes
    for what, reason in review.refused.items():
        yield f"{what}: not judged. {reason}"
