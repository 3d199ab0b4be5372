"""Regular azimuth/elevation grids with both poles: recognition, spline coefficients, quadrature."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenfield.data.directions import Directions, clenshaw_curtis, spherical_to_vectors

_SLACK_DEG = 2e-3


@dataclass(frozen=True)
class SphereGrid:
    """A closed equiangular grid found among stored directions.

    Parameters
        index : (rings + 1, columns) int, the stored direction at elevation -90 + i 180/rings, azimuth first + j 360/columns
        first_azimuth_deg : azimuth of column 0
    """

    index: NDArray[np.intp]
    first_azimuth_deg: float = 0.0

    @property
    def rings(self) -> int:
        """Number of elevation steps from pole to pole."""
        return int(self.index.shape[0]) - 1

    @property
    def columns(self) -> int:
        """Number of azimuths."""
        return int(self.index.shape[1])

    def weights(self, count: int) -> NDArray[np.float64]:
        """(count,) Clenshaw-Curtis weights, sr, by stored direction; zero for directions outside the grid."""
        ring = clenshaw_curtis(self.rings) * 2 * np.pi / self.columns
        weight = np.zeros(count)
        np.add.at(weight, self.index, ring[:, None])
        return np.asarray(weight * (4 * np.pi / weight.sum()))

    def every_second(self) -> SphereGrid | None:
        """The grid of every second ring and column; None where the counts do not halve."""
        if self.rings % 4 or self.columns % 4:
            return None
        return SphereGrid(self.index[::2, ::2], self.first_azimuth_deg)

    def locate(
        self, azimuth_deg: NDArray[np.float64], elevation_deg: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Fractional row and column on the torus of `torus_index`, each (A,)."""
        row = (elevation_deg + 90.0) * self.rings / 180.0
        column = ((azimuth_deg - self.first_azimuth_deg) % 360.0) * self.columns / 360.0
        return row, column

    def torus_index(self) -> NDArray[np.intp]:
        """(2 rings, columns): the grid continued over the poles, so that rows and columns are both periodic."""
        back = np.roll(self.index[1:-1][::-1], self.columns // 2, axis=1)
        return np.concatenate([self.index, back])


def find_grid(directions: Directions) -> SphereGrid | None:
    """The closed equiangular grid among the directions (those of weight zero left aside), or None.

    Both poles, equal elevation steps, an even number of equal azimuth steps the same on every ring; poles may be repeated.
    """
    use = np.arange(len(directions))
    if directions.weights is not None:
        use = np.flatnonzero(directions.weights > 0)
    azimuth, elevation = directions.azimuth_deg[use], directions.elevation_deg[use]
    is_pole = np.abs(elevation) > 90.0 - _SLACK_DEG * 10
    inner = np.flatnonzero(~is_pole)
    if len(inner) < 8 or not (np.any(elevation[is_pole] > 0) and np.any(elevation[is_pole] < 0)):
        return None
    order = inner[np.argsort(elevation[inner], kind="stable")]
    breaks = np.flatnonzero(np.diff(elevation[order]) > 10 * _SLACK_DEG) + 1
    rings = np.split(order, breaks)
    columns = len(rings[0])
    if columns % 2 or any(len(ring) != columns for ring in rings):
        return None
    level = np.array([elevation[ring].mean() for ring in rings])
    if np.max(np.abs(level - (-90.0 + 180.0 * np.arange(1, len(rings) + 1) / (len(rings) + 1)))) > 10 * _SLACK_DEG:
        return None
    if len(rings) % 2 == 0:
        return None
    table = np.empty((len(rings) + 2, columns), np.intp)
    step = 360.0 / columns
    first = float(azimuth[rings[0]].min() % step)
    first = 0.0 if step - first < 10 * _SLACK_DEG else first
    for row, ring in enumerate(rings, start=1):
        place = ((azimuth[ring] - first) % 360.0) / step
        column = np.rint(place).astype(int) % columns
        if np.max(np.abs(place - np.rint(place))) * step > 10 * _SLACK_DEG or len(np.unique(column)) != columns:
            return None
        table[row, column] = use[ring]
    table[0] = use[np.flatnonzero(is_pole & (elevation < 0))[0]]
    table[-1] = use[np.flatnonzero(is_pole & (elevation > 0))[0]]
    return SphereGrid(table, first)


_USUAL_STEPS_DEG = (1.0, 2.0, 2.5, 3.0, 5.0, 6.0, 7.5, 10.0, 15.0)


def find_grid_within(directions: Directions) -> SphereGrid | None:
    """The finest closed grid of a usual step, the same both ways, whose every point is among the directions; or None.

    For grids that come with points beside them (further orbits).
    """
    from scipy.spatial import cKDTree

    tree = cKDTree(directions.vectors)
    for step in _USUAL_STEPS_DEG:
        rings, columns = round(180 / step), round(360 / step)
        if (rings - 1) * columns + 2 > len(directions):
            continue
        elevation, azimuth = np.meshgrid(np.arange(rings + 1) * step - 90.0, np.arange(columns) * step, indexing="ij")
        chord, index = tree.query(spherical_to_vectors(azimuth, elevation))
        if np.max(chord) <= np.radians(10 * _SLACK_DEG):
            return SphereGrid(np.asarray(index, np.intp))
    return None
