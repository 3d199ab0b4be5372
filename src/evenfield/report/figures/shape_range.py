"""The members of a range side by side: beamwidth in three planes and directivity index, at the same scale."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from evenfield.report.style import FULL_WIDTH, MUTED, PLANE_PENS, WASH, frequency_axis, way_pens

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def range_figure(members: Sequence[Any]) -> Figure:
    """One column a member (see `search.shape_range.Member`): beamwidths above, directivity indices below."""
    from matplotlib.figure import Figure

    count = len(members)
    figure = Figure(figsize=(max(FULL_WIDTH, 2.6 * count), 4.2))
    axes = figure.subplots(2, count, sharex="col", sharey="row", squeeze=False)
    figure.subplots_adjust(left=0.08, right=0.98, top=0.92, bottom=0.1, wspace=0.12, hspace=0.1)
    low = min(float(m.frequency[0]) for m in members)
    high = max(float(m.frequency[-1]) for m in members)
    for n, m in enumerate(members):
        beam, index = axes[0, n], axes[1, n]
        wanted = [math.degrees(a) for a in m.aim.coverage.values()]
        beam.axhspan(0.9 * min(wanted), 1.1 * max(wanted), color=WASH, linewidth=0)
        for plane, pen in list(PLANE_PENS.items())[:3]:
            beam.plot(m.frequency, np.degrees(m.width[plane]), label=plane, **pen.line())
        for name, pen in way_pens(m.index_db).items():
            index.plot(m.frequency, m.index_db[name], label=name, **pen.line())
        for ax in (beam, index):
            ax.axvline(m.aim.handover, color=MUTED, linewidth=0.6, linestyle=(0, (1, 1.5)))
            ax.grid(True)
        beam.set_ylim(40, 200)
        index.set_ylim(2, 14)
        frequency_axis(beam, low, high, title=False)
        frequency_axis(index, low, high)
        beam.set_title(f"{m.name} (handover {m.aim.handover:.0f} Hz)", loc="left")
        index.legend(loc="upper left", fontsize=6.5, frameon=False)
    axes[0, 0].legend(loc="upper right", fontsize=6.5, frameon=False, handlelength=2.6)
    axes[0, 0].set_ylabel("beamwidth, deg (band: aim ±10 %)")
    axes[1, 0].set_ylabel("directivity index, dB")
    return figure


__all__ = ["range_figure"]
