"""Pictures of a motor at work: curves over position, distortion, largest level, heat, the damping winding."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from evenfield.report.style import (
    FULL_WIDTH,
    INK,
    MUTED,
    WAY_PENS,
    EndLabel,
    Pen,
    frequency_axis,
    label_ends,
    name_curves,
    new_figure,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

FloatArray = NDArray[np.float64]

SOFT = (Pen(INK, "solid", 1.6), Pen(WAY_PENS[0].colour, (0, (6, 1.4)), 1.4), Pen(WAY_PENS[1].colour, (0, (3, 1.2)), 1.4),
        Pen(WAY_PENS[2].colour, (0, (7, 1.5, 1.2, 1.5)), 1.4), Pen(WAY_PENS[3].colour, (0, (1, 1)), 1.4))  # fmt: skip


def position_figure(panels: Sequence[tuple[str, FloatArray, Mapping[str, FloatArray]]], marks_mm: Mapping[str, float]) -> Figure:
    """Curves over the coil's position, one panel a quantity.

    Parameters
        panels : (axis title with unit, (X,) mm, name -> (X,) values)
        marks_mm : name -> displacement limit, drawn at both sides
    """
    figure, axes = new_figure(FULL_WIDTH, [1.25] * len(panels), gap=0.2, right=1.3)
    for n, (ax, (title, x, curves)) in enumerate(zip(axes, panels, strict=True)):
        ends = []
        for pen, (name, y) in zip(SOFT, curves.items(), strict=False):
            ax.plot(x, y, **pen.line())
            ends.append(EndLabel(float(y[-1]), name, pen.colour))
        ax.set_xlim(float(x[0]), float(x[-1]))
        _room(ax, list(curves.values()))
        ax.grid(True)
        ax.set_ylabel(title)
        for name, at in marks_mm.items():
            if not np.isfinite(at) or at > max(abs(x[0]), x[-1]):
                continue
            for sign in (-1, 1):
                ax.axvline(sign * at, color=MUTED, linewidth=0.7, linestyle=(0, (1, 2)))
            if n == 0:
                ax.annotate(name, (at, 1.0), xycoords=("data", "axes fraction"), xytext=(2, -8), textcoords="offset points",
                            fontsize=6.5, color=MUTED)  # fmt: skip
        label_ends(ax, ends)
        if n < len(panels) - 1:
            ax.tick_params(labelbottom=False)
    axes[-1].set_xlabel("Displacement of the coil, mm, outwards positive")
    return figure


def distortion_figure(
    frequency: FloatArray, percent: Mapping[str, FloatArray], limits: Sequence[float] = (3.0, 10.0), title: str = "Distortion, %"
) -> Figure:
    """Distortion over frequency on a logarithmic scale, one curve a level or kind; dotted: the limits, %."""
    figure, (ax,) = new_figure(FULL_WIDTH, [2.1], right=1.3)
    frequency_axis(ax, float(frequency[0]), float(frequency[-1]))
    ax.set_yscale("log")
    ax.set_ylim(0.03, 100)
    ax.yaxis.set_major_formatter(lambda value, _: f"{value:g}")
    ax.set_ylabel(title)
    for limit in limits:
        ax.axhline(limit, color=MUTED, linewidth=0.7, linestyle=(0, (1, 2)))
    curves = []
    for i, (name, y) in enumerate(percent.items()):
        pen = SOFT[i % len(SOFT)]
        ax.plot(frequency, y, **pen.line())
        curves.append((np.maximum(y, 0.0301), name, pen.colour))
    name_curves(ax, frequency, curves)
    return figure


def displacement_figure(
    frequency: FloatArray, peak_mm: Mapping[str, FloatArray], offset_mm: Mapping[str, FloatArray], limit_mm: float
) -> Figure:
    """Above, largest displacement over frequency and level; below, its mean: where the coil moves to by itself."""
    figure, (ax, low) = new_figure(FULL_WIDTH, [1.7, 1.0], gap=0.2, right=1.3)
    for place, curves, title in ((ax, peak_mm, "Peak displacement, mm"), (low, offset_mm, "Mean displacement, mm")):
        frequency_axis(place, float(frequency[0]), float(frequency[-1]), title=place is low)
        drawn = []
        for i, (name, y) in enumerate(curves.items()):
            pen = SOFT[i % len(SOFT)]
            place.plot(frequency, y, **pen.line())
            drawn.append((y, name, pen.colour))
        _room(place, list(curves.values()))
        place.set_ylabel(title)
        if place is ax:
            place.axhline(limit_mm, color=MUTED, linewidth=0.8, linestyle=(0, (1, 2)))
            place.tick_params(labelbottom=False)
            place.set_ylim(0, max(place.get_ylim()[1], 1.15 * limit_mm))
        name_curves(place, frequency, drawn)
    return figure


def level_limits_figure(
    frequency: FloatArray, level_db: Mapping[str, FloatArray], asked: tuple[float, float, float] | None = None
) -> Figure:
    """Largest level by each criterion; the pale bar is what is asked: dB, from and to Hz."""
    figure, (ax,) = new_figure(FULL_WIDTH, [2.0], right=1.3)
    frequency_axis(ax, float(frequency[0]), float(frequency[-1]))
    top = max(float(np.max(y)) for y in level_db.values())
    ax.set_ylim(5 * np.floor((top - 55) / 5), 5 * np.ceil((top + 3) / 5))
    ax.set_ylabel("Level, dB")
    curves = []
    for pen, (name, y) in zip(SOFT, level_db.items(), strict=False):
        ax.plot(frequency, y, **pen.line())
        curves.append((y, name, pen.colour))
    if asked is not None:
        ax.plot(asked[1:], [asked[0]] * 2, color=INK, linewidth=4.0, alpha=0.25, solid_capstyle="butt")
    name_curves(ax, frequency, curves)
    return figure


def heat_figure(time_s: FloatArray, temperature: Mapping[str, FloatArray], lost_db: FloatArray, hottest: float) -> Figure:
    """Temperatures over time above, level lost below; time logarithmic."""
    figure, (ax, low) = new_figure(FULL_WIDTH, [1.5, 0.9], gap=0.2)
    shown = time_s > 0
    ends = []
    for pen, (name, y) in zip(SOFT, temperature.items(), strict=False):
        ax.plot(time_s[shown], y[shown], **pen.line())
        ends.append(EndLabel(float(y[-1]), name, pen.colour))
    ax.axhline(hottest, color=MUTED, linewidth=0.8, linestyle=(0, (1, 2)))
    ax.set_ylim(0, 1.1 * max(hottest, *(float(y.max()) for y in temperature.values())))
    ax.set_ylabel("Temperature, °C")
    low.plot(time_s[shown], lost_db[shown], **SOFT[0].line())
    low.set_ylim(0, max(1.0, 1.2 * float(lost_db.max())))
    low.set_ylabel("Level lost, dB")
    for place in (ax, low):
        place.set_xscale("log")
        place.set_xlim(float(time_s[shown][0]), float(time_s[-1]))
        place.xaxis.set_major_formatter(lambda value, _: f"{value:g}")
        place.grid(True)
    ax.tick_params(labelbottom=False)
    low.set_xlabel("Time, s")
    label_ends(ax, ends)
    return figure


def worth_figure(time_ms: FloatArray, displacement_mm: tuple[FloatArray, FloatArray], frequency: FloatArray,
                 percent: tuple[FloatArray, FloatArray]) -> Figure:  # fmt: skip
    """A burst and the distortion, with the damping winding and with it cut open."""
    figure, (ax, low) = new_figure(FULL_WIDTH, [1.4, 1.4], gap=0.55)
    names = ("with", "without")
    ends = []
    for pen, name, y in zip(SOFT, names, displacement_mm, strict=False):
        ax.plot(time_ms, y, **pen.line())
        known = np.flatnonzero(np.isfinite(y))
        ends.append(EndLabel(float(y[known[-1]]) if len(known) else 0.0, name, pen.colour))
    ax.set_xlim(float(time_ms[0]), float(time_ms[-1]))
    ax.grid(True)
    ax.set_xlabel("Time, ms")
    ax.set_ylabel("Displacement, mm")
    label_ends(ax, ends)
    frequency_axis(low, float(frequency[0]), float(frequency[-1]))
    curves = []
    for pen, name, y in zip(SOFT, names, percent, strict=False):
        low.plot(frequency, y, **pen.line())
        curves.append((y, name, pen.colour))
    _room(low, list(percent))
    low.set_ylim(bottom=0)
    low.set_ylabel("Distortion, %")
    name_curves(low, frequency, curves)
    return figure


def tones_figure(frequency: FloatArray, level_db: FloatArray, played: NDArray[np.bool_]) -> Figure:
    """Lines of many tones: what was played in strong lines, what was added in thin ones."""
    figure, (ax,) = new_figure(FULL_WIDTH, [1.6], right=0.3)
    shown = frequency >= 20
    frequency_axis(ax, 20.0, 5000.0)
    top = float(level_db[played].max())
    ax.set_ylim(top - 90, top + 5)
    ax.set_ylabel("Level, dB")
    added = shown & ~played & (level_db > top - 90)
    ax.vlines(frequency[added], top - 90, level_db[added], color=WAY_PENS[1].colour, linewidth=0.5)
    ax.vlines(frequency[played], top - 90, level_db[played], color=INK, linewidth=1.4)
    return figure


def drawing_figure(outlines: Sequence[Any]) -> Figure:
    """The motor's half section to scale, axis at the left.

    Parameters
        outlines : each with name, kind and corners (N, 2) r, z in m
    """
    from matplotlib.patches import Polygon

    corners = np.concatenate([o.corners for o in outlines]) * 1e3
    right, bottom, top = float(corners[:, 0].max()), float(corners[:, 1].min()), float(corners[:, 1].max())
    margin = 0.06 * max(right, top - bottom)
    width, height = right + 2 * margin, top - bottom + 2 * margin
    inch = min(5.2 / width, 3.4 / height)
    figure, (ax,) = new_figure(width * inch + 0.6 + 1.9, [height * inch], left=0.6, right=1.9)
    looks = {"steel": ("#c3cacd", ""), "magnet": ("#e3cfa0", "////"), "conductor": ("#b8690f", ""), "filler": ("#ffffff", ""),
             "coil": ("#8a3a62", ""), "shorted coil": ("#1b6f8a", "xxxx")}  # fmt: skip
    for o in outlines:
        face, hatch = looks.get(o.kind, ("#ffffff", ""))
        ax.add_patch(Polygon(o.corners * 1e3, closed=True, facecolor=face, edgecolor=INK, linewidth=0.6, hatch=hatch))
    for k, kind in enumerate(dict.fromkeys(o.kind for o in outlines)):
        face, hatch = looks.get(kind, ("#ffffff", ""))
        y = 0.96 - 0.09 * k
        box = Polygon([(1.05, y - 0.025), (1.13, y - 0.025), (1.13, y + 0.025), (1.05, y + 0.025)], closed=True, facecolor=face,
                      edgecolor=INK, linewidth=0.6, hatch=hatch, transform=ax.transAxes, clip_on=False)  # fmt: skip
        ax.add_patch(box)
        ax.annotate(kind, (1.16, y), xycoords="axes fraction", va="center", fontsize=7)
    ax.set_xlim(0, right + margin)
    ax.set_ylim(bottom - margin, top + margin)
    ax.set_aspect("equal")
    ax.set_xlabel("Radius, mm")
    ax.set_ylabel("Height, mm, outwards up")
    return figure


def inductance_figure(
    frequency: FloatArray, inductance_mh: Mapping[str, FloatArray], resistance: Mapping[str, FloatArray]
) -> Figure:
    """Inductance above, resistance of eddy currents below, over frequency at some positions."""
    figure, (ax, low) = new_figure(FULL_WIDTH, [1.4, 1.2], gap=0.2, right=1.3)
    for place, curves, title in ((ax, inductance_mh, "Inductance, mH"), (low, resistance, "Resistance, ohm")):
        frequency_axis(place, float(frequency[0]), float(frequency[-1]), title=place is low)
        drawn = []
        for pen, (name, y) in zip(SOFT, curves.items(), strict=False):
            place.plot(frequency, y, **pen.line())
            drawn.append((y, name, pen.colour))
        _room(place, list(curves.values()))
        place.set_ylim(bottom=0)
        place.set_ylabel(title)
        name_curves(place, frequency, drawn)
    ax.tick_params(labelbottom=False)
    return figure


def _room(ax: Axes, curves: Sequence[FloatArray]) -> None:
    known = np.concatenate([y[np.isfinite(y)] for y in curves]) if curves else np.zeros(1)
    if len(known):
        low, high = float(known.min()), float(known.max())
        spare = 0.08 * (high - low) or 0.1 * abs(high) or 1.0
        ax.set_ylim(low - spare, high + spare)
