"""The acoustic wall as a fine grid: the very surface that is solved, in the part's frame, mm."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from evenfield.shape.elements import Waveguide
from evenfield.shape.strips import Strip, strips_of, throat_of

Array = NDArray[np.float64]

CHORD_MM = 0.01
"""How far a facet of the grid may lie off the wall, mm."""
_LONGEST_MM = 3.0


@dataclass(frozen=True)
class WallGrid:
    """Points of the acoustic wall.

    Parameters
        strip : the wall as shape has it, m
        t : (N,) stations, 0 at the mouth, 1 at the throat
        theta : (M,) rad, ascending from 0, the last one before 2 pi
        points : (N, M, 3) mm
        rim : (K, M, 3) mm, of a mouth proud of the baffle: from the baffle up to the mouth; none where it is flush
        rim_t : (K,) its stations
    """

    strip: Strip
    t: Array
    theta: Array
    points: Array
    rim: Array
    rim_t: Array

    @property
    def outline(self) -> Array:
        """(M, 3) where the surface leaves the baffle, mm."""
        return np.asarray(self.rim[0] if len(self.rim) else self.points[0])

    @cached_property
    def normals(self) -> Array:
        """(N, M, 3) unit normals, into the air."""
        return normals_at(self.strip, self.t, self.theta)

    @property
    def depth(self) -> float:
        """From baffle plane to throat, mm."""
        return -float(self.points[-1, 0, 0])

    @property
    def throat(self) -> float:
        """Radius of the throat, mm."""
        return float(np.hypot(*self.points[-1, 0, 1:]))

    @cached_property
    def air_volume(self) -> float:
        """Volume between throat plane, wall and mouth plane, mm3, from the facets."""
        from evenfield.shape.printing.meshing import closed_rings, enclosed

        return enclosed(*closed_rings(self.points))


def wall_strips(guide: Waveguide) -> tuple[Strip, Strip | None]:
    """The strip of a waveguide's wall, t from the mouth, 0, to the throat, 1; and that of its proud rim, None without."""
    throat, strips = throat_of(guide), strips_of(guide)
    for k, strip in enumerate(strips):
        x, r = strip.surface(np.ones(1), np.zeros(1))
        if strip.region == "walls" and abs(r[0, 0] - throat) < 1e-9 and abs(x[0, 0] + guide.depth) < 1e-9:
            return strip, strips[k - 1] if guide.proud > 0 else None
    raise AssertionError("a waveguide has a wall")


def at(strip: Strip, t: Array, theta: Array) -> Array:
    """(N, M, 3) points of a strip, mm."""
    x, r = strip.surface(t, theta)
    return np.asarray(1000 * np.stack([x, r * np.cos(theta), r * np.sin(theta)], axis=-1))


def normals_at(strip: Strip, t: Array, theta: Array) -> Array:
    """(N, M, 3) unit normals into the air, by differences along and around."""
    low, high = np.clip(t - 1e-5, 0, 1), np.clip(t + 1e-5, 0, 1)
    along = at(strip, high, theta) - at(strip, low, theta)
    around = at(strip, t, theta + 1e-5) - at(strip, t, theta - 1e-5)
    cross = np.cross(around, along)
    return np.asarray(cross / np.linalg.norm(cross, axis=-1, keepdims=True))


def wall_grid(guide: Waveguide, chord_mm: float = CHORD_MM) -> WallGrid:
    """The wall on a grid whose facets lie within `chord_mm` of it, the same in all four quarters."""
    strip, rim_strip = wall_strips(guide)
    t = _stations(strip, chord_mm)
    quarter = _quarter(strip, chord_mm)
    half = np.concatenate([quarter, math.pi - quarter[-2::-1]])
    theta = np.concatenate([half, math.pi + half[1:-1]])
    points = at(strip, t, theta)
    points[np.abs(points) < 1e-12] = 0.0
    rim, rim_t = np.zeros((0, len(theta), 3)), np.zeros(0)
    if rim_strip is not None:
        rim_t = _stations(rim_strip, chord_mm)
        rim = at(rim_strip, rim_t, theta)
        rim[-1] = points[0]
    return WallGrid(strip, t, theta, points, rim, rim_t)


def _spaced(line: Array, parameter: Array, chord_mm: float, least: int) -> Array:
    """Parameters that cut dense lines (P, L, 3) into pieces whose chords keep to `chord_mm` on every line."""
    step = np.gradient(line, axis=0)
    bend = np.gradient(step, axis=0)
    speed = np.maximum(np.linalg.norm(step, axis=2), 1e-12)
    turn = np.linalg.norm(np.cross(step, bend), axis=2) / speed**2  # rad per dense step
    density = np.maximum(np.sqrt(turn * speed / (8 * chord_mm)), speed / _LONGEST_MM).max(axis=1)
    from scipy.ndimage import maximum_filter1d

    density = maximum_filter1d(density, 9)
    count = np.concatenate([[0.0], np.cumsum((density[1:] + density[:-1]) / 2)])
    pieces = max(least, math.ceil(count[-1]))
    return np.asarray(np.interp(np.linspace(0, count[-1], pieces + 1), count, parameter))


def _stations(strip: Strip, chord_mm: float) -> Array:
    t = np.linspace(0, 1, 1201)
    return _spaced(at(strip, t, np.linspace(0, math.pi / 2, 13)), t, chord_mm, 24)


def _quarter(strip: Strip, chord_mm: float) -> Array:
    theta = np.linspace(0, math.pi / 2, 721)
    lines = np.swapaxes(at(strip, np.linspace(0, 1, 9), theta), 0, 1)
    return _spaced(lines, theta, chord_mm, 24)
