"""Normal velocities given by the caller, in place of parts that move: their checks, for all field solvers."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base import DataError, message
from evenfield.data.mesh import PartName


def check_velocity(velocity: ArrayLike, elements: int, frequencies: int) -> NDArray[np.complex128]:
    """(K, S, F) from given normal velocities (S, F) or (K, S, F) of S triangles or segments, m/s. Raises DataError."""
    v: NDArray[np.complex128] = np.asarray(velocity, np.complex128)
    v = v[None] if v.ndim == 2 else v
    if v.ndim != 3 or v.shape[1:] != (elements, frequencies) or len(v) == 0:
        raise DataError(message("velocity", f"(S, F) or (K, S, F) with S={elements}, F={frequencies}", np.shape(velocity)))
    if not np.all(np.isfinite(v)):
        raise DataError(message("velocity", "finite", "a value that is not"))
    return v


def given_patterns(
    velocity: ArrayLike | None, elements: int, frequencies: int
) -> tuple[NDArray[np.complex128] | None, tuple[PartName, ...] | None]:
    """(K, S, F) checked velocities and the patterns' names, numbered from 1; None and None where parts move."""
    if velocity is None:
        return None, None
    given = check_velocity(velocity, elements, frequencies)
    return given, tuple(range(1, len(given) + 1))


def pattern_velocity(velocity: ArrayLike | None, elements: int, patterns: tuple[PartName, ...]) -> NDArray[np.complex128]:
    """(K, S) of a problem of patterns at one frequency. Raises DataError where left out, or not one for each pattern."""
    if velocity is None:
        raise DataError(message("velocity", "given for a problem of patterns", None))
    given = check_velocity(np.asarray(velocity)[..., None], elements, 1)[..., 0]
    if len(given) != len(patterns):
        raise DataError(message("velocity", f"one pattern for each of {patterns}", len(given)))
    return given


def no_velocity(velocity: ArrayLike | None) -> None:
    """Raise DataError where velocities are given to a problem of parts."""
    if velocity is not None:
        raise DataError(message("velocity", "left out for a problem of parts", "given", fix="patterns="))
