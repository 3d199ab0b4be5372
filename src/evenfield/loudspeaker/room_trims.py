"""Switchable trims for walls, corners and consoles, fitted to a published boundary curve until the rooms compute their own."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base.errors import DesignError, message
from evenfield.filters.chain import FilterChain
from evenfield.filters.gradients import Shape, log_gradient
from evenfield.filters.sections import LowShelf, Peaking, Section
from evenfield.loudspeaker.least_squares import least_squares

FloatArray = NDArray[np.float64]

SOURCE = "R. V. Waterhouse, J. Acoust. Soc. Am. 27 (1955) 247 and 30 (1958) 4 (from memory): power output beside rigid planes"
DISTANCES = {"near-wall": (0.3,), "corner": (0.4, 0.5), "desk": (0.35,)}
"""m from the woofer's place to one or two rigid planes (common practice, no source)."""


def boundary_gain_db(frequency_hz: ArrayLike, distances: tuple[float, ...], speed_of_sound: float = 343.2) -> FloatArray:
    """(F,) power output of a small source beside one, two or three rigid planes at right angles, dB re free field.

    Sum over the source's images of sin(2kr)/(2kr), r half the way to each image: 3.01, 6.02, 9.03 dB at 0 Hz, 0 dB far above.
    Valid for: sources small against the wavelength and round; a monitor is, where trims act (below some 300 Hz).
    Source: see `SOURCE`. Raises DesignError for a distance that is not positive.
    Example:
        >>> round(float(boundary_gain_db([0.01], (0.5,))[0]), 2)
        3.01
    """
    if not 1 <= len(distances) <= 3 or any(not d > 0 for d in distances):
        raise DesignError(message("distances", "one to three positive lengths", distances))
    k = 2 * np.pi * np.atleast_1d(np.asarray(frequency_hz, float)) / speed_of_sound
    power = np.ones_like(k)
    for mask in range(1, 2 ** len(distances)):
        r = math.sqrt(sum(d * d for i, d in enumerate(distances) if mask >> i & 1))
        power += np.sinc(2 * k * r / np.pi)
    return np.asarray(10 * np.log10(power))


@dataclass(frozen=True)
class RoomTrim:
    """One switch position.

    Parameters
        name, distances : m; chain : a low shelf and a peak, at most
        error_before_db, error_after_db : greatest deviation of the boundary curve from 0 dB re its high end, 30 ... 500 Hz
    """

    name: str
    distances: tuple[float, ...]
    chain: FilterChain
    error_before_db: float
    error_after_db: float

    def rows(self) -> list[dict[str, Any]]:
        """Its sections as plain values: kind, frequency (Hz), gain_db, q."""
        return [{"kind": s.kind, **asdict(s)} for s in self.chain.sections]


def fit_trim(name: str, distances: tuple[float, ...] | None = None, speed_of_sound: float = 343.2) -> RoomTrim:
    """Fit a trim to the boundary curve, 30 ... 500 Hz; dips are filled by 2 dB at most, since a boundary's dip eats what is put
    in.

    Parameters
        name : "near-wall", "corner", "desk", or any with `distances`
    Raises DesignError for a name without distances.
    """
    if distances is None:
        if name not in DISTANCES:
            raise DesignError(message("trim", f"one of {', '.join(DISTANCES)}, or given distances", name))
        distances = DISTANCES[name]
    f = np.geomspace(30.0, 500.0, 80)
    curve = boundary_gain_db(f, distances, speed_of_sound)
    shapes = [Shape("low-shelf"), Shape("peaking")]

    def linearised(v: FloatArray) -> tuple[FloatArray, FloatArray]:
        h, gradient = log_gradient(shapes, np.exp(v[[0, 3]]), v[[1, 4]], np.exp(v[[2, 5]]), f, None)
        slopes = 20 / math.log(10) * gradient.real.reshape(6, -1)
        return np.asarray(curve + 20 * np.log10(np.abs(h))), np.asarray(slopes.T)

    start = np.array([math.log(100), -3.0 * len(distances), math.log(0.6), math.log(200), 0.5, math.log(1.0)])
    low = np.array([math.log(30), -10, math.log(0.4), math.log(50), -4, math.log(0.5)])
    high = np.array([math.log(400), 0, math.log(0.9), math.log(450), 2, math.log(3.0)])
    found = least_squares(linearised, lambda v: linearised(v)[0], start, (low, high), 100)
    v = found.vector
    sections: tuple[Section, ...] = (LowShelf(round(math.exp(v[0]), 1), round(float(v[1]), 1), round(math.exp(v[2]), 2)),)
    sections += (Peaking(round(math.exp(v[3]), 1), round(float(v[4]), 1), round(math.exp(v[5]), 2)),)
    chain = FilterChain(sections, f"trims.{name}")
    after = curve + 20 * np.log10(np.abs(chain.response(f)))
    return RoomTrim(name, distances, chain, float(np.abs(curve).max()), float(np.abs(after).max()))


def room_trims(speed_of_sound: float = 343.2, near_wall: float | None = None, flush: bool = False) -> tuple[RoomTrim, ...]:
    """Near-wall, corner and desk.

    near_wall : m from the front to the wall behind, where the design states it; flush : no wall is left to be trimmed for
    """
    places = {n: d for n, d in DISTANCES.items() if not (flush and n != "desk")}
    if near_wall is not None:
        places["near-wall"] = (near_wall,)
    return tuple(fit_trim(name, distance, speed_of_sound) for name, distance in places.items())
