"""The error that a solve states: from the solution, how finely the surface is meshed where each part's sound is."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenfield.base import MeshError, message
from evenfield.data.mesh import PartName
from evenfield.radiation.surface_body import Floats, SurfaceBody

Complex = NDArray[np.complexfloating[Any, Any]]

FLOOR_DB = 0.005
"""For the quadrature rules and the iteration."""
CONSTANT_DB = 3.0
"""Stated error over (edge/wavelength)^2 and the root of the span; caps need up to 4.0 for the true one (see `part_errors_db`)."""
KEPT = 10.0
"""Directions count down to this factor (20 dB) below the maximum."""
REFERENCE_DB = 0.05
"""What accuracy="reference" holds or refuses."""


def part_errors_db(body: SurfaceBody, wavenumber: float, pressure: Complex, far_field: Callable[[Floats], Complex]) -> Floats:
    """(K,) error of each part's level to expect, dB: front hemisphere (x >= 0), within 20 dB of the maximum.

    Parameters
        pressure : (K, V) on the vertices, Pa; far_field : gives its (K, D) far field towards (D, 3) unit vectors
    FLOOR_DB + CONSTANT_DB sqrt(s) m, where m is the mean of (edge/wavelength)^2 over the surface, root mean square with that
    part's squared pressure as weight, so that a wall counts as far as the part's sound reaches it, moving or rigid; s is the
    span, the largest over the smallest far-field pressure kept, as a given error is more decibels where the field is weak.
    Our own rule, second order as the elements are. True errors on caps of 20 to 90 degrees, ka 0.3 to 14, three meshes each,
    are at most 1.35 times what it states (half of them under a quarter); on a rounded box within the reference's own error.
    It does not see that a curved part's facets have less area than the part, nor a shape resolved worse than its waves.
    """
    corner = body.triangles
    strength = body.area * (np.abs(pressure[:, corner]) ** 2).mean(axis=2)
    fine = (body.edge_length * wavenumber / (2 * np.pi)) ** 4
    mean = np.sqrt(strength @ fine / np.maximum(strength.sum(axis=1), 1e-300))
    level = np.abs(far_field(front_directions()))
    most = level.max(axis=1)
    least = np.where(level > most[:, None] / KEPT, level, np.inf).min(axis=1)
    span = np.where(most > 0, most / np.where(np.isfinite(least), least, 1.0), 1.0)
    return np.asarray(FLOOR_DB + CONSTANT_DB * np.sqrt(span) * mean)


def hold_reference(errors_db: Floats, parts: tuple[PartName, ...], frequency_hz: float) -> None:
    """Raise MeshError where a stated error is above REFERENCE_DB."""
    worst = int(np.argmax(errors_db))
    if errors_db[worst] > REFERENCE_DB:
        ratio = np.sqrt((REFERENCE_DB - FLOOR_DB) / (errors_db[worst] - FLOOR_DB))
        raise MeshError(
            message(
                "mesh",
                f'fine enough for {REFERENCE_DB:g} dB with accuracy="reference"',
                f"an estimated error of {errors_db[worst]:.2f} dB",
                where=f"part {parts[worst]!r}, {frequency_hz:.0f} Hz",
                fix=f'edges {ratio:.2f} times as long, or accuracy="engineering", which states its error',
            )
        )


def front_directions() -> Floats:
    """(D, 3) unit vectors over the front hemisphere, 7.5 degrees from ring to ring."""
    polar, around = np.meshgrid(np.radians(np.arange(7.5, 91, 7.5)), np.arange(8) * np.pi / 4 + 0.1)
    polar, around = np.append(0.0, polar.ravel()), np.append(0.0, around.ravel())
    return np.stack([np.cos(polar), np.sin(polar) * np.cos(around), np.sin(polar) * np.sin(around)], axis=1)
