"""The rooms stage: from a design or a directivity to what rooms make of it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenfield.base.air import Air
from evenfield.base.errors import DataError, Refusal, message
from evenfield.data.directivity import Directivity
from evenfield.loudspeaker.predict import Prediction
from evenfield.loudspeaker.rooms_estimate import EstimateMatch, match_estimate
from evenfield.loudspeaker.rooms_section import (
    RoomSection,
    RoomsSection,
    Scene,
    build_scene,
    parse_console,
    parse_rooms,
    read_room,
)
from evenfield.rooms.boundary import BoundaryEffect, boundary_effect
from evenfield.rooms.by_cause import Causes, causes
from evenfield.rooms.ensembles import KINDS, ensemble
from evenfield.rooms.impulse import impulse_response, write_wav
from evenfield.rooms.one_room import RoomResponse, respond
from evenfield.rooms.operational import CheckLine, operational_check
from evenfield.rooms.playing import Played
from evenfield.rooms.room import Desk
from evenfield.rooms.room_spread import Comparison, early_reflection_error_db, measure_spread, percentiles_db
from evenfield.rooms.source import Loudspeaker, loudspeaker
from evenfield.rooms.translation import Translation, translate_to_playback

FloatArray = NDArray[np.float64]
PERCENTS = (5.0, 25.0, 50.0, 75.0, 95.0)


@dataclass(frozen=True)
class HandoverCause:
    """How much the spread owes to the octave around a handover: dB per dB of off-axis energy there, and its share of all."""

    lower: str
    upper: str
    frequency: float
    slope: float
    share: float


@dataclass(frozen=True)
class EnsembleResult:
    """One ensemble's numbers.

    Parameters
        comparison : spread of the loudspeaker, of an ideal source of the same mean DI and of an omnidirectional one
        causes, handovers : what the spread is owed to
        frequency, percentile_db : fan: (B,) Hz and (5, B) dB at 5, 25, 50, 75, 95 %, each response less its mean
        ratio_db : (B,) mean direct-to-reflected ratio
        early_error_db : mean early-reflection spectrum error
        estimate : match of the standard's in-room estimate; None where refused, with the reason
        translations : to the idealised playback systems in the same ensemble
    """

    name: str
    words: str
    comparison: Comparison
    causes: Causes
    handovers: tuple[HandoverCause, ...]
    frequency: FloatArray
    percentile_db: FloatArray
    ratio_db: FloatArray
    early_error_db: float
    estimate: EstimateMatch | None
    estimate_refused: str
    translations: tuple[Translation, ...]


@dataclass(frozen=True)
class RoomResult:
    """One described room: a response for each loudspeaker place, and the operational check of the first."""

    responses: Mapping[str, RoomResponse]
    check: tuple[CheckLine, ...]


@dataclass(frozen=True)
class RoomsResult:
    """What `evenfield rooms` found."""

    title: str
    ensembles: tuple[EnsembleResult, ...]
    room: RoomResult | None
    boundary: Mapping[str, BoundaryEffect]
    notes: tuple[str, ...]
    wav: Path | None = None
    caution: str = ""
    source: Loudspeaker | None = field(default=None, repr=False)

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers and words, for JSON; what has no value is null."""
        return {
            "title": self.title,
            "measures": "room spread, departure, early-reflection error and translation are evenfield's own, not a standard's",
            "ensembles": {e.name: _ensemble_dict(e) for e in self.ensembles},
            "room": None if self.room is None else _room_dict(self.room),
            "boundary": {
                name: {"frequency_hz": _list(b.frequency), "power_db": _list(b.power_db), "axis_db": _list(b.axis_db)}
                for name, b in self.boundary.items()
            },
            "notes": list(self.notes),
            "wav": None if self.wav is None else str(self.wav),
            "caution": self.caution,
        }


@dataclass(frozen=True)
class Subject:
    """What is played: the ways with their filters, the whole for the standard's curves, its design's words."""

    source: Loudspeaker
    whole: Directivity
    title: str
    handovers: tuple[tuple[str, str, float], ...] = ()
    air: Air = field(default_factory=Air)
    notes: tuple[str, ...] = ()


def subject_of(what: Prediction | Directivity, title: str = "") -> Subject:
    """A prediction's ways, each from its own origin with its filter; or a directivity as it is."""
    if isinstance(what, Directivity):
        name = title or str(what.provenance.get("title", "directivity"))
        note = "one directivity, one origin: ways cannot be told apart" if what.distance is None or what.distance > 0 else ""
        return Subject(loudspeaker(what, names=("whole",), title=name), what, name, notes=(note,))
    names = list(what.ways)
    ways = [(what.ways[n], np.asarray(what.filters[n])) for n in names]
    known = loudspeaker(ways, names=names, title=what.design.name)
    handovers = tuple((h.lower, h.upper, h.frequency) for h in what.handovers if math.isfinite(h.frequency))
    return Subject(known, what.system, what.design.name, handovers, what.design.air.to_air())


