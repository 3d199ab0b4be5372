"""The error that a solve states: from the solution, how finely the surface is meshed where each part's sound is."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenfield.base import MeshError, message
from evenfield.data.facets import lacking_volume
from evenfield.data.mesh import PartName, SurfaceMesh
from evenfield.radiation.surface_body import Floats, SurfaceBody

Complex = NDArray[np.complexfloating[Any, Any]]

FLOOR_DB = 0.005
"""For the quadrature rules and the iteration."""
CONSTANT_DB = 3.0
"""Stated error over (edge/wavelength)^2 and the root of the span; caps need up to 4.0 for the true one (see `part_errors_db`)."""
FACETS = 1.2
FACETS_BALANCED = 0.6
"""Share that is stated of the most that flat facets on curved walls change the sound, with corners on the surface and where they
lie evenly about it (`data.facets.balanced`). Fitted on the four bodies of `exact.flared_body`, three edge lengths, 0.3 to 4 kHz,
whose true errors are at most 1.44 and 1.50 times the statement. On four others, likewise, they are at most 1.46 and 1.19 times it
(without this term within 1.5 times in 25 and 76 % of 68 cases)."""
KEPT = 10.0
"""Directions count down to this factor (20 dB) below the maximum."""
REFERENCE_DB = 0.05
"""What accuracy="reference" holds or refuses."""


def part_errors_db(
    body: SurfaceBody, wavenumber: float, pressure: Complex, far_field: Callable[[Floats], Complex], facets: Floats
) -> Floats:
    """(K,) error of each part's level to expect, dB: front hemisphere (x >= 0), within 20 dB of the maximum.

    Parameters
        pressure : (K, V) on the vertices, Pa; far_field : gives its (K, D) far field towards (D, 3) unit vectors
        facets : (T,) how much volume between facets and curved surface counts, m3 (see `facet_weights`)
    FLOOR_DB + CONSTANT_DB sqrt(s) m, where m is the mean of (edge/wavelength)^2 over the surface, root mean square with that
    part's squared pressure as weight, so that a wall counts as far as the part's sound reaches it, moving or rigid; s is the
    span, the largest over the smallest far-field pressure kept, as a given error is more decibels where the field is weak.
    Our own rule, second order as the elements are. True errors on caps of 20 to 90 degrees, ka 0.3 to 14, three meshes each,
    are at most 1.35 times what it states (half of them under a quarter); on a rounded box within the reference's own error.
    In quadrature, the facets add 20/ln 10 k sum of volume (|grad p| + k |p|) over 4 pi of the largest far-field pressure: a
    rigid wall moved outwards by h changes the far field by the integral of h (grad p . grad q - k^2 p q)/(4 pi), q being the
    field of a wave from where one listens (Hadamard's formula for a Neumann boundary; Feijoo, Oberai & Pinsky, Inverse Problems
    20 (2004) 199, from memory), here of amplitude 1. Patches half a wavelength wide add by their squares: with M of them where
    those volumes lie, the sum is divided by the root of M.
    It does not see that the rim of a part, drawn with corners on a circle, encloses less than the circle.
    """
    corner = body.triangles
    strength = body.area * (np.abs(pressure[:, corner]) ** 2).mean(axis=2)
    fine = (body.edge_length * wavenumber / (2 * np.pi)) ** 4
    mean = np.sqrt(strength @ fine / np.maximum(strength.sum(axis=1), 1e-300))
    level = np.abs(far_field(front_directions()))
    most = level.max(axis=1)
    least = np.where(level > most[:, None] / KEPT, level, np.inf).min(axis=1)
    span = np.where(most > 0, most / np.where(np.isfinite(least), least, 1.0), 1.0)
    moved = facets_change(body, wavenumber, pressure, facets) / (4 * np.pi * np.maximum(most, 1e-300))
    return np.asarray(FLOOR_DB + np.hypot(CONSTANT_DB * np.sqrt(span) * mean, 20 / np.log(10) * moved))


def facet_weights(mesh: SurfaceMesh, body: SurfaceBody) -> Floats:
    """(T,) m3, of the solved triangles with their images: volume that each lacks, times the share of it that is stated."""
    share = FACETS_BALANCED if mesh.balanced else FACETS
    return np.asarray(share * body.copies * np.abs(lacking_volume(mesh))[body.full_triangle])


def facets_change(body: SurfaceBody, wavenumber: float, pressure: Complex, facets: Floats) -> Floats:
    """(K,) 4 pi times the change of the far field, Pa m, that volumes (T,) between facets and surface may make."""
    slope = np.linalg.norm(surface_gradient(body, pressure), axis=2)
    change = wavenumber * facets * (slope + wavenumber * np.abs(pressure[:, body.triangles].mean(axis=2)))
    total = change.sum(axis=1)
    spread = total**2 / np.maximum((change**2 / (body.copies * body.area)).sum(axis=1), 1e-300)
    return np.asarray(total / np.sqrt(np.maximum(1.0, spread * (wavenumber / np.pi) ** 2)))


def surface_gradient(body: SurfaceBody, pressure: Complex) -> Complex:
    """(K, T, 3) of linear pressures (K, V), Pa/m."""
    opposite = np.roll(body.corners, -2, axis=1) - np.roll(body.corners, -1, axis=1)
    slope = np.cross(body.normal[:, None], opposite) / (2 * body.area)[:, None, None]
    return np.asarray(np.einsum("kta,tac->ktc", pressure[:, body.triangles], slope))


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
