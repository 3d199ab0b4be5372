"""What walls and a console near a loudspeaker do to the power it radiates and to its level on axis."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base.air import Air
from evenfield.base.errors import DataError, message
from evenfield.data.interpolation import interpolate
from evenfield.rooms.impedance import reflection_factor, wall_impedance
from evenfield.rooms.pattern import blend_orbits, resample
from evenfield.rooms.room import Desk
from evenfield.rooms.source import Loudspeaker, Way, loudspeaker
from evenfield.rooms.surfaces import Surface, surface

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

AXIS_OF = {"behind": 0, "right": 1, "floor": 2, "left": 1, "above": 2}
SIGN_OF = {"behind": 1.0, "right": 1.0, "floor": 1.0, "left": -1.0, "above": -1.0}
"""Walls by name: their axis, and which way their inward normal looks along it."""


@dataclass(frozen=True)
class BoundaryEffect:
    """Change against free space.

    Parameters
        frequency : (F,) Hz
        power_db : (F,) of the power radiated into the space that the walls leave
        axis_db : (F,) of the level at the listening point
    """

    frequency: FloatArray
    power_db: FloatArray
    axis_db: FloatArray


def boundary_effect(
    source: Loudspeaker | Way | Sequence[Way],
    walls: Mapping[str, float],
    distance: float = 2.0,
    frequency_hz: ArrayLike | None = None,
    absorption: Surface | str | float = 0.0,
    desk: Desk | None = None,
    step_deg: float = 5.0,
    air: Air | None = None,
    orbits: str = "refuse",
) -> BoundaryEffect:
    """Power and on-axis level of a loudspeaker near one, two or three walls at right angles, with its complete directivity.

    Parameters
        walls : distance, m, of the loudspeaker's reference point from: 'behind', 'floor' or 'above', 'right' or 'left'
        distance : m, listening distance on the axis
        absorption : of all the walls (real locally reacting impedance)
        desk : console, in coordinates about the loudspeaker's reference point; its height is negative below it
        step_deg : of the directions over which power is summed
    Power is the far field of loudspeaker and images, integrated over the half, quarter or eighth space; at low frequency beside
    hard walls it rises by 3, 6 and 9 dB. The console acts on the level on axis only, as a mirror with its edges' diffraction.
    Source: Waterhouse, JASA 27 (1955) 247; Allison, J. Audio Eng. Soc. 22 (1974) 314 (from memory).
    Raises DataError on two walls of one axis, or a loudspeaker in a wall.
    """
    known = loudspeaker(source)
    f = np.asarray(known.ways[0].frequency if frequency_hz is None else frequency_hz, float)
    _check(walls, known, distance)
    medium = Air() if air is None else air
    k = 2 * np.pi * f / medium.speed_of_sound
    zeta = wall_impedance(surface(absorption).absorption_at(f))
    field = _Imaged(known, f, k, zeta, walls, orbits)
    power = field.power(step_deg) / field.free_power(step_deg)
    free = field.at(np.array([[distance, 0.0, 0.0]]), walls=False)[0]
    whole = field.at(np.array([[distance, 0.0, 0.0]]))[0]
    if desk is not None:
        whole = whole + field.desk(desk, np.array([distance, 0.0, 0.0]), medium)
    return BoundaryEffect(f, 10 * np.log10(power), 20 * np.log10(np.abs(whole) / np.abs(free)))


def _check(walls: Mapping[str, float], source: Loudspeaker, distance: float) -> None:
    unknown = set(walls) - set(AXIS_OF)
    if unknown:
        raise DataError(message("walls", "named behind, floor, above, right, left", sorted(unknown)))
    axes = [AXIS_OF[w] for w in walls]
    if len(set(axes)) != len(axes):
        raise DataError(message("walls", "at right angles, one for each axis", sorted(walls)))
    for name, gap in walls.items():
        reach = -SIGN_OF[name] * source.offsets[:, AXIS_OF[name]]
        if not (np.isfinite(gap) and gap > float(np.max(reach, initial=0.0))):
            raise DataError(message(f"distance from the wall {name}", "more than its own depth there", f"{gap:g} m"))
    if not (np.isfinite(distance) and distance > 0.05):
        raise DataError(message("listening distance", "over 5 cm", f"{distance:g} m"))


class _Imaged:
    """A loudspeaker at the origin and its images in up to three walls."""

    def __init__(
        self, source: Loudspeaker, f: FloatArray, k: FloatArray, zeta: FloatArray, walls: Mapping[str, float], orbits: str
    ) -> None:
        self.source, self.f, self.k, self.zeta, self.orbits = source, f, k, zeta, orbits
        self.planes = [(AXIS_OF[w], -SIGN_OF[w] * gap) for w, gap in walls.items()]
        self.signs = {AXIS_OF[w]: SIGN_OF[w] for w in walls}

    def pattern(self, way: int, vectors: FloatArray) -> ComplexArray:
        """(A, F) pressure of one way with its filter towards (A, 3)."""
        d = self.source.ways[way]
        if d.is_sphere or self.orbits == "refuse":
            values = interpolate(d, vectors)
        else:
            values, _ = blend_orbits(d, vectors)
        return resample(values * self.source.responses[way][None], d.frequency, self.f, d.phase_known)

    def images(self) -> list[tuple[FloatArray, list[int]]]:
        """Signs (3,) and mirrored planes of every image."""
        out = []
        for mask in range(2 ** len(self.planes)):
            chosen = [i for i in range(len(self.planes)) if mask >> i & 1]
            sign = np.ones(3)
            for i in chosen:
                sign[self.planes[i][0]] = -1.0
            out.append((sign, chosen))
        return out

    def _place(self, origin: FloatArray, chosen: list[int]) -> FloatArray:
        placed = origin.copy()
        for i in chosen:
            axis, plane = self.planes[i]
            placed[axis] = 2 * plane - placed[axis]
        return placed

    def _factor(self, u: FloatArray, chosen: list[int]) -> FloatArray:
        factor = np.ones((len(u), len(self.f)))
        for i in chosen:
            factor = factor * reflection_factor(self.zeta[None], np.abs(u[:, self.planes[i][0], None]))
        return factor

    def at(self, points: FloatArray, walls: bool = True) -> ComplexArray:
        """(A, F) pressure at points."""
        total = np.zeros((len(points), len(self.f)), complex)
        for sign, chosen in self.images() if walls else [(np.ones(3), [])]:
            for w, origin in enumerate(self.source.offsets):
                ray = points - self._place(origin, chosen)
                r = np.linalg.norm(ray, axis=1)
                u = ray / r[:, None]
                value = self.pattern(w, u * sign) * self._factor(u, chosen)
                total += value * np.exp(-1j * self.k[None] * r[:, None]) / r[:, None]
        return total

    def power(self, step_deg: float) -> FloatArray:
        """(F,) sum of weight |far field|^2 over the open part of the sphere."""
        u, weight = _sphere(step_deg)
        u = u.copy()
        # folded into the open space: an even function of direction, which the whole sphere's quadrature integrates exactly
        for axis, sign in self.signs.items():
            u[:, axis] = sign * np.abs(u[:, axis])
        total = np.zeros((len(u), len(self.f)), complex)
        for mirror, chosen in self.images():
            for w, origin in enumerate(self.source.offsets):
                ahead = u @ self._place(origin, chosen)
                total += self.pattern(w, u * mirror) * self._factor(u, chosen) * np.exp(1j * self.k[None] * ahead[:, None])
        return np.asarray(weight @ np.abs(total) ** 2) / float(2 ** len(self.planes))

    def free_power(self, step_deg: float) -> FloatArray:
        """(F,) the same without walls, over the whole sphere."""
        u, weight = _sphere(step_deg)
        total = np.zeros((len(u), len(self.f)), complex)
        for w, origin in enumerate(self.source.offsets):
            total += self.pattern(w, u) * np.exp(1j * self.k[None] * (u @ origin)[:, None])
        return np.asarray(weight @ np.abs(total) ** 2)

    def desk(self, desk: Desk, point: FloatArray, air: Air) -> ComplexArray:
        """(F,) what the console sends to a point; nothing where either end is below it."""
        from evenfield.rooms.kernels import desk_share

        total = np.zeros(len(self.f), complex)
        wavelength = air.speed_of_sound / self.f
        zeta = wall_impedance(desk.surface.absorption_at(self.f))
        for w, origin in enumerate(self.source.offsets):
            if origin[2] <= desk.height or point[2] <= desk.height:
                continue
            image = origin * np.array([1.0, 1.0, -1.0]) + np.array([0.0, 0.0, 2 * desk.height])
            ray = point - image
            r = float(np.linalg.norm(ray))
            share = np.zeros(len(self.f), complex)
            (ax, ay, az), (bx, by, bz) = image, point
            desk_share(share, desk.to_row(), ax, ay, az, bx, by, bz, wavelength)
            value = self.pattern(w, (ray / r * np.array([1.0, 1.0, -1.0]))[None])[0]
            total += value * share * reflection_factor(zeta, abs(ray[2]) / r) * np.exp(-1j * self.k * r) / r
        return total


def _sphere(step_deg: float) -> tuple[FloatArray, FloatArray]:
    from evenfield.data.directions import sphere_directions

    directions = sphere_directions(step_deg, diagonals=False)
    assert directions.weights is not None
    return directions.vectors, directions.weights
