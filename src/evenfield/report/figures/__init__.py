"""Pictures: functions that take arrays and give a matplotlib Figure, or draw into given Axes.

Call them inside `matplotlib.rc_context(evenfield.report.style.RC)` to have the report's look.
"""

from evenfield.report.figures.curves import Band, band_figure, beamwidth_figure, curve_set_figure, draw_lines, ripple_figure
from evenfield.report.figures.electric import impedance_figure
from evenfield.report.figures.geometry import geometry_figure
from evenfield.report.figures.handover import Strip, draw_beamwidth, draw_di, draw_levels, draw_lobing, handover_figure
from evenfield.report.figures.motion import excursion_figure, loudness_figure, vent_figure
from evenfield.report.figures.polar import draw_polar, polar_figure
from evenfield.report.figures.time import decay_figure, step_figure

__all__ = [
    "Band",
    "Strip",
    "band_figure",
    "beamwidth_figure",
    "curve_set_figure",
    "decay_figure",
    "draw_beamwidth",
    "draw_di",
    "draw_levels",
    "draw_lines",
    "draw_lobing",
    "draw_polar",
    "excursion_figure",
    "geometry_figure",
    "handover_figure",
    "impedance_figure",
    "loudness_figure",
    "polar_figure",
    "ripple_figure",
    "step_figure",
    "vent_figure",
]
