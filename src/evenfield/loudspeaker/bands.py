"""A body's meshes, each for a band of frequencies, and the solves on them, on the CPU or on GPUs."""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from evenfield.base.air import Air
from evenfield.data.directions import sphere_directions
from evenfield.loudspeaker.frequencies import ComplexArray, FloatArray
from evenfield.loudspeaker.mesh_workers import MeshWorkers
from evenfield.loudspeaker.mounting import inputs_of, mesh_lengths, problem_of
from evenfield.loudspeaker.profiles import Profiles, velocities
from evenfield.loudspeaker.store import Arrays
from evenfield.shape.elements import Cabinet, Coaxial, Cone, Element, Source, VentOpening, Waveguide, moving_names

if TYPE_CHECKING:
    from evenfield.data import SurfaceMesh
    from evenfield.radiation import SurfaceProblem
    from evenfield.shape import EdgeLengths

LARGEST_KA = 6.0
"""A diaphragm of larger ka is never in its band: the mesh then cares for the smaller ones, and is coarser away from them."""

PER_WAVELENGTH = 8.0
AWAY_FACTOR = 1.5
"""Elements per wavelength where it matters, and how much coarser elsewhere above `LARGEST_KA`; measured on the mid-field
example's tweeter at 9.6 and 12.8 kHz, in front, within 20 dB of the maximum, against 14 and 12 per wavelength all over: 0.02 and
0.03 dB RMS, 0.09 dB at most with 1.4; 0.03 and 0.04 dB RMS, 0.11 and 0.17 dB at most with 1.7."""

BAND_RATIO = 1.115
"""A mesh serves frequencies down to its highest one over this, two of a twelfth octave: the cost of a solve rises with the fourth
power of frequency, that of a mesh with its square."""

BUILDERS = 8
"""Most processes that mesh bodies ahead of GPUs; one for every two processors."""
KEPT_MESHES = 30
"""Meshes kept for later bands and passes: at low frequency the shape asks for finer edges than the waves do: meshes are alike."""


@dataclass(frozen=True)
class Body:
    """What is solved: the cabinet, the air, the velocity profiles of parts that are no rigid pistons, whether it is flush, and by
    what factor its meshes are finer than usual.
    """

    cabinet: Cabinet
    air: Air
    profiles: Profiles
    flush: bool = False
    finer: float = 1.0

    def inputs(self) -> tuple[Any, ...]:
        """Everything that the result depends on, but the frequency."""
        from evenfield import radiation, shape

        physics = (shape.PHYSICS_VERSION, radiation.PHYSICS_VERSION, BAND_RATIO, LARGEST_KA, PER_WAVELENGTH, AWAY_FACTOR)
        given = (dict(self.profiles),) if self.profiles else ()
        finer = () if self.finer == 1.0 else (self.finer,)
        return (self.cabinet, self.air.speed_of_sound, self.air.density, *physics, *given, *inputs_of(self.flush), *finer)

    def wanted(self, name: str, frequency: FloatArray) -> NDArray[np.bool_]:
        """(S,) whether a part's sound is wanted at each frequency: while its diaphragm is not far above its band."""
        focus = [focus_at(self.cabinet, float(f), self.air) for f in frequency]
        return np.asarray([not parts or name in parts for parts in focus])


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


def source_places(cabinet: Cabinet) -> dict[str, tuple[float, float, float]]:
    """Where the sound of each moving part starts, m: as `part_places`, but in a waveguide's throat."""
    places = part_places(cabinet)
    for element in cabinet.elements:
        forward = 1.0 if element.face == "front" else -1.0
        guide = element.source if isinstance(element, Coaxial) else element
        back = float(guide.depth) if isinstance(guide, Waveguide) else 0.0
        back += float(element.cone.depth) if isinstance(element, Coaxial) else 0.0
        for name in moving_names(guide):
            x, y, z = places[name]
            places[name] = (x - forward * back, y, z)
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


def band_top(frequency_hz: float, highest: float) -> float:
    """Hz: the highest frequency of the band, counted down from `highest` in steps of BAND_RATIO, in which a frequency lies."""
    return float(highest / BAND_RATIO ** math.floor(math.log(highest / frequency_hz) / math.log(BAND_RATIO) + 1e-9))


@dataclass(frozen=True)
class Band:
    """A meshed body, ready to be solved at the frequencies of its band."""

    body: Body
    problem: SurfaceProblem

    def solve(self, frequency_hz: float) -> Arrays:
        """What the store keeps of one frequency."""
        began = time.perf_counter()
        cabinet, names, problem = self.body.cabinet, part_names(self.body.cabinet), self.problem
        order, out, vents = [problem.parts.index(name) for name in names], outward(cabinet), vent_names(cabinet)
        # the stated error is that of the parts whose sound is wanted: a woofer's mesh may be coarse far above its band
        focus = focus_at(cabinet, frequency_hz, self.body.air) or names
        judged = [problem.parts.index(n) for n in names if n in focus and n not in vents] or order
        profiles = self.body.profiles
        given = velocities(problem.mesh, names, profiles, part_places(cabinet), frequency_hz) if profiles else None
        solution = problem.solve(frequency_hz, given)
        far = solution.far_field(sphere_directions().vectors)
        return {
            "far_field": (far[order] * out[:, None]).astype(np.complex64),
            "impedance": solution.radiation_impedance[np.ix_(order, order)] * np.outer(out, out),
            "error_db": np.asarray(solution.part_error_db[judged].max()),
            "unknowns": np.asarray(solution.solved_pressure.shape[1]),
            "triangles": np.asarray(len(problem.mesh.triangles)),
            "iterations": np.asarray(solution.iterations.max()),
            "on_gpu": np.asarray(int(getattr(solution, "device", "cpu") != "cpu")),
            "seconds": np.asarray(time.perf_counter() - began),
        }


