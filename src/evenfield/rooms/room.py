"""BoxRoom: a rectangular room, its surfaces, console and air."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base.air import Air
from evenfield.base.errors import DataError, message
from evenfield.rooms.enclosure import Enclosure
from evenfield.rooms.surfaces import Surface, surface

FloatArray = NDArray[np.float64]

WALLS = ("front", "back", "right", "left", "floor", "ceiling")
"""x = 0 (behind the loudspeakers), x = length, y = 0, y = width, z = 0, z = height."""

CLEARANCE = 0.02
"""m; loudspeakers and seats keep this far from any surface."""


@dataclass(frozen=True)
class Desk:
    """A console or desk: a horizontal rectangle that reflects, and hides the floor behind it.

    Parameters
        x, y : (low, high) m, its edges in the room
        height : m
    """

    x: tuple[float, float]
    y: tuple[float, float]
    height: float
    surface: Surface = field(default_factory=lambda: Surface.of(0.03, name="console"))

    def __post_init__(self) -> None:
        if not (self.x[0] < self.x[1] and self.y[0] < self.y[1] and np.isfinite(self.height)):
            raise DataError(
                message("console", "a rectangle, low edge before high", f"x {self.x}, y {self.y}, height {self.height}")
            )

    def to_row(self) -> FloatArray:
        """(6,) x0, x1, y0, y1, height, 1."""
        return np.array([*self.x, *self.y, self.height, 1.0])


@dataclass(frozen=True)
class BoxRoom(Enclosure):
    """A rectangular room: x along its length, y to the left of someone looking along x, z up from the floor.

    Parameters
        length : (3,) m: length, width, height
        surfaces : the six walls in the order of WALLS
        desk : console plane, or None
        air : the medium
    Raises DataError when a length is not positive or absurd, or the console leaves the room.
    """

    length: tuple[float, float, float]
    surfaces: tuple[Surface, ...]
    desk: Desk | None = None
    air: Air = field(default_factory=Air)
    name: str = "room"

    def __post_init__(self) -> None:
        check_lengths(self.length, self.name)
        if len(self.surfaces) != 6:
            raise DataError(message(f"{self.name}: surfaces", "six, " + ", ".join(WALLS), len(self.surfaces)))
        if self.desk is not None:
            d = self.desk
            inside = d.x[0] >= 0 and d.x[1] <= self.length[0] and d.y[0] >= 0 and d.y[1] <= self.length[1]
            if not (inside and 0 < d.height < self.length[2]):
                raise DataError(message("console", "inside the room", f"x {d.x}, y {d.y}, height {d.height} m"))

    @property
    def volume(self) -> float:
        """m^3."""
        return float(np.prod(self.length))

    @property
    def areas(self) -> FloatArray:
        """(6,) m^2, in the order of WALLS."""
        x, y, z = self.length
        return np.array([y * z, y * z, x * z, x * z, x * y, x * y])

    def check_inside(self, points: FloatArray, what: str) -> None:
        """Raises DataError when any of (N, 3) points is outside or in a wall."""
        for i, p in enumerate(np.atleast_2d(points)):
            low = p < CLEARANCE
            high = p > np.asarray(self.length) - CLEARANCE
            if np.any(low | high) or not np.all(np.isfinite(p)):
                axis = int(np.flatnonzero(low | high)[0]) if np.any(low | high) else 0
                wall = WALLS[2 * axis + int(high[axis])]
                rule = f"inside the room (0 to {', 0 to '.join(f'{v:g}' for v in self.length)} m)"
                cause = f"It lies outside, in or within {CLEARANCE * 100:g} cm of the {wall}"
                raise DataError(message(f"{what} {i + 1}", rule, point_text(p), cause=cause, fix="a place further in"))


def box_room(
    length: ArrayLike,
    surfaces: dict[str, Surface | str | float] | Surface | str | float = 0.2,
    desk: Desk | None = None,
    air: Air | None = None,
    name: str = "room",
) -> BoxRoom:
    """A box room from its lengths and what each wall is made of: a Surface, a material's name or an absorption coefficient.

    A mapping gives walls by the names of WALLS, 'walls' for the four upright ones, and must cover all six.
    Raises DataError when a wall is missing or unknown.
    """
    lengths = tuple(float(v) for v in np.asarray(length, float).ravel())
    if not isinstance(surfaces, dict):
        made: tuple[Surface, ...] = (surface(surfaces),) * 6
    else:
        unknown = set(surfaces) - {*WALLS, "walls"}
        if unknown:
            raise DataError(message(f"{name}: surfaces", "named " + ", ".join((*WALLS, "walls")), sorted(unknown)))
        missing = [w for w in WALLS if w not in surfaces and not ("walls" in surfaces and w in WALLS[:4])]
        if missing:
            raise DataError(message(f"{name}: surfaces", "given for every wall", f"nothing for {', '.join(missing)}"))
        made = tuple(surface(surfaces[w] if w in surfaces else surfaces["walls"]) for w in WALLS)
    return BoxRoom(lengths, made, desk, Air() if air is None else air, name)  # type: ignore[arg-type]


def check_lengths(length: ArrayLike, name: str = "room") -> None:
    """Raises DataError unless three lengths make a room (0.5 to 100 m each)."""
    v = np.asarray(length, float)
    if v.shape != (3,) or not np.all(np.isfinite(v)) or np.any(v <= 0):
        raise DataError(message(f"{name}: lengths", "three positive lengths (a volume above 0)", v.tolist(), fix="5, 4, 2.7 m"))
    if np.any(v < 0.5) or np.any(v > 100):
        raise DataError(message(f"{name}: lengths", "0.5 to 100 m", v.tolist(), fix="5, 4, 2.7 m"))


def check_seats(seats: ArrayLike) -> FloatArray:
    """(S, 3) seats. Raises DataError when two are in one place."""
    s = np.atleast_2d(np.asarray(seats, float))
    if s.ndim != 2 or s.shape[1] != 3 or len(s) == 0 or not np.all(np.isfinite(s)):
        raise DataError(message("seats", "a finite (S, 3) array, m", f"shape {s.shape}"))
    for i in range(len(s)):
        for j in range(i):
            if np.linalg.norm(s[i] - s[j]) < 0.01:
                raise DataError(
                    message(f"seat {i + 1}", f"away from seat {j + 1}", point_text(s[i]), cause="Both are in one place")
                )
    return s


def check_apart(origins: FloatArray, seats: FloatArray) -> None:
    """Raises DataError when a seat lies on a loudspeaker."""
    for i, seat in enumerate(seats):
        if np.linalg.norm(origins - seat, axis=1).min() < 0.1:
            raise DataError(message(f"seat {i + 1}", "at least 0.1 m from the loudspeaker", point_text(seat)))


def point_text(p: FloatArray) -> str:
    """A place in words, m."""
    return "(" + ", ".join(f"{v:.4g}" for v in p) + ") m"
