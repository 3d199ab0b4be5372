"""What a scanned waveguide does to the sound: the same cabinet solved with the wall as designed and as scanned."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base.errors import DataError, EvenfieldError, message
from evenfield.data.directions import Directions, sphere_directions
from evenfield.loudspeaker.design import Design
from evenfield.loudspeaker.geometry import cabinet_of
from evenfield.loudspeaker.part import waveguide_of
from evenfield.loudspeaker.sweep import AWAY_FACTOR, BAND_RATIO, PER_WAVELENGTH, NoProgress, Progress

if TYPE_CHECKING:
    from evenfield.shape.printing.scan import AlignedScan

Array = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

LOUD_DB = 20.0
"""Directions within this of the loudest are compared."""
EVEN_MM = 0.02
"""Left and right deviations that differ less, RMS, are solved as one symmetric surface."""


@dataclass(frozen=True)
class ScanDifference:
    """The way's far field with the scanned wall less that with the designed one, at equal diaphragm velocity.

    Parameters
        frequency : (F,) Hz
        on_axis_db, rms_db, worst_db : (F,) dB on the axis; RMS and largest over the front within `LOUD_DB` of the loudest
        index_db : (F,) change of the directivity index
        designed, scanned : (D, F) far fields, Pa at 1 m for 1 m/s
        error_db : (F,) stated error of the solves themselves; the difference between two on the same grid is surer
    """

    frequency: Array
    directions: Directions
    designed: ComplexArray
    scanned: ComplexArray
    on_axis_db: Array
    rms_db: Array
    worst_db: Array
    index_db: Array
    error_db: Array
    notes: tuple[str, ...]

    def bands(self) -> tuple[dict[str, float], ...]:
        """By octave from the lowest frequency: low and high (Hz), RMS, largest, on-axis and index changes (dB)."""
        rows = []
        low = float(self.frequency[0]) * 0.999
        while low < self.frequency[-1]:
            inside = (self.frequency >= low) & (self.frequency < 2 * low)
            if np.any(inside):
                axis, index = self.on_axis_db[inside], self.index_db[inside]
                rows.append(
                    {
                        "low_hz": low / 0.999, "high_hz": 2 * low / 0.999,
                        "rms_db": float(np.sqrt(np.mean(self.rms_db[inside] ** 2))),
                        "worst_db": float(self.worst_db[inside].max()),
                        "on_axis_db": float(axis[np.argmax(np.abs(axis))]), "index_db": float(index[np.argmax(np.abs(index))]),
                    }
                )  # fmt: skip
            low *= 2
        return tuple(rows)

    def to_dict(self) -> dict[str, Any]:
        """For JSON."""
        names = ("frequency", "on_axis_db", "rms_db", "worst_db", "index_db", "error_db")
        return {**{n: getattr(self, n).tolist() for n in names}, "bands": list(self.bands()), "notes": list(self.notes)}


def read_scan(path: str | Path, design: Design, way: str | None = None, unit: str | None = None) -> AlignedScan:
    """Read an STL or PLY of a way's waveguide and lay it onto the design.

    Parameters
        unit : "mm", "m" or "inch"; None finds it from the size, or refuses
    Raises DataError when it is of another part or its wall has a hole, with where.
    """
    from evenfield.loudspeaker.printer_section import printer_of
    from evenfield.shape.printing import scan
    from evenfield.shape.printing.body import build_body
    from evenfield.shape.printing.plan import make_plan

    cabinet, guide = waveguide_of(design, way)
    try:
        # the whole part as it would be made helps to lay a scan of all of it
        part = build_body(make_plan(cabinet, guide, printer_of(design), guide.name)).arrays
    except EvenfieldError:
        part = None
    return scan.read_scan(path, guide, unit, part)


def compare_scan(
    design: Design, scan: AlignedScan, frequency_hz: ArrayLike, progress: Progress | None = None, symmetric: bool | None = None
) -> ScanDifference:
    """Solve the cabinet with the designed and with the scanned wall, on the same grid of triangles.

    Parameters
        frequency_hz : (F,) Hz, rising
        symmetric : solve half by averaging left and right; None does so where they differ by less than `EVEN_MM` RMS
    Cost: two solves a frequency; four times as long a solve where left and right differ.
    """
    frequency = np.atleast_1d(np.asarray(frequency_hz, float))
    if len(frequency) == 0 or np.any(~(frequency > 0)) or np.any(np.diff(frequency) <= 0):
        raise DataError(message("frequency_hz", "rising and positive", frequency.tolist()))
    even = scan.symmetric()
    uneven = float(np.sqrt(np.mean((scan.deviation - even.deviation) ** 2)))
    half = uneven < EVEN_MM if symmetric is None else symmetric
    used = even if half else scan
    notes = (f"left and right differ by {uneven:.3f} mm RMS: " + ("averaged, one half solved" if half else "whole body solved"),)
    progress = progress or NoProgress()
    progress.start(2 * len(frequency), "scan against design")
    try:
        solved = [_solve(design, used, f, half, progress) for f in _groups(frequency)]
    finally:
        progress.done()
    first, second = (np.concatenate([s[k] for s in solved], axis=1) for k in (0, 1))
    return _difference(frequency, first, second, np.concatenate([s[2] for s in solved]), notes)


def _groups(frequency: Array) -> list[Array]:
    """Frequencies that share a grid, each group within `BAND_RATIO`."""
    groups: list[list[float]] = []
    for f in frequency.tolist():
        if groups and f <= groups[-1][0] * BAND_RATIO:
            groups[-1].append(f)
        else:
            groups.append([f])
    return [np.array(g) for g in groups]


def _solve(
    design: Design, scan: AlignedScan, frequency: Array, half: bool, progress: Progress
) -> tuple[ComplexArray, ComplexArray, Array]:
    from evenfield.radiation import SurfaceProblem
    from evenfield.shape import build_surface, edge_lengths_for

    cabinet, air = cabinet_of(design), design.air.to_air()
    way = scan.guide.name
    lengths = edge_lengths_for(
        cabinet, float(frequency[-1]), air.speed_of_sound, per_wavelength=PER_WAVELENGTH, focus=(way,), away_factor=AWAY_FACTOR
    )
    mesh = build_surface(cabinet, lengths)
    directions = sphere_directions()
    found, errors = [], []
    for surface in (mesh, scan.apply(mesh)):
        mirror = surface.mirror if half else None
        problem = SurfaceProblem(surface, motion="axial", mirror=mirror, air=air)
        which = problem.parts.index(way)
        columns = []
        for f in frequency:
            solution = problem.solve(float(f))
            columns.append(np.asarray(solution.far_field(directions.vectors))[which])
            errors.append(float(solution.part_error_db[which]))
            progress.step(f"{f:.0f} Hz")
        found.append(np.stack(columns, axis=1))
    return found[0], found[1], np.asarray(errors[: len(frequency)])


def _difference(
    frequency: Array, designed: ComplexArray, scanned: ComplexArray, error_db: Array, notes: tuple[str, ...]
) -> ScanDifference:
    directions = sphere_directions()
    level = 20 * np.log10(np.maximum(np.abs(designed), 1e-30))
    change = 20 * np.log10(np.maximum(np.abs(scanned), 1e-30)) - level
    front = directions.vectors[:, 0] > 0
    compared = front[:, None] & (level > level.max(axis=0) - LOUD_DB)
    weight = directions.weights[:, None] * compared if directions.weights is not None else compared * 1.0
    rms = np.sqrt(np.sum(weight * change**2, axis=0) / weight.sum(axis=0))
    axis = int(np.argmax(directions.vectors[:, 0]))
    return ScanDifference(
        frequency, directions, designed, scanned, change[axis], rms, np.abs(np.where(compared, change, 0)).max(axis=0),
        _index(scanned, directions) - _index(designed, directions), error_db, notes,
    )  # fmt: skip


def _index(field: ComplexArray, directions: Directions) -> Array:
    """(F,) directivity index, dB, from the full sphere."""
    axis = int(np.argmax(directions.vectors[:, 0]))
    power = np.asarray(directions.weights)[:, None] * np.abs(field) ** 2
    return np.asarray(10 * np.log10(np.abs(field[axis]) ** 2 * np.sum(np.asarray(directions.weights)) / power.sum(axis=0)))
