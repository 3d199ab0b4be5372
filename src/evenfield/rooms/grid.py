"""BandGrid: the frequencies at which rooms are computed and the bands over which squared pressure is averaged."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from evenfield.base.bands import OCTAVE, octave_axis

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

NODE_FRACTION = 24
MODAL_TOP_HZ = 400.0
"""No modal sum is taken above this."""


@dataclass(frozen=True)
class BandGrid:
    """Fine frequencies in fractional-octave bands, and the nodes between which path amplitudes run linearly.

    Parameters
        centre : (B,) Hz, exact band centres (IEC 61260-1)
        fraction : octave fraction of the bands
        fine : (M,) Hz, midpoints that fill the bands evenly
        first : (B + 1,) int, first fine point of each band
        node : (J,) Hz, where directivity, walls and air are evaluated
    """

    centre: FloatArray
    fraction: int
    fine: FloatArray
    first: IntArray
    node: FloatArray

    @cached_property
    def node_index(self) -> NDArray[np.int32]:
        """(M,) node below each fine point."""
        index = np.searchsorted(self.node, self.fine, side="right") - 1
        return np.clip(index, 0, max(len(self.node) - 2, 0)).astype(np.int32)

    @cached_property
    def node_share(self) -> NDArray[np.float32]:
        """(M,) share of the node above, linear over frequency."""
        low = self.node[self.node_index]
        return ((self.fine - low) / (self.node[self.node_index + 1] - low)).astype(np.float32)

    def band_mean(self, fine_value: FloatArray) -> FloatArray:
        """(..., B) means of (..., M) over each band."""
        total = np.add.reduceat(fine_value, self.first[:-1], axis=-1)
        return np.asarray(total / np.diff(self.first))

    def to_fine(self, node_value: FloatArray) -> FloatArray:
        """(..., M) from (..., J), linear over frequency."""
        i, s = self.node_index, self.node_share
        return np.asarray(node_value[..., i] * (1 - s) + node_value[..., i + 1] * s)


def band_grid(fraction: int = 12, low_hz: float = 20.0, high_hz: float = 20000.0, lag_s: float = 0.020) -> BandGrid:
    """A grid fine enough that band means of |p|^2 are right for paths up to `lag_s` apart.

    |p|^2 of paths up to lag T apart varies over frequency with periods down to 1/T; two points a period, and below 400 Hz,
    where modes stand, at most 4 Hz apart.
    """
    centre = octave_axis(fraction, low_hz, high_hz)
    half = OCTAVE ** (0.5 / fraction)
    parts, first = [], [0]
    for f in centre:
        low, high = f / half, f * half
        step = 4.0 if f < MODAL_TOP_HZ else 0.5 / lag_s
        count = max(1, int(np.ceil((high - low) / step)))
        parts.append(low + (np.arange(count) + 0.5) * (high - low) / count)
        first.append(first[-1] + count)
    return BandGrid(centre, fraction, np.concatenate(parts), np.asarray(first), node_axis(low_hz, high_hz))


def node_axis(low_hz: float, high_hz: float) -> FloatArray:
    """(J,) Hz: 1/24-octave points that reach just beyond both ends."""
    margin = OCTAVE ** (1.0 / NODE_FRACTION)
    return octave_axis(NODE_FRACTION, low_hz / margin, high_hz * margin)
