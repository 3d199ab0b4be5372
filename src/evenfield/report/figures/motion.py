"""What the moving parts have to do: excursion against Xmax, air speed in the vent."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from evenfield.report.style import FULL_WIDTH, MUTED, EndLabel, Pen, frequency_axis, label_ends, name_curves, new_figure

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

FloatArray = NDArray[np.float64]
Curve = tuple[FloatArray, FloatArray]


def excursion_figure(
    peak_mm: Mapping[str, Curve], xmax_mm: Mapping[str, float], pens: Mapping[str, Pen], from_hz: float | None = None
) -> Figure:
    """Peak excursion of every way, its Xmax as a thin line of the same pen.

    Parameters
        peak_mm : way -> (frequency (F,) Hz, excursion (F,) mm peak)
        xmax_mm : way -> mm, where known
        from_hz : the brief's level is asked from here up; below it is shown faint
    """
    figure, (ax,) = new_figure(FULL_WIDTH, [1.9])
    low, high = _limits(peak_mm)
    frequency_axis(ax, low, high)
    highest = max(float(np.max(y)) for _, y in peak_mm.values())
    top = 10.0 ** np.ceil(np.log10(max([highest, *xmax_mm.values()]) * 1.2))
    _log_axis(ax, top / 1e4, top, "Peak excursion, mm")
    if from_hz is not None and from_hz > low:
        _faint_below(ax, low, from_hz)
    limits = []
    for name, (frequency, y) in peak_mm.items():
        ax.plot(frequency, np.maximum(y, top / 1e5), **pens[name].line())
        if name in xmax_mm:
            ax.axhline(xmax_mm[name], color=pens[name].colour, linewidth=0.8, linestyle=(0, (1, 2)))
            limits.append(EndLabel(xmax_mm[name], f"Xmax {name}", pens[name].colour))
    label_ends(ax, limits)
    for name, (frequency, y) in peak_mm.items():
        name_curves(ax, frequency, [(y, name, pens[name].colour)])
    return figure


def vent_figure(peak_speed: Mapping[str, Curve], pens: Mapping[str, Pen], from_hz: float | None = None) -> Figure:
    """Peak air speed in every vent, m/s."""
    figure, (ax,) = new_figure(FULL_WIDTH, [1.4])
    low, _ = _limits(peak_speed)
    frequency_axis(ax, low, 500.0)
    top = max(float(np.max(y)) for _, y in peak_speed.values())
    ax.set_ylim(0, max(5.0, 5 * np.ceil(top * 1.05 / 5)))
    ax.set_ylabel("Peak air speed, m/s")
    if from_hz is not None and from_hz > low:
        _faint_below(ax, low, min(from_hz, 500.0))
    labels = []
    for name, (frequency, y) in peak_speed.items():
        ax.plot(frequency, y, **pens[name].line())
        labels.append(EndLabel(float(np.interp(500.0, frequency, y)), name, pens[name].colour))
    label_ends(ax, labels)
    return figure


def _limits(curves: Mapping[str, Curve]) -> tuple[float, float]:
    return min(float(f[0]) for f, _ in curves.values()), max(float(f[-1]) for f, _ in curves.values())


def _log_axis(ax: Axes, low: float, high: float, title: str) -> None:
    ax.set_yscale("log")
    ax.set_ylim(low, high)
    ax.yaxis.set_major_formatter(lambda value, _: f"{value:g}")
    ax.set_ylabel(title)


def _faint_below(ax: Axes, low: float, from_hz: float) -> None:
    """Grey ground below the frequency from which the brief asks for its level."""
    ax.axvspan(low, from_hz, facecolor="#eef0f1", edgecolor="none", zorder=0)
    ax.axvline(from_hz, color=MUTED, linewidth=0.6)
    ax.annotate(
        "level asked from here up", (from_hz, 1.0), xycoords=("data", "axes fraction"), xytext=(3, -3),
        textcoords="offset points", va="top", fontsize=6.5, color=MUTED,
    )  # fmt: skip
