"""Sectors of direction about a loudspeaker, in which causes are told."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

SECTOR_NAMES = (
    "front, within 30°",
    "side 30–60°",
    "up 30–60°",
    "down 30–60°",
    "side 60–90°",
    "up 60–90°",
    "down 60–90°",
    "side 90–130°",
    "up 90–130°",
    "down 90–130°",
    "rear, beyond 130°",
)
"""Angles from the axis; side, up and down by the nearer of the horizontal and vertical planes."""
SECTORS = len(SECTOR_NAMES)

RING_COSINES = (np.cos(np.radians(30.0)), np.cos(np.radians(60.0)), 0.0, np.cos(np.radians(130.0)))


def sector_of(vectors: NDArray[np.float64]) -> NDArray[np.int64]:
    """(A,) index into SECTOR_NAMES of (A, 3) directions in the loudspeaker's own frame."""
    x, y, z = vectors[:, 0], vectors[:, 1], vectors[:, 2]
    ring = np.sum([x < c for c in RING_COSINES], axis=0)
    quarter = np.where(np.abs(y) >= np.abs(z), 0, np.where(z > 0, 1, 2))
    return np.asarray(np.where(ring == 0, 0, np.where(ring == 4, SECTORS - 1, 1 + 3 * (ring - 1) + quarter)))
