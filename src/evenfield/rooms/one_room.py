"""respond: one loudspeaker in one described room, at each seat: steady state, what it is made of, and each reflection."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base.bands import OCTAVE
from evenfield.base.errors import DataError, message
from evenfield.rooms import late as late_part
from evenfield.rooms.grid import MODAL_TOP_HZ, BandGrid
from evenfield.rooms.impedance import GREATEST_ABSORPTION, wall_impedance
from evenfield.rooms.pattern import PatternTable, pattern_table
from evenfield.rooms.playing import AIR_STEP, EARLY_S, Walls, _grid_for, modal_share
from evenfield.rooms.polyhedron import PolyhedralRoom
from evenfield.rooms.room import WALLS, BoxRoom, check_apart, check_seats
from evenfield.rooms.source import Loudspeaker, Placement, Way, loudspeaker

if TYPE_CHECKING:
    from evenfield.rooms.kernels import Field, Paths

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
Room = BoxRoom | PolyhedralRoom

WALL_WORDS = {
    "impedance": "real locally reacting impedance reproducing the given absorption",
    "constant": "the same reflection at every angle",
}
NO_DESK = np.zeros(6)
LISTED = 40
"""Reflections told one by one."""


@dataclass(frozen=True)
class Reflection:
    """One reflection at one seat.

    Parameters
        walls : names of the surfaces met, in the order of their numbers
        delay_s : behind the direct sound
        level_db : (B,) relative to the direct sound, mean square over each band
        image : (3,) m, where it seems to come from
        azimuth_deg, elevation_deg : direction in which it left the loudspeaker, in its own frame
        points : (N, 3) m, loudspeaker, the points of reflection, seat (unfolded straight line where there is no simple path)
    """

    walls: tuple[str, ...]
    order: int
    delay_s: float
    level_db: FloatArray
    image: FloatArray
    azimuth_deg: float
    elevation_deg: float
    points: FloatArray

    @property
    def first_notch_hz(self) -> float:
        """1/(2 delay): the lowest frequency at which it works against the direct sound, reflected in phase."""
        return 0.5 / max(self.delay_s, 1e-6)

    def ripple_db(self, low_hz: float, high_hz: float, frequency: FloatArray) -> float:
        """Peak-to-dip height, dB, of the comb that it draws with the direct sound alone, largest in a band."""
        inside = (frequency >= low_hz) & (frequency <= high_hz)
        a = 10 ** (np.minimum(self.level_db[inside], -0.1) / 20)
        return float(np.max(20 * np.log10((1 + a) / (1 - a)), initial=0.0))


@dataclass(frozen=True)
class RoomResponse:
    """What one room makes of one loudspeaker.

    Parameters
        frequency : (B,) Hz
        level_db : (S, B) dB re 20 uPa per 1 V (relative where levels are), band means, the late field's expected value
        low_db, high_db : (S, B) 5 and 95 % of what the late field's speckle may make of it
        direct_db, early_db, late_db : (S, B) its parts; early is the sum of squared reflections
        time : (B,) s, reverberation time (Eyring with the air)
        reflections : for each seat, those told one by one, by time
        splice_hz : where modes hand over to images; None where there are no modes
    """

    frequency: FloatArray
    level_db: FloatArray
    low_db: FloatArray
    high_db: FloatArray
    direct_db: FloatArray
    early_db: FloatArray
    late_db: FloatArray
    time: FloatArray
    reflections: tuple[tuple[Reflection, ...], ...]
    splice_hz: float | None
    room: Room
    placement: Placement
    seats: FloatArray
    title: str
    provenance: dict[str, Any] = field(default_factory=dict)

    @property
    def direct_to_reflected_db(self) -> FloatArray:
        """(S, B) dB, direct over all reflected energy."""
        reflected = 10 ** (self.early_db / 10) + 10 ** (self.late_db / 10)
        return np.asarray(self.direct_db - 10 * np.log10(reflected))


def respond(
    room: Room,
    source: Loudspeaker | Way | Sequence[Way],
    placement: Placement,
    seats: ArrayLike,
    fraction: int = 12,
    early_s: float = EARLY_S,
    low_hz: float = 20.0,
    high_hz: float = 20000.0,
    order: int = 6,
    walls: Walls = "impedance",
    orbits: str = "refuse",
) -> RoomResponse:
    """The sound at each seat of one room.

    Parameters
        room : BoxRoom or PolyhedralRoom
        source : Loudspeaker, Directivity, or a list of Directivity or (Directivity, response)
        placement : where it stands and looks
        seats : (S, 3) m
        early_s : s behind the direct sound up to which reflections are traced exactly
        order : most reflections a path, polyhedral rooms only
    Raises DataError on places outside the room, seats in one place, or a directivity that lacks directions.
    """
    known = loudspeaker(source)
    s = check_places(room, known, placement, seats)
    grid, notes = _grid_for(known, fraction, low_hz, high_hz, early_s)
    table = pattern_table(known, grid.node, grid.fine[grid.fine < MODAL_TOP_HZ], orbits)
    tracer = Tracer(room, known, placement, grid, table, early_s, order, walls)
    parts = [tracer.seat(seat) for seat in s]
    return _assemble(tracer, parts, s, notes)


def check_places(room: Room, source: Loudspeaker, placement: Placement, seats: ArrayLike) -> FloatArray:
    """(S, 3) seats after all checks of places. Raises DataError."""
    s = check_seats(seats)
    origins = placement.origins(source)
    room.check_inside(np.asarray([placement.position]), "loudspeaker")
    room.check_inside(origins, "way")
    room.check_inside(s, "seat")
    check_apart(origins, s)
    return s


@dataclass(frozen=True)
class SeatSum:
    """Sums at one seat: complex fine spectrum (M,), squared amplitudes at the nodes (J,), paths."""

    spectrum: ComplexArray
    direct: FloatArray
    early: FloatArray
    paths: Paths
    count: int


@dataclass(frozen=True)
class Tracer:
    """One loudspeaker in one room, ready to be summed at any seat."""

    room: Room
    source: Loudspeaker
    placement: Placement
    grid: BandGrid
    table: PatternTable
    early_s: float
    order: int = 6
    walls: Walls = "impedance"

    def paths(self, seat: FloatArray) -> tuple[Paths, int]:
        """Image paths to a seat."""
        position = np.asarray(self.placement.position)
        if isinstance(self.room, PolyhedralRoom):
            return self.room.paths(position, seat, self.early_s, self.order)
        from evenfield.rooms.kernels import box_paths

        desk = NO_DESK if self.room.desk is None else self.room.desk.to_row()
        made, count = box_paths(np.asarray(self.room.length), position, seat, desk, self.early_s, self.room.air.speed_of_sound)
        return made, int(count)

    @cached_property
    def surfaces(self) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """(W, J) impedance (or factor) and specular amplitude of every surface, the console last for a box."""
        listed = list(self.room.surfaces)
        if isinstance(self.room, BoxRoom):
            listed.append(self.room.desk.surface if self.room.desk else self.room.surfaces[4])
        node = self.grid.node
        alpha = np.stack([s.absorption_at(node) for s in listed])
        made = wall_impedance(alpha) if self.walls == "impedance" else np.sqrt(1 - alpha)
        specular = np.sqrt(1 - np.stack([s.scattering_at(node) for s in listed]))
        return np.ascontiguousarray(made, np.float32), np.ascontiguousarray(specular, np.float32)

    @cached_property
    def field(self) -> Field:
        """What all paths share."""
        from evenfield.rooms.kernels import Field

        node = self.grid.node
        extent = np.ptp(np.concatenate(self.room.faces), axis=0) if isinstance(self.room, PolyhedralRoom) else self.room.length
        reach = float(np.linalg.norm(extent)) + self.room.air.speed_of_sound * self.early_s + 3.0
        distance = np.arange(0.0, reach + 3 * AIR_STEP, AIR_STEP)
        air = np.asarray(10 ** (-np.outer(distance, self.room.air.absorption_db_per_m(node)) / 20), np.float32)
        return Field(
            self.grid.fine.astype(np.float32),
            self.grid.node_index,
            self.grid.node_share,
            node.astype(np.float32),
            self.table.coefficient,
            air,
            AIR_STEP,
            self.room.air.speed_of_sound,
        )

    def seat(self, seat: FloatArray) -> SeatSum:
        """Sum of all paths at one seat."""
        from evenfield.rooms.kernels import sum_paths

        paths, count = self.paths(seat)
        nodes = len(self.grid.node)
        sums = np.zeros((len(self.source.ways), 2, len(self.grid.fine)), np.float32)
        direct, early = np.zeros(nodes, np.float32), np.zeros(nodes, np.float32)
        wall, specular = self.surfaces
        desk = self.room.desk.to_row() if isinstance(self.room, BoxRoom) and self.room.desk else NO_DESK
        centre, frame = np.asarray(self.placement.position), self.placement.frame
        origins = self.placement.origins(self.source)
        constant = self.walls == "constant"
        sum_paths(paths, count, self.field, centre, origins, frame, seat, wall, specular, constant, desk, 1, sums, direct, early)
        total = sums.sum(axis=0).astype(float)
        return SeatSum(total[0] + 1j * total[1], direct.astype(float), early.astype(float), paths, count)

    def rates(self, frequency: FloatArray) -> FloatArray:
        """(F,) energy decay rate, 1/s."""
        alpha = np.minimum(self.room.mean_absorption(frequency), GREATEST_ABSORPTION)
        air = self.room.air.absorption_db_per_m(frequency)
        return late_part.decay_rate(self.room.volume, self.room.area, alpha, air, self.room.air.speed_of_sound)

    def scatter_rate(self, frequency: FloatArray) -> FloatArray:
        """(F,) rate at which scattering takes energy from mirror paths, 1/s."""
        share = np.stack([s.scattering_at(frequency) for s in self.room.surfaces])
        mean = np.minimum(self.room.areas @ share / self.room.area, 1 - 1e-6)
        return np.asarray(self.room.air.speed_of_sound * self.room.area / (4 * self.room.volume) * -np.log1p(-mean))

    def late_square(self, seat: FloatArray) -> FloatArray:
        """(J,) expected mean square of what comes after the early part, with what scattering took from it."""
        node, c = self.grid.node, self.room.air.speed_of_sound
        start = float(np.linalg.norm(np.asarray(self.placement.position) - seat)) / c
        rate, volume = self.rates(node), self.room.volume
        power = self.table.power * self.near_walls(np.asarray(self.placement.position))
        square = late_part.reverberant_square(power, volume, rate, start + self.early_s, c)
        square = square + late_part.scattered_square(power, volume, rate, self.scatter_rate(node), start, start + self.early_s, c)
        return np.asarray(square * self.near_walls(seat))

    def near_walls(self, point: FloatArray) -> FloatArray:
        """(J,) power of a source at a point of a box room relative to free space, three nearest walls; 1 in other rooms."""
        node = self.grid.node
        if isinstance(self.room, PolyhedralRoom):
            return np.ones(len(node))
        gap = np.stack([point, np.asarray(self.room.length) - point], axis=-1)
        nearest = np.argmin(gap, axis=-1)
        factor = np.sqrt(1 - np.stack([self.room.surfaces[2 * a + nearest[a]].absorption_at(node) for a in range(3)]))
        k = 2 * np.pi * node / self.room.air.speed_of_sound
        return late_part.boundary_power(gap.min(axis=-1), factor, k)

    def modal(self, seats: FloatArray, frequency: FloatArray, low: ComplexArray) -> ComplexArray:
        """(S, L) modal pressure of a box room, Pa per volt; low (W, L, 16) patterns at those frequencies."""
        from evenfield.rooms.modes import LARGEST_IMPEDANCE, modal_admittance, modal_spectrum

        room = self.room
        assert isinstance(room, BoxRoom)
        alpha = np.stack([s.absorption_at(frequency) for s in room.surfaces])
        zeta = np.minimum(wall_impedance(alpha), LARGEST_IMPEDANCE)
        out = np.zeros((len(seats), len(frequency)), complex)
        origins, frame = self.placement.origins(self.source), self.placement.frame
        c = room.air.speed_of_sound
        beta = modal_admittance(1 / zeta, room.areas, room.volume, self.rates(frequency), c)
        k = 2 * np.pi * frequency / c
        pattern = np.ascontiguousarray(low)
        modal_spectrum(np.asarray(room.length), beta, k, frame, origins, seats, pattern, False, out)
        return out

    @property
    def splice(self) -> float | None:
        """Hz where modes hand over; None without modes."""
        if isinstance(self.room, PolyhedralRoom):
            return None
        from evenfield.rooms.playing import SPLICE_HZ

        mid = float(late_part.reverberation_time(self.rates(np.array([500.0, 1000.0]))).mean())
        return float(np.clip(late_part.schroeder_frequency(self.room.volume, mid), *SPLICE_HZ))


def _assemble(tracer: Tracer, parts: list[SeatSum], seats: FloatArray, notes: list[str]) -> RoomResponse:
    grid, rate = tracer.grid, tracer.rates(tracer.grid.centre)
    time = late_part.reverberation_time(rate)
    early = np.stack([grid.band_mean(np.abs(p.spectrum) ** 2) for p in parts])
    late = np.stack([grid.band_mean(grid.to_fine(tracer.late_square(s))) for s in seats])
    width = grid.centre * (OCTAVE ** (0.5 / grid.fraction) - OCTAVE ** (-0.5 / grid.fraction))
    variance = np.broadcast_to(late_part.speckle_variance(width, time), early.shape)
    generator = np.random.default_rng(0)
    draws = np.stack([late_part.draw_square(early, late, variance, generator) for _ in range(200)])
    low, high = np.percentile(draws, [5, 95], axis=0)
    whole, splice = early + late, tracer.splice
    bands = int(np.sum(grid.first[1:] <= tracer.table.low.shape[1]))
    if splice is not None and bands:
        f = grid.fine[: grid.first[bands]]
        modal = np.abs(tracer.modal(seats, f, tracer.table.low[:, : len(f)])) ** 2
        square = np.add.reduceat(modal, grid.first[:bands], axis=-1) / np.diff(grid.first[: bands + 1])
        share = modal_share(grid.centre[:bands], np.array([splice]))
        for values in (whole, low, high):
            values[:, :bands] = share * square + (1 - share) * values[:, :bands]
    unit = 10 * np.log10((20e-6) ** 2) if tracer.source.level_absolute else 0.0
    reflections = tuple(tell_reflections(tracer, p, s) for p, s in zip(parts, seats, strict=True))
    direct = np.stack([grid.band_mean(grid.to_fine(p.direct)) for p in parts])
    squares = np.stack([grid.band_mean(grid.to_fine(p.early)) for p in parts])

    def db(x: FloatArray) -> FloatArray:
        return np.asarray(10 * np.log10(np.maximum(x, 1e-300)) - unit)

    provenance = {
        "pattern": tracer.table.method,
        "early_s": tracer.early_s,
        "paths": [p.count for p in parts],
        "notes": notes,
        "walls": "real locally reacting impedance reproducing the given absorption"
        if tracer.walls == "impedance"
        else "constant",
    }
    return RoomResponse(
        grid.centre,
        db(whole),
        db(low),
        db(high),
        db(direct),
        db(squares),
        db(late),
        time,
        reflections,
        splice,
        tracer.room,
        tracer.placement,
        seats,
        tracer.source.title,
        provenance,
    )


def surface_names(room: Room) -> tuple[str, ...]:
    """Names of a room's surfaces by number."""
    return room.names if isinstance(room, PolyhedralRoom) else (*WALLS, "console")