def run_rooms(
    what: Prediction | Directivity,
    *,
    section: RoomsSection | None = None,
    room: RoomSection | None = None,
    folder: str | Path = ".",
    wav: str | Path | None = None,
    orbits: str = "refuse",
    title: str = "",
) -> RoomsResult:
    """Everything the rooms stage says of one loudspeaker.

    Parameters
        what : a prediction or a directivity
        section : ensembles, count, seed and room; a prediction's own design gives them when absent
        room : one described room, in place of the section's
        folder : where a room's surface files are looked for
        wav : write the first place's impulse response at the first seat for listening
        orbits : "blend" to interpolate between two orbits where there is no sphere
    Raises DesignError, DataError, Refusal with the reason.
    """
    subject = subject_of(what, title)
    design = what.design if isinstance(what, Prediction) else None
    if design is not None and design.flush:
        raise Refusal(
            "A loudspeaker set flush into a wall has that wall in its sound field already; the rooms here put it before one and "
            "would count it twice. Refused. Try mounting: free, for the same front standing in the room."
        )
    asked = section or parse_rooms(design.rooms if design else None)
    console = parse_console(design.console if design else None)
    described = room or asked.room
    scene = None
    if described is not None:
        scene = build_scene(described, subject.air, Path(folder), console, "rooms.room" if room is None else "")
    if wav is not None and scene is None:
        raise DataError(message("--wav", "asked together with a described room", "no room", fix="--room FILE"))
    results = tuple(_ensemble(subject, name, asked, orbits) for name in asked.ensembles)
    told = None if scene is None else _room(subject, scene, orbits)
    path, caution = _listen(subject, scene, wav, orbits)
    notes = tuple(dict.fromkeys((*filter(None, subject.notes), *_notes(results, told))))
    return RoomsResult(subject.title, results, told, _boundary(subject, orbits), notes, path, caution, subject.source)


def rooms_of_file(
    path: str | Path,
    *,
    room: str | Path | None = None,
    ensembles: Sequence[str] | None = None,
    count: int | None = None,
    seed: int | None = None,
    wav: str | Path | None = None,
    orbits: str = "refuse",
    progress: Any = None,
) -> RoomsResult:
    """`run_rooms` of a design file (predicted first, its results kept) or of a directivity file.

    Options left out are taken from the design's `rooms` section, else from its defaults.
    """
    place = Path(path)
    if orbits not in ("refuse", "blend"):
        raise DataError(message("--orbits", "'refuse' or 'blend'", repr(orbits)))
    given = {"ensembles": tuple(ensembles) if ensembles else None, "count": count, "seed": seed}
    changes = {k: v for k, v in given.items() if v is not None}
    section = None if room is None else read_room(room)
    home = place.parent if room is None else Path(room).parent
    if place.suffix.lower() not in (".yaml", ".yml"):
        from evenfield.data.files import read_directivity

        asked = parse_rooms(changes)
        return run_rooms(
            read_directivity(place), section=_known(asked), room=section, folder=home, wav=wav, orbits=orbits, title=place.stem
        )
    from evenfield.loudspeaker.load import located, read_design
    from evenfield.loudspeaker.predict import predict_file

    design, positions = read_design(place)
    with located(positions):
        asked = _known(parse_rooms({**(design.rooms or {}), **changes}))
        parse_console(design.console)
    prediction = predict_file(place, progress=progress)
    with located(positions):
        return run_rooms(prediction, section=asked, room=section, folder=home, wav=wav, orbits=orbits)


def _known(section: RoomsSection) -> RoomsSection:
    """The section, its ensembles' names checked before anything slow begins."""
    for name in section.ensembles:
        if name not in KINDS:
            raise DataError(message("ensemble", "one of " + ", ".join(KINDS), repr(name)))
    return section


def _ensemble(subject: Subject, name: str, asked: RoomsSection, orbits: str) -> EnsembleResult:
    rooms = ensemble(name, asked.count, asked.seed, air=subject.air)
    comparison = measure_spread(rooms, subject.source, orbits)
    played = comparison.played
    table = causes(played)
    frequency, fan = percentiles_db(played, PERCENTS)
    estimate, refused = None, ""
    try:
        estimate = match_estimate(subject.whole, played)
    except Refusal as reason:
        refused = str(reason)
    return EnsembleResult(
        name,
        KINDS[name].words,
        comparison,
        table,
        _handovers(subject, table),
        frequency,
        fan,
        played.direct_to_reflected_db.mean(axis=(0, 1, 2)),
        float(early_reflection_error_db(played).mean()),
        estimate,
        refused,
        tuple(translate_to_playback(played, rooms, asked.seed)),
    )


def _handovers(subject: Subject, table: Causes) -> tuple[HandoverCause, ...]:
    off_axis = table.slope[:, 1:].sum(axis=(0, 1))
    whole = float(np.abs(off_axis).sum())
    out = []
    for lower, upper, fx in subject.handovers:
        inside = (table.frequency > fx / np.sqrt(2)) & (table.frequency < fx * np.sqrt(2))
        part = float(np.abs(off_axis[inside]).sum())
        out.append(HandoverCause(lower, upper, fx, float(off_axis[inside].sum()), part / whole if whole else 0.0))
    return tuple(out)


