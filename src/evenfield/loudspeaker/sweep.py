"""The radiation of a body over frequency: meshes by band, one boundary-element solve a frequency, each kept in the store."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from evenfield.base.air import Air
from evenfield.data.directions import Directions, sphere_directions
from evenfield.loudspeaker.frequencies import ComplexArray, FloatArray
from evenfield.loudspeaker.profiles import Profiles, velocities
from evenfield.loudspeaker.store import Arrays, Store, key_of
from evenfield.shape.elements import Cabinet, Coaxial, Cone, Element, Source, VentOpening, Waveguide, moving_names

LARGEST_KA = 6.0
"""A diaphragm of larger ka is never in its band: the mesh then cares for the smaller ones, and is coarser away from them."""

PER_WAVELENGTH = 6.5
AWAY_FACTOR = 1.7
"""Elements per wavelength where it matters, and how much coarser elsewhere above `LARGEST_KA`; measured on Skiff's tweeter
at 12 and 17 kHz: 0.1 dB RMS, 0.5 dB at most in front, within 20 dB of the maximum, as with a uniform mesh."""

BAND_RATIO = 1.2
"""A mesh serves frequencies down to its highest one over this: the cost of a solve rises with the fourth power of frequency."""


class Progress(Protocol):
    """Something that shows how far a long job is."""

    def start(self, total: int, what: str) -> None:
        """Begin a job of `total` steps."""

    def step(self, what: str = "", share: float = 1.0) -> None:
        """One step done, or a share of it."""

    def done(self) -> None:
        """The job is over."""


class NoProgress:
    """Shows nothing."""

    def start(self, total: int, what: str) -> None:
        """Nothing."""

    def step(self, what: str = "", share: float = 1.0) -> None:
        """Nothing."""

    def done(self) -> None:
        """Nothing."""


@dataclass(frozen=True)
class RadiationSweep:
    """Far field and radiation impedance per unit outward velocity of each moving part.

    Parameters
        parts : P names
        frequency : (S,) Hz, as solved
        far_field : (P, D, S) complex, lim r p e^{jkr} about the design's origin, Pa at 1 m for 1 m/s
        impedance : (P, P, S) complex, N s/m
        error_db : (S,) estimated level error, front hemisphere
    """

    parts: tuple[str, ...]
    frequency: FloatArray
    directions: Directions
    far_field: ComplexArray
    impedance: ComplexArray
    error_db: FloatArray
    statistics: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Body:
    """What is solved: the cabinet, the air, and the velocity profiles of the parts that are not rigid pistons."""

    cabinet: Cabinet
    air: Air
    profiles: Profiles

    def inputs(self) -> tuple[Any, ...]:
        """Everything that the result depends on, but the frequency."""
        from evenfield import radiation, shape

        physics = (shape.PHYSICS_VERSION, radiation.PHYSICS_VERSION, BAND_RATIO, LARGEST_KA, PER_WAVELENGTH, AWAY_FACTOR)
        given = (dict(self.profiles),) if self.profiles else ()
        return (self.cabinet, self.air.speed_of_sound, self.air.density, *physics, *given)


def sweep_radiation(
    cabinet: Cabinet,
    frequency: FloatArray,
    air: Air,
    store: Store | None = None,
    progress: Progress | None = None,
    profiles: Profiles | None = None,
) -> RadiationSweep:
    """Solve every frequency that the store does not hold yet.

    Parts move along x, rigidly or with the velocity profile of their name in `profiles`.

    An interrupted call leaves its finished frequencies in the store; the next one goes on from there.
    Raises MeshError when the body cannot be solved.
    """
    body = Body(cabinet, air, profiles or {})
    inputs = body.inputs()
    whole = key_of("sweep", inputs, frequency)
    stored = store.read(whole) if store else None
    if stored is None:
        stored = _solve_all(body, frequency, store, progress or NoProgress())
        if store:
            store.write(whole, "sweep", stored, seconds=float(stored["seconds"].sum()), note=f"{len(frequency)} frequencies")
            for f in frequency:
                store.remove(_key(inputs, f))
    return _assemble(cabinet, frequency, stored)


def sweep_is_stored(cabinet: Cabinet, frequency: FloatArray, air: Air, store: Store, profiles: Profiles | None = None) -> bool:
    """True when the store holds the whole sweep."""
    return store.path_of(key_of("sweep", Body(cabinet, air, profiles or {}).inputs(), frequency)).exists()


def part_names(cabinet: Cabinet) -> tuple[str, ...]:
    """The moving parts in the order of every part axis here: as the cabinet lists them."""
    return tuple(name for element in cabinet.elements for name in moving_names(element))


def part_places(cabinet: Cabinet) -> dict[str, tuple[float, float, float]]:
    """Where each moving part sits on its face, m."""
    places = {}
    for element in cabinet.elements:
        x = 0.0 if element.face == "front" else -float(cabinet.depth)
        for name in moving_names(element):
            places[name] = (x, float(element.y), float(element.z))
    return places


def outward(cabinet: Cabinet) -> FloatArray:
    """(P,) +1 for parts on the front face, whose solved unit velocity along x goes outwards; -1 on the rear face."""
    return np.asarray([1.0 if e.face == "front" else -1.0 for e in cabinet.elements for _ in moving_names(e)])


def focus_at(cabinet: Cabinet, frequency_hz: float, air: Air) -> tuple[str, ...]:
    """The parts whose sound is wanted at a frequency; empty when that is all of them."""
    radius = {}
    for element in cabinet.elements:
        for source in _sources(element):
            radius[source.name] = source.radius
    wavenumber = float(air.wavenumber(frequency_hz))
    wanted = tuple(n for n, a in radius.items() if wavenumber * a <= LARGEST_KA)
    if not wanted and radius:
        wanted = (min(radius, key=lambda n: radius[n]),)
    return () if len(wanted) == len(radius) else wanted


def _sources(element: Element) -> tuple[Cone | Source, ...]:
    if isinstance(element, Coaxial):
        return (element.cone, *_sources(element.source))
    if isinstance(element, Waveguide):
        return (element.source,)
    return () if isinstance(element, VentOpening) else (element,)


def bands(frequency: FloatArray) -> Iterator[NDArray[np.intp]]:
    """Groups of indices that share a mesh, highest first, so that the longest solves come first and time left is honest."""
    last = len(frequency)
    while last > 0:
        first = int(np.searchsorted(frequency, frequency[last - 1] / BAND_RATIO))
        yield np.arange(first, last)
        last = first


def _key(inputs: tuple[Any, ...], frequency_hz: float) -> str:
    return key_of("radiation", inputs, float(frequency_hz))


def _solve_all(body: Body, frequency: FloatArray, store: Store | None, progress: Progress) -> Arrays:
    inputs = body.inputs()
    pieces: dict[int, Arrays] = {}
    for i, f in enumerate(frequency):
        found = store.read(_key(inputs, f)) if store else None
        if found is not None:
            pieces[i] = found
    progress.start(len(frequency), "Sound field")
    for _ in pieces:
        progress.step()
    try:
        for group in bands(frequency):
            wanted = [i for i in group if i not in pieces]
            if wanted:
                for i, piece in _solve_band(body, frequency, wanted, float(frequency[group[-1]])):
                    pieces[i] = piece
                    if store:
                        store.write(_key(inputs, frequency[i]), "radiation", piece, seconds=float(piece["seconds"]))
                    progress.step(f"{frequency[i]:.0f} Hz, {int(piece['unknowns'])} unknowns")
    finally:
        progress.done()
    return {name: np.stack([pieces[i][name] for i in range(len(frequency))], axis=-1) for name in pieces[0]}


def _solve_band(body: Body, frequency: FloatArray, wanted: list[int], top: float) -> Iterator[tuple[int, Arrays]]:
    from evenfield.radiation import SurfaceProblem
    from evenfield.shape import build_surface, edge_lengths_for

    cabinet, air, names = body.cabinet, body.air, part_names(body.cabinet)
    lengths = edge_lengths_for(
        cabinet,
        top,
        air.speed_of_sound,
        per_wavelength=PER_WAVELENGTH,
        focus=focus_at(cabinet, top, air),
        away_factor=AWAY_FACTOR,
    )
    mesh = build_surface(cabinet, lengths)
    patterns = names if body.profiles else None
    problem = SurfaceProblem(mesh, motion="axial", mirror=mesh.mirror, air=air, patterns=patterns)
    directions = sphere_directions()
    order = [problem.parts.index(name) for name in names]
    out = outward(cabinet)
    vents = {e.name for e in cabinet.elements if isinstance(e, VentOpening)}
    focus = focus_at(cabinet, top, air) or names
    # the stated error is that of the parts whose sound is wanted: a woofer's mesh may be coarse far above its band
    judged = [problem.parts.index(n) for n in names if n in focus and n not in vents] or order
    for i in wanted:
        began = time.perf_counter()
        f = float(frequency[i])
        given = velocities(mesh, names, body.profiles, part_places(cabinet), f) if body.profiles else None
        solution = problem.solve(f, given)
        far = solution.far_field(directions.vectors)
        yield (
            i,
            {
                "far_field": (far[order] * out[:, None]).astype(np.complex64),
                "impedance": solution.radiation_impedance[np.ix_(order, order)] * np.outer(out, out),
                "error_db": np.asarray(solution.part_error_db[judged].max()),
                "unknowns": np.asarray(solution.solved_pressure.shape[1]),
                "triangles": np.asarray(len(mesh.triangles)),
                "iterations": np.asarray(solution.iterations.max()),
                "seconds": np.asarray(time.perf_counter() - began),
            },
        )


def _assemble(cabinet: Cabinet, frequency: FloatArray, stored: Arrays) -> RadiationSweep:
    unknowns, seconds = stored["unknowns"], stored["seconds"]
    return RadiationSweep(
        part_names(cabinet),
        frequency,
        sphere_directions(),
        stored["far_field"].astype(complex),
        stored["impedance"],
        np.asarray(stored["error_db"], float),
        {
            "solved frequencies": len(frequency),
            "unknowns": (int(unknowns.min()), int(unknowns.max())),
            "triangles": (int(stored["triangles"].min()), int(stored["triangles"].max())),
            "iterations": (int(stored["iterations"].min()), int(stored["iterations"].max())),
            "solve seconds": float(seconds.sum()),
        },
    )
