"""What the moving parts have to do: excursion against Xmax, air speed in the vent."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from evenfield.report.style import (
    FULL_WIDTH,
    INK,
    MUTED,
    PAPER,
    WAY_PENS,
    EndLabel,
    Pen,
    corner_words,
    frequency_axis,
    label_ends,
    name_curves,
    new_figure,
)

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


def loudness_figure(
    frequency: FloatArray, level_db: FloatArray, cause: Sequence[str], wanted: tuple[float, float, float] | None = None
) -> Figure:
    """The loudest sine over frequency, each stretch in the pen of what stops it, named once.

    Parameters
        frequency : (F,) Hz; level_db : (F,) dB re 20 uPa RMS; cause : (F,) what stops it
        wanted : level asked, dB, and from where to where, Hz
    """
    figure, (ax,) = new_figure(FULL_WIDTH, [1.8])
    frequency_axis(ax, float(frequency[0]), float(frequency[-1]))
    level = np.asarray(level_db)
    lowest = float(np.percentile(level, 5)) if wanted is None else max(float(np.percentile(level, 5)), wanted[0] - 25)
    ax.set_ylim(5 * np.floor((lowest - 5) / 5), 5 * np.ceil((float(level.max()) + 8) / 5))
    ax.set_ylabel("Level, dB")
    names = list(dict.fromkeys(cause))
    for i, name in enumerate(names):
        pen = WAY_PENS[i % len(WAY_PENS)]
        stretches = _stretches([c == name for c in cause])
        for first, last in stretches:
            shown = slice(first, min(last + 2, len(level)))
            ax.plot(frequency[shown], level[shown], **pen.line())
        first, last = max(stretches, key=lambda s: s[1] - s[0])
        _name_stretch(ax, frequency[first : last + 1], level[first : last + 1], name, pen.colour)
    if wanted is not None:
        ax.plot(wanted[1:], [wanted[0]] * 2, color=INK, linewidth=4.0, alpha=0.3, solid_capstyle="butt")
        corner_words(ax, f"pale bar: the brief, {wanted[0]:g} dB", top=True)
    return figure


def _name_stretch(ax: Axes, frequency: FloatArray, level: FloatArray, name: str, colour: str) -> None:
    """A stretch's name: over it where it is level, beside it where it climbs or falls."""
    shown = np.flatnonzero(level > ax.get_ylim()[0])
    middle = int(shown[len(shown) // 2]) if len(shown) else len(level) // 2
    octaves = max(float(np.log2(frequency[-1] / frequency[0])), 0.1)
    slope = float(level[-1] - level[0]) / octaves
    offset, ha, va = ((0, 7), "center", "bottom")
    if slope > 8:
        offset, ha, va = (5, -3), "left", "top"
    box = {"facecolor": PAPER, "edgecolor": "none", "alpha": 0.8, "pad": 0.6}
    near = np.abs(np.log2(frequency / frequency[middle])) < 0.8
    y = float(level[near].max()) if va == "bottom" else float(level[middle])
    at = (float(frequency[middle]), y)
    ax.annotate(name, at, xytext=offset, textcoords="offset points", fontsize=7, color=colour, ha=ha, va=va, bbox=box, zorder=5)


def _stretches(mask: Sequence[bool]) -> list[tuple[int, int]]:
    """First and last index of every unbroken run of True.

    Example:
        >>> _stretches([True, True, False, True])
        [(0, 1), (3, 3)]
    """
    edge = np.diff(np.concatenate([[0], np.asarray(mask, int), [0]]))
    return list(zip(np.flatnonzero(edge == 1).tolist(), (np.flatnonzero(edge == -1) - 1).tolist(), strict=True))


def vent_figure(
    peak_speed: Mapping[str, Curve], pens: Mapping[str, Pen], from_hz: float | None = None, limit: float | None = None
) -> Figure:
    """Peak air speed in every vent, m/s."""
    figure, (ax,) = new_figure(FULL_WIDTH, [1.4])
    low, _ = _limits(peak_speed)
    frequency_axis(ax, low, 500.0)
    top = max([float(np.max(y)) for _, y in peak_speed.values()] + ([] if limit is None else [limit]))
    ax.set_ylim(0, max(5.0, 5 * np.ceil(top * 1.05 / 5)))
    ax.set_ylabel("Peak air speed, m/s")
    if from_hz is not None and from_hz > low:
        _faint_below(ax, low, min(from_hz, 500.0))
    labels = []
    if limit is not None:
        ax.axhline(limit, color=INK, linewidth=0.8, linestyle=(0, (1, 2)))
        labels.append(EndLabel(limit, f"limit {limit:g} m/s", INK))
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
