"""Filters: what each way is fed, where the lobe points, and group delay against what is heard."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from evenfield.report.style import (
    FULL_WIDTH,
    INK,
    MUTED,
    PAPER,
    SUM_PEN,
    WASH,
    Pen,
    corner_words,
    frequency_axis,
    level_colours,
    name_curves,
    new_figure,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure

FloatArray = NDArray[np.float64]


def filter_figure(frequency: FloatArray, level_db: Mapping[str, FloatArray], pens: Mapping[str, Pen]) -> Figure:
    """Level of every way's chain, dB re 1 V at the input; (F,) each."""
    figure, (ax,) = new_figure(FULL_WIDTH, [1.9])
    frequency_axis(ax, float(frequency[0]), float(frequency[-1]))
    top = 6 * np.ceil(max(float(v.max()) for v in level_db.values()) / 6 + 0.2)
    ax.set_ylim(top - 48, top)
    ax.set_yticks(np.arange(top - 48, top + 1, 12))
    ax.set_ylabel("Level, dB re input")
    for name, level in level_db.items():
        ax.plot(frequency, level, **pens[name].line())
    name_curves(ax, frequency, [(level, name, pens[name].colour) for name, level in level_db.items()])
    return figure


def lobe_figure(frequency: FloatArray, angle_deg: FloatArray, level_db: FloatArray, handover: float, heard_deg: float) -> Figure:
    """Level over elevation and frequency about a handover, dB re the greatest at each frequency; (A, F).

    The band that listeners move in is bounded by lines.
    """
    figure, (ax,) = new_figure(FULL_WIDTH, [1.9], right=0.8)
    edges = np.arange(-24.0, 0.1, 3.0)
    colours = level_colours(len(edges))
    frequency_axis(ax, float(frequency[0]), float(frequency[-1]))
    ax.grid(False)
    ax.grid(False, which="minor")
    ax.set_rasterization_zorder(1)
    shown = np.clip(level_db, edges[0] - 1, -1e-6)
    bands = ax.contourf(frequency, angle_deg, shown, levels=edges, colors=colours[1:], zorder=0, antialiased=False)
    ax.set_facecolor(colours[0])
    for angle in (-heard_deg, heard_deg):
        ax.axhline(angle, color=PAPER, linewidth=1.8, zorder=2)
        ax.axhline(angle, color=INK, linewidth=0.7, linestyle=(0, (4, 2)), zorder=3)
    ax.axvline(handover, color=PAPER, linewidth=1.8, zorder=2)
    ax.axvline(handover, color=INK, linewidth=0.7, zorder=3)
    ax.set_ylim(float(angle_deg[0]), float(angle_deg[-1]))
    ax.set_yticks(np.arange(-60, 61, 30))
    ax.set_ylabel("Elevation, °")
    width, box = figure.get_figwidth(), ax.get_position()
    scale = figure.add_axes((1 - 0.7 / width, box.y0, 0.12 / width, box.height))
    bar = figure.colorbar(bands, cax=scale, ticks=edges[::2])
    bar.ax.set_ylabel("dB re lobe", labelpad=3)
    bar.outline.set_linewidth(0.4)
    return figure


def delay_figure(frequency: FloatArray, delay_ms: FloatArray, threshold_ms: FloatArray) -> Figure:
    """Group delay with the published thresholds as a band around zero; (F,) each, NaN where nothing is published."""
    figure, (ax,) = new_figure(FULL_WIDTH, [1.6], right=0.2)
    frequency_axis(ax, float(frequency[0]), float(frequency[-1]))
    known = np.isfinite(threshold_ms)
    ax.fill_between(frequency[known], -threshold_ms[known], threshold_ms[known], color=WASH, linewidth=0, zorder=0)
    for sign in (-1, 1):
        ax.plot(frequency[known], sign * threshold_ms[known], color=MUTED, linewidth=0.7, linestyle=(0, (4, 2)))
    ax.plot(frequency, delay_ms, **SUM_PEN.line())
    ax.set_ylim(-5, 15)
    ax.set_ylabel("Group delay, ms")
    corner_words(ax, "not heard inside the band", top=True)
    return figure
