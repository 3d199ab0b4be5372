"""The members of a range side by side at one scale: faces, beamwidths in three planes, directivity indices."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from evenfield.report.style import FULL_WIDTH, INK, MUTED, PLANE_PENS, RULE, WASH, Pen, frequency_axis, way_pens

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

FAINT = "#e4e8e9"
BASE_PEN = Pen(MUTED, "solid", 0.8)
_BEAM, _INDEX = (30.0, 200.0), (0.0, 14.0)


def range_figure(members: Sequence[Any]) -> Figure:
    """One column a member (see `search.range_member.Member`): its face to scale, beamwidths, directivity indices; the first
    member's curves thin in the others' columns.
    """
    from matplotlib.figure import Figure

    count = len(members)
    figure = Figure(figsize=(max(FULL_WIDTH, 2.3 * count), 5.3))
    axes = figure.subplots(3, count, squeeze=False, gridspec_kw={"height_ratios": [0.8, 1.15, 1.0]})
    figure.subplots_adjust(left=0.075, right=0.97, top=0.95, bottom=0.075, wspace=0.1, hspace=0.16)
    band = min(float(m.frequency[0]) for m in members), max(float(m.frequency[-1]) for m in members)
    tall, wide = (max(m.face[i] for m in members) for i in (1, 0))
    for n, m in enumerate(members):
        _face(axes[0, n], m, 1.08 * max(tall, wide * 0.6), n == 0)
        _beams(axes[1, n], m, None if n == 0 else members[0], band)
        _indices(axes[2, n], m, None if n == 0 else members[0], band)
        if n:
            axes[1, n].tick_params(labelleft=False)
            axes[2, n].tick_params(labelleft=False)
    axes[1, 0].set_ylabel("beamwidth, deg")
    axes[2, 0].set_ylabel("directivity index, dB")
    axes[1, 0].legend(loc="lower left", fontsize=6.5, frameon=False, handlelength=2.6)
    return figure


def _face(ax: Axes, m: Any, tall: float, first: bool) -> None:
    """Cabinet and mouth from the front, all members at one scale."""
    from matplotlib.patches import FancyBboxPatch, Rectangle

    ax.set_axis_off()
    ax.set_aspect("equal")
    ax.set_xlim(-0.35 * tall, 0.75 * tall)
    ax.set_ylim(-0.04 * tall, tall)
    width, height = m.face
    ax.add_patch(Rectangle((-width / 2, 0), width, height, facecolor="none", edgecolor=INK, linewidth=0.8))
    mouth, corner = m.mouth, 0.3 * min(m.mouth)
    inner = FancyBboxPatch(
        (m.place[0] - mouth[0] / 2 + corner, height / 2 + m.place[1] - mouth[1] / 2 + corner),
        mouth[0] - 2 * corner, mouth[1] - 2 * corner, boxstyle=f"round,pad={corner}",
        facecolor=RULE, edgecolor=INK, linewidth=0.6,
    )  # fmt: skip
    ax.add_patch(inner)
    words = f"{1e3 * mouth[0]:.0f} × {1e3 * mouth[1]:.0f} mm\n{1e3 * m.depth:.0f} mm deep"
    ax.text(width / 2 + 0.03 * tall, height / 2 + m.place[1], words, ha="left", va="center", fontsize=6.5)
    ax.set_title(f"{m.name}{', as it is' if first else ', derived'}", loc="left", fontweight="bold")


def _common(ax: Axes, m: Any, band: tuple[float, float]) -> None:
    """Grid, where the coverage is asked for, the handover, and where the mouth no longer holds the beam."""
    ax.grid(True)
    lost = max(m.control(p) for p in m.width)
    ax.axvspan(band[0], lost, facecolor="none", edgecolor=FAINT, hatch="///", linewidth=0, zorder=0)
    if m.aim.handover:
        ax.axvline(m.aim.handover, color=MUTED, linewidth=0.8, linestyle=(0, (1, 1.5)))


def _beams(ax: Axes, m: Any, base: Any, band: tuple[float, float]) -> None:
    _common(ax, m, band)
    wanted = [math.degrees(a) for a in m.aim.coverage.values()]
    use = [m.aim.low, m.aim.high]
    ax.fill_between(use, 0.9 * min(wanted), 1.1 * max(wanted), color=WASH, linewidth=0, zorder=0)
    if base is not None:
        ax.plot(base.frequency, np.degrees(base.width["horizontal"]), **BASE_PEN.line())
    for plane, pen in list(PLANE_PENS.items())[:3]:
        ax.plot(m.frequency, np.degrees(m.width[plane]), label=plane, **pen.line())
    ax.set_ylim(*_BEAM)
    frequency_axis(ax, *band, title=False)
    ax.tick_params(labelbottom=False)
    if m.aim.handover:
        ax.text(m.aim.handover, _BEAM[1] - 3, f" handover {m.aim.handover:.0f} Hz", fontsize=6, color=MUTED, va="top")


def _indices(ax: Axes, m: Any, base: Any, band: tuple[float, float]) -> None:
    _common(ax, m, band)
    if base is not None:
        ax.plot(base.frequency, base.index_db[base.aim.upper], label=f"{base.name}, {base.aim.upper}", **BASE_PEN.line())
    for name, pen in way_pens(m.index_db).items():
        shown = m.frequency <= 2 * m.aim.handover if name == m.aim.lower else m.frequency > 0
        ax.plot(m.frequency[shown], m.index_db[name][shown], label=name, **pen.line())
    ax.set_ylim(*_INDEX)
    frequency_axis(ax, *band)
    ax.legend(loc="lower right", fontsize=6.5, frameon=False)


CAPTION = (
    "Beamwidth (−6 dB) of the shaped way unfiltered, in place; full-sphere directivity index of it and of the way below. "
    "Shaded: the coverage carried, ±10 %, where it is asked for. Hatched: in one plane at least the mouth holds it no more. "
    "Dotted: handover. Thin grey: the first loudspeaker's horizontal beam, and its DI."
)

__all__ = ["CAPTION", "range_figure"]
