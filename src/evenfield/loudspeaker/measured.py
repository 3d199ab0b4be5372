"""A measured directivity standing for one way of a design."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from evenfield.base.errors import DesignError, message
from evenfield.data.directions import sphere_directions
from evenfield.data.directivity import Directivity
from evenfield.data.interpolation import interpolate
from evenfield.loudspeaker.design import Design
from evenfield.loudspeaker.geometry import way_origin

FloatArray = NDArray[np.float64]


def measured_way(design: Design, name: str, folder: str | Path | None, frequency: FloatArray) -> Directivity:
    """The measured directivity of a way, on the prediction's directions and frequencies.

    Its level is taken as Pa per volt at the way's terminals. Between its own frequencies it is interpolated by a cubic spline
    of the complex pressure, the common delay taken out; outside them nothing is invented.
    Raises DesignError when the file cannot stand for a way: no phase, not a sphere, relative level, or too narrow a band.
    """
    from evenfield.data.files import read_directivity

    section = design.ways[name].measured
    assert section is not None
    key = f"ways.{name}.measured"
    path = Path(section.file) if folder is None else Path(folder) / section.file
    source = read_directivity(path)
    _check_fit(source, key, section.file, frequency)
    origin = section.origin or way_origin(design, name)
    directions = sphere_directions()
    field = interpolate(source, directions.vectors)
    return Directivity(
        _resample(field, source.frequency, frequency),
        directions,
        frequency,
        origin=(float(origin[0]), float(origin[1]), float(origin[2])),
        level_absolute=source.level_absolute,
        speed_of_sound=source.speed_of_sound,
        density=source.density,
        provenance={**source.provenance, "kind": "measured", "file": section.file, "way": name},
    )


def _check_fit(source: Directivity, key: str, file: str, frequency: FloatArray) -> None:
    def refuse(rule: str, got: str, cause: str, fix: str) -> DesignError:
        return DesignError(message(key, rule, got, cause=cause, fix=fix), key)

    if not source.phase_known:
        raise refuse(
            "a directivity with phase",
            f"magnitudes only in {file}",
            "Ways are added with their phase at the listening distance",
            "judging the file by itself: evenfield judge",
        )
    if not source.is_sphere:
        raise refuse(
            "a closed sphere", f"orbits only in {file}", "Sound power needs every direction", "a full-sphere measurement"
        )
    low, high = source.frequency[0], source.frequency[-1]
    if low > frequency[0] * 1.01 or high < frequency[-1] / 1.01:
        raise refuse(
            f"a directivity from {frequency[0]:.0f} Hz to {frequency[-1]:.0f} Hz",
            f"{low:.0f} Hz to {high:.0f} Hz in {file}",
            "Nothing is invented outside what was measured",
            "a measurement of the whole band",
        )


def _resample(field: NDArray[np.complex128], own: FloatArray, wanted: FloatArray) -> NDArray[np.complex128]:
    """(D, F') to (D, F): complex cubic spline over frequency with the mean delay of the loudest direction taken out."""
    from scipy.interpolate import CubicSpline

    loudest = int(np.argmax((np.abs(field) ** 2).sum(axis=1)))
    phase = np.unwrap(np.angle(field[loudest]))
    weight = np.abs(field[loudest])
    slope = np.polyfit(own, phase, 1, w=weight)[0]
    spline = CubicSpline(own, field * np.exp(-1j * slope * own)[None], axis=1)
    return np.asarray(spline(wanted) * np.exp(1j * slope * wanted)[None])
