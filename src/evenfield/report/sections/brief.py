"""Does it meet the brief? The verdict's lines, and what the tolerances do to the first curve."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from evenfield.report.document import Part, Section
from evenfield.report.draw import picture
from evenfield.report.measures import reference_words
from evenfield.report.subject import Subject

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def brief_section(subject: Subject) -> Section:
    """The verdict stands first on the page; here follows the tolerance band, where the design gives tolerances."""
    parts: list[Part] = []
    band = subject.get("band")
    if band:
        parts.append(
            picture(
                "band",
                "On-axis level and its tolerance band",
                f"The shaded band, edges dashed, is what the design's tolerances do to the curve: "
                f"{band.get('words', 'lowest to highest')}. {reference_words(subject.system)}; not smoothed.",
                lambda: _draw(band),
                "On-axis level over frequency with the band that the tolerances draw round it.",
            )
        )
    return Section("brief", "Does it meet the brief?", tuple(parts))


def _draw(band: Mapping[str, Any]) -> Figure:
    from evenfield.report.figures import Band, band_figure

    frequency, nominal, low, high = (np.asarray(band[k], float) for k in ("frequency", "nominal_db", "low_db", "high_db"))
    return band_figure(Band(frequency, nominal, low, high))
