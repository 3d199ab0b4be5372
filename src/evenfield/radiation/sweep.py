"""Solutions over frequencies: what the field solvers' results have in common."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Generic, Protocol, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.data import Directions
from evenfield.data.mesh import PartName

Complex = NDArray[np.complexfloating[Any, Any]]
Floats = NDArray[np.float64]


class OneFrequency(Protocol):
    """What the solution at one frequency gives; arrays as in `Sweep`, without its last axis."""

    @property
    def frequency_hz(self) -> float:
        """Hz."""

    @property
    def parts(self) -> tuple[PartName, ...]:
        """Names of the moving parts or patterns."""

    @property
    def error_db(self) -> float:
        """Of the level, dB."""

    @property
    def notes(self) -> tuple[str, ...]:
        """What to know about the result."""

    @property
    def surface_pressure(self) -> Complex:
        """(part, V)."""

    @property
    def radiation_impedance(self) -> Complex:
        """(part, part)."""

    @property
    def volume_velocity(self) -> Complex:
        """(part,)."""

    def far_field(self, directions: Directions | ArrayLike) -> Complex:
        """(part, D)."""

    def pressure_at(self, points: ArrayLike) -> Complex:
        """(part, P)."""


F = TypeVar("F", bound=OneFrequency)


@dataclass(frozen=True)
class Sweep(Generic[F]):
    """Sound radiated by each moving part, all else rigid, at several frequencies. e^{+j omega t}, RMS phasors.

    frequencies : the solution of each; the methods add that axis last to theirs, which say where each is known
    """

    frequencies: tuple[F, ...]

    @property
    def frequency_hz(self) -> Floats:
        """(F,)."""
        return np.array([s.frequency_hz for s in self.frequencies])

    @property
    def parts(self) -> tuple[PartName, ...]:
        """Names of the moving parts or patterns: the order of every part axis."""
        return self.frequencies[0].parts

    def far_field(self, directions: Directions | ArrayLike) -> Complex:
        """(part, D, F) lim r p e^{jkr} about (0, 0, 0), Pa at 1 m per 1 m/s; zero behind an infinite baffle."""
        return np.stack([s.far_field(directions) for s in self.frequencies], axis=-1)

    def pressure_at(self, points: ArrayLike) -> Complex:
        """(part, P, F) pressure in the air, Pa per 1 m/s."""
        return np.stack([s.pressure_at(points) for s in self.frequencies], axis=-1)

    @property
    def surface_pressure(self) -> Complex:
        """(part, V, F) Pa per 1 m/s at the mesh's vertices or the meridian's points; nan where not known."""
        return np.stack([s.surface_pressure for s in self.frequencies], axis=-1)

    @property
    def radiation_impedance(self) -> Complex:
        """(part, part, F) generalised force on the part per unit velocity, N s/m, positive resistance."""
        return np.stack([s.radiation_impedance for s in self.frequencies], axis=-1)

    @property
    def volume_velocity(self) -> Complex:
        """(part,) m3/s into the air per unit motion of each part."""
        return self.frequencies[0].volume_velocity

    @property
    def error_db(self) -> Floats:
        """(F,) estimated error of the (worst part's) level, dB, front hemisphere, within 20 dB of the maximum."""
        return np.array([s.error_db for s in self.frequencies])

    @property
    def notes(self) -> tuple[str, ...]:
        """What to know about the result, each once."""
        return tuple(dict.fromkeys(n for s in self.frequencies for n in s.notes))
