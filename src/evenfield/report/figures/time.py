"""How the sound moves in time: step response and decay."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from evenfield.report.style import FULL_WIDTH, INK, PAPER, SUM_PEN, frequency_axis, level_colours, new_figure

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

FloatArray = NDArray[np.float64]


def step_figure(time_ms: FloatArray, step: FloatArray, window_ms: tuple[float, float] = (-1.0, 6.0)) -> Figure:
    """Step response, scaled to its largest value.

    Parameters
        time_ms : (T,) ms
        step : (T,) any unit
    """
    figure, (ax,) = new_figure(FULL_WIDTH, [1.4], right=0.2)
    shown = (time_ms >= window_ms[0]) & (time_ms <= window_ms[1])
    peak = float(np.max(np.abs(step[shown])))
    ax.plot(time_ms[shown], step[shown] / peak, **SUM_PEN.line())
    ax.axhline(0.0, color=INK, linewidth=0.5)
    ax.set_xlim(float(time_ms[shown][0]), float(time_ms[shown][-1]))
    ax.set_ylim(-1.1, 1.1)
    ax.set_yticks([-1, -0.5, 0, 0.5, 1])
    ax.grid(True)
    ax.set_xlabel("Time, ms")
    ax.set_ylabel("Pressure, re largest")
    return figure


def decay_figure(frequency: FloatArray, time_ms: FloatArray, level_db: FloatArray) -> Figure:
    """Decay of switched tones in bands of 6 dB, over frequency (across) and time (downwards), both logarithmic.

    On these axes equal numbers of periods are slanting straight lines, so bass and treble read alike.

    Parameters
        frequency : (F,) Hz
        time_ms : (T,) ms, ascending, positive
        level_db : (T, F) dB relative to the steady level
    """
    figure, (ax,) = new_figure(FULL_WIDTH, [1.8], right=0.8)
    edges = np.arange(-36.0, 6.1, 6.0)
    colours = level_colours(len(edges))
    frequency_axis(ax, float(frequency[0]), float(frequency[-1]))
    ax.grid(False, which="minor")
    ax.set_rasterization_zorder(1)
    level = np.clip(level_db, edges[0] - 1, edges[-1] - 1e-6)
    bands = ax.contourf(frequency, time_ms, level, levels=edges, colors=colours[1:], zorder=0, antialiased=False)
    ax.set_facecolor(colours[0])
    ax.set_yscale("log")
    ax.set_ylim(float(time_ms[-1]), float(time_ms[0]))
    ax.yaxis.set_major_formatter(lambda value, _: f"{value:g}")
    ax.set_ylabel("Time, ms")
    _periods(ax, frequency, time_ms)
    width, box = figure.get_figwidth(), ax.get_position()
    scale = figure.add_axes((1 - 0.7 / width, box.y0, 0.12 / width, box.height))
    bar = figure.colorbar(bands, cax=scale, ticks=edges)
    bar.ax.set_ylabel("dB re steady", labelpad=3)
    bar.outline.set_linewidth(0.4)
    return figure


def _periods(ax: Axes, frequency: FloatArray, time_ms: FloatArray) -> None:
    """Lines of 1, 3 and 10 periods, named where they leave the foot of the axes."""
    for count in (1, 3, 10):
        line = 1e3 * count / frequency
        ax.plot(frequency, line, color=PAPER, linewidth=2.0, zorder=2)
        ax.plot(frequency, line, color=INK, linewidth=0.6, linestyle=(0, (4, 2)), zorder=3)
        at = max(1e3 * count / (0.8 * float(time_ms[-1])), 1.15 * float(frequency[0]))
        words = "1 period" if count == 1 else f"{count} periods"
        box = {"facecolor": PAPER, "edgecolor": "none", "alpha": 0.85, "pad": 0.8}
        ax.annotate(words, (at, 1e3 * count / at), fontsize=6.5, color=INK, zorder=4, va="center", bbox=box)
