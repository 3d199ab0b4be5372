"""The radiation of a body over frequency: meshes by band, one boundary-element solve a frequency, each kept in the store.

Frequencies are added where leaving out a neighbour shows that the field between them is not known well enough.
"""

from __future__ import annotations

import math
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
from numpy.typing import NDArray

from evenfield.base.air import Air
from evenfield.data.directions import Directions, sphere_directions
from evenfield.loudspeaker.frequencies import INTERPOLATION_DB, ComplexArray, FloatArray, gaps_to_halve, left_out_errors_db
from evenfield.loudspeaker.profiles import Profiles, velocities
from evenfield.loudspeaker.store import Arrays, Store, key_of
from evenfield.shape.elements import Cabinet, Coaxial, Cone, Element, Source, VentOpening, Waveguide, moving_names

if TYPE_CHECKING:
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

MOST_PASSES = 5
"""How often gaps between solved frequencies may be halved."""

CHECKED_EVERY = 4
"""Of the directions, how many are looked at when gaps are judged."""


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

    def wanted(self, name: str, frequency: FloatArray) -> NDArray[np.bool_]:
        """(S,) whether a part's sound is wanted at each frequency: while its diaphragm is not far above its band."""
        focus = [focus_at(self.cabinet, float(f), self.air) for f in frequency]
        return np.asarray([not parts or name in parts for parts in focus])


def sweep_radiation(
    cabinet: Cabinet,
    frequency: FloatArray,
    air: Air,
    store: Store | None = None,
    progress: Progress | None = None,
    profiles: Profiles | None = None,
    bound_db: float = INTERPOLATION_DB,
) -> RadiationSweep:
    """Solve every frequency that the store does not hold yet, and such between them as the bound asks for.

    Parts move along x, rigidly or with the velocity profile of their name in `profiles`.
    Gaps are halved until leaving out neighbours states at most `bound_db` for every part at the frequencies where its
    sound is wanted (vents left out, which radiate bass only), infinity halves none.

    An interrupted call leaves its finished frequencies in the store; the next one goes on from there.
    Raises MeshError when the body cannot be solved.
    """
    body = Body(cabinet, air, profiles or {})
    inputs = body.inputs()
    whole = key_of("sweep", inputs, frequency, bound_db)
    stored = store.read(whole) if store else None
    if stored is None:
        stored = _Solves(body, float(frequency[-1]), store, progress or NoProgress()).sweep(frequency, bound_db)
        if store:
            count = len(stored["frequency"])
            store.write(whole, "sweep", stored, seconds=float(stored["seconds"].sum()), note=f"{count} frequencies")
            for f in stored["frequency"]:
                store.remove(_key(inputs, float(f), float(frequency[-1])))
    return _assemble(cabinet, stored)


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


def _key(inputs: tuple[Any, ...], frequency_hz: float, highest: float) -> str:
    return key_of("radiation", inputs, frequency_hz, band_top(frequency_hz, highest))


