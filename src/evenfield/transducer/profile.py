"""Velocity profile: how much of the coil's velocity each radius of a diaphragm has."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base import DataError, DesignError, message

Complex = NDArray[np.complex128]
Real = NDArray[np.float64]

COLUMNS = ("radius_mm", "frequency_hz", "magnitude", "phase_deg")
"""Columns of a profile file: a full grid of radii and frequencies, velocity relative to the coil's."""


@dataclass(frozen=True)
class VelocityProfile:
    """Axial velocity over radius and frequency, relative to the coil's.

    Parameters
        radius : (R,) float, m, ascending from 0 or more; inside the first the value is held, outside the last it is 0
        weight : (R, F) complex
        frequency : (F,) float, Hz, ascending; one value: the same at all frequencies
        rigid_above_hz : Hz, first mode of the diaphragm: a simple model's results above it are marked "rigid piston".
            None for measured profiles, which know better
        source : where it came from
    Raises DataError when shapes disagree or values are not finite.
    """

    radius: Real
    weight: Complex
    frequency: Real
    rigid_above_hz: float | None = None
    source: str = "given"

    def __post_init__(self) -> None:
        r, f = np.asarray(self.radius, float), np.asarray(self.frequency, float)
        w = np.asarray(self.weight, complex)
        if r.ndim != 1 or len(r) < 2 or np.any(np.diff(r) <= 0) or r[0] < 0 or not np.all(np.isfinite(r)):
            raise DataError(message("profile.radius", "two or more, ascending from 0", r.tolist()[:6]))
        if f.ndim != 1 or not len(f) or np.any(np.diff(f) <= 0) or f[0] <= 0 or not np.all(np.isfinite(f)):
            raise DataError(message("profile.frequency", "positive and ascending", f.tolist()[:6]))
        if w.shape != (len(r), len(f)) or not np.all(np.isfinite(w)):
            raise DataError(message("profile.weight", f"finite, shape ({len(r)}, {len(f)})", w.shape))
        object.__setattr__(self, "radius", r)
        object.__setattr__(self, "frequency", f)
        object.__setattr__(self, "weight", w)

    @classmethod
    def tapered(cls, cone_radius: float, surround_width: float, rigid_above_hz: float | None = None) -> VelocityProfile:
        """1 on the cone, falling linearly to 0 across the surround; no modes.

        The surround of width b beyond the cone of radius a moves pi (a^2 + a b + b^2 / 3), within 1 % of the effective area
        of data sheets, pi (a + b/2)^2, for b < a/3.
        Source: common practice, no source.
        """
        _check_size("cone_radius", cone_radius, zero=False)
        _check_size("surround_width", surround_width, zero=True)
        if surround_width == 0:
            return cls.rigid(cone_radius, rigid_above_hz)
        radius = np.array([0.0, cone_radius, cone_radius + surround_width])
        weight = np.array([[1.0], [1.0], [0.0]], complex)
        return cls(radius, weight, np.array([1000.0]), rigid_above_hz, "tapered surround")

    @classmethod
    def from_area(cls, sd: float, surround_width: float, rigid_above_hz: float | None = None) -> VelocityProfile:
        """The tapered model whose effective area is exactly `sd` (m2).

        Raises DesignError when the surround is wider than the area allows.
        """
        _check_size("sd", sd, zero=False)
        b = surround_width
        inner = sd / math.pi - b * b / 12
        if inner <= b * b / 4:
            radius = math.sqrt(sd / math.pi)
            raise DesignError(message("surround_width", f"well below the radius ({1e3 * radius:.3g} mm)", f"{1e3 * b:.3g} mm"))
        return cls.tapered(math.sqrt(inner) - b / 2, b, rigid_above_hz)

    @classmethod
    def rigid(cls, radius: float, rigid_above_hz: float | None = None) -> VelocityProfile:
        """1 everywhere up to `radius` (m)."""
        _check_size("radius", radius, zero=False)
        weight = np.ones((2, 1), complex)
        return cls(np.array([0.0, radius]), weight, np.array([1000.0]), rigid_above_hz, "rigid piston")

    @classmethod
    def read_csv(cls, path: str | Path) -> VelocityProfile:
        """A measured or computed profile from CSV with the columns `COLUMNS`, a full grid in any order.

        Raises DataError when a column is missing, a number cannot be read, or grid points are missing (says which).
        """
        table = _read_table(Path(path))
        radius, frequency = np.unique(table[:, 0]), np.unique(table[:, 1])
        weight = np.full((len(radius), len(frequency)), np.nan, complex)
        rows, columns = np.searchsorted(radius, table[:, 0]), np.searchsorted(frequency, table[:, 1])
        weight[rows, columns] = table[:, 2] * np.exp(1j * np.radians(table[:, 3]))
        if np.any(np.isnan(weight)):
            i, j = np.argwhere(np.isnan(weight))[0]
            lost = int(np.isnan(weight).sum())
            raise DataError(
                message(
                    "velocity profile",
                    "a full grid of radii and frequencies",
                    f"{lost} missing, the first at {radius[i]:g} mm and {frequency[j]:g} Hz",
                    where=str(path),
                )
            )
        return cls(radius * 1e-3, weight, frequency, None, str(path))

    def at(self, radius: ArrayLike, frequency_hz: ArrayLike) -> Complex:
        """Weight at radii and frequencies: linear in radius and in log frequency, real and imaginary part each.

        Parameters
            radius : (N,) m;   frequency_hz : (F,) Hz
        Returns (N, F) complex; multiply by the outward axial component of the normal for a mesh's normal velocity.
        Below the lowest frequency its values are held (a diaphragm grows more rigid downwards).
        Raises DesignError above the highest frequency of a profile that has several.
        """
        r, f = np.atleast_1d(np.asarray(radius, float)), np.atleast_1d(np.asarray(frequency_hz, float))
        over_frequency = self._at_frequencies(f)
        upper = np.clip(np.searchsorted(self.radius, r, side="right"), 1, len(self.radius) - 1)
        low, high = self.radius[upper - 1], self.radius[upper]
        share = np.clip((r - low) / (high - low), 0, 1)[:, None]
        value = over_frequency[upper - 1] * (1 - share) + over_frequency[upper] * share
        return np.where((r > self.radius[-1] * (1 + 1e-12))[:, None], 0.0, value)

    def effective_area(self, frequency_hz: ArrayLike) -> Complex:
        """(F,) m2: volume velocity per unit coil velocity, 2 pi times the integral of weight r dr (exact between points)."""
        w = self._at_frequencies(np.atleast_1d(np.asarray(frequency_hz, float)))
        r = self.radius[:, None]
        inner, outer, step = r[:-1], r[1:], np.diff(r, axis=0)
        ring = step / 6 * (w[:-1] * (2 * inner + outer) + w[1:] * (inner + 2 * outer))
        return np.asarray(2 * np.pi * ring.sum(axis=0) + np.pi * self.radius[0] ** 2 * w[0])

    def check_area(self, sd: float, tolerance: float = 0.05, key: str | None = None) -> None:
        """Raise DesignError unless the effective area at the lowest frequency is `sd` (m2) within `tolerance`."""
        area = abs(complex(self.effective_area(self.frequency[0])[0]))
        if abs(area / sd - 1) > tolerance:
            raise DesignError(
                message(
                    f"{key or 'driver'}.sd",
                    f"within {100 * tolerance:g} % of what the velocity profile moves ({1e4 * area:.4g} cm2)",
                    f"{1e4 * sd:.4g} cm2 ({100 * (sd / area - 1):+.1f} %)",
                    cause=f"Sd and profile ({self.source}) describe different diaphragms",
                ),
                None if key is None else f"{key}.sd",
            )

    def rigid_mark(self, frequency_hz: ArrayLike) -> NDArray[np.bool_]:
        """(F,) True where a result must be marked "rigid piston": above the first mode of a model without modes."""
        f = np.atleast_1d(np.asarray(frequency_hz, float))
        return np.asarray(f > (math.inf if self.rigid_above_hz is None else self.rigid_above_hz))

    def _at_frequencies(self, f: Real) -> Complex:
        """(R, F)."""
        if len(self.frequency) == 1:
            return np.repeat(self.weight, len(f), axis=1)
        if len(f) and f.max() > self.frequency[-1] * (1 + 1e-9):
            raise DesignError(
                message(
                    "frequency",
                    f"at most {self.frequency[-1]:g} Hz, the end of the velocity profile",
                    f"{f.max():g} Hz",
                    where=self.source,
                    fix="a profile measured further up, or a lower end of the frequency axis",
                )
            )
        axis, at = np.log(self.frequency), np.log(np.maximum(f, self.frequency[0]))
        upper = np.clip(np.searchsorted(axis, at, side="right"), 1, len(axis) - 1)
        share = np.clip((at - axis[upper - 1]) / (axis[upper] - axis[upper - 1]), 0, 1)
        return np.asarray(self.weight[:, upper - 1] * (1 - share) + self.weight[:, upper] * share)


def _check_size(name: str, value: float, *, zero: bool) -> None:
    if not (math.isfinite(value) and (value > 0 or (zero and value == 0))):
        raise DesignError(message(name, "finite and not negative" if zero else "finite and positive", f"{value} m"))


def _read_table(path: Path) -> Real:
    """(N, 4) in the order of COLUMNS."""
    import csv

    try:
        with path.open(newline="", encoding="utf-8-sig") as stream:
            rows = list(csv.DictReader(line for line in stream if not line.lstrip().startswith("#")))
    except (OSError, UnicodeDecodeError) as error:
        raise DataError(message("velocity profile", "a readable CSV file", str(error), where=str(path))) from None
    header = set(rows[0]) if rows else set()
    missing = [c for c in COLUMNS if c not in header]
    if missing:
        found = ", ".join(str(h) for h in rows[0]) if rows else "no rows"
        raise DataError(message("velocity profile", f"CSV with columns {', '.join(COLUMNS)}", found, where=str(path)))
    table = []
    for number, row in enumerate(rows, start=1):
        try:
            table.append([float(row[c]) for c in COLUMNS])
        except (TypeError, ValueError):
            raise DataError(message("velocity profile", "numbers only", row, where=f"{path}, row {number}")) from None
    return np.array(table)
