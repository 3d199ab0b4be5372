"""What causes the spread: its derivative with respect to the energy sent into each sector, by band and way."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenfield.base.errors import DataError
from evenfield.rooms.playing import Played
from evenfield.rooms.room_spread import MEASURED_BAND, normalised_db
from evenfield.rooms.sectors import SECTOR_NAMES, SECTORS

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Causes:
    """Derivative of room spread, dB per dB of energy, by way, sector of direction and 1/3-octave band.

    Parameters
        frequency : (B,) Hz
        slope : (W, SECTORS, B): change of the spread, dB, when the energy which that way sends into that sector
            in that band rises by 1 dB; positive makes rooms differ more
        sectors, ways : names
    To first order the spread changes by slope times the dB taken away: sum what you mean to change. Slopes of everything at once
    add to zero, because raising all directions alike leaves a shape unchanged only if all bands rise: that sum is in `check`.
    """

    frequency: FloatArray
    slope: FloatArray
    sectors: tuple[str, ...]
    ways: tuple[str, ...]

    @property
    def check(self) -> float:
        """Sum over everything; zero but for rounding and the modes' share."""
        return float(self.slope.sum())

    def by_sector(self) -> list[tuple[str, float]]:
        """(name, slope) over all bands and ways, greatest first."""
        total = self.slope.sum(axis=(0, 2))
        return [(self.sectors[i], float(total[i])) for i in np.argsort(-total)]

    def by_way(self) -> list[tuple[str, float]]:
        """(name, sum of the slopes of all sectors but the front one) by way: energy thrown off axis."""
        total = self.slope[:, 1:].sum(axis=(1, 2))
        return [(name, float(v)) for name, v in zip(self.ways, total, strict=True)]

    def by_octave(self) -> list[tuple[float, float]]:
        """(centre Hz, sum of the off-axis slopes) in octaves from 250 Hz to 8 kHz."""
        total = self.slope[:, 1:].sum(axis=(0, 1))
        centres = (250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)
        return [(c, float(total[(self.frequency > c / 1.42) & (self.frequency < c * 1.42)].sum())) for c in centres]

    def worst(self, count: int = 8) -> list[tuple[str, str, float, float]]:
        """(way, sector, octave centre Hz, slope) of the greatest contributions off axis."""
        rows = []
        for centre in (250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0):
            inside = (self.frequency > centre / 1.42) & (self.frequency < centre * 1.42)
            part = self.slope[:, :, inside].sum(axis=2)
            rows += [(w, s, centre, float(part[i, j])) for i, w in enumerate(self.ways) for j, s in enumerate(self.sectors) if j]
        return sorted(rows, key=lambda row: -row[3])[:count]


def causes(played: Played) -> Causes:
    """By-cause table from a run of `play` with causes=True. Raises DataError without the slopes.

    With x the normalised levels, S^2 = mean over bands of var(x); dS = mean over bands of cov(x_b, dx_b)/S, and dx_b is the
    level's slope less its mean over the bands. The late field's draw is held; modes are not told
    apart by sector.
    """
    if played.slopes is None:
        raise DataError("The by-cause table needs play(..., causes=True).")
    f, level = normalised_db(played)
    third = played.third_octaves()
    inside = (third.frequency > MEASURED_BAND[0] * 0.97) & (third.frequency < MEASURED_BAND[1] * 1.03)
    assert third.slopes is not None
    slopes = third.slopes[..., inside]
    rooms, bands = level.shape[0], level.shape[-1]
    centred = level - level.mean(axis=0)
    count = rooms - 1
    places = level.shape[1] * level.shape[2]
    variance = float(np.sum(centred**2) / count / places / bands)
    # energy raised in band c alone moves x_c by s (1 - 1/B) and every other band by -s/B
    weight = centred - centred.mean(axis=-1, keepdims=True)
    moved = slopes - slopes.mean(axis=0)
    slope = np.einsum("rpsb,rpsab->ab", weight.astype(np.float32), moved) / count / places / bands / np.sqrt(variance)
    ways = len(played.way_names)
    return Causes(f, np.asarray(slope, float).reshape(ways, SECTORS, bands), SECTOR_NAMES, played.way_names)
