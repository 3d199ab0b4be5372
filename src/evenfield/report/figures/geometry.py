"""The loudspeaker drawn to scale: front view and side section."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from evenfield.report.style import FULL_WIDTH, INK, MUTED, Pen

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Outline = Mapping[str, NDArray[np.float64]]

VIEW_WORDS = {"front": "Front", "side": "Side section", "top": "Top section"}


def geometry_figure(views: Mapping[str, Outline], pens: Mapping[str, Pen]) -> Figure:
    """All views side by side at one scale, with the outer measures.

    Parameters
        views : view -> part -> (N, 2) m polyline (front: across, up; side: forward, up)
        pens : way -> pen; parts named after a way ("woofer", "woofer.cone") take its colour
    """
    from matplotlib.figure import Figure

    boxes = {view: _box(parts) for view, parts in views.items()}
    margin, pad = 0.42, 0.52
    across = sum(b[1, 0] - b[0, 0] for b in boxes.values())
    up = max(b[1, 1] - b[0, 1] for b in boxes.values())
    space = FULL_WIDTH - len(boxes) * 2 * margin
    scale = min(space / across, 2.7 / up)  # inch of paper per metre
    height = up * scale + 0.3 + pad
    figure = Figure(figsize=(FULL_WIDTH, height))
    free = (space - across * scale) / (len(boxes) + 1)
    x = free
    for view, parts in views.items():
        low, high = boxes[view]
        wide, tall = (high - low) * scale
        x += margin
        ax = figure.add_axes((x / FULL_WIDTH, pad / height, wide / FULL_WIDTH, tall / height))
        _draw_view(ax, parts, boxes[view], pens)
        ax.set_title(VIEW_WORDS.get(view, view.capitalize()), loc="left", pad=6)
        x += wide + margin + free
    _scale_bar(figure, scale, height)
    return figure


def _box(parts: Outline) -> NDArray[np.float64]:
    points = np.concatenate([np.asarray(p, float) for p in parts.values()])
    points = points[np.all(np.isfinite(points), axis=1)]
    return np.array([points.min(0), points.max(0)])


def _draw_view(ax: Axes, parts: Outline, box: NDArray[np.float64], pens: Mapping[str, Pen]) -> None:
    (low_x, low_y), (high_x, high_y) = box
    ax.set_xlim(low_x, high_x)
    ax.set_ylim(low_y, high_y)
    ax.set_axis_off()
    for name, line in parts.items():
        pen = next((p for way, p in pens.items() if name.split(".")[0].split(" ")[0] == way), None)
        colour = pen.colour if pen else INK
        ax.plot(*np.asarray(line, float).T, color=colour, linewidth=1.1, clip_on=False, solid_joinstyle="round")
    _measure(ax, (low_x, low_y), (high_x, low_y), f"{1000 * (high_x - low_x):.0f} mm", (0, -9))
    _measure(ax, (high_x, low_y), (high_x, high_y), f"{1000 * (high_y - low_y):.0f} mm", (9, 0))


def _measure(ax: Axes, start: tuple[float, float], end: tuple[float, float], text: str, off: tuple[int, int]) -> None:
    """A dimension line, moved out by `off` points, with its length beside it."""
    from matplotlib.transforms import offset_copy

    moved = offset_copy(ax.transData, fig=ax.figure, x=off[0], y=off[1], units="points")  # type: ignore[arg-type]
    upright = start[0] == end[0]
    ax.plot(
        [start[0], end[0]], [start[1], end[1]], transform=moved, color=MUTED, linewidth=0.6, clip_on=False,
        marker="|" if not upright else "_", markersize=4,
    )  # fmt: skip
    middle = ((start[0] + end[0]) / 2, (start[1] + end[1]) / 2)
    ax.annotate(
        text, middle, xytext=(off[0] * 2, off[1] * 2), textcoords="offset points", ha="center", va="center",
        rotation=90 if upright else 0, fontsize=7, color=INK, annotation_clip=False,
    )  # fmt: skip


def _scale_bar(figure: Figure, scale: float, height: float) -> None:
    """A bar of 100 mm at the foot, because a page may be printed at any size."""
    from matplotlib.lines import Line2D

    length = 0.1 * scale
    right = 1 - 0.1 / FULL_WIDTH
    left = right - length / FULL_WIDTH
    y = 0.08 / height
    figure.add_artist(Line2D([left, right], [y, y], color=INK, linewidth=1.6, solid_capstyle="butt"))
    figure.text(left - 0.05 / FULL_WIDTH, y, "100 mm", ha="right", va="center", fontsize=7)