def tell_reflections(tracer: Tracer, summed: SeatSum, seat: FloatArray) -> tuple[Reflection, ...]:
    """The earliest reflections at a seat, one by one, by time; the first entry is the direct sound where it is seen."""
    position = np.asarray(tracer.placement.position)
    c = tracer.room.air.speed_of_sound
    straight = float(np.linalg.norm(position - seat))
    images = np.einsum("nij,j->ni", summed.paths.flip[: summed.count], position) + summed.paths.shift[: summed.count]
    distance = np.linalg.norm(images - seat, axis=1)
    names = surface_names(tracer.room)
    direct = tracer.grid.band_mean(tracer.grid.to_fine(summed.direct))
    told = []
    for i in np.argsort(distance, kind="stable")[: LISTED + 1]:
        paths = summed.paths
        hits = int(paths.hits[i])
        walls = tuple(names[paths.walls[i, h]] for h in range(hits) for _ in range(int(paths.counts[i, h])))
        level = _path_level(tracer, summed, int(i), seat)
        away = tracer.placement.frame @ (paths.turned[i] @ (seat - images[i]) / distance[i])
        told.append(
            Reflection(
                walls,
                int(paths.order[i]),
                float(distance[i] - straight) / c,
                np.asarray(10 * np.log10(np.maximum(level, 1e-300) / np.maximum(direct, 1e-300))),
                images[i],
                float(np.degrees(np.arctan2(away[1], away[0]))),
                float(np.degrees(np.arcsin(np.clip(away[2], -1, 1)))),
                _polyline(tracer, summed, int(i), images[i], seat),
            )
        )
    return tuple(told)


