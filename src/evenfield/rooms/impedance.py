"""Locally reacting walls: the real impedance that reproduces a given absorption, and what it reflects.

Assumption, stated wherever absorption is used: a wall of absorption coefficient alpha (random incidence, as tabulated) is taken
to react locally with a real specific impedance zeta >= 1.567, the stiff one of the two that reproduce alpha. Real walls also
store energy; their reflections are then shifted in phase, which this model does not know.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base.errors import DataError, message

FloatArray = NDArray[np.float64]

MATCHED_IMPEDANCE = 1.5668
"""Specific impedance of greatest random-incidence absorption for a real, locally reacting wall."""
GREATEST_ABSORPTION = 0.9512
"""That absorption; tabulated values above it (edge effect) are held at it."""


def random_incidence_absorption(zeta: ArrayLike) -> FloatArray:
    """Random-incidence absorption coefficient of a real, locally reacting specific impedance; same shape.

    alpha = (8/zeta) [1 + 1/(1 + zeta) - (2/zeta) ln(1 + zeta)]
    Source: Kuttruff, Room Acoustics, 5th ed. (2009), section 2.5 (Paris' formula; from memory, checked by quadrature).
    Example:
        >>> round(float(random_incidence_absorption(1.5668)), 4)
        0.9512
    """
    z = np.asarray(zeta, float)
    return np.asarray(8 / z * (1 + 1 / (1 + z) - 2 / z * np.log1p(z)))


def wall_impedance(absorption: ArrayLike) -> FloatArray:
    """Real specific impedance (>= 1.567) whose random-incidence absorption is `absorption`; same shape.

    Absorption above 0.951 cannot be had from such a wall and is held there. Zero absorption gives 1e9.
    Error: 1e-5 in absorption (interpolated table).   Raises DataError outside 0 ... 1.
    """
    alpha = np.asarray(absorption, float)
    if np.any(~np.isfinite(alpha)) or np.any(alpha < 0) or np.any(alpha > 1):
        bad = alpha[~((alpha >= 0) & (alpha <= 1))].ravel()[0]
        raise DataError(message("absorption", "between 0 and 1", f"{bad:g}", fix="0.05 for a hard wall"))
    log_alpha, log_zeta = _table()
    held = np.clip(alpha, 1e-8, GREATEST_ABSORPTION)
    return np.asarray(np.where(alpha < 1e-8, 1e9, np.exp(np.interp(np.log(held), log_alpha, log_zeta))))


@cache
def _table() -> tuple[FloatArray, FloatArray]:
    zeta = np.concatenate([MATCHED_IMPEDANCE + np.linspace(0, 1, 400) ** 2 * 8.5, np.geomspace(10.1, 1e9, 3000)])
    alpha = random_incidence_absorption(zeta)
    order = np.argsort(alpha, kind="stable")
    return np.log(alpha[order]), np.log(zeta[order])


def reflection_factor(zeta: ArrayLike, cosine: ArrayLike) -> FloatArray:
    """Plane-wave pressure reflection factor (zeta cos - 1)/(zeta cos + 1); broadcast shape.

    Cosines below 1e-4 count as that, so that a hard wall stays hard at grazing incidence.
    Source: Kuttruff, Room Acoustics, section 2.3, for a locally reacting wall.
    """
    x = np.asarray(zeta, float) * np.maximum(np.asarray(cosine, float), 1e-4)
    return np.asarray((x - 1) / (x + 1))
