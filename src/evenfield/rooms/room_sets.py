"""RoomSet: many box rooms as arrays, with the places and seats in each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base.air import Air
from evenfield.base.errors import DataError, message
from evenfield.rooms.room import CLEARANCE, WALLS, BoxRoom, check_seats
from evenfield.rooms.source import Loudspeaker, Placement
from evenfield.rooms.surfaces import OCTAVES

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class RoomSet:
    """Rooms in which every loudspeaker is heard under the same conditions.

    Parameters
        lengths : (R, 3) m
        frequency_hz : (A,) Hz of the surfaces' spectra, linear over log frequency between
        absorption, scattering : (R, 7, A): the six walls in the order of WALLS, then the console
        positions : (R, P, 3) m, of the loudspeaker's reference point
        azimuth, elevation : (R, P) rad, of its axis
        seats : (R, S, 3) m; seat 0 is the main one
        desks : (R, 6) x0, x1, y0, y1, height, 1; zeros where there is none
        air, name, seed : the medium, the ensemble's name and seed
    """

    lengths: FloatArray
    frequency_hz: FloatArray
    absorption: FloatArray
    scattering: FloatArray
    positions: FloatArray
    azimuth: FloatArray
    elevation: FloatArray
    seats: FloatArray
    desks: FloatArray
    air: Air = field(default_factory=Air)
    name: str = "rooms"
    seed: int | None = None

    def __len__(self) -> int:
        return len(self.lengths)

    @property
    def volume(self) -> FloatArray:
        """(R,) m^3."""
        return np.asarray(np.prod(self.lengths, axis=1))

    @property
    def areas(self) -> FloatArray:
        """(R, 6) m^2."""
        x, y, z = self.lengths.T
        return np.stack([y * z, y * z, x * z, x * z, x * y, x * y], axis=1)

    def at(self, values: FloatArray, frequency_hz: FloatArray) -> FloatArray:
        """(R, 7, F) spectra at other frequencies, linear over log frequency, held at the ends."""
        x = np.log(np.clip(frequency_hz, self.frequency_hz[0], self.frequency_hz[-1]))
        axis = np.log(self.frequency_hz)
        if len(axis) == 1:
            return np.repeat(values, len(frequency_hz), axis=-1)
        i = np.clip(np.searchsorted(axis, x, side="right") - 1, 0, len(axis) - 2)
        s = (x - axis[i]) / (axis[i + 1] - axis[i])
        return np.asarray(values[..., i] * (1 - s) + values[..., i + 1] * s)

    def mean(self, values: FloatArray) -> FloatArray:
        """(R, F) area-weighted mean of (R, 7, F) over the six walls."""
        weight = self.areas / self.areas.sum(axis=1, keepdims=True)
        return np.asarray(np.einsum("rw,rwf->rf", weight, values[:, :6]))

    def frames(self) -> FloatArray:
        """(R, P, 3, 3) rows: each loudspeaker's axes in the room's frame."""
        ca, sa, ce, se = np.cos(self.azimuth), np.sin(self.azimuth), np.cos(self.elevation), np.sin(self.elevation)
        zero = np.zeros_like(ca)
        rows = [[ca * ce, sa * ce, se], [-sa, ca, zero], [-ca * se, -sa * se, ce]]
        return np.stack([np.stack(row, axis=-1) for row in rows], axis=-2)

    def origins(self, source: Loudspeaker) -> FloatArray:
        """(R, P, W, 3) m, the ways' origins in the rooms. Raises DataError naming the first that is not inside."""
        o = self.positions[:, :, None] + np.einsum("wi,rpij->rpwj", source.offsets, self.frames())
        bad = np.argwhere((o < CLEARANCE) | (o > self.lengths[:, None, None] - CLEARANCE))
        if len(bad):
            r, p, w, axis = bad[0]
            wall = WALLS[2 * axis + int(o[r, p, w, axis] > CLEARANCE)]
            name = f"way {source.names[w]} at place {p + 1} of room {r + 1}"
            raise DataError(
                message(name, f"inside the room, {CLEARANCE * 100:g} cm off the {wall}", np.round(o[r, p, w], 3).tolist())
            )
        return np.asarray(o)

    def room(self, index: int) -> BoxRoom:
        """One room of the set by itself."""
        from evenfield.rooms.room import Desk
        from evenfield.rooms.surfaces import Surface

        made = tuple(Surface(self.frequency_hz, self.absorption[index, w], self.scattering[index, w], WALLS[w]) for w in range(6))
        d = self.desks[index]
        top = Surface(self.frequency_hz, self.absorption[index, 6], self.scattering[index, 6], "console")
        desk = Desk((float(d[0]), float(d[1])), (float(d[2]), float(d[3])), float(d[4]), top) if d[5] > 0 else None
        length = tuple(float(v) for v in self.lengths[index])
        return BoxRoom(length, made, desk, self.air, f"{self.name} {index + 1}")  # type: ignore[arg-type]

    def placement(self, index: int, place: int = 0) -> Placement:
        """Where the loudspeaker stands in one room."""
        x, y, z = (float(v) for v in self.positions[index, place])
        return Placement((x, y, z), float(self.azimuth[index, place]), float(self.elevation[index, place]))


def room_set(
    room: BoxRoom, placements: Placement | Sequence[Placement], seats: ArrayLike, source: Loudspeaker | None = None
) -> RoomSet:
    """One described room as a set of one, checked. Raises DataError (loudspeaker or seat outside, seats in one place)."""
    from evenfield.rooms.room import check_apart

    listed = [placements] if isinstance(placements, Placement) else list(placements)
    s = check_seats(seats)
    room.check_inside(np.asarray([p.position for p in listed]), "loudspeaker")
    room.check_inside(s, "seat")
    for p in listed:
        check_apart(np.asarray([p.position]) if source is None else p.origins(source), s)
    axis = _common_axis(room)
    top = room.desk.surface if room.desk else room.surfaces[4]
    surfaces = (*room.surfaces, top)
    values: dict[str, Any] = {
        "absorption": np.stack([w.absorption_at(axis) for w in surfaces])[None],
        "scattering": np.stack([w.scattering_at(axis) for w in surfaces])[None],
    }
    desk = room.desk.to_row() if room.desk else np.zeros(6)
    return RoomSet(
        np.asarray([room.length], float),
        axis,
        positions=np.asarray([[p.position for p in listed]], float),
        azimuth=np.asarray([[p.azimuth for p in listed]], float),
        elevation=np.asarray([[p.elevation for p in listed]], float),
        seats=s[None],
        desks=desk[None],
        air=room.air,
        name=room.name,
        **values,
    )


def _common_axis(room: BoxRoom) -> FloatArray:
    every = [s.frequency_hz for s in room.surfaces] + ([room.desk.surface.frequency_hz] if room.desk else [])
    axis = np.unique(np.concatenate([*every, np.asarray(OCTAVES)]))
    return np.asarray(axis)
