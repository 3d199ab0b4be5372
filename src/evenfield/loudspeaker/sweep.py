"""The radiation of a body over frequency: meshes by band, one boundary-element solve a frequency, each kept in the store."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterable, Iterator
from concurrent.futures import Future
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
from numpy.typing import NDArray

from evenfield.base.air import Air
from evenfield.data.directions import Directions, sphere_directions
from evenfield.loudspeaker.frequencies import ComplexArray, FloatArray
from evenfield.loudspeaker.mesh_workers import MeshWorkers
from evenfield.loudspeaker.profiles import Profiles, velocities
from evenfield.loudspeaker.store import Arrays, Store, key_of
from evenfield.shape.elements import Cabinet, Coaxial, Cone, Element, Source, VentOpening, Waveguide, moving_names

if TYPE_CHECKING:
    from evenfield.data import SurfaceMesh
    from evenfield.radiation import SurfaceProblem
    from evenfield.shape import EdgeLengths

LARGEST_KA = 6.0
"""A diaphragm of larger ka is never in its band: the mesh then cares for the smaller ones, and is coarser away from them."""

PER_WAVELENGTH = 6.5
AWAY_FACTOR = 1.7
"""Elements per wavelength where it matters, and how much coarser elsewhere above `LARGEST_KA`; measured on Skiff's tweeter
at 12 and 17 kHz: 0.1 dB RMS, 0.5 dB at most in front, within 20 dB of the maximum, as with a uniform mesh."""

BUILDERS = 8
"""Most processes that mesh bodies ahead of GPUs; one for every two processors."""
KEPT_MESHES = 3
"""Meshes kept for later bands: at low frequency the shape asks for finer edges than the waves do, and meshes are alike."""

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
    device: str = "auto",
) -> RadiationSweep:
    """Solve every frequency that the store does not hold yet.

    Parts move along x, rigidly or with the velocity profile of their name in `profiles`. `device` as in
    `radiation.solve_surface`: several GPUs share the frequencies, and meshes are built while they solve.

    An interrupted call leaves its finished frequencies in the store; the next one goes on from there.
    Raises MeshError when the body cannot be solved.
    """
    body = Body(cabinet, air, profiles or {})
    inputs = body.inputs()
    whole = key_of("sweep", inputs, frequency)
    stored = store.read(whole) if store else None
    if stored is None:
        stored = _solve_all(body, frequency, store, progress or NoProgress(), device)
        if store:
            store.write(whole, "sweep", stored, seconds=float(stored["seconds"].sum()), note=f"{len(frequency)} frequencies")
            for f in frequency:
                store.remove(_key(inputs, f))
    return _assemble(cabinet, frequency, stored)


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


def _solve_all(body: Body, frequency: FloatArray, store: Store | None, progress: Progress, device: str) -> Arrays:
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
        wanted = [(float(frequency[group[-1]]), [int(i) for i in group if i not in pieces]) for group in bands(frequency)]
        for i, piece in _solve_bands(body, frequency, [w for w in wanted if w[1]], device):
            pieces[i] = piece
            if store:
                store.write(_key(inputs, frequency[i]), "radiation", piece, seconds=float(piece["seconds"]))
            progress.step(f"{frequency[i]:.0f} Hz, {int(piece['unknowns'])} unknowns")
    finally:
        progress.done()
    # what a store of before holds of a frequency may lack what is only told, not needed
    names = [name for name in pieces[0] if all(name in piece for piece in pieces.values())]
    return {name: np.stack([pieces[i][name] for i in range(len(frequency))], axis=-1) for name in names}


@dataclass(frozen=True)
class _Band:
    """A meshed body, ready to be solved at the frequencies of its band."""

    body: Body
    mesh: SurfaceMesh
    problem: SurfaceProblem
    judged: list[int]

    def solve(self, frequency_hz: float) -> Arrays:
        """What the store keeps of one frequency."""
        began = time.perf_counter()
        names, problem = part_names(self.body.cabinet), self.problem
        order, out = [problem.parts.index(name) for name in names], outward(self.body.cabinet)
        profiles, places = self.body.profiles, part_places(self.body.cabinet)
        given = velocities(self.mesh, names, profiles, places, frequency_hz) if profiles else None
        solution = problem.solve(frequency_hz, given)
        far = solution.far_field(sphere_directions().vectors)
        return {
            "far_field": (far[order] * out[:, None]).astype(np.complex64),
            "impedance": solution.radiation_impedance[np.ix_(order, order)] * np.outer(out, out),
            "error_db": np.asarray(solution.part_error_db[self.judged].max()),
            "unknowns": np.asarray(solution.solved_pressure.shape[1]),
            "triangles": np.asarray(len(self.mesh.triangles)),
            "iterations": np.asarray(solution.iterations.max()),
            "on_gpu": np.asarray(int(solution.device != "cpu")),
            "seconds": np.asarray(time.perf_counter() - began),
        }


def _solve_bands(
    body: Body, frequency: FloatArray, wanted: list[tuple[float, list[int]]], device: str
) -> Iterator[tuple[int, Arrays]]:
    """Each wanted frequency's arrays, band by band; wanted : top frequency and indices of each band."""
    from evenfield.radiation import choose_devices
    from evenfield.radiation.workers import in_order, processors

    devices = len(choose_devices(device))
    builders = min(BUILDERS, processors() // 2, len(wanted) - 1) if devices else 0
    with MeshWorkers(builders if builders > 1 else 0) as workers:
        meshes = _Meshes(body, device, workers)
        tasks = _one_by_one(in_order(lambda w: (meshes.band(w[0]), w[1]), wanted, max(builders, 1)))
        # a thread more than devices, so that none waits for what the CPU does before and after a solve
        threads = devices + 1 if devices else 1
        yield from in_order(lambda task: (task[1], task[0].solve(float(frequency[task[1]]))), tasks, threads)


def _one_by_one(ready: Iterable[tuple[_Band, list[int]]]) -> Iterator[tuple[_Band, int]]:
    """Each index of each band; a problem that is done with gives its memory back."""
    last: SurfaceProblem | None = None
    for band, indices in ready:
        if last is not None and last is not band.problem:
            last.release()
        last = band.problem
        for i in indices:
            yield band, i


class _Meshes:
    """The body meshed for a top frequency; the mesh of the last bands serves again where it would be the same."""

    def __init__(self, body: Body, device: str, workers: MeshWorkers) -> None:
        self.body, self.device, self.workers = body, device, workers
        self._kept: dict[str, Future[tuple[SurfaceMesh, SurfaceProblem]]] = {}
        self._lock = threading.Lock()

    def band(self, top: float) -> _Band:
        """The band that ends at frequency `top`, Hz."""
        from evenfield.shape import edge_lengths_for

        cabinet, air, names = self.body.cabinet, self.body.air, part_names(self.body.cabinet)
        focus = focus_at(cabinet, top, air)
        lengths = edge_lengths_for(
            cabinet, top, air.speed_of_sound, per_wavelength=PER_WAVELENGTH, focus=focus, away_factor=AWAY_FACTOR
        )
        mesh, problem = self._problem(lengths)
        vents = {e.name for e in cabinet.elements if isinstance(e, VentOpening)}
        # the stated error is that of the parts whose sound is wanted: a woofer's mesh may be coarse far above its band
        judged = [problem.parts.index(n) for n in names if n in (focus or names) and n not in vents]
        return _Band(self.body, mesh, problem, judged or [problem.parts.index(n) for n in names])

    def _problem(self, lengths: EdgeLengths) -> tuple[SurfaceMesh, SurfaceProblem]:
        key = repr(lengths)
        with self._lock:
            known = self._kept.get(key)
            mine = known is None
            if known is None:
                known = self._kept[key] = Future()
                for old in list(self._kept)[:-KEPT_MESHES]:
                    del self._kept[old]
        if mine:
            try:
                known.set_result(self._build(lengths))
            except BaseException as failure:
                known.set_exception(failure)
        return known.result()

    def _build(self, lengths: EdgeLengths) -> tuple[SurfaceMesh, SurfaceProblem]:
        from evenfield.radiation import SurfaceProblem

        mesh = self.workers.build(self.body.cabinet, lengths)
        patterns = part_names(self.body.cabinet) if self.body.profiles else None
        air = self.body.air
        return mesh, SurfaceProblem(mesh, motion="axial", mirror=mesh.mirror, air=air, patterns=patterns, device=self.device)


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
            "frequencies solved on a GPU": int(stored.get("on_gpu", np.zeros(1)).sum()),
        },
    )