_Wanted = tuple[float, list[float]]
_Ready = tuple["Band", list[float]]


def solve_bands(meshes: Meshes, wanted: list[tuple[float, list[float]]], device: str) -> Iterator[tuple[float, Arrays]]:
    """Each wanted frequency's arrays, band by band; wanted : top frequency and frequencies, Hz, of each band."""
    from evenfield.radiation import choose_devices
    from evenfield.radiation.workers import in_order, processors

    devices = 0 if meshes.body.flush else len(choose_devices(device))
    builders = min(BUILDERS, processors() // 2, len(wanted) - 1) if devices else 0
    with MeshWorkers(builders if builders > 1 else 0) as workers:

        def make(band: tuple[float, list[float]]) -> tuple[Band, list[float]]:
            return meshes.band(band[0], workers), band[1]

        # on the CPU, too, one mesh is made beside the solves, which leave processors idle at times
        ready = in_order(make, wanted, builders) if builders > 1 else _one_ahead(make, wanted)
        tasks = _one_by_one(ready, None if devices else meshes)
        # a thread more than devices, so that none waits for what the CPU does before and after a solve
        threads = devices + 1 if devices else 1
        yield from in_order(lambda task: (task[1], task[0].solve(task[1])), tasks, threads)


def _one_ahead(make: Callable[[_Wanted], _Ready], wanted: list[_Wanted]) -> Iterator[_Ready]:
    """make(w) for each w in turn, the next one begun in a thread while the last is in use."""
    with ThreadPoolExecutor(1) as beside:
        ready = [beside.submit(make, w) for w in wanted[:1]]
        for later in [*wanted[1:], None]:
            found = ready.pop().result()
            if later is not None:
                ready.append(beside.submit(make, later))
            yield found


def _one_by_one(ready: Iterable[tuple[Band, list[float]]], lender: Meshes | None) -> Iterator[tuple[Band, float]]:
    """Each frequency of each band; a problem that is done with gives its memory back, one that begins gets it from `lender`."""
    last: SurfaceProblem | None = None
    for band, frequencies in ready:
        if last is not None and last is not band.problem:
            last.release()
        if lender is not None and last is not band.problem:
            lender.lend_to(band.problem)
        last = band.problem
        for f in frequencies:
            yield band, f


class Meshes:
    """The body meshed for a top frequency; the mesh of the last bands serves again where it would be the same."""

    def __init__(self, body: Body, device: str) -> None:
        self.body, self.device = body, device
        self._kept: dict[str, Future[SurfaceProblem]] = {}
        self._lock = threading.Lock()
        self._memory: NDArray[Any] | None = None

    def band(self, top: float, workers: MeshWorkers) -> Band:
        """The band that ends at frequency `top`, Hz."""
        lengths = mesh_lengths(self.body, band_lengths(self.body, top))
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
                known.set_result(self._problem(workers.build(self.body.cabinet, lengths)))
            except BaseException as failure:
                known.set_exception(failure)
        return Band(self.body, known.result())

    def lend_to(self, problem: SurfaceProblem) -> None:
        """One block of memory serves all matrices that fit into it: fresh memory is slow."""
        size = problem.system.unknowns**2
        if self._memory is None or self._memory.size < size:
            self._memory = np.empty(size, problem.system.complex)
        problem.lend(self._memory)

    def _problem(self, mesh: SurfaceMesh) -> SurfaceProblem:
        patterns = part_names(self.body.cabinet) if self.body.profiles else None
        return problem_of(self.body, mesh, patterns, self.device)


def band_lengths(body: Body, top: float) -> EdgeLengths:
    """Edge lengths of the mesh of a band whose highest frequency is `top`, Hz."""
    from evenfield.shape import edge_lengths_for

    # a part that is wanted anywhere in the band is meshed for it
    usual = edge_lengths_for(
        body.cabinet,
        top,
        body.air.speed_of_sound,
        per_wavelength=PER_WAVELENGTH,
        focus=focus_at(body.cabinet, top / BAND_RATIO, body.air),
        away_factor=AWAY_FACTOR,
    )
    return usual if body.finer == 1.0 else usual.finer(body.finer)


def without_delay(
    field: ComplexArray, frequency: FloatArray, directions: FloatArray, place: tuple[float, float, float], air: Air
) -> ComplexArray:
    """Far field (D, S) per acceleration, referred to a place: what varies slowly enough to be interpolated."""
    path = -directions @ np.asarray(place)
    k = 2 * np.pi * frequency / air.speed_of_sound
    return np.asarray(field / (2j * np.pi * frequency) * np.exp(1j * np.outer(path, k)))


def vent_names(cabinet: Cabinet) -> set[str]:
    """Vents: they radiate bass only."""
    return {e.name for e in cabinet.elements if isinstance(e, VentOpening)}
