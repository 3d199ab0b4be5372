"""Electrical impedance: magnitude and phase."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from evenfield.data import Impedance
from evenfield.report.style import FULL_WIDTH, EndLabel, Pen, frequency_axis, label_ends, new_figure

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def impedance_figure(impedances: Mapping[str, Impedance], pens: Mapping[str, Pen]) -> Figure:
    """Magnitude above, phase below, one curve a way."""
    figure, (above, below) = new_figure(FULL_WIDTH, [1.5, 0.9], gap=0.12)
    low = min(float(z.frequency[0]) for z in impedances.values())
    high = max(float(z.frequency[-1]) for z in impedances.values())
    frequency_axis(above, low, high, title=False)
    frequency_axis(below, low, high)
    top = max(float(z.magnitude.max()) for z in impedances.values())
    above.tick_params(labelbottom=False)
    above.set_ylim(0, 10 * np.ceil(top * 1.05 / 10))
    above.set_ylabel("Magnitude, Ω")
    below.set_ylim(-90, 90)
    below.set_yticks([-90, -45, 0, 45, 90])
    below.set_ylabel("Phase, °")
    labels = []
    for name, z in impedances.items():
        above.plot(z.frequency, z.magnitude, **pens[name].line())
        below.plot(z.frequency, np.degrees(np.angle(z.value)), **pens[name].line())
        labels.append(EndLabel(float(z.magnitude[-1]), name, pens[name].colour))
    label_ends(above, labels)
    return figure
