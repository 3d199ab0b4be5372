"""What read numbers are: a closed sphere or orbits, with phase or without, bands or discrete frequencies."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenfield.base.errors import DataError, message
from evenfield.data.directions import Directions
from evenfield.data.directivity import Directivity
from evenfield.data.grid import find_grid, find_grid_within

_SAME_DEG = 1e-3
_COVER_DEG = 15.0
_FLAGS = ("phase_known", "level_absolute", "bandwidth", "distance", "speed_of_sound", "density", "origin")


@dataclass(frozen=True)
class Record:
    """What a file says of itself, and was written by `record_text`.

    Parameters
        flags : the flags of Directivity by name; those missing are recognised from the numbers
        provenance : free words by key
    """

    flags: Mapping[str, Any] = field(default_factory=dict)
    provenance: Mapping[str, Any] = field(default_factory=dict)


def record_text(d: Directivity) -> str:
    """The flags and the provenance of a Directivity as one line of JSON."""
    flags = {name: getattr(d, name) for name in _FLAGS}
    return json.dumps({"flags": flags, "provenance": dict(d.provenance)}, default=str)


def read_record(text: str) -> Record:
    """The inverse of `record_text`. Raises DataError on a text that is not its."""
    try:
        content = json.loads(text)
        flags = {name: content["flags"][name] for name in _FLAGS if name in content["flags"]}
        if "origin" in flags:
            flags["origin"] = tuple(flags["origin"])
        return Record(flags, dict(content["provenance"]))
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise DataError(message("the evenfield record", "one line of JSON", repr(text[:60]), cause=str(error))) from None


def assemble(
    pressure: NDArray[Any],
    vectors: NDArray[np.float64],
    frequency: NDArray[np.float64],
    record: Record,
    weights: NDArray[np.float64] | None = None,
    **found: Any,
) -> Directivity:
    """A Directivity from read numbers.

    Parameters
        pressure : (D, F) complex; vectors : (D, 3); frequency : (F,) Hz
        record : what the file says of itself, which goes before
        weights : (D,) sr where the file holds them
        found : flags that the reader knows
    Raises DataError as Directivity does.
    """
    provenance = dict(record.provenance)
    vectors, pressure, frequency = np.asarray(vectors, float), np.asarray(pressure), np.asarray(frequency, float)
    if pressure.shape != (len(vectors), len(frequency)):
        shape = (len(vectors), len(frequency))
        raise DataError(message("pressure", f"shaped (direction, frequency) = {shape}", pressure.shape))
    if weights is None:
        keep = _first_of_repeated(vectors)
        if len(keep) < len(vectors):
            provenance["repeated_directions"] = f"{len(vectors) - len(keep)} left out, the first of each kept"
        vectors, pressure = vectors[keep], pressure[keep]
        weights, how = sphere_weights(vectors)
        provenance.setdefault("quadrature", how)
    flags: dict[str, Any] = {
        "phase_known": phase_present(pressure),
        "level_absolute": False,
        "bandwidth": band_fraction(frequency),
        **found,
        **record.flags,
    }
    return Directivity(pressure, Directions(vectors, weights), frequency, provenance=provenance, **flags)


def phase_present(pressure: NDArray[Any]) -> bool:
    """False where every value is real and not negative: only magnitudes were recorded."""
    p = np.asarray(pressure)
    if not np.iscomplexobj(p):
        return bool(np.any(p < 0))
    scale = float(np.abs(p).max()) if p.size else 0.0
    return bool(np.any(np.abs(p.imag) > 1e-9 * scale) or np.any(p.real < 0))


def band_fraction(frequency: NDArray[np.float64]) -> int | None:
    """3 for an axis of third-octave bands, 1 for octaves, else None; nominal frequencies are within 4 % of exact ones."""
    if len(frequency) < 4 or np.any(frequency <= 0):
        return None
    step = np.diff(np.log10(frequency))
    for fraction in (3, 1):
        if np.max(np.abs(step - 0.3 / fraction)) < np.log10(1.04):
            return fraction
    return None


def sphere_weights(vectors: NDArray[np.float64]) -> tuple[NDArray[np.float64] | None, str]:
    """Quadrature of a closed sphere, (D,) sr, and how it was found; None for orbits or a partial sphere.

    Clenshaw-Curtis on a closed azimuth/elevation grid, points beside the grid with weight zero; the areas of the Voronoi
    cells on a scattered sphere that leaves no point farther than 15 degrees from a direction.
    """
    directions = Directions(vectors)
    grid = find_grid(directions) or find_grid_within(directions)
    if grid is not None:
        return grid.weights(len(vectors)), "closed azimuth/elevation grid, Clenshaw-Curtis"
    if not _covers_sphere(vectors):
        return None, "none: orbits or a partial sphere"
    from scipy.spatial import SphericalVoronoi

    area = SphericalVoronoi(directions.vectors).calculate_areas()
    return area * (4 * np.pi / area.sum()), "scattered sphere, Voronoi cells"


def _covers_sphere(vectors: NDArray[np.float64]) -> bool:
    """True when no empty cap is wider than 15 degrees: the hull's facets lie far enough from the centre."""
    from scipy.spatial import ConvexHull, QhullError

    if len(vectors) < 60:
        return False
    try:
        hull = ConvexHull(vectors)
    except QhullError:
        return False
    return bool((-hull.equations[:, 3]).min() >= np.cos(np.radians(_COVER_DEG)))


def _first_of_repeated(vectors: NDArray[np.float64]) -> NDArray[np.intp]:
    """Indices of the directions, ascending, each repeated one only once."""
    from scipy.spatial import cKDTree

    pairs = cKDTree(vectors).query_pairs(2 * np.sin(np.radians(_SAME_DEG) / 2), output_type="ndarray")
    repeated = np.zeros(len(vectors), bool)
    if len(pairs):
        repeated[pairs.max(axis=1)] = True
    return np.flatnonzero(~repeated)
