"""The error that a flush solve states: the rule of `surface_error`, over all that meets air in front of the baffle."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from evenfield.radiation.surface_body import Floats
from evenfield.radiation.surface_error import CONSTANT_DB, FLOOR_DB, KEPT, front_directions

if TYPE_CHECKING:
    from evenfield.radiation.flush_solution import FlushFrequency


def flush_errors_db(solution: FlushFrequency) -> Floats:
    """(K,) error of each part's level to expect, dB, within 20 dB of the maximum; see `surface_error.part_errors_db`.

    The mean of (edge/wavelength)^2 runs over walls, protrusions and moving flat parts, weighted by the part's squared pressure,
    and over mouths, weighted by the mean of their recess.
    """
    problem, k = solution.problem, solution.wavenumber
    strength, weighted = np.zeros(len(solution.parts)), np.zeros(len(solution.parts))
    for body, pressure in zip(problem.body.bodies, solution.wall_pressure, strict=True):
        share = body.area * (np.abs(pressure[:, body.triangles]) ** 2).mean(axis=2)
        strength += share.sum(axis=1)
        weighted += share @ (body.edge_length * k / (2 * np.pi)) ** 4
    plane = problem.body.plane
    length = np.linalg.norm(plane.corners - np.roll(plane.corners, 1, axis=1), axis=2).mean(axis=1)
    for number, (body, pressure) in enumerate(zip(problem.body.recesses, solution.wall_pressure, strict=False)):
        mouth = plane.recess == number
        mean_square = (body.area * (np.abs(pressure[:, body.triangles]) ** 2).mean(axis=2)).sum(axis=1) / body.area.sum()
        strength += mean_square * plane.area[mouth].sum()
        weighted += mean_square * float(plane.area[mouth] @ (length[mouth] * k / (2 * np.pi)) ** 4)
    flat = plane.full_triangle >= 0
    share = np.abs(solution.flat_load) ** 2 / plane.area[flat]
    strength += share.sum(axis=1)
    weighted += share @ (length[flat] * k / (2 * np.pi)) ** 4
    mean = np.sqrt(weighted / np.maximum(strength, 1e-300))
    level = np.abs(solution.far_field(front_directions()))
    most = level.max(axis=1)
    least = np.where(level > most[:, None] / KEPT, level, np.inf).min(axis=1)
    span = np.where(most > 0, most / np.where(np.isfinite(least), least, 1.0), 1.0)
    return np.asarray(FLOOR_DB + CONSTANT_DB * np.sqrt(span) * mean)
