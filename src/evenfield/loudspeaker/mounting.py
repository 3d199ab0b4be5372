"""Where the loudspeaker stands: free, flush in a wall, or so far before one, and what that means for solve and figures."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from evenfield.loudspeaker.design import Design, NearWall

if TYPE_CHECKING:
    from evenfield.data.mesh import SurfaceMesh
    from evenfield.loudspeaker.bands import Body
    from evenfield.loudspeaker.sweep import RadiationSweep
    from evenfield.radiation import SurfaceProblem
    from evenfield.shape import EdgeLengths

FloatArray = NDArray[np.float64]


def mounting_notes(design: Design) -> tuple[str, ...]:
    """What the mounting means for the figures, one line each."""
    if design.flush:
        from evenfield.radiation.flush import check_device

        return (
            "Flush in an infinite rigid baffle: sound in front of it only, zero behind. Sound power and directivity index refer "
            "to the full sphere, so a source that is even in front has 3.0 dB; the standard's rear wall counts as silent.",
            *check_device("auto"),
        )
    if isinstance(design.mounting, NearWall):
        return (
            f"Stands {float(design.mounting.wall):.2f} m before a wall: the figures are free-field; "
            "what walls do is the rooms' part.",
        )
    return ()


def inputs_of(flush: bool) -> tuple[object, ...]:
    """What the mounting adds to the key of stored results: nothing for a free one."""
    from evenfield import radiation

    return (("flush", radiation.FLUSH_VERSION),) if flush else ()


def mesh_lengths(body: Body, lengths: EdgeLengths) -> EdgeLengths:
    """Of a flush front only what moves, recedes or stands out meets air: all else may be as coarse as can be."""
    if not body.flush:
        return lengths
    size = min(body.cabinet.width, body.cabinet.height) / 5
    return replace(lengths, front=size, rear=size, edges=size, away=None, focus=())


def problem_of(
    body: Body, mesh: SurfaceMesh, patterns: tuple[str, ...] | None, device: str = "auto", *, balance: bool = True
) -> SurfaceProblem:
    """The body made ready to be solved; a flush one's problem and solutions have what the sweep asks of a free one's.

    A free body's mesh is balanced, unless its own vertices are to be differentiated by; a flush one's keeps the baffle's plane
    and the rims of its mouths.
    Raises DesignError where a flush body is to be solved on a GPU.
    """
    from evenfield.data.facets import balanced
    from evenfield.radiation import FlushProblem, SurfaceProblem

    if body.flush:
        given = FlushProblem(mesh, motion="axial", mirror=mesh.mirror, air=body.air, patterns=patterns, device=device)
        return given  # type: ignore[return-value]
    mesh = balanced(mesh) if balance else mesh
    return SurfaceProblem(mesh, motion="axial", mirror=mesh.mirror, air=body.air, patterns=patterns, device=device)


def on_the_sphere(sweep: RadiationSweep, flush: bool) -> RadiationSweep:
    """A flush sweep with the mean square of both sides in the baffle's plane, so that power over the sphere comes out right."""
    return replace(sweep, far_field=sweep.far_field * shares(sweep.directions.vectors)[:, None]) if flush else sweep


def shares(vectors: FloatArray) -> FloatArray:
    """(D,) what multiplies a flush body's far field towards unit vectors (D, 3): root of a half in the baffle's plane itself."""
    return np.where(np.abs(vectors[:, 0]) < 1e-9, math.sqrt(0.5), 1.0)