def _room(subject: Subject, scene: Scene, orbits: str) -> RoomResult:
    responses = {
        name: respond(scene.room, subject.source, placement, scene.seats, orbits=orbits) for name, placement in scene.placements
    }
    return RoomResult(responses, operational_check(next(iter(responses.values()))))


def _listen(subject: Subject, scene: Scene | None, wav: str | Path | None, orbits: str) -> tuple[Path | None, str]:
    if wav is None or scene is None:
        return None, ""
    _, placement = scene.placements[0]
    response = impulse_response(scene.room, subject.source, placement, scene.seats[0], orbits=orbits)
    return Path(wav), write_wav(response, wav)


def _boundary(subject: Subject, orbits: str) -> dict[str, BoundaryEffect]:
    """Effect of one, two and three hard walls and of a console at usual distances, at frequencies that the data hold."""
    low, high = subject.source.frequency_range
    f = np.geomspace(max(20.0, low), min(1000.0, high), 60)
    depth = float(np.max(-subject.source.offsets[:, 0], initial=0.0))
    gaps = {"behind": 0.35 + depth, "floor": 1.2, "right": 0.9}
    cases = {"wall behind": ["behind"], "wall and floor": ["behind", "floor"], "corner and floor": ["behind", "floor", "right"]}
    desk = Desk((0.3 + depth, 1.1 + depth), (-0.9, 0.9), -0.45)
    found = {
        name: boundary_effect(subject.source, {w: gaps[w] for w in walls}, frequency_hz=f, orbits=orbits)
        for name, walls in cases.items()
    }
    wide = np.geomspace(max(20.0, low), min(20000.0, high), 120)
    found["console"] = boundary_effect(subject.source, {}, distance=1.5, frequency_hz=wide, desk=desk, orbits=orbits)
    return found


def _notes(results: tuple[EnsembleResult, ...], room: RoomResult | None) -> list[str]:
    found: list[str] = []
    for result in results:
        made: Played = result.comparison.played
        found += [str(n) for n in made.provenance["notes"]]
        found.append(f"directions between the data's: {made.provenance['pattern']}")
    if room is not None:
        first = next(iter(room.responses.values()))
        found += [str(n) for n in first.provenance["notes"]]
        found.append(f"walls: {first.provenance['walls']}")
    return found


def _list(values: FloatArray) -> list[float | None]:
    return [float(f"{v:.5g}") if math.isfinite(v) else None for v in np.ravel(values)]


def _ensemble_dict(e: EnsembleResult) -> dict[str, Any]:
    c = e.comparison

    def one(s: Any) -> dict[str, Any]:
        names = (
            "spread_db",
            "error_db",
            "room_db",
            "place_db",
            "seat_db",
            "departure_db",
            "departure_error_db",
            "slope_db_per_octave",
        )
        values = {n: _list(np.array([getattr(s, n)]))[0] for n in names}
        return {"title": s.title, **values, "by_band_db": _list(s.by_band_db), "mean_db": _list(s.mean_db)}

    return {
        "description": e.words,
        "rooms": c.loudspeaker.rooms,
        "mean_directivity_index_db": c.mean_index_db,
        "frequency_hz": _list(c.loudspeaker.frequency),
        "loudspeaker": one(c.loudspeaker),
        "ideal": one(c.ideal),
        "omnidirectional": one(c.omni),
        "fan": {
            "frequency_hz": _list(e.frequency),
            "percent": list(PERCENTS),
            "level_db": [_list(row) for row in e.percentile_db],
        },
        "direct_to_reflected_db": _list(e.ratio_db),
        "early_reflection_error_db": e.early_error_db,
        "causes": {
            "by_sector": dict(e.causes.by_sector()),
            "by_way": dict(e.causes.by_way()),
            "by_octave": {f"{c:g}": v for c, v in e.causes.by_octave()},
            "by_handover": [vars(h) for h in e.handovers],
        },
        "in_room_estimate": {"refused": e.estimate_refused}
        if e.estimate is None
        else {"mean_error_db": e.estimate.mean_error_db, "room_error_db": e.estimate.room_error_db},
        "translation": {
            t.to: {
                "rms_db": t.rms_db,
                "constant_db": t.constant_db,
                "varying_db": t.varying_db,
                "frequency_hz": _list(t.frequency),
                "median_db": _list(t.percentile_db[2]),
            }
            for t in e.translations
        },
    }


def _room_dict(room: RoomResult) -> dict[str, Any]:
    return {
        "check": [vars(line) | {"margin": _list(np.array([line.margin]))[0]} for line in room.check],
        "places": {
            name: {
                "frequency_hz": _list(r.frequency),
                "level_db": [_list(row) for row in r.level_db],
                "direct_to_reflected_db": [_list(row) for row in r.direct_to_reflected_db],
                "reverberation_time_s": _list(r.time),
                "reflections": [
                    {
                        "walls": list(q.walls),
                        "delay_ms": 1000 * q.delay_s,
                        "level_1khz_db": float(np.interp(1000, r.frequency, q.level_db)),
                    }
                    for q in r.reflections[0]
                ],
            }
            for name, r in room.responses.items()
        },
    }
