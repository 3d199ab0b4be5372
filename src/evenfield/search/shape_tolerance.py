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
from evenfield.search.linear_field import LinearField
from evenfield.search.minimax import rows
from evenfield.search.objective import Score
from evenfield.search.shape_stage import Stage
from evenfield.search.targets import ratios_at

Array = NDArray[np.float64]

ANGLE_PER_MM = math.radians(1.0)
"""rad per mm: an angle of a wall some 60 mm long is off by a degree where its end is off by a millimetre."""


@dataclass(frozen=True)
class Corner:
    """One corner: what it was chosen for, the design there, its score on the search's own frequencies, and how bad it is: its
    worst target where the search closed, else its objective.
    """

    name: str
    design: Design
    score: Score
    badness: float = 0.0


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
                found.append(_corner(f"{name} {word}" + ("" if reach == 1 else ", half"), design, stage))
                break
    return found


def _corner(name: str, design: Design, stage: Stage, targets: bool = False) -> Corner:
    score = stage.measure(design)
    if not targets:
        return Corner(name, design, score, score.value)
    assert stage.objective is not None
    found = stage.measured
    return Corner(name, design, score, ratios_at(stage.objective, found.far, found.impedance).worst)


def target_corners(stage: Stage, near: LinearField, tolerance: float, most: int = 4) -> list[Corner]:
    """The corners where the linear field sends some target farthest, the worst few that differ; solved.

    Over all corners of the box a target that is linear ends at its value and the sum of its slopes' sizes; every target at every
    frequency is looked at so. Corners that the geometry refuses are drawn back halfway, and left out where that does not help.
    """
    assert stage.objective is not None
    limits = np.array([_limit(d.unit, tolerance) for d in stage.space.dimensions]) / stage.space.span
    value, slope = rows(ratios_at(stage.objective, near.far, near.impedance, near))
    end = value + np.abs(slope) @ limits
    chosen: list[Array] = []
    found: list[Corner] = []
    for n in np.argsort(-end):
        signs = np.sign(slope[n])
        if len(found) >= most or len(chosen) >= 4 * most:
            break
        if any(float(np.mean(signs == s)) > 0.8 for s in chosen):
            continue
        chosen.append(signs)
        for reach in (1.0, 0.5):
            design = stage.space.at(near.share + reach * limits * signs)
            try:
                cabinet_of(design, stage.folder)
            except DesignError:
                continue
            found.append(_corner(f"corner {len(found) + 1}" + ("" if reach == 1 else ", half"), design, stage, True))
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


__all__ = ["Corner", "corners", "target_corners", "worst"]
