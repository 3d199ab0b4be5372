"""Where a design's filtered ways meet, from a few solves, and whether an aim can be met at all."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from evenfield.base.errors import DesignError, message
from evenfield.loudspeaker.chains import has_filters
from evenfield.loudspeaker.design import Design
from evenfield.loudspeaker.geometry import cabinet_of
from evenfield.search.aim import Aim
from evenfield.search.listening import WINDOW, listening_for
from evenfield.search.shape_field import Fineness, ShapeField

Array = NDArray[np.float64]

CONTROL = 25.3e3
"""Hz m deg: a mouth of width w holds a coverage angle of t degrees down to about CONTROL/(w t). Source: D. B. Keele, 51st AES
Convention (1975), preprint 1038: 10^6 with inches (from memory); a rule of thumb.
"""
_SLACK = 0.75  # of that frequency; a mouth in a cabinet is helped by the baffle around it


def find_handover(design: Design, aim: Aim, folder: str | Path | None = None, device: str = "auto") -> float:
    """Where the listening-window levels of the two filtered ways are equal, Hz; the aim's own where there are no filters.

    Seven solves around the aim's; levels are linear in log frequency between. Raises DesignError where the ways do not meet
    there.
    """
    if aim.lower is None or not has_filters(design):
        return aim.handover
    frequency = aim.handover * 2.0 ** np.linspace(-0.75, 0.75, 7)
    listening = listening_for(aim, cabinet_of(design, folder).symmetric, 15.0)
    solver = ShapeField(design, frequency.tolist(), listening.vectors[listening.listener], Fineness(5.0, 1.6), folder, device)
    found = solver.solve(design)
    drive = solver.drive(design, found, aim.upper)
    level = {}
    for name in (aim.lower, aim.upper):
        pressure = np.einsum("pf,pdf->df", drive.motion[name], found.far) * drive.chain[name]
        level[name] = 10 * np.log10(np.mean(np.abs(pressure) ** 2, axis=0))
    lead = level[aim.lower] - level[aim.upper]
    falls = np.flatnonzero((lead[:-1] > 0) & (lead[1:] <= 0))
    if len(falls) == 0:
        raise DesignError(
            message(
                f"the filters of {aim.lower} and {aim.upper}",
                f"such that the ways meet between {frequency[0]:.0f} and {frequency[-1]:.0f} Hz",
                f"{lead[0]:+.1f} dB to {lead[-1]:+.1f} dB of {aim.lower} over {aim.upper}",
                fix='--aim "handover=..."',
            ),
            f"ways.{aim.upper}.filters",
        )
    i = int(falls[0])
    share = lead[i] / (lead[i] - lead[i + 1])
    return float(frequency[i] * (frequency[i + 1] / frequency[i]) ** share)


def check_aim(design: Design, aim: Aim) -> None:
    """Raise DesignError where a flush loudspeaker should cover what lies behind its wall, or where no mouth that the cabinet can
    hold keeps the wanted coverage as low as asked: says the pair in conflict and the nearest that could be.
    """
    for plane, wanted in aim.coverage.items() if design.flush else ():
        if wanted * WINDOW[1] >= math.pi:
            most = math.floor(math.degrees(math.pi / WINDOW[1]))
            raise DesignError(
                message(
                    f"aim.{plane}", f"at most {most} deg with mounting: flush", f"{math.degrees(wanted):.0f} deg",
                    cause="The level is watched a little beyond the coverage, and there is no sound behind the wall",
                    fix=f"{plane}={most} deg",
                ),
                "brief.coverage",
            )  # fmt: skip
    for plane, widest in _flat(design).items():
        degrees = math.degrees(aim.coverage[plane])
        lowest = _SLACK * CONTROL / (widest * degrees)
        if aim.low < lowest:
            wider = _SLACK * CONTROL / (widest * aim.low)
            raise DesignError(
                message(
                    f"aim.{plane}",
                    f"such that a mouth of at most {1e3 * widest:.0f} mm (the flat of the front) holds it from {aim.low:.0f} Hz",
                    f"{degrees:.0f} deg",
                    cause=f"Coverage and its lowest frequency conflict: such a mouth holds {degrees:.0f} deg from about "
                    f"{lowest:.0f} Hz (a rule of thumb)",
                    fix=f"low={lowest:.0f} Hz, or {plane}={math.ceil(wider)} deg",
                ),
                "brief.coverage",
            )


def lowest_held(design: Design, aim: Aim) -> float:
    """Hz; from where `check_aim` lets the coverage be asked of this cabinet."""
    return max(_SLACK * CONTROL / (widest * math.degrees(aim.coverage[plane])) for plane, widest in _flat(design).items())


def _flat(design: Design) -> dict[str, float]:
    """m, of the front, between its rounded edges."""
    c = design.cabinet
    return {"horizontal": float(c.width) - 2 * float(c.edge_radius), "vertical": float(c.height) - 2 * float(c.edge_radius)}


__all__ = ["CONTROL", "check_aim", "find_handover", "lowest_held"]
