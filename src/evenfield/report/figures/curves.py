"""The curve set of ANSI/CTA-2034-A, the tolerance band and beamwidth over frequency."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from evenfield.report.style import (
    CURVE_PENS,
    DI_PENS,
    FULL_WIDTH,
    INK,
    MUTED,
    PLANE_PENS,
    SUM_PEN,
    EndLabel,
    Pen,
    corner_words,
    frequency_axis,
    label_ends,
    mark_rigid,
    name_curves,
    new_figure,
    nominal_limits,
    proportion_height,
    value_near,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

FloatArray = NDArray[np.float64]

CURVE_WORDS = {
    "on_axis": "On axis",
    "listening_window": "Listening window",
    "early_reflections": "Early reflections",
    "sound_power": "Sound power",
    "in_room": "In-room (est.)",
}
DI_WORDS = {
    "full_sphere": "Full sphere",
    "sound_power_di": "Sound power DI",
    "early_reflections_di": "Early refl. DI",
}


def draw_lines(
    ax: Axes, frequency: FloatArray, curves: Mapping[str, FloatArray], pens: Mapping[str, Pen], words: Mapping[str, str]
) -> None:
    """Curves in their pens with their names at the right end; call after the limits are set."""
    for name, curve in curves.items():
        ax.plot(frequency, curve, **pens[name].line())
    name_curves(ax, frequency, [(curve, words.get(name, name), pens[name].colour) for name, curve in curves.items()])


def curve_set_figure(
    frequency: FloatArray,
    curves: Mapping[str, FloatArray],
    di: Mapping[str, FloatArray],
    rigid_above_hz: Mapping[str, float] | None = None,
) -> Figure:
    """Levels above, directivity indices below, on one frequency axis.

    Parameters
        frequency : (F,) Hz
        curves : name -> (F,) dB, names of CURVE_WORDS
        di : name -> (F,) dB, names of DI_WORDS
        rigid_above_hz : way -> Hz, marked along the foot
    """
    low, high = float(frequency[0]), float(frequency[-1])
    top = float(np.ceil((max(np.max(c) for c in curves.values()) + 1) / 5) * 5)
    bass = frequency >= 50.0
    lowest = min(float(np.min(c[bass])) for c in curves.values()) if bass.any() else top - 30.0
    span = float(np.clip(5 * np.ceil((top - lowest + 2) / 5), 25.0, 50.0))
    inner = FULL_WIDTH - 0.58 - 1.05
    # equal proportions in both axes: a slope in the index looks as steep as the same slope in level
    height = proportion_height(*nominal_limits(low, high), span, inner, 25.0 if high / low > 30 else 50.0)
    di_top = max(15.0, float(np.ceil(max(np.nanmax(c) for c in di.values()) / 5) * 5)) if di else 15.0
    di_span = di_top + 2.5
    heights = [height, height * di_span / span] if di else [height]
    figure, axes = new_figure(FULL_WIDTH, heights, gap=0.14)
    frequency_axis(axes[0], low, high, title=not di)
    axes[0].set_ylim(top - span, top)
    axes[0].set_ylabel("Level, dB")
    marks = rigid_above_hz or {}
    mark_rigid(axes[0], marks, dict.fromkeys(marks, MUTED))
    draw_lines(axes[0], frequency, curves, CURVE_PENS, CURVE_WORDS)
    if di:
        axes[0].tick_params(labelbottom=False)
        frequency_axis(axes[1], low, high)
        axes[1].set_ylim(-2.5, di_top)
        axes[1].set_yticks(np.arange(0, di_top + 1, 5))
        axes[1].set_ylabel("DI, dB")
        draw_lines(axes[1], frequency, di, DI_PENS, DI_WORDS)
    return figure


def beamwidth_figure(
    frequency: FloatArray, beamwidth: Mapping[str, FloatArray], wanted: Mapping[str, tuple[float, float, float]]
) -> Figure:
    """Full -6 dB angle of the loudspeaker in every plane; the brief's coverage as a pale bar over its band.

    Parameters
        frequency : (F,) Hz
        beamwidth : plane -> (F,) degrees, NaN where the level never falls by 6 dB
        wanted : plane -> degrees and from where to where, Hz, as the brief asks
    """
    figure, (ax,) = new_figure(FULL_WIDTH, [1.75])
    frequency_axis(ax, max(float(frequency[0]), 100.0), float(frequency[-1]))
    _beam_axis(ax)
    for plane, (angle, low_hz, high_hz) in wanted.items():
        pen: dict[str, Any] = {
            "color": PLANE_PENS[plane].colour,
            "linewidth": 4.0,
            "alpha": 0.35,
            "solid_capstyle": "butt",
            "zorder": 1,
        }
        ax.plot([low_hz, high_hz], [angle, angle], **pen)
    if wanted:
        words = "pale bars: the brief, " + ", ".join(f"{plane} {angle:.0f}°" for plane, (angle, *_) in wanted.items())
        corner_words(ax, words, top=True)
    draw_lines(ax, frequency, beamwidth, PLANE_PENS, {p: p.capitalize() for p in PLANE_PENS})
    return figure


def ripple_figure(frequency: FloatArray, index_db: FloatArray, fit_db: FloatArray) -> Figure:
    """Directivity index, its best even rise, and what is left between them, hatched.

    Parameters
        frequency : (B,) Hz, band centres; index_db, fit_db : (B,) dB
    """
    figure, (ax,) = new_figure(FULL_WIDTH, [1.5])
    frequency_axis(ax, 200.0, 12500.0)
    low, top = float(np.min([index_db, fit_db])), float(np.max([index_db, fit_db]))
    ax.set_ylim(np.floor(low - 0.5), np.ceil(top + 0.5))
    ax.set_ylabel("DI, dB")
    ax.fill_between(frequency, index_db, fit_db, facecolor="none", edgecolor=MUTED, hatch="////////", linewidth=0.0)
    pens = {"index": SUM_PEN, "fit": Pen("#b8690f", (0, (3, 1.2)), 1.3)}
    draw_lines(ax, frequency, {"index": index_db, "fit": fit_db}, pens, {"index": "As it is", "fit": "Even rise"})
    return figure


def _beam_axis(ax: Axes, top: float = 360.0) -> None:
    ax.set_ylim(0, top)
    ax.set_yticks(np.arange(0, top + 1, 90 if top > 200 else 30))
    ax.set_ylabel("Beamwidth, °")


@dataclass(frozen=True)
class Band:
    """On-axis curve and the limits that the design's tolerances draw round it: (F,) Hz and dB."""

    frequency: FloatArray
    nominal_db: FloatArray
    low_db: FloatArray
    high_db: FloatArray


def band_figure(band: Band) -> Figure:
    """The on-axis level with its tolerance band; edges drawn, so that the band stands in grey print."""
    figure, (ax,) = new_figure(FULL_WIDTH, [1.9])
    frequency_axis(ax, float(band.frequency[0]), float(band.frequency[-1]))
    top = float(np.ceil((np.max(band.high_db) + 1) / 5) * 5)
    ax.set_ylim(top - 30, top)
    ax.set_ylabel("Level, dB")
    ax.fill_between(band.frequency, band.low_db, band.high_db, color="#cfdde2", linewidth=0)
    for edge in (band.low_db, band.high_db):
        ax.plot(band.frequency, edge, color=MUTED, linewidth=0.7, linestyle=(0, (2, 1.5)))
    ax.plot(band.frequency, band.nominal_db, **Pen(INK, width=1.0).line())
    last = [value_near(band.frequency, c, band.frequency[-1]) for c in (band.high_db, band.nominal_db, band.low_db)]
    names = ("Highest", "As designed", "Lowest")
    colours = (MUTED, INK, MUTED)
    label_ends(ax, [EndLabel(y, n, c) for y, n, c in zip(last, names, colours, strict=True)])
    return figure
