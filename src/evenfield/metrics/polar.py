"""Beamwidth and polar maps of one plane."""

from __future__ import annotations

from typing import Literal

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from evenfield.base.errors import DataError, message
from evenfield.data.directions import Plane, orbit_vectors
from evenfield.data.directivity import Directivity
from evenfield.data.interpolation import interpolate
from evenfield.data.orbits import stored_orbit
from evenfield.metrics.averages import level_db, listening_window_power, reference_words

FloatArray = NDArray[np.float64]
Normalise = Literal["axis", "listening_window"]

_WIDEST_GAP_DEG = 10.5


def orbit_power(d: Directivity, plane: Plane) -> tuple[FloatArray, FloatArray]:
    """(A,) angles, degrees, ascending in (-180, 180], and (A, F) squared pressure on one closed orbit.

    Stored directions where they lie 10 degrees apart or closer; else, on a closed sphere, interpolated every 5 degrees.
    Raises DataError naming the angles that orbits-only data lack.
    """
    angle, index = stored_orbit(d.directions, plane)
    if len(angle) > 2 and np.diff(np.append(angle, angle[0] + 360.0)).max() <= _WIDEST_GAP_DEG:
        return angle, np.asarray(np.abs(d.pressure[index]) ** 2)
    if d.is_sphere:
        angle = np.arange(-175.0, 185.0, 5.0)
        return angle, np.asarray(np.abs(interpolate(d, orbit_vectors(plane, angle))) ** 2)
    angle = np.arange(-170.0, 190.0, 10.0)
    return angle, np.asarray(np.abs(d.orbit(plane, angle)) ** 2)


def beamwidth(d: Directivity, plane: Plane = "horizontal", drop_db: float = 6.0) -> xr.Dataset:
    """Full width between the angles where level first falls `drop_db` below the axis, on either side.

    Parameters
        plane : "horizontal", "vertical", "diagonal" or "counter-diagonal"
    Returns
        Dataset over `frequency`: beamwidth, positive_side, negative_side (degrees) and open (bool). A side that never falls
        so far counts 180 degrees and the frequency is marked open; a beamwidth of 360 degrees means neither side does.
    Crossings are linear in dB between the orbit's angles. Error: about 0.3 degrees on a 5-degree orbit.
    Raises DataError naming missing angles.
    Source: coverage angle, IEC 60268-5 (the -6 dB angles; from memory).
    """
    angle, power = orbit_power(d, plane)
    axis = _axis_power(d, angle, power)
    relative = 10 * np.log10(np.maximum(power, 1e-300) / axis)
    positive = _crossing(angle, relative, drop_db)
    flipped = np.where(np.abs(angle) == 180.0, 180.0, -angle)
    order = np.argsort(flipped)
    negative = _crossing(flipped[order], relative[order], drop_db)
    sides = {"beamwidth": positive + negative, "positive_side": positive, "negative_side": negative}
    data = {name: ("frequency", value, {"units": "degree"}) for name, value in sides.items()}
    out = xr.Dataset(data, coords={"frequency": ("frequency", d.frequency, {"units": "Hz"})})
    out["open"] = ("frequency", (positive >= 180.0) | (negative >= 180.0))
    out.attrs = {"plane": plane, "drop_db": drop_db, "rule": "first fall from the axis; a side without one counts 180 deg"}
    return out


def polar_map(d: Directivity, plane: Plane = "horizontal", normalise: Normalise | None = "axis") -> xr.DataArray:
    """Level over angle and frequency, dB.

    Parameters
        normalise : "axis", "listening_window" or None (then as `standard_curves` has levels)
    Returns
        DataArray (angle, frequency); angle in degrees, ascending in (-180, 180], positive left (horizontal) or up.
    Raises DataError naming missing angles.
    """
    angle, power = orbit_power(d, plane)
    if normalise is None:
        level = level_db(d, power)
    elif normalise == "axis":
        level = 10 * np.log10(np.maximum(power, 1e-300) / _axis_power(d, angle, power))
    elif normalise == "listening_window":
        level = 10 * np.log10(np.maximum(power, 1e-300) / listening_window_power(d))
    else:
        raise DataError(message("normalise", '"axis", "listening_window" or None', repr(normalise)))
    reference = reference_words(d) if normalise is None else f"dB re {normalise.replace('_', ' ')}"
    coords = {
        "angle": ("angle", angle, {"units": "degree"}),
        "frequency": ("frequency", d.frequency, {"units": "Hz"}),
    }
    attrs = {"plane": plane, "reference": reference, "units": "dB"}
    return xr.DataArray(level, dims=("angle", "frequency"), coords=coords, attrs=attrs, name="level")


def _axis_power(d: Directivity, angle: FloatArray, power: FloatArray) -> FloatArray:
    nearest = int(np.argmin(np.abs(angle)))
    if abs(angle[nearest]) < 0.1:
        return np.asarray(np.maximum(power[nearest], 1e-300))
    return np.asarray(np.maximum(np.abs(d.on_axis()) ** 2, 1e-300))


def _crossing(angle: FloatArray, relative: FloatArray, drop_db: float) -> FloatArray:
    """(F,) first angle above 0 at which `relative` falls below -drop_db; 180 where it never does."""
    here = np.flatnonzero(angle >= -0.05)
    a, level = np.maximum(angle[here], 0.0), relative[here]
    if a[0] > 0.05:
        a, level = np.concatenate([[0.0], a]), np.concatenate([np.zeros((1, level.shape[1])), level])
    below = level < -drop_db
    first = np.argmax(below, axis=0)
    column = np.arange(level.shape[1])
    left, right = level[np.maximum(first - 1, 0), column], level[first, column]
    share = (left + drop_db) / np.where(below.any(axis=0), left - right, 1.0)
    crossing = a[np.maximum(first - 1, 0)] + share * (a[first] - a[np.maximum(first - 1, 0)])
    return np.asarray(np.where(below.any(axis=0), crossing, 180.0))
