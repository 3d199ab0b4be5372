"""Which stored directions lie on an orbit, and at which angles."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from evenfield.data.directions import PLANE_ROLL_DEG, Directions, Plane


def plane_axes(plane: Plane) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """(3,) unit vector at +90 degrees of the orbit, and (3,) unit normal of its plane."""
    roll = np.radians(PLANE_ROLL_DEG[plane])
    return np.array([0.0, np.cos(roll), np.sin(roll)]), np.array([0.0, -np.sin(roll), np.cos(roll)])


def orbit_angle_deg(plane: Plane, vectors: NDArray[np.float64]) -> NDArray[np.float64]:
    """(A,) angle on the orbit, degrees in (-180, 180], of (A, 3) vectors lying in its plane."""
    side, _ = plane_axes(plane)
    angle = np.degrees(np.arctan2(vectors @ side, vectors[:, 0]))
    return np.where(angle <= -180.0 + 1e-6, 180.0, angle)


def stored_orbit(
    directions: Directions, plane: Plane, tolerance_deg: float = 0.1
) -> tuple[NDArray[np.float64], NDArray[np.intp]]:
    """(A,) ascending angles in (-180, 180] degrees of the directions stored on an orbit, and (A,) their indices.

    A direction stored twice appears once.
    """
    _, normal = plane_axes(plane)
    near = np.flatnonzero(np.abs(directions.vectors @ normal) <= np.sin(np.radians(tolerance_deg)))
    angle = orbit_angle_deg(plane, directions.vectors[near])
    order = np.argsort(angle, kind="stable")
    angle, near = angle[order], near[order]
    if len(angle) == 0:
        return angle, near
    fresh = np.concatenate([[True], np.diff(angle) > tolerance_deg])
    return angle[fresh], near[fresh]