def _path_level(tracer: Tracer, summed: SeatSum, index: int, seat: FloatArray) -> FloatArray:
    """(B,) band mean square of one path."""
    from evenfield.rooms.kernels import Paths, sum_paths

    one = Paths(*(np.ascontiguousarray(part[index : index + 1]) for part in summed.paths))
    nodes = len(tracer.grid.node)
    sums = np.zeros((len(tracer.source.ways), 2, len(tracer.grid.fine)), np.float32)
    direct, early = np.zeros(nodes, np.float32), np.zeros(nodes, np.float32)
    wall, specular = tracer.surfaces
    desk = tracer.room.desk.to_row() if isinstance(tracer.room, BoxRoom) and tracer.room.desk else NO_DESK
    centre, frame = np.asarray(tracer.placement.position), tracer.placement.frame
    origins, constant = tracer.placement.origins(tracer.source), tracer.walls == "constant"
    sum_paths(one, 1, tracer.field, centre, origins, frame, seat, wall, specular, constant, desk, 1, sums, direct, early)
    return tracer.grid.band_mean(tracer.grid.to_fine((direct + early).astype(float)))


def _polyline(tracer: Tracer, summed: SeatSum, index: int, image: FloatArray, seat: FloatArray) -> FloatArray:
    """Loudspeaker, point of reflection, seat for paths of one reflection; loudspeaker and seat else."""
    position = np.asarray(tracer.placement.position)
    paths = summed.paths
    if int(paths.hits[index]) != 1 or int(paths.counts[index, 0]) != 1:
        return np.stack([position, seat])
    normal = position - image
    length = float(np.linalg.norm(normal))
    if length < 1e-9:
        return np.stack([position, seat])
    normal = normal / length
    middle = (position + image) / 2
    t = float(normal @ (middle - image)) / float(normal @ (seat - image))
    return np.stack([position, image + t * (seat - image), seat])


def order_needed(room: Room, early_s: float) -> int:
    """Reflections a path may meet within early_s of emission, an upper guess: c t/(mean free path 4V/S) times 1.6, rounded up."""
    if not early_s > 0:
        raise DataError(message("early_s", "positive", early_s))
    free = 4 * room.volume / room.area
    return int(np.ceil(1.6 * room.air.speed_of_sound * early_s / free))
