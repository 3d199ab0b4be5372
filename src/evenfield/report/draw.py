"""From a figure to a Picture: drawn inside the house's look, or refused with the reason."""

from __future__ import annotations

import io
from collections.abc import Callable
from typing import TYPE_CHECKING

from evenfield.base import DataError, Refusal
from evenfield.report.document import Picture

if TYPE_CHECKING:
    from matplotlib.figure import Figure

MAP_DPI = 220
"""Resolution of the maps that stand as images inside the drawings."""


def picture(key: str, title: str, caption: str, draw: Callable[[], Figure], alt: str = "") -> Picture:
    """Draw, or say why not.

    A Refusal or DataError raised on the way becomes the picture's `refused` text; any other error is a fault and passes on.
    """
    from matplotlib import rc_context

    from evenfield.report.style import RC

    try:
        with rc_context(RC):  # type: ignore[arg-type]
            return Picture(key, title, caption, alt, svg_text(draw()))
    except (Refusal, DataError) as reason:
        return Picture(key, title, caption, alt, refused=str(reason))


def svg_text(figure: Figure) -> str:
    """The figure as standalone SVG, text as paths; the same input gives the same text."""
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    sink = io.StringIO()
    figure.set_dpi(MAP_DPI)
    FigureCanvasSVG(figure).print_svg(  # type: ignore[no-untyped-call]
        sink, metadata={"Date": None, "Creator": None}
    )
    return sink.getvalue()
