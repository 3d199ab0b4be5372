"""Translation: how differently a mix balanced on one loudspeaker sounds on another. evenfield's own measure, not a standard's."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenfield.base.errors import DataError
from evenfield.rooms.playing import Played, play
from evenfield.rooms.room_sets import RoomSet
from evenfield.rooms.source import PLAYBACK_SYSTEMS, playback

FloatArray = NDArray[np.float64]
PERCENTS = (5.0, 25.0, 50.0, 75.0, 95.0)


@dataclass(frozen=True)
class Translation:
    """Distribution of the difference spectrum, `to` less `of`, each response less its own mean level over 250 Hz to 10 kHz.

    Parameters
        frequency : (B,) Hz, 1/3-octave centres
        percentile_db : (5, B) dB, at 5, 25, 50, 75, 95 %
        rms_db : RMS over bands (250 Hz to 10 kHz) and pairs of rooms of the difference
        constant_db : RMS over bands of its mean: what a listener always hears
        varying_db : RMS over bands of its standard deviation: what depends on the rooms
    """

    frequency: FloatArray
    percentile_db: FloatArray
    rms_db: float
    constant_db: float
    varying_db: float
    of: str
    to: str


def translate(of: Played, to: Played, seed: int = 1, pairs: int = 4000) -> Translation:
    """Difference spectrum between two loudspeakers, each in a room of its own set, drawn in pairs.

    Mixing room and listening room are independent: `of` and `to` may come from different ensembles. Loudspeaker places and seats
    are drawn with the rooms.
    """
    a, b = of.third_octaves(), to.third_octaves()
    common = [(i, j) for i, f in enumerate(a.frequency) for j, g in enumerate(b.frequency) if abs(f / g - 1) < 1e-3]
    if len(common) < 10:
        raise DataError(f"{of.title} and {to.title} share only {len(common)} third octaves; translation needs 10 or more.")
    ia, ib = np.array(common).T
    f = a.frequency[ia]
    level_a, level_b = _levels(a.level_db[..., ia], f), _levels(b.level_db[..., ib], f)
    generator = np.random.default_rng(seed)
    first = level_a[generator.integers(len(level_a), size=pairs)]
    second = level_b[generator.integers(len(level_b), size=pairs)]
    difference = second - first
    inside = _inside(f)
    part = difference[:, inside]
    return Translation(
        f,
        np.percentile(difference, PERCENTS, axis=0),
        float(np.sqrt(np.mean(part**2))),
        float(np.sqrt(np.mean(part.mean(axis=0) ** 2))),
        float(np.sqrt(np.mean(part.var(axis=0)))),
        of.title,
        to.title,
    )


def _inside(f: FloatArray) -> NDArray[np.bool_]:
    return np.asarray((f > 250 * 0.97) & (f < 10000 * 1.03))


def _levels(level: FloatArray, f: FloatArray) -> FloatArray:
    flat = level.reshape(-1, level.shape[-1])
    return np.asarray(flat - flat[:, _inside(f)].mean(axis=1, keepdims=True))


def translate_to_playback(of: Played, rooms: RoomSet, seed: int = 1) -> list[Translation]:
    """`translate` from a loudspeaker to each idealised playback system, heard in `rooms`."""
    axis = np.geomspace(float(of.frequency[0]) * 0.9, float(of.frequency[-1]) * 1.1, 120)
    low, high = float(of.frequency[0]), float(of.frequency[-1])
    return [translate(of, play(rooms, playback(kind, axis), 3, low, high), seed) for kind in PLAYBACK_SYSTEMS]
