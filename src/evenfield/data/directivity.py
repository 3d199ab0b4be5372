"""Directivity: the sound one thing sends in every direction, over frequency."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base.errors import DataError, message
from evenfield.data.directions import Directions, Plane, orbit_vectors

if TYPE_CHECKING:
    import xarray as xr

ComplexArray = NDArray[np.complex128]
FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Directivity:
    """Complex sound pressure over direction and frequency.

    Parameters
        pressure : (D, F) complex, lim r p e^{jkr}: Pa at 1 m per 1 V RMS at the terminals, e^{+jwt}
        directions : Directions, (D, 3) unit vectors; with quadrature weights for a sphere, without for orbits only
        frequency : (F,) float, Hz, ascending
        origin : (3,) m, the phase reference, in the design's frame
        phase_known : False where only magnitude was recorded
        level_absolute : False where levels are relative (an equalised or normalised measurement)
        bandwidth : None for discrete frequencies, else the octave fraction of the bands (3 for third octaves)
        distance : m, where it was taken or added; None in the far field
        provenance : what made it, free words by key
    Raises DataError when shapes disagree, values are not finite, or the axis does not ascend.
    """

    pressure: ComplexArray
    directions: Directions
    frequency: FloatArray
    origin: tuple[float, float, float] = (0.0, 0.0, 0.0)
    phase_known: bool = True
    level_absolute: bool = True
    bandwidth: int | None = None
    distance: float | None = None
    speed_of_sound: float = 343.2
    density: float = 1.2041
    provenance: Mapping[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        f = np.asarray(self.frequency, float)
        p = np.asarray(self.pressure, complex)
        if f.ndim != 1 or len(f) == 0 or not np.all(np.isfinite(f)) or np.any(f <= 0) or np.any(np.diff(f) <= 0):
            raise DataError(message("directivity.frequency", "positive and ascending", f"{f.shape} {f[:3]}..."))
        if p.shape != (len(self.directions), len(f)):
            raise DataError(
                message("directivity.pressure", f"shaped (direction, frequency) = {(len(self.directions), len(f))}", p.shape)
            )
        bad = np.argwhere(~np.isfinite(p))
        if len(bad):
            d, i = bad[0]
            raise DataError(
                message(
                    "directivity.pressure",
                    "finite",
                    f"{p[d, i]}",
                    where=f"direction {d}, {f[i]:.5g} Hz; {len(bad)} such values",
                )
            )
        p.setflags(write=False)
        f.setflags(write=False)
        object.__setattr__(self, "pressure", p)
        object.__setattr__(self, "frequency", f)
        object.__setattr__(self, "origin", tuple(float(v) for v in self.origin))

    @property
    def is_sphere(self) -> bool:
        """True when quadrature weights cover the closed sphere."""
        return self.directions.weights is not None

    @property
    def weights(self) -> FloatArray:
        """(D,) quadrature weights, sr. Raises DataError on orbits-only data."""
        if self.directions.weights is None:
            raise DataError(
                "This directivity holds orbits only, not a closed sphere: a full-sphere integral cannot be formed from it. "
                "Try the two-orbit figures of ANSI/CTA-2034-A (power='orbits')."
            )
        return self.directions.weights

    @property
    def level_db(self) -> FloatArray:
        """(D, F) level, dB re 20 uPa per 1 V at 1 m (relative where `level_absolute` is False)."""
        return np.asarray(20 * np.log10(np.maximum(np.abs(self.pressure), 1e-300) / 20e-6))

    def find(self, vectors: ArrayLike, tolerance_deg: float = 0.1) -> NDArray[np.intp]:
        """(A,) index of the stored direction nearest each of (A, 3) `vectors`; -1 where none lies within tolerance."""
        v = np.atleast_2d(np.asarray(vectors, float))
        from scipy.spatial import cKDTree

        # chord length keeps its digits near zero angle, where a scalar product loses them
        chord, index = cKDTree(self.directions.vectors).query(v)
        found = np.where(chord <= 2 * np.sin(np.radians(tolerance_deg) / 2), index, -1)
        return np.asarray(found, np.intp)

    def orbit(self, plane: Plane, angles_deg: ArrayLike) -> ComplexArray:
        """(A, F) pressure on stored directions of one orbit.

        Raises DataError naming the missing angles; nothing is filled in.
        """
        angle = np.atleast_1d(np.asarray(angles_deg, float))
        index = self.find(orbit_vectors(plane, angle))
        if np.any(index < 0):
            missing = ", ".join(f"{a:g}" for a in angle[index < 0][:24])
            raise DataError(
                f"The {plane} orbit lacks {int(np.sum(index < 0))} of the {len(angle)} angles needed: {missing} deg. "
                "Missing directions are never filled in. Try a measurement that holds these angles."
            )
        return np.asarray(self.pressure[index])

    def on_axis(self) -> ComplexArray:
        """(F,) pressure on the reference axis. Raises DataError where the axis was not recorded."""
        return np.asarray(self.orbit("horizontal", [0.0])[0])

    def replace(self, **changes: Any) -> Directivity:
        """A new Directivity with some fields changed."""
        return replace(self, **changes)

    def filtered(self, response: ArrayLike) -> Directivity:
        """A new Directivity multiplied by a complex response, (F,)."""
        r = np.asarray(response, complex)
        if r.shape != self.frequency.shape:
            raise DataError(message("response", f"one value per frequency ({len(self.frequency)})", r.shape))
        return self.replace(pressure=self.pressure * r[None])

    def to_xarray(self) -> xr.DataArray:
        """The same as a labelled array: dims (direction, frequency), coords x, y, z, weight, and the flags as attributes."""
        import xarray as xr

        coords: dict[str, Any] = {"frequency": ("frequency", self.frequency)}
        for i, name in enumerate("xyz"):
            coords[name] = ("direction", self.directions.vectors[:, i])
        if self.directions.weights is not None:
            coords["weight"] = ("direction", self.directions.weights)
        attrs = {
            "origin": self.origin,
            "phase_known": self.phase_known,
            "level_absolute": self.level_absolute,
            "bandwidth": self.bandwidth,
            "distance": self.distance,
            "speed_of_sound": self.speed_of_sound,
            "density": self.density,
            "time_convention": "exp(+jwt)",
            "units": "Pa m / V",
            "provenance": dict(self.provenance),
        }
        return xr.DataArray(self.pressure, dims=("direction", "frequency"), coords=coords, attrs=attrs, name="pressure")
