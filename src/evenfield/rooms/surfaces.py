"""Surface: absorption and scattering over frequency, from a small table or a file."""

from __future__ import annotations

import csv
import difflib
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base.errors import DataError, message

FloatArray = NDArray[np.float64]

OCTAVES = (63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)

# Random-incidence absorption in the octaves 63 Hz ... 8 kHz, and one scattering figure at 1 kHz. Values of the kind printed in
# Kuttruff, Room Acoustics, and Vorlaender, Auralization (2008), appendix; from memory, rounded; 63 Hz and 8 kHz extrapolated.
_TABLE: dict[str, tuple[tuple[float, ...], float]] = {
    "concrete": ((0.01, 0.01, 0.01, 0.02, 0.02, 0.02, 0.03, 0.04), 0.05),
    "brick": ((0.02, 0.03, 0.03, 0.03, 0.04, 0.05, 0.07, 0.07), 0.10),
    "plaster": ((0.02, 0.02, 0.02, 0.03, 0.03, 0.04, 0.05, 0.05), 0.05),
    "plasterboard": ((0.22, 0.28, 0.12, 0.08, 0.06, 0.06, 0.06, 0.06), 0.05),
    "wood floor": ((0.14, 0.15, 0.11, 0.10, 0.07, 0.06, 0.07, 0.07), 0.05),
    "parquet": ((0.03, 0.04, 0.04, 0.07, 0.06, 0.06, 0.07, 0.07), 0.05),
    "carpet": ((0.01, 0.02, 0.06, 0.14, 0.37, 0.60, 0.65, 0.65), 0.10),
    "thin carpet": ((0.01, 0.02, 0.03, 0.06, 0.17, 0.30, 0.40, 0.45), 0.10),
    "window": ((0.30, 0.30, 0.20, 0.12, 0.08, 0.06, 0.04, 0.04), 0.05),
    "curtain": ((0.05, 0.07, 0.25, 0.45, 0.65, 0.70, 0.65, 0.65), 0.20),
    "furnished wall": ((0.15, 0.18, 0.20, 0.24, 0.28, 0.30, 0.32, 0.32), 0.50),
    "bookshelves": ((0.20, 0.25, 0.35, 0.40, 0.40, 0.45, 0.45, 0.45), 0.60),
    "absorber 50 mm": ((0.08, 0.18, 0.60, 0.90, 0.95, 0.95, 0.92, 0.90), 0.10),
    "absorber 100 mm": ((0.20, 0.45, 0.90, 0.95, 0.95, 0.95, 0.95, 0.92), 0.10),
    "acoustic ceiling": ((0.30, 0.45, 0.60, 0.75, 0.85, 0.85, 0.75, 0.70), 0.10),
    "bass absorber": ((0.55, 0.60, 0.35, 0.18, 0.12, 0.10, 0.10, 0.10), 0.10),
    "diffusor": ((0.10, 0.12, 0.15, 0.20, 0.18, 0.18, 0.20, 0.22), 0.80),
}
MATERIALS = tuple(_TABLE)
"""Names in the small table."""


