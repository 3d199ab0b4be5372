"""What a change of an element does to its field, as a ratio of round fields over direction and frequency."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenfield.loudspeaker.quick_round import ANGLES, FREQUENCIES, RoundField

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

FLOOR = 0.05
"""Of the largest field at a frequency: where either field is near a null, the ratio tends to one."""

_WEIGHTS: dict[tuple[str, bytes], tuple[FloatArray, FloatArray]] = {}


@dataclass(frozen=True)
class Ratio:
    """New over old field of one part.

    Parameters
        horizontal, vertical : (A, F) complex at `ANGLES`, on the frequencies of the answer
        load : (F,) complex, new over old radiation impedance
    """

    horizontal: ComplexArray
    vertical: ComplexArray
    load: ComplexArray

    def towards(self, rays: FloatArray, name: str) -> NDArray[np.complex64]:
        """(D, F) ratio towards directions (D, 3): between the planes by the squares of cosine and sine of the roll.

        Behind the baffle's plane the value at 90 degrees holds. `name` names the directions, whose weights are kept.
        """
        across, up = _weights(rays, name)
        found = across @ self.horizontal
        if self.vertical is not self.horizontal:
            found += up @ self.vertical
        else:
            found += up @ self.horizontal
        return np.asarray(found, np.complex64)


def ratio_of(
    before: tuple[RoundField, RoundField], after: tuple[RoundField, RoundField], frequency: FloatArray
) -> dict[str, Ratio]:
    """Per moving part, on the frequencies of the answer."""
    found = {}
    for i, name in enumerate(after[0].parts):
        planes = [_over(old.far_field[i], new.far_field[i], frequency) for old, new in zip(before, after, strict=True)]
        if before[0] is before[1] and after[0] is after[1]:
            planes[1] = planes[0]
        loads = [new.impedance[i, i] / old.impedance[i, i] for old, new in zip(before, after, strict=True)]
        found[name] = Ratio(planes[0], planes[1], _on_axis(np.sqrt(loads[0] * loads[1])[None], frequency)[0])
    return found


def _over(old: ComplexArray, new: ComplexArray, frequency: FloatArray) -> ComplexArray:
    """(A, F): new/old, brought to one where either is near a null."""
    size = FLOOR**2 * np.maximum(np.abs(old).max(axis=0), np.abs(new).max(axis=0)) ** 2
    return _on_axis((new * np.conj(old) + size) / (np.abs(old) ** 2 + size), frequency)


def _on_axis(value: ComplexArray, frequency: FloatArray) -> ComplexArray:
    """(A, S) at `FREQUENCIES` to (A, F): magnitude and unwrapped phase by splines in log frequency, held outside."""
    from scipy.interpolate import CubicSpline

    at = np.log(np.clip(frequency, FREQUENCIES[0], FREQUENCIES[-1]))
    level = CubicSpline(np.log(FREQUENCIES), np.log(np.maximum(np.abs(value), 1e-9)), axis=-1)(at)
    phase = CubicSpline(np.log(FREQUENCIES), np.unwrap(np.angle(value), axis=-1), axis=-1)(at)
    # a change of path turns the phase in proportion to frequency, below the band and above it too
    share = np.where(frequency < FREQUENCIES[0], frequency / FREQUENCIES[0], 1.0)
    share = np.where(frequency > FREQUENCIES[-1], frequency / FREQUENCIES[-1], share)
    return np.asarray(np.exp(level + 1j * phase * share))


def _weights(rays: FloatArray, name: str) -> tuple[FloatArray, FloatArray]:
    """(D, A) twice: linear interpolation in angle, times cosine and sine squared of the roll."""
    key = (name, rays[:: max(len(rays) // 64, 1)].tobytes())
    if key not in _WEIGHTS:
        unit = rays / np.linalg.norm(rays, axis=1, keepdims=True)
        place = np.minimum(np.arccos(np.clip(unit[:, 0], -1.0, 1.0)), ANGLES[-1]) / (ANGLES[1] - ANGLES[0])
        low = np.minimum(place.astype(int), len(ANGLES) - 2)
        rise = place - low
        weight = np.zeros((len(rays), len(ANGLES)))
        row = np.arange(len(rays))
        weight[row, low] = 1 - rise
        weight[row, low + 1] += rise
        side = unit[:, 1] ** 2 + unit[:, 2] ** 2
        across = np.where(side > 1e-12, unit[:, 1] ** 2 / np.maximum(side, 1e-12), 0.5)[:, None]
        if len(_WEIGHTS) > 12:
            _WEIGHTS.clear()
        _WEIGHTS[key] = (weight * across, weight * (1 - across))
    return _WEIGHTS[key]
