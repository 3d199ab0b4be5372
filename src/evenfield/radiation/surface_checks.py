"""What is checked before a surface is solved: frequency, memory, mesh against wavelength."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base import DataError, EvenfieldError, MeshError, message
from evenfield.data import SurfaceMesh
from evenfield.data.mesh import PartName

FEWEST_PER_WAVELENGTH = 3.0
"""On a moving part: fewer elements are refused."""
GOOD_PER_WAVELENGTH = 6.0
"""On a moving part: fewer are noted."""
FEWEST_RIGID_PER_WAVELENGTH = 3.0
"""On a rigid wall: fewer are noted, never refused (a rear wall may be coarse)."""


def check_frequencies(frequency_hz: ArrayLike) -> NDArray[np.float64]:
    """(F,) positive, finite frequencies. Raises DataError."""
    f = np.atleast_1d(np.asarray(frequency_hz, float))
    if f.ndim != 1 or len(f) == 0:
        raise DataError(message("frequency_hz", "one value or a list of them", f"shape {np.shape(frequency_hz)}"))
    bad = np.flatnonzero(~(np.isfinite(f) & (f > 0)))
    if len(bad):
        raise DataError(message("frequency_hz", "finite and positive", f"{f[bad[0]]} Hz", where=f"index {bad[0]}"))
    return f


def check_memory(needed: int, precision: str) -> None:
    """Raise EvenfieldError when a solve needs more memory than is free."""
    import psutil

    free = int(psutil.virtual_memory().available)
    if needed > 0.95 * free:
        fix = "accuracy='engineering'" if precision == "double" else "a coarser mesh or a mirror plane"
        raise EvenfieldError(f"This solve needs {needed / 1e9:.1f} GB; {free / 1e9:.1f} GB are free. Try {fix}.")


def part_edges(mesh: SurfaceMesh) -> dict[PartName, float]:
    """Edge length of each moving part, and of the rigid wall under 0, m.

    The edge of a triangle is the mean of its three; the part's the one that 95 % of its triangles do not exceed.
    """
    corners = mesh.vertices[mesh.triangles]
    edge = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).mean(axis=1)
    edges = {name: float(np.quantile(edge[mesh.of_part(name)], 0.95)) for name in mesh.parts}
    rigid = ~np.any([mesh.of_part(name) for name in mesh.parts], axis=0) if mesh.parts else np.ones(len(edge), bool)
    if np.any(rigid):
        edges[0] = float(np.quantile(edge[rigid], 0.95))
    return edges


def check_resolution(edges: dict[PartName, float], frequency_hz: float, speed: float) -> tuple[float, tuple[str, ...]]:
    """Elements per wavelength on the coarsest moving part, and notes on parts that are coarse.

    Raises MeshError below FEWEST_PER_WAVELENGTH on a moving part.
    """
    wavelength = speed / frequency_hz
    notes, least = [], math.inf
    for name, edge in edges.items():
        ratio = wavelength / edge
        label = "the rigid wall" if name == 0 else f"part {name!r}"
        if name == 0:
            if ratio < FEWEST_RIGID_PER_WAVELENGTH:
                notes.append(f"{label} has {edge * 1e3:.1f} mm edges: under {FEWEST_RIGID_PER_WAVELENGTH:g} per wavelength from "
                             f"{speed / edge / FEWEST_RIGID_PER_WAVELENGTH:.0f} Hz")  # fmt: skip
            continue
        least = min(least, ratio)
        if ratio < FEWEST_PER_WAVELENGTH:
            raise MeshError(
                message(f"{label}", f"meshed with edges of at most {wavelength / FEWEST_PER_WAVELENGTH * 1e3:.1f} mm "
                        f"at {frequency_hz:.0f} Hz", f"{edge * 1e3:.1f} mm",
                        fix=f"{wavelength / GOOD_PER_WAVELENGTH * 1e3:.1f} mm")
            )  # fmt: skip
        if ratio < GOOD_PER_WAVELENGTH:
            notes.append(f"{label} has {edge * 1e3:.1f} mm edges: under {GOOD_PER_WAVELENGTH:g} per wavelength from "
                         f"{speed / edge / GOOD_PER_WAVELENGTH:.0f} Hz")  # fmt: skip
    return least, tuple(notes)
