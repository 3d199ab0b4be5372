"""The loudspeaker drawn to scale: front view and side section."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from evenfield.report.style import FULL_WIDTH, INK, MUTED, Pen, spread

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Outline = Mapping[str, NDArray[np.float64] | Sequence[NDArray[np.float64]]]

VIEW_WORDS = {"front": "Front", "side": "Side section", "top": "Top section"}


def geometry_figure(views: Mapping[str, Outline], pens: Mapping[str, Pen]) -> Figure:
    """All views side by side at one scale, with the outer measures.

    Parameters
        views : view -> part -> (N, 2) m polyline or several (front: y, z as seen from the front; side: x, z)
        pens : way -> pen; parts named after a way take its colour: "woofer" moves and is drawn heavy and named,
            "woofer.walls" light, "woofer.frame" (what it needs on the face) dotted
    """
    from matplotlib.figure import Figure

    boxes = {view: _box(parts) for view, parts in views.items()}
    margin, pad = 0.5, 0.52
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
        hidden = views.get("front", {}) if view != "front" else {}
        _name_parts(ax, {n: p for n, p in parts.items() if n not in hidden}, pens, boxes[view])
        ax.set_title(VIEW_WORDS.get(view, view.capitalize()), loc="left", pad=6)
        x += wide + margin + free
    _scale_bar(figure, scale, height)
    return figure


def _box(parts: Outline) -> NDArray[np.float64]:
    points = np.concatenate([line for part in parts.values() for line in _lines(part)])
    points = points[np.all(np.isfinite(points), axis=1)]
    return np.array([points.min(0), points.max(0)])


def _draw_view(ax: Axes, parts: Outline, box: NDArray[np.float64], pens: Mapping[str, Pen]) -> None:
    (low_x, low_y), (high_x, high_y) = box
    ax.set_xlim(low_x, high_x)
    ax.set_ylim(low_y, high_y)
    ax.set_axis_off()
    for name, part in parts.items():
        way, _, kind = name.partition(".")
        colour = pens[way].colour if way in pens else INK
        width, dash = _STROKES.get(kind, (0.9, "solid")) if kind or name == "cabinet" else (1.6, "solid")
        for line in _lines(part):
            ax.plot(*line.T, color=colour, linewidth=width, linestyle=dash, clip_on=False, solid_joinstyle="round")
    _measure(ax, (low_x, low_y), (high_x, low_y), f"{1000 * (high_x - low_x):.0f} mm", (0, -9))
    _measure(ax, (high_x, low_y), (high_x, high_y), f"{1000 * (high_y - low_y):.0f} mm", (9, 0))


_STROKES: dict[str, tuple[float, Any]] = {"frame": (0.6, (0, (1, 2))), "walls": (0.7, "solid")}


def _lines(part: NDArray[np.float64] | Sequence[NDArray[np.float64]]) -> list[NDArray[np.float64]]:
    """The polylines of one part, (N, 2) each."""
    return [np.asarray(part, float)] if isinstance(part, np.ndarray) else [np.asarray(line, float) for line in part]


def _name_parts(ax: Axes, parts: Outline, pens: Mapping[str, Pen], box: NDArray[np.float64]) -> None:
    """The names of what moves, left of the view at each part's height, a thin line leading there."""
    from matplotlib.transforms import offset_copy

    moving = [name for name in parts if "." not in name and name != "cabinet"]
    (left, low), (_, high) = box
    if not moving:
        return
    middle = {name: _box({name: parts[name]}).mean(0) for name in moving}
    height_pt = ax.get_window_extent().height * 72 / ax.figure.get_dpi()
    places = spread(np.array([middle[name][1] for name in moving]), 9 * (high - low) / height_pt)
    for name, y in zip(moving, places, strict=True):
        edge = (float(_box({name: parts[name]})[0, 0]), float(middle[name][1]))
        colour = pens[name].colour if name in pens else INK
        ax.annotate(
            name, edge, xytext=(left, y), textcoords=offset_copy(ax.transData, fig=ax.figure, x=-6, units="points"),  # type: ignore[arg-type]
            fontsize=7, color=colour, ha="right", va="center", annotation_clip=False,
            arrowprops={"arrowstyle": "-", "color": colour, "linewidth": 0.5, "shrinkA": 1, "shrinkB": 0},
        )  # fmt: skip


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
