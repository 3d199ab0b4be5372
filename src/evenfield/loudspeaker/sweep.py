"""The radiation of a body over frequency: meshes by band, one boundary-element solve a frequency, each kept in the store.

Frequencies are added where leaving out a neighbour shows that the field between them is not known well enough.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np

from evenfield.base.air import Air
from evenfield.data.directions import Directions, sphere_directions
from evenfield.loudspeaker.bands import (
    AWAY_FACTOR,
    BAND_RATIO,
    PER_WAVELENGTH,
    Body,
    Meshes,
    band_top,
    focus_at,
    outward,
    part_names,
    part_places,
    solve_bands,
    source_places,
    vent_names,
    without_delay,
)
from evenfield.loudspeaker.frequencies import INTERPOLATION_DB, ComplexArray, FloatArray, gaps_to_halve, left_out_errors_db
from evenfield.loudspeaker.mounting import on_the_sphere
from evenfield.loudspeaker.profiles import Profiles
from evenfield.loudspeaker.store import Arrays, Store, key_of
from evenfield.shape.elements import Cabinet

__all__ = [
    "AWAY_FACTOR",
    "BAND_RATIO",
    "PER_WAVELENGTH",
    "Body",
    "NoProgress",
    "Progress",
    "RadiationSweep",
    "focus_at",
    "outward",
    "part_names",
    "part_places",
    "source_places",
    "sweep_radiation",
]

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


def sweep_radiation(
    cabinet: Cabinet,
    frequency: FloatArray,
    air: Air,
    store: Store | None = None,
    progress: Progress | None = None,
    profiles: Profiles | None = None,
    bound_db: float = INTERPOLATION_DB,
    device: str = "auto",
    flush: bool = False,
    finer: float = 1.0,
) -> RadiationSweep:
    """Solve every frequency that the store does not hold yet, and such between them as the bound asks for.

    Parts move along x, rigidly or with the velocity profile of their name in `profiles`. `device` as in
    `radiation.solve_surface`: several GPUs share the frequencies, and meshes are built while they solve. `flush`: the
    front in an infinite baffle. `finer`: by this factor, all edges of the meshes are shorter than usual.
    Gaps are halved until leaving out neighbours states at most `bound_db` for every part at the frequencies where its
    sound is wanted (vents left out, which radiate bass only), infinity halves none.

    An interrupted call leaves its finished frequencies in the store; the next one goes on from there.
    Raises MeshError when the body cannot be solved.
    """
    body = Body(cabinet, air, profiles or {}, flush, finer)
    inputs = body.inputs()
    whole = sweep_key(body, frequency, bound_db)
    stored = store.read(whole) if store else None
    if stored is None:
        stored = _Solves(body, float(frequency[-1]), store, progress or NoProgress(), device).sweep(frequency, bound_db)
        if store:
            count = len(stored["frequency"])
            store.write(whole, "sweep", stored, seconds=float(stored["seconds"].sum()), note=f"{count} frequencies")
            for f in stored["frequency"]:
                store.remove(_key(inputs, float(f), float(frequency[-1])))
    return on_the_sphere(_assemble(cabinet, stored), flush)


def sweep_key(body: Body, frequency: FloatArray, bound_db: float = INTERPOLATION_DB) -> str:
    """Where the store keeps the whole sweep that begins with these frequencies."""
    return key_of("sweep", body.inputs(), frequency, bound_db)


def _key(inputs: tuple[Any, ...], frequency_hz: float, highest: float) -> str:
    return key_of("radiation", inputs, frequency_hz, band_top(frequency_hz, highest))


class _Solves:
    """One sweep's solves: its meshes, made once for each band and shared where bands ask for the same, and its pieces."""

    def __init__(self, body: Body, highest: float, store: Store | None, progress: Progress, device: str) -> None:
        self.body, self.highest, self.store, self.progress, self.device = body, highest, store, progress, device
        self.inputs = body.inputs()
        self.pieces: dict[float, Arrays] = {}
        self.meshes = Meshes(body, device)

    def sweep(self, frequency: FloatArray, bound_db: float) -> Arrays:
        """Everything stacked over frequency, after as many passes as the bound asks for."""
        for number in range(MOST_PASSES):
            wanted = frequency if number == 0 else gaps_to_halve(self.solved, self.stated_db(), bound_db, self.least_step)
            if len(wanted) == 0:
                break
            self.solve(wanted, "Sound field" if number == 0 else "Sound field, between")
        # what a store of before holds of a frequency may lack what is only told, not needed
        names = [name for name in self.pieces[self.solved[0]] if all(name in piece for piece in self.pieces.values())]
        stored = {name: np.stack([self.pieces[f][name] for f in self.solved], axis=-1) for name in names}
        return stored | {"frequency": self.solved}

    @property
    def least_step(self) -> float:
        """Hz; see `gaps_to_halve`."""
        size = math.hypot(self.body.cabinet.width, self.body.cabinet.height)
        return float(self.body.air.speed_of_sound / (4 * size))

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
        wanted = [(top, [f for f in missing if band_top(f, self.highest) == top]) for top in tops]
        try:
            for f, piece in solve_bands(self.meshes, wanted, self.device):
                self.pieces[f] = piece
                if self.store:
                    key = _key(self.inputs, f, self.highest)
                    self.store.write(key, "radiation", piece, seconds=float(piece["seconds"]))
                self.progress.step(f"{f:.0f} Hz, {int(piece['unknowns'])} unknowns")
        finally:
            self.progress.done()


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
            "frequencies solved on a GPU": int(stored.get("on_gpu", np.zeros(1)).sum()),
        },
    )
