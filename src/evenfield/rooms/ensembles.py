"""Ensembles: rooms drawn, seeded, from described distributions.

Studios: volume, proportions, reverberation time, base width and listening distance as the published recommendations for
listening rooms describe them (EBU Tech 3276, ITU-R BS.1116-3; read in secondary text or from memory). What they leave open
(treatment, console, near walls) and all of the living rooms are common practice, no source, unless said.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenfield.base.air import Air
from evenfield.base.errors import DataError, message
from evenfield.rooms.late import DECAYS_60_DB, decay_rate
from evenfield.rooms.room_sets import RoomSet
from evenfield.rooms.surfaces import OCTAVES, material

FloatArray = NDArray[np.float64]
Generator = np.random.Generator

MOST_ROOMS = 100_000


@dataclass(frozen=True)
class EnsembleKind:
    """A described distribution of rooms.

    Parameters
        volume : (low, high) m^3, drawn evenly over the logarithm
        words : what it stands for and where its numbers come from
    """

    name: str
    volume: tuple[float, float]
    words: str


KINDS: dict[str, EnsembleKind] = {
    k.name: k
    for k in (
        EnsembleKind(
            "studios",
            (40.0, 150.0),
            "control and listening rooms: nominal reverberation time 0.25 (V/100 m3)^(1/3) s (EBU Tech 3276, read in secondary "
            "text), drawn within its +-0.05 s; proportions within its limits (from memory); stereo base 2 to 3 m at +-30 degrees "
            "(ITU-R BS.775); treatment, console and wall distances common practice, no source",
        ),
        EnsembleKind(
            "living-rooms",
            (30.0, 110.0),
            "furnished living rooms: reverberation time log-normal about 0.42 s at 60 m3 growing with V^(1/3), sigma 25 % "
            "(between published surveys, e.g. Diaz & Pedrero, Applied Acoustics 66 (2005) 945, from memory); all else common "
            "practice, no source",
        ),
    )
}


def nominal_reverberation_time(volume: float | FloatArray) -> FloatArray:
    """Tm = 0.25 (V/100 m^3)^(1/3) s.

    Source: EBU Tech 3276, 2nd ed. (1998), and ITU-R BS.1116-3; read in secondary text.
    Example:
        >>> float(nominal_reverberation_time(100.0))
        0.25
    """
    return np.asarray(0.25 * np.cbrt(np.asarray(volume, float) / 100.0))


def ensemble(name: str, count: int = 1000, seed: int = 1, places: int = 2, seats: int = 3, air: Air | None = None) -> RoomSet:
    """Draw rooms.

    Parameters
        name : "studios" or "living-rooms"
        count : rooms, 1 to 100 000
        seed : integer >= 0; the same seed gives the same rooms, and the first rooms of a larger count are those of a smaller
        places : loudspeaker places in each room, 1 or 2 (left and right)
        seats : 1 to 5; the first is the main one
    Raises DataError on a seed or count that cannot be, or an unknown name.
    """
    if name not in KINDS:
        raise DataError(message("ensemble", "one of " + ", ".join(KINDS), repr(name)))
    _check_integer("count", count, 1, MOST_ROOMS, 1000)
    _check_integer("seed", seed, 0, 2**63 - 1, 1)
    _check_integer("places", places, 1, 2, 2)
    _check_integer("seats", seats, 1, 5, 3)
    medium = Air() if air is None else air
    draw = _studio if name == "studios" else _living_room
    rows = [draw(np.random.default_rng([seed, i, len(name)]), KINDS[name], medium) for i in range(count)]
    stacked = {key: np.stack([row[key] for row in rows]) for key in rows[0]}
    return RoomSet(
        stacked["length"],
        np.asarray(OCTAVES),
        stacked["absorption"],
        stacked["scattering"],
        np.ascontiguousarray(stacked["positions"][:, :places]),
        np.ascontiguousarray(stacked["azimuth"][:, :places]),
        np.ascontiguousarray(stacked["elevation"][:, :places]),
        np.ascontiguousarray(stacked["seats"][:, :seats]),
        stacked["desk"],
        medium,
        name,
        seed,
    )


def _check_integer(name: str, value: object, low: int, high: int, fix: int) -> None:
    whole = isinstance(value, (int, np.integer)) and not isinstance(value, bool)
    if not whole or not low <= int(value) <= high:  # type: ignore[call-overload]
        raise DataError(message(name, f"a whole number from {low} to {high}", repr(value), fix=str(fix)))


def _studio(g: Generator, kind: EnsembleKind, air: Air) -> dict[str, FloatArray]:
    volume = float(np.exp(g.uniform(*np.log(kind.volume))))
    length = _recommended_shape(g, volume)
    nominal = float(nominal_reverberation_time(volume))
    wanted = np.clip(nominal + 0.05 * g.uniform(-1, 1), 0.12, None) * _time_shape(g, bass=0.35, roughness=0.08)
    # shares of treatment: front and ceiling absorb, back scatters, floor is carpet or wood
    base = [
        _mix(g, ("plasterboard", "absorber 100 mm", "window"), (2, 3, 1)),
        _mix(g, ("diffusor", "absorber 100 mm", "bookshelves"), (2, 2, 1)),
        *_pair_of_sides(g, ("plasterboard", "absorber 50 mm", "bass absorber"), (2, 2, 1), 0.15),
        _mix(g, ("carpet", "parquet", "wood floor"), (1, 1, 1)),
        _mix(g, ("acoustic ceiling", "plasterboard", "absorber 100 mm"), (2, 1, 2)),
    ]
    absorption, scattering = _tuned(base, length, wanted, air)
    placed = _pair(g, length, ear=1.2, height=(1.15, 1.4), base=(1.8, 3.0), wall=(0.45, 1.1), off_centre=0.08)
    desk = _console(g, placed, length) if g.random() < 0.75 else np.zeros(6)
    return {"length": length, "absorption": absorption, "scattering": scattering, "desk": desk, **placed}


def _living_room(g: Generator, kind: EnsembleKind, air: Air) -> dict[str, FloatArray]:
    volume = float(np.exp(g.uniform(*np.log(kind.volume))))
    height = g.uniform(2.35, 2.9)
    ratio = g.uniform(1.05, 1.9)
    width = np.sqrt(volume / height / ratio)
    length = np.array([width * ratio, width, height])
    if g.random() < 0.5:
        length[:2] = length[1::-1]
    wanted = 0.42 * np.cbrt(volume / 60) * np.exp(0.25 * g.standard_normal()) * _time_shape(g, bass=0.25, roughness=0.12)
    walls = [_mix(g, ("plaster", "plasterboard", "furnished wall", "window", "curtain"), (3, 2, 4, 1, 1)) for _ in range(4)]
    floor = _mix(g, ("parquet", "thin carpet", "carpet", "furnished wall"), (2, 1, 1, 2))
    base = [*walls, floor, _mix(g, ("plaster", "plasterboard"), (2, 1))]
    absorption, scattering = _tuned(base, length, wanted, air)
    placed = _pair(g, length, ear=1.05, height=(0.75, 1.1), base=(1.5, 2.8), wall=(0.2, 0.8), off_centre=0.35)
    return {"length": length, "absorption": absorption, "scattering": scattering, "desk": np.zeros(6), **placed}


def _recommended_shape(g: Generator, volume: float) -> FloatArray:
    """Proportions 1.1 w/h <= l/h <= 4.5 w/h - 4, l/h < 3, w/h < 3 (EBU Tech 3276, from memory), height 2.4 to 4.5 m."""
    for _ in range(200):
        height = g.uniform(2.4, 4.2)
        w = g.uniform(1.1, 2.2)
        low, high = 1.1 * w, min(4.5 * w - 4, 3.0)
        if high <= low:
            continue
        ratio = g.uniform(low, high)
        scale = np.cbrt(volume / (height**3 * w * ratio))
        if 2.4 <= height * scale <= 4.5:
            return np.asarray(height * scale * np.array([ratio, w, 1.0]))
    return np.asarray(np.cbrt(volume / (1.9 * 1.4)) * np.array([1.9, 1.4, 1.0]))


def _time_shape(g: Generator, bass: float, roughness: float) -> FloatArray:
    """(A,) reverberation time over frequency, 1 at mid: rising to the bass, falling above 4 kHz, with octave errors."""
    octave = np.log2(np.asarray(OCTAVES) / 500.0)
    shape = 1 + bass * g.uniform(0.4, 1.6) * np.clip(-octave / 3, 0, 1) - 0.12 * np.clip(octave - 2, 0, 2)
    return np.asarray(shape * np.exp(roughness * g.standard_normal(len(octave))))


def _mix(g: Generator, names: tuple[str, ...], weights: tuple[float, ...]) -> tuple[FloatArray, FloatArray]:
    """Absorption and scattering of a wall made of parts of several materials, shares by a Dirichlet draw."""
    share = g.dirichlet(np.asarray(weights, float))
    made = [material(n) for n in names]
    absorption = np.sum([s * m.absorption for s, m in zip(share, made, strict=True)], axis=0)
    scattering = np.sum([s * m.scattering for s, m in zip(share, made, strict=True)], axis=0)
    return np.asarray(absorption), np.asarray(scattering)


def _pair_of_sides(
    g: Generator, names: tuple[str, ...], weights: tuple[float, ...], difference: float
) -> list[tuple[FloatArray, FloatArray]]:
    """Two side walls alike but for a small difference: studios are built symmetric."""
    absorption, scattering = _mix(g, names, weights)
    tilt = np.exp(difference * g.standard_normal())
    return [(absorption, scattering), (np.minimum(absorption * tilt, 0.95), scattering)]


def _tuned(
    base: list[tuple[FloatArray, FloatArray]], length: FloatArray, wanted: FloatArray, air: Air
) -> tuple[FloatArray, FloatArray]:
    """(7, A) absorption and scattering, scaled octave by octave so that Eyring gives the wanted reverberation time.

    -ln(1 - alpha) of every wall is multiplied by one factor an octave, so no coefficient leaves 0 ... 1 (held at 0.95).
    """
    x, y, z = length
    areas = np.array([y * z, y * z, x * z, x * z, x * y, x * y])
    alpha = np.stack([a for a, _ in base])
    f = np.asarray(OCTAVES)
    volume, total = float(np.prod(length)), float(areas.sum())
    bare = decay_rate(volume, total, 0.0, air.absorption_db_per_m(f), air.speed_of_sound)
    needed = (DECAYS_60_DB / wanted - bare) * 4 * volume / (air.speed_of_sound * total)
    mean = 1 - np.exp(-np.clip(needed, 0.005, 3.0))
    low, high = np.full(len(f), 1e-3), np.full(len(f), 1e3)
    exponent = -np.log1p(-np.clip(alpha, 0.005, 0.95))
    for _ in range(40):
        factor = np.sqrt(low * high)
        held = np.minimum(1 - np.exp(-exponent * factor), 0.95)
        above = areas @ held / total > mean
        high, low = np.where(above, factor, high), np.where(above, low, factor)
    held = np.minimum(1 - np.exp(-exponent * np.sqrt(low * high)), 0.95)
    console = np.full(len(f), 0.03)
    return np.vstack([held, console]), np.vstack([*(s for _, s in base), 0.05 * np.ones(len(f))])


def _pair(
    g: Generator,
    length: FloatArray,
    ear: float,
    height: tuple[float, float],
    base: tuple[float, float],
    wall: tuple[float, float],
    off_centre: float,
) -> dict[str, FloatArray]:
    """A stereo pair at +-30 degrees, aimed at the main seat, and five seats about it."""
    width = min(g.uniform(*base), length[1] - 1.0)
    depth = width / (2 * np.tan(np.radians(30.0)))
    x = g.uniform(*wall)
    x = float(np.clip(x, 0.35, max(0.35, length[0] - depth - 0.8)))
    depth = min(depth, length[0] - x - 0.5)
    room_for = max(length[1] / 2 - width / 2 - 0.4, 0.0)
    y = length[1] / 2 + float(np.clip(off_centre * g.standard_normal(), -room_for, room_for))
    z = g.uniform(*height)
    positions = np.array([[x, y + width / 2, z], [x, y - width / 2, z]])
    main = np.array([x + depth, y, ear])
    step = min(0.35, 0.45 * (length[0] - main[0] - 0.1), 0.3 * (length[1] / 2))
    beside = np.array([[0, 0, 0], [0.3, 0.5, 0.0], [0.6, -0.4, 0.05], [-0.5, 0.3, -0.03], [0.2, -0.9, 0.02]])
    seats = main + beside * step / 0.35 + np.vstack([np.zeros(3), g.uniform(-0.05, 0.05, (4, 3))])
    seats = np.clip(seats, 0.15, length - 0.15)
    ray = main - positions
    return {
        "positions": positions,
        "azimuth": np.arctan2(ray[:, 1], ray[:, 0]),
        "elevation": np.arctan2(ray[:, 2], np.hypot(ray[:, 0], ray[:, 1])),
        "seats": seats,
    }


def _console(g: Generator, placed: dict[str, FloatArray], length: FloatArray) -> FloatArray:
    """(6,) a desk between loudspeakers and seat: 1.2 to 2.4 m wide, 0.6 to 1 m deep, 0.72 to 0.85 m high."""
    main = placed["seats"][0]
    width, deep = g.uniform(1.2, 2.4), g.uniform(0.6, 1.0)
    back = main[0] - g.uniform(0.15, 0.35)
    low = max(back - deep, placed["positions"][0, 0] + 0.1)
    y0, y1 = max(main[1] - width / 2, 0.05), min(main[1] + width / 2, length[1] - 0.05)
    if back - low < 0.2:
        return np.zeros(6)
    return np.array([low, back, y0, y1, g.uniform(0.72, 0.85), 1.0])
