"""The curve set of ANSI/CTA-2034-A."""

from __future__ import annotations

from typing import Any, Literal

import numpy as np
import xarray as xr

from evenfield.base.errors import DataError, message
from evenfield.data.directivity import Directivity
from evenfield.metrics.averages import (
    FloatArray,
    Rear,
    early_reflection_groups,
    level_db,
    listening_window_power,
    mean_square,
    orbit_sound_power,
    reference_words,
    sphere_sound_power,
)

Power = Literal["orbits", "sphere"]
Early = Literal["groups", "curves"]

IN_ROOM_WEIGHTS = (0.12, 0.44, 0.44)
"""Shares of listening window, early reflections and sound power in the estimated in-room response (from memory)."""


def standard_curves(d: Directivity, power: Power = "orbits", rear: Rear = "full", early: Early = "groups") -> xr.Dataset:
    """The curves of ANSI/CTA-2034-A from the two 10-degree orbits.

    Parameters
        d : Directivity holding both 10-degree orbits
        power : "orbits", the standard's weighted sum; "sphere", the full-sphere integral in its place
        rear : "full", the rear wall every 10 degrees from +-90 to 180; "three", 180 and +-90 only
        early : "groups", the mean of the five groups' mean squares; "curves", the mean square over all their curves
    Returns
        Dataset over `frequency` (Hz), dB re 20 uPa at 2.83 V, 1 m (relative where level is not absolute): on_axis,
        listening_window, early_reflections, sound_power, sound_power_di, early_reflections_di, in_room and the five groups.
        The attributes name the readings chosen.
    The directivity indices are listening window less sound power, and less early reflections, as the standard has them; the
    exact index is `directivity_index`.
    Raises DataError naming the angles an orbit lacks, or on orbits-only data with power="sphere".
    Source: ANSI/CTA-2034-A (2015): angles read in secondary text, weights and in-room shares from memory.
    """
    if power not in ("orbits", "sphere"):
        raise DataError(message("power", '"orbits" or "sphere"', repr(power)))
    if early not in ("groups", "curves"):
        raise DataError(message("early", '"groups" or "curves"', repr(early)))
    groups = {name: mean_square(d, plane, angles) for name, (plane, angles) in early_reflection_groups(rear).items()}
    window = listening_window_power(d)
    reflections = early_reflections_power(groups, early)
    total = orbit_sound_power(d) if power == "orbits" else sphere_sound_power(d)
    in_room = IN_ROOM_WEIGHTS[0] * window + IN_ROOM_WEIGHTS[1] * reflections + IN_ROOM_WEIGHTS[2] * total
    curves: dict[str, FloatArray] = {
        "on_axis": level_db(d, np.abs(d.on_axis()) ** 2),
        "listening_window": level_db(d, window),
        "early_reflections": level_db(d, reflections),
        "sound_power": level_db(d, total),
        "sound_power_di": 10 * np.log10(window / total),
        "early_reflections_di": 10 * np.log10(window / reflections),
        "in_room": level_db(d, in_room),
        **{name: level_db(d, group.mean(axis=0)) for name, group in groups.items()},
    }
    return _dataset(d, curves, power=power, rear=rear, early=early)


def early_reflections_power(groups: dict[str, FloatArray], early: Early) -> FloatArray:
    """(F,) mean square of the early reflections from each group's (curves, F) squared pressures."""
    if early == "groups":
        return np.asarray(np.mean([group.mean(axis=0) for group in groups.values()], axis=0))
    return np.asarray(np.concatenate(list(groups.values())).mean(axis=0))


def directivity_index(d: Directivity) -> FloatArray:
    """(F,) full-sphere directivity index, dB: on-axis squared pressure over its mean on the sphere.

    Raises DataError on orbits-only data; the two-orbit figure is sound_power_di of `standard_curves`.
    Source: IEC 60268-5, directivity index (from memory).
    """
    from evenfield.metrics.averages import on_axis_power

    total = sphere_sound_power(d)
    return np.asarray(10 * np.log10(np.maximum(on_axis_power(d), 1e-300) / total))


def _dataset(d: Directivity, curves: dict[str, FloatArray], **readings: Any) -> xr.Dataset:
    attributes: dict[str, Any] = {
        "standard": "ANSI/CTA-2034-A",
        "level": reference_words(d),
        "level_absolute": d.level_absolute,
        "bandwidth": "discrete frequencies" if d.bandwidth is None else f"1/{d.bandwidth} octave",
        "power": {"orbits": "two 10-degree orbits, the standard's weights", "sphere": "full-sphere quadrature"}[
            readings["power"]
        ],
        "rear_wall": {"full": "every 10 degrees from +-90 to 180", "three": "180 and +-90"}[readings["rear"]],
        "early_reflections": {"groups": "mean of the five groups", "curves": "mean over all curves"}[readings["early"]],
        "distance": "far field" if d.distance is None else f"{d.distance:g} m",
    }
    data = {
        name: ("frequency", value, {"units": "dB", "reference": "" if name.endswith("_di") else reference_words(d)})
        for name, value in curves.items()
    }
    return xr.Dataset(data, coords={"frequency": ("frequency", d.frequency, {"units": "Hz"})}, attrs=attributes)