class _Solves:
    """One sweep's solves: its meshes, made once for each band and shared where bands ask for the same, and its pieces."""

    def __init__(self, body: Body, highest: float, store: Store | None, progress: Progress) -> None:
        self.body, self.highest, self.store, self.progress = body, highest, store, progress
        self.inputs = body.inputs()
        self.pieces: dict[float, Arrays] = {}
        self._problems: list[tuple[EdgeLengths, SurfaceProblem]] = []
        self._memory: NDArray[Any] | None = None

    def sweep(self, frequency: FloatArray, bound_db: float) -> Arrays:
        """Everything stacked over frequency, after as many passes as the bound asks for."""
        for number in range(MOST_PASSES):
            wanted = frequency if number == 0 else gaps_to_halve(self.solved, self.stated_db(), bound_db)
            if len(wanted) == 0:
                break
            self.solve(wanted, "Sound field" if number == 0 else "Sound field, between")
        stored = {name: np.stack([self.pieces[f][name] for f in self.solved], axis=-1) for name in self.pieces[self.solved[0]]}
        return stored | {"frequency": self.solved}

    @property
    def solved(self) -> FloatArray:
        """(S,) Hz, rising."""
        return np.asarray(sorted(self.pieces))

    def stated_db(self) -> FloatArray:
        """(S,) stated interpolation error of the worst part whose sound is wanted at each frequency."""
        frequency, sphere = self.solved, sphere_directions().vectors
        chosen = np.flatnonzero(sphere[:, 0] > 0)[::CHECKED_EVERY]
        worst = np.zeros(len(frequency))
        vents = vent_names(self.body.cabinet)
        for i, name in enumerate(part_names(self.body.cabinet)):
            if name in vents:
                continue
            field = np.stack([self.pieces[f]["far_field"][i, chosen] for f in frequency], axis=-1)
            level = without_delay(field, frequency, sphere[chosen], source_places(self.body.cabinet)[name], self.body.air)
            worst = np.maximum(worst, np.where(self.body.wanted(name, frequency), left_out_errors_db(frequency, level), 0.0))
        return np.where(np.isfinite(worst), worst, 0.0)

    def solve(self, frequency: FloatArray, what: str) -> None:
        """Solve or read frequencies (n,), Hz, highest bands first, so that time left is honest."""
        missing = []
        self.progress.start(len(frequency), what)
        for f in map(float, frequency):
            found = self.store.read(_key(self.inputs, f, self.highest)) if self.store else None
            if found is None:
                missing.append(f)
            else:
                self.pieces[f] = found
                self.progress.step()
        tops = sorted({band_top(f, self.highest) for f in missing}, reverse=True)
        try:
            # the next band's mesh is made while this one's is solved: both leave the processors idle at times
            with ThreadPoolExecutor(1) as beside:
                ready = [beside.submit(self._problem, top) for top in tops[:1]]
                for i, top in enumerate(tops):
                    problem = ready.pop().result()
                    ready += [beside.submit(self._problem, later) for later in tops[i + 1 : i + 2]]
                    self._band(problem, [f for f in missing if band_top(f, self.highest) == top])
        finally:
            self.progress.done()

    def _band(self, problem: SurfaceProblem, frequency: list[float]) -> None:
        size = problem.system.unknowns**2
        if self._memory is None or self._memory.size < size:
            self._memory = np.empty(size, problem.system.complex)
        problem.lend(self._memory)
        for f, piece in _solve_band(self.body, problem, frequency):
            self.pieces[f] = piece
            if self.store:
                key = _key(self.inputs, f, self.highest)
                self.store.write(key, "radiation", piece, seconds=float(piece["seconds"]))
            self.progress.step(f"{f:.0f} Hz, {int(piece['unknowns'])} unknowns")
        problem.release()

    def _problem(self, top: float) -> SurfaceProblem:
        from evenfield.radiation import SurfaceProblem
        from evenfield.shape import build_surface

        lengths = band_lengths(self.body, top)
        found = next((problem for known, problem in self._problems if known == lengths), None)
        if found is None:
            mesh = build_surface(self.body.cabinet, lengths)
            patterns = part_names(self.body.cabinet) if self.body.profiles else None
            found = SurfaceProblem(mesh, motion="axial", mirror=mesh.mirror, air=self.body.air, patterns=patterns)
            self._problems.append((lengths, found))
        return found


def band_lengths(body: Body, top: float) -> EdgeLengths:
    """Edge lengths of the mesh of a band whose highest frequency is `top`, Hz."""
    from evenfield.shape import edge_lengths_for

    # a part that is wanted anywhere in the band is meshed for it
    return edge_lengths_for(
        body.cabinet,
        top,
        body.air.speed_of_sound,
        per_wavelength=PER_WAVELENGTH,
        focus=focus_at(body.cabinet, top / BAND_RATIO, body.air),
        away_factor=AWAY_FACTOR,
    )


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


def _solve_band(body: Body, problem: SurfaceProblem, frequency: list[float]) -> Iterator[tuple[float, Arrays]]:
    """Solve frequencies on one mesh, one after the other."""
    cabinet, names = body.cabinet, part_names(body.cabinet)
    directions = sphere_directions()
    order = [problem.parts.index(name) for name in names]
    out = outward(cabinet)
    vents = vent_names(cabinet)
    for f in frequency:
        began = time.perf_counter()
        # the stated error is that of the parts whose sound is wanted: a woofer's mesh may be coarse far above its band
        focus = focus_at(cabinet, f, body.air) or names
        judged = [problem.parts.index(n) for n in names if n in focus and n not in vents] or order
        given = velocities(problem.mesh, names, body.profiles, part_places(cabinet), f) if body.profiles else None
        solution = problem.solve(f, given)
        far = solution.far_field(directions.vectors)
        yield (
            f,
            {
                "far_field": (far[order] * out[:, None]).astype(np.complex64),
                "impedance": solution.radiation_impedance[np.ix_(order, order)] * np.outer(out, out),
                "error_db": np.asarray(solution.part_error_db[judged].max()),
                "unknowns": np.asarray(solution.solved_pressure.shape[1]),
                "triangles": np.asarray(len(problem.mesh.triangles)),
                "iterations": np.asarray(solution.iterations.max()),
                "seconds": np.asarray(time.perf_counter() - began),
            },
        )


def _assemble(cabinet: Cabinet, stored: Arrays) -> RadiationSweep:
    frequency = np.asarray(stored["frequency"], float)
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
