"""One step of a waveguide search: the wall and the mouth beside where they began, and what the sound is against the aim."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from evenfield.report.style import FULL_WIDTH, INK, MUTED, PLANE_PENS, RULE, WASH, Pen, frequency_axis

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Array = NDArray[np.float64]

_THETA = {"horizontal": 0.0, "vertical": math.pi / 2, "diagonal": math.pi / 4}
_GHOST = Pen(MUTED, (0, (1, 1.2)), 0.8)


def shape_step_figure(
    now: Any, start: Any, cabinet: Any, frequency: Array, edge_db: Array, title: str, parts: Mapping[str, float]
) -> Figure:
    """The picture of a step.

    Parameters
        now, start : the Waveguide, and the one that the search began with; cabinet : Cabinet they stand in
        frequency : (F,) Hz; edge_db : (3, F) level at the coverage angles of horizontal, vertical, diagonal, dB re axis
        title : a line over it; parts : name -> weighted share of the objective
    """
    from matplotlib.figure import Figure

    figure = Figure(figsize=(FULL_WIDTH, 4.0))
    wall = figure.add_axes((0.07, 0.56, 0.37, 0.33))
    front = figure.add_axes((0.07, 0.08, 0.37, 0.38))
    level = figure.add_axes((0.53, 0.53, 0.44, 0.35))
    bars = figure.add_axes((0.62, 0.07, 0.35, 0.30))
    figure.text(0.07, 0.985, textwrap.fill(title, 105), fontsize=7.5, color=INK, va="top")
    _walls(wall, now, start)
    _front(front, now, start, cabinet)
    _level(level, frequency, edge_db)
    _bars(bars, parts)
    return figure


def _walls(ax: Axes, now: Any, start: Any) -> None:
    from evenfield.shape.walls import wall

    station = np.linspace(0, 1, 161)
    for plane, theta in _THETA.items():
        for guide, pen in ((start, _GHOST), (now, PLANE_PENS[plane])):
            x, r = wall(guide, station, np.array([theta]))
            ax.plot(1e3 * r[:, 0], 1e3 * x[:, 0], **pen.line(), label=plane if guide is now else None)
    ax.set_aspect("equal", adjustable="datalim")
    ax.set_xlabel("from the axis, mm", labelpad=1)
    ax.set_ylabel("depth, mm")
    ax.grid(True)
    ax.legend(loc="lower right", fontsize=6.5, frameon=False, handlelength=2.6)


def _front(ax: Axes, now: Any, start: Any, cabinet: Any) -> None:
    from evenfield.shape.outlines import footprint, polar_radius, surface_outline

    theta = np.linspace(0, 2 * np.pi, 241)
    w, h = 500 * cabinet.width, 500 * cabinet.height
    ax.plot([-w, w, w, -w, -w], [-h, -h, h, h, -h], color=INK, linewidth=0.9)
    for element in cabinet.elements:
        if element.face == "front" and element.name != now.name:
            shape, margin = footprint(element)
            r = 1e3 * (polar_radius(shape, theta) + margin)
            ax.plot(1e3 * element.y + r * np.cos(theta), 1e3 * element.z + r * np.sin(theta), color=RULE, linewidth=1)
    for guide, pen in ((start, _GHOST), (now, Pen(INK, "solid", 1.5))):
        r = 1e3 * polar_radius(surface_outline(guide), theta)
        ax.plot(1e3 * guide.y + r * np.cos(theta), 1e3 * guide.z + r * np.sin(theta), **pen.line())
    ax.set_aspect("equal", adjustable="datalim")
    ax.set_axis_off()


def _level(ax: Axes, frequency: Array, edge_db: Array) -> None:
    ax.axhspan(-7, -5, color=WASH, linewidth=0)
    ax.axhline(-6, color=MUTED, linewidth=0.6)
    for plane, line in zip(_THETA, edge_db, strict=True):
        ax.plot(frequency, line, **PLANE_PENS[plane].line(), marker="o", markersize=2.2)
    ax.set_ylim(-12, 0)
    frequency_axis(ax, float(frequency[0]), float(frequency[-1]), title=False)
    ax.set_ylabel("at the coverage angle, dB")
    ax.set_xlabel("Hz", labelpad=0)
    ax.set_title("Wanted: -6 dB (band: 1 dB, about a tenth of the beamwidth)", loc="left", fontsize=7, pad=3)
    ax.grid(True)


def _bars(ax: Axes, parts: Mapping[str, float]) -> None:
    names = [n for n in parts if parts[n] > 0]
    ax.barh(names, [parts[n] for n in names], color="#1b6f8a", height=0.65)
    ax.invert_yaxis()
    ax.tick_params(labelsize=6)
    ax.tick_params(axis="y", labelsize=5.5, length=0)
    ax.set_title("share of the objective", loc="left", fontsize=7)


__all__ = ["shape_step_figure"]
