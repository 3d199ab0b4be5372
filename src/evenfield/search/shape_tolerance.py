"""The corners of a tolerance box that hurt most: where first derivatives send each measure, then solved."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenfield.base.errors import DesignError
from evenfield.loudspeaker.design import Design
from evenfield.loudspeaker.geometry import cabinet_of
from evenfield.search.objective import Score
from evenfield.search.shape_stage import Stage

Array = NDArray[np.float64]

ANGLE_PER_MM = math.radians(1.0)
"""rad per mm: an angle of a wall some 60 mm long is off by a degree where its end is off by a millimetre."""


@dataclass(frozen=True)
class Corner:
    """One corner: what it was chosen for, the design there, its score on the search's own frequencies."""

    name: str
    design: Design
    score: Score


def corners(stage: Stage, share: Array, slopes: Mapping[str, Array], tolerance: float) -> list[Corner]:
    """Both corners along each measure's derivative, with every length off by `tolerance` (m) and angles in proportion; solved.

    Corners that the geometry refuses are drawn back halfway, and left out where that does not help either.
    """
    limits = np.array([_limit(d.unit, tolerance) for d in stage.space.dimensions]) / stage.space.span
    found = []
    for name, slope in slopes.items():
        for sign, word in ((1.0, "up"), (-1.0, "down")):
            for reach in (1.0, 0.5):
                place = share + sign * reach * limits * np.sign(slope)
                design = stage.space.at(place)
                try:
                    cabinet_of(design, stage.folder)
                except DesignError:
                    continue
                found.append(Corner(f"{name} {word}" + ("" if reach == 1 else ", half"), design, stage.measure(design)))
                break
    return found


def _limit(unit: str, tolerance: float) -> float:
    return {"mm": tolerance, "deg": 1e3 * tolerance * ANGLE_PER_MM, "": 50 * tolerance}[unit]


def worst(found: list[Corner]) -> dict[str, float]:
    """The worst of each measure over the corners."""
    result: dict[str, float] = {}
    for corner in found:
        for name, value in corner.score.measures.items():
            if abs(value) > abs(result.get(name, 0.0)):
                result[name] = value
    return result


__all__ = ["Corner", "corners", "worst"]
