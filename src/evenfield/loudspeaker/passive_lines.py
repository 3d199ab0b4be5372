"""Verdict lines of a passive network: its least impedance."""

from __future__ import annotations

from collections.abc import Iterator

from evenfield.loudspeaker.passive import passive_responses, passive_section
from evenfield.loudspeaker.predict import Prediction
from evenfield.loudspeaker.verdict import Line

LEAST_SHARE = 0.8
"""Of the rated impedance (IEC 60268-5, from memory)."""


def passive_lines(prediction: Prediction) -> Iterator[Line]:
    """The impedance against 80 % of the rated one and against the amplifier's limit; nothing for an active design."""
    section = passive_section(prediction.design)
    if section is None:
        return
    from evenfield.filters.passive_stress import least_impedance

    least = least_impedance(passive_responses(prediction.design, prediction.impedance)[1])
    for limit, words, sure in (
        (
            section.rated_impedance and LEAST_SHARE * section.rated_impedance,
            "80 % of the rated impedance",
            "rule from memory (IEC 60268-5)",
        ),
        (section.lowest_impedance, "the amplifier's least load", "as the design states"),
    ):
        if limit:
            yield Line(
                "passive",
                "impedance",
                least.ohms >= limit,
                f"at least {limit:.2f} ohm, {words}",
                f"{least.ohms:.2f} ohm",
                f"{least.ohms - limit:+.2f} ohm",
                f"{least.frequency:.0f} Hz",
                "the passive network with its drivers",
                sure,
            )
