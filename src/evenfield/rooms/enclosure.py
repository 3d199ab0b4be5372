"""Enclosure: what every room has, however its walls are described: area, absorption, reverberation time."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base.air import Air
from evenfield.rooms.surfaces import Surface

FloatArray = NDArray[np.float64]


class Enclosure:
    """Base of the rooms, which give `surfaces` (one for each wall), `air`, `areas` (W,) m^2 and `volume` m^3."""

    surfaces: tuple[Surface, ...]
    air: Air
    areas: Any  # a property or a cached one of the rooms
    volume: Any

    @property
    def area(self) -> float:
        """m^2."""
        return float(self.areas.sum())

    def mean_absorption(self, frequency_hz: ArrayLike) -> FloatArray:
        """(F,) area-weighted random-incidence absorption."""
        alpha = np.stack([s.absorption_at(frequency_hz) for s in self.surfaces])
        return np.asarray(self.areas @ alpha / self.area)

    def reverberation_time(self, frequency_hz: ArrayLike) -> FloatArray:
        """(F,) s, by Eyring with the air's absorption."""
        from evenfield.rooms.late import decay_rate, reverberation_time

        f = np.atleast_1d(np.asarray(frequency_hz, float))
        air = self.air.absorption_db_per_m(f)
        return reverberation_time(decay_rate(self.volume, self.area, self.mean_absorption(f), air, self.air.speed_of_sound))
