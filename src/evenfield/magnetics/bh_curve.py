"""Magnetisation curves of soft steel."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base import DataError, message

MU0 = 4e-7 * np.pi
"""H/m; the value before 2019, which differs from today's in the tenth digit."""


@dataclass(frozen=True)
class BHCurve:
    """A single-valued B-H curve, monotone between its points and of slope mu0 beyond the last.

    Parameters
        flux_density : (N,) float > 0, T, ascending
        field_strength : (N,) float > 0, A/m, ascending
        source : where the numbers come from
    Raises DataError when the points do not rise, rise slower than vacuum, or look like another unit (mT, kA/m).
    """

    flux_density: tuple[float, ...]
    field_strength: tuple[float, ...]
    source: str

    def __post_init__(self) -> None:
        b, h = np.asarray(self.flux_density, float), np.asarray(self.field_strength, float)
        if b.ndim != 1 or b.shape != h.shape or len(b) < 3 or not np.all(np.isfinite(np.r_[b, h])):
            raise DataError(message("B-H curve", "at least 3 finite pairs", f"{b.shape}, {h.shape}", where=self.source))
        if b[-1] > 10:
            raise DataError(
                message("B-H curve's largest B", "in tesla, below 10 T", f"{b[-1]:g}", where=self.source,
                        cause="Iron saturates near 2.2 T; the column is probably in mT", fix="B in T")
            )  # fmt: skip
        if b[-1] < 0.5:
            raise DataError(
                message("B-H curve's largest B", "at least 0.5 T", f"{b[-1]:g} T", where=self.source,
                        cause="A motor's steel works above that", fix="a curve up to 2 T")
            )  # fmt: skip
        bb, hh = np.r_[0.0, b], np.r_[0.0, h]
        if np.any(np.diff(bb) <= 0) or np.any(np.diff(hh) <= 0):
            i = int(np.argmax((np.diff(bb) <= 0) | (np.diff(hh) <= 0)))
            raise DataError(
                message("B-H curve", "rising in B and H", f"({b[i]:g} T, {h[i]:g} A/m) at point {i + 1}",
                        where=self.source, fix="sorting the points and leaving out the hysteresis' return branch")
            )  # fmt: skip
        slope = np.diff(bb) / np.diff(hh)
        if np.any(slope < 0.999 * MU0):
            i = int(np.argmax(slope < 0.999 * MU0))
            raise DataError(
                message("B-H curve's slope", "at least that of vacuum", f"{slope[i] / MU0:.3g} mu0 up to {b[i]:g} T",
                        where=self.source, cause="H may be in another unit", fix="H in A/m")
            )  # fmt: skip

    @property
    def largest(self) -> float:
        """T; the curve is extrapolated beyond it."""
        return self.flux_density[-1]

    @cached_property
    def _inside(self):  # type: ignore[no-untyped-def]
        from scipy.interpolate import PchipInterpolator

        return PchipInterpolator(np.r_[0.0, self.flux_density], np.r_[0.0, self.field_strength])

    def field(self, flux_density: ArrayLike) -> NDArray[np.float64]:
        """H(B), A/m, for B >= 0 in T: monotone cubic (Fritsch & Carlson 1980) inside, slope 1/mu0 beyond the table."""
        b = np.asarray(flux_density, float)
        last = self.flux_density[-1]
        inside = self._inside(np.minimum(b, last))
        return np.asarray(inside + np.maximum(b - last, 0.0) / MU0)

    def relative_permeability(self, flux_density: ArrayLike) -> NDArray[np.float64]:
        """B / (mu0 H) for B > 0."""
        b = np.asarray(flux_density, float)
        return np.asarray(b / (MU0 * self.field(b)))

    def diluted(self, fraction: float) -> BHCurve:
        """The curve of a region of which only `fraction` is steel, the rest air beside it (holes along the flux).

        At equal H the flux densities add by area: B = fraction B_steel + (1 - fraction) mu0 H.
        """
        if not 0 < fraction <= 1:
            raise DataError(message("steel fraction", "in 0..1", fraction, cause="The holes meet", fix="fewer holes"))
        h = np.asarray(self.field_strength)
        b = fraction * np.asarray(self.flux_density) + (1 - fraction) * MU0 * h
        return BHCurve(tuple(b.tolist()), self.field_strength, f"{self.source}; {100 * fraction:.0f} % steel")


def read_bh_curve(path: str | Path) -> BHCurve:
    """Read a B-H curve from a CSV file whose header names the columns and units, in either order: `B (T), H (A/m)`.

    Units: T or mT; A/m or kA/m. A first point (0, 0) may be given or left out.
    Raises DataError when the header or a row cannot be read.
    """
    path = Path(path)
    lines = [line for line in path.read_text(encoding="utf-8").splitlines() if line.strip() and line[0] != "#"]
    header = [cell.strip().lower().replace(" ", "") for cell in lines[0].split(",")] if lines else []
    columns: dict[str, tuple[int, float]] = {}
    units = {"b(t)": ("b", 1.0), "b(mt)": ("b", 1e-3), "h(a/m)": ("h", 1.0), "h(ka/m)": ("h", 1e3)}
    for i, cell in enumerate(header):
        if cell in units:
            columns[units[cell][0]] = (i, units[cell][1])
    if set(columns) != {"b", "h"}:
        raise DataError(
            message("B-H file's first line", "a header with units", lines[0] if lines else "nothing", where=path.name,
                    fix="B (T), H (A/m)")
        )  # fmt: skip
    try:
        rows = np.array([[float(c) for c in line.split(",")] for line in lines[1:]])
        b, h = (rows[:, columns[k][0]] * columns[k][1] for k in "bh")
    except (ValueError, IndexError) as error:
        raise DataError(message("B-H file", "two numbers a row", str(error), where=path.name)) from None
    keep = b > 0
    return BHCurve(tuple(b[keep].tolist()), tuple(h[keep].tolist()), path.name)
