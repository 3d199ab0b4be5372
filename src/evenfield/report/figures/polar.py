"""Polar maps: level over angle and frequency in one plane."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from evenfield.report.style import FULL_WIDTH, INK, PAPER, frequency_axis, level_colours, new_figure

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.contour import QuadContourSet
    from matplotlib.figure import Figure

FloatArray = NDArray[np.float64]

STEP_DB = 3.0
FLOOR_DB = -30.0


def draw_polar(ax: Axes, frequency: FloatArray, angle_deg: FloatArray, level_db: FloatArray) -> QuadContourSet:
    """Filled bands of 3 dB with the -6 dB line.

    Parameters
        frequency : (F,) Hz
        angle_deg : (A,) degrees, ascending, -180 ... 180
        level_db : (A, F) dB relative to the reference axis at each frequency
    """
    top = edges_top(level_db)
    edges = np.arange(FLOOR_DB, top + STEP_DB / 2, STEP_DB)
    level = np.clip(level_db, FLOOR_DB - 1, top - 1e-6)
    colours = level_colours(len(edges))
    # below the zorder the picture is one image inside the drawing: hundreds of band outlines would cost megabytes
    ax.set_rasterization_zorder(1)
    bands = ax.contourf(frequency, angle_deg, level, levels=edges, colors=colours[1:], zorder=0, antialiased=False)
    ax.set_facecolor(colours[0])
    ax.contour(frequency, angle_deg, level_db, levels=[-6.0], colors=PAPER, linewidths=2.4, zorder=2)
    ax.contour(frequency, angle_deg, level_db, levels=[-6.0], colors=INK, linewidths=1.1, zorder=3)
    return bands


def edges_top(level_db: FloatArray) -> float:
    """Upper end of the scale, dB: the first whole step above the loudest, 0 to 6 dB."""
    return float(np.clip(STEP_DB * np.ceil(np.nanmax(level_db) / STEP_DB), 0.0, 6.0))


def polar_figure(
    frequency: FloatArray, angle_deg: FloatArray, level_db: FloatArray, *, plane: str, low_hz: float = 100.0
) -> Figure:
    """One plane's polar map with its scale."""
    figure, (ax,) = new_figure(FULL_WIDTH, [1.8], right=0.8)
    frequency_axis(ax, max(low_hz, float(frequency[0])), float(frequency[-1]))
    ax.grid(False, which="minor")
    ax.grid(True, which="major", color="#ffffff", linewidth=0.3, alpha=0.6)
    bands = draw_polar(ax, frequency, angle_deg, level_db)
    ax.set_ylim(-180, 180)
    ax.set_yticks(np.arange(-180, 181, 60))
    ax.set_ylabel(f"{plane.capitalize()} angle, °")
    width, box = figure.get_figwidth(), ax.get_position()
    scale = figure.add_axes((1 - 0.7 / width, box.y0, 0.12 / width, box.height))
    bar = figure.colorbar(bands, cax=scale, ticks=np.arange(FLOOR_DB, edges_top(level_db) + 1, 6.0))
    bar.ax.axhline(-6.0, color=INK, linewidth=1.1)
    bar.ax.set_ylabel("dB re axis", labelpad=3)
    bar.outline.set_linewidth(0.4)
    return figure