@dataclass(frozen=True)
class Surface:
    """What a wall is made of.

    Parameters
        frequency_hz : (A,) Hz, ascending; between them values go linearly over log frequency, beyond them they are held
        absorption : (A,) random-incidence absorption coefficient, 0 ... 1
        scattering : (A,) share of the reflected energy that leaves the mirror direction, 0 ... 1
        name : for messages
    Raises DataError when a value is outside 0 ... 1 or the axis does not ascend.
    """

    frequency_hz: FloatArray
    absorption: FloatArray
    scattering: FloatArray
    name: str = "surface"

    def __post_init__(self) -> None:
        f = np.atleast_1d(np.asarray(self.frequency_hz, float))
        if f.ndim != 1 or np.any(f <= 0) or np.any(np.diff(f) <= 0) or not np.all(np.isfinite(f)):
            raise DataError(message(f"{self.name}: frequencies", "positive and ascending", f.tolist()))
        object.__setattr__(self, "frequency_hz", f)
        for name in ("absorption", "scattering"):
            value = np.broadcast_to(np.asarray(getattr(self, name), float), f.shape).copy()
            bad = np.flatnonzero(~((value >= 0) & (value <= 1)))
            if len(bad):
                where = f"{f[bad[0]]:g} Hz"
                raise DataError(message(f"{self.name}: {name}", "between 0 and 1", f"{value[bad[0]]:g}", where=where, fix="0.1"))
            object.__setattr__(self, name, value)

    @classmethod
    def of(cls, absorption: float, scattering: float = 0.0, name: str = "surface") -> Surface:
        """The same absorption and scattering at all frequencies."""
        return cls(np.array([1000.0]), np.array([absorption]), np.array([scattering]), name)

    def absorption_at(self, frequency_hz: ArrayLike) -> FloatArray:
        """Absorption coefficient; same shape as `frequency_hz`."""
        return _over_log(frequency_hz, self.frequency_hz, self.absorption)

    def scattering_at(self, frequency_hz: ArrayLike) -> FloatArray:
        """Scattering coefficient; same shape as `frequency_hz`."""
        return _over_log(frequency_hz, self.frequency_hz, self.scattering)


def _over_log(frequency_hz: ArrayLike, axis: FloatArray, value: FloatArray) -> FloatArray:
    return np.asarray(np.interp(np.log(np.asarray(frequency_hz, float)), np.log(axis), value))


@cache
def material(name: str) -> Surface:
    """A surface of the small table (values from memory). Raises DataError naming the nearest known one."""
    if name not in _TABLE:
        near = difflib.get_close_matches(name, MATERIALS, n=1, cutoff=0.4)
        raise DataError(message("material", "one of " + ", ".join(MATERIALS), repr(name), fix=repr(near[0]) if near else ""))
    absorption, scatter = _TABLE[name]
    f = np.asarray(OCTAVES)
    # scattering grows with the depth of the relief in wavelengths: common practice, no source
    scattering = scatter * np.clip(0.5 + 0.25 * np.log2(f / 1000.0), 0.1, 1.0)
    return Surface(f, np.asarray(absorption), scattering, name)


def surface(what: Surface | str | float) -> Surface:
    """A Surface from itself, a material's name, or one absorption coefficient."""
    if isinstance(what, Surface):
        return what
    if isinstance(what, str):
        return material(what)
    return Surface.of(float(what), name=f"absorption {what:g}")


def read_surface(path: str | Path) -> Surface:
    """A surface from CSV: columns frequency_hz, absorption and optionally scattering.

    Raises DataError naming file, line and value.
    """
    path = Path(path)
    try:
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        raise DataError(message("surface file", "a readable CSV file", f"{path.name}: {error.strerror}")) from None
    rows = [r for r in csv.reader(text.splitlines()) if r and not r[0].lstrip().startswith("#")]
    head = [c.strip() for c in rows[0]] if rows else []
    if head[:2] != ["frequency_hz", "absorption"]:
        fix = "the head line frequency_hz,absorption,scattering"
        raise DataError(message(f"{path.name}: columns", "frequency_hz, absorption[, scattering]", head, fix=fix))
    values = []
    for number, row in enumerate(rows[1:], start=2):
        try:
            values.append([float(c) for c in row[: len(head)]])
        except ValueError:
            raise DataError(message(f"{path.name}: values", "numbers", row, where=f"line {number}")) from None
    if not values or any(len(v) != len(head) for v in values):
        raise DataError(message(f"{path.name}", f"a table of {len(head)} columns with at least one row", f"{len(values)} rows"))
    table = np.asarray(values)
    scattering = table[:, 2] if len(head) > 2 else np.zeros(len(table))
    return Surface(table[:, 0], table[:, 1], scattering, path.stem)
