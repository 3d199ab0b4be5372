"""The beam's width without its jumps, and the dips that are about to make it jump.

The width that the metrics count ends at the first fall by 6 dB, so it jumps where a dip comes to graze that. Here the angles
above the fall are added up, softly; that is the same width where levels fall steadily, and dips are counted for themselves.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from evenfield.search.listening import ORBIT

Array = NDArray[np.float64]

DROP = 6.0
"""dB; the fall that ends the beam."""
SPARE = 0.5
"""dB; a dip inside the beam should stay this far above the fall."""
SOFT = 0.5
"""dB; how softly an angle comes to count as its level rises over the fall."""
SLACK = 0.09
"""Share of the aim that a width may be off."""
OUTER = 1.4
"""Beyond this share of the wanted half angle a rise above the fall is a lobe of its own, not the beam."""


def widths(level: Array, half: Array) -> tuple[Array, Array]:
    """How wide the beam is: the angles at which levels lie above -6 dB, each counting softly near it; and its derivative.

    Parameters
        level : (P, S, A, F) dB re axis at the angles `ORBIT` on both sides; half : (P,) rad, wanted half angles
    Returns
        (P, F) degrees, (P, S, A, F) degrees per dB
    """
    step = ORBIT[1] - ORBIT[0]
    share = np.radians(np.asarray(ORBIT)) / half[:, None]
    counted = step * (share <= OUTER)
    counted[:, 0] /= 2  # the axis belongs half to each side
    soft = 1 / (1 + np.exp(np.clip(-(level + DROP) / SOFT, -60, 60)))
    weight = counted[:, None, :, None]
    return np.asarray((weight * soft).sum(axis=(1, 2))), weight * soft * (1 - soft) / SOFT


def breaks(level: Array, half: Array, share: float = SLACK) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Where a fall below -6 dB would end the beam too early, and where only a dip that has ended it keeps it from being too wide.

    A beam may end in a dip or beyond it, as the sum of both sides needs; what must not be is a dip near -6 dB that decides.

    Parameters
        level : (P, S, A, F) dB re axis at the angles `ORBIT`; half : (P,) rad, wanted half angles
        share : by which a width may be off
    Returns
        (P, S, A, F) bool, (P, S, A, F) bool, the second at the deepest place of such dips
    """
    angle, wanted = np.asarray(ORBIT), np.degrees(2 * half)[:, None, None]
    place = crossing(level)[0]
    other = place[:, ::-1]  # the other side's
    early = angle[:, None] + other[..., None, :] < (1 - share) * wanted[..., None]
    above = (level > -DROP) & (angle <= OUTER * np.degrees(half)[:, None])[:, None, :, None]
    last = level.shape[-2] - 1 - np.flip(above, -2).argmax(axis=-2)  # the axis is always above
    inside = (angle[:, None] > place[..., None, :]) & (angle[:, None] < angle[last][..., None, :])
    wide = (angle[last] + other > (1 + share) * wanted) & inside.any(axis=-2)
    deepest = np.where(inside, level, np.inf).argmin(axis=-2)
    return early, wide[..., None, :] & (np.arange(len(angle))[:, None] == deepest[..., None, :])


def dips(level: Array, half: Array) -> Array:
    """(P, S, A, F) dB, 0 or less: how far levels lie under -5.5 dB where a fall would end the beam too early; see `breaks`."""
    return np.where(breaks(level, half)[0], np.minimum(level + DROP - SPARE, 0.0), 0.0)


def neck(width: Array, free: float) -> tuple[Array, Array]:
    """How much narrower a beam is somewhere than the widest on both sides of it in frequency, beyond a free share.

    Parameters
        width : (P, F), ascending frequency; free : share that does not count
    Returns
        (P, F) share, and (P, F, F) its derivative by the widths, the last axis theirs
    """
    count = width.shape[-1]
    slope = np.zeros((len(width), count, count))
    found = np.zeros(width.shape)
    for p, w in enumerate(width):
        for f in range(1, count - 1):
            left, right = int(np.argmax(w[: f + 1])), f + int(np.argmax(w[f:]))
            lower = left if w[left] < w[right] else right
            found[p, f] = max(1 - w[f] / w[lower] - free, 0.0)
            if found[p, f] > 0:
                slope[p, f, f] -= 1 / w[lower]
                slope[p, f, lower] += w[f] / w[lower] ** 2
    return found, slope


def crossing(level: Array) -> tuple[Array, Array]:
    """Where levels first fall by 6 dB as the metrics count it, and how that place moves with them.

    Parameters
        level : (..., A, F) dB re axis at the angles `ORBIT`
    Returns
        (..., F) degrees, linear in dB between the angles; the last angle, and no slope, where they never do
        (..., A, F) degrees per dB
    """
    angle = np.asarray(ORBIT)
    below = level < -DROP
    first = np.maximum(below.argmax(axis=-2), 1)[..., None, :]
    ends = below.any(axis=-2)
    left, right = (np.take_along_axis(level, first - n, -2)[..., 0, :] for n in (1, 0))
    fall = np.where(ends, left - right, 1.0)
    share, gap = (left + DROP) / fall, (angle[first] - angle[first - 1])[..., 0, :]
    slope = np.zeros(level.shape)
    np.put_along_axis(slope, first - 1, np.where(ends, gap * (1 - share) / fall, 0.0)[..., None, :], -2)
    np.put_along_axis(slope, first, np.where(ends, gap * share / fall, 0.0)[..., None, :], -2)
    return np.where(ends, angle[first - 1][..., 0, :] + share * gap, angle[-1]), slope


def first_fall(level: Array) -> Array:
    """(..., F) degrees; see `crossing`."""
    return crossing(level)[0]


__all__ = ["DROP", "OUTER", "SLACK", "SOFT", "SPARE", "breaks", "crossing", "dips", "first_fall", "neck", "widths"]
