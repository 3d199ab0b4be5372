"""The rooms page of the report, and its short form for the terminal."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np

from evenfield.base.files import write_whole
from evenfield.loudspeaker.rooms_run import EnsembleResult, RoomResult, RoomsResult
from evenfield.report.document import SIGNS, STATES, Document, Note, Part, Section, Table, VerdictRow
from evenfield.report.draw import picture
from evenfield.report.figures.rooms import (
    boundary_figure,
    cause_figure,
    drawn_reflections,
    fan_figure,
    response_figure,
    room_map_figure,
    spread_figure,
)

OWN = "evenfield's own measure, not a standard's"


def rooms_lines(result: RoomsResult) -> Iterator[str]:
    """What the terminal shows: the numbers that matter, a line each."""
    yield f"{result.title} in rooms"
    for e in result.ensembles:
        s, c = e.comparison.loudspeaker, e.comparison
        yield ""
        yield f"{e.name}: {s.rooms} rooms (evenfield's own measures, not a standard's)"
        others = f"constant DI {c.mean_index_db:.1f} dB: {c.ideal.spread_db:.2f}   omnidirectional: {c.omni.spread_db:.2f}"
        yield f"  room spread         {s.spread_db:.2f} dB ± {s.error_db:.2f}   {others}"
        yield f"    of which          rooms {s.room_db:.2f}, places {s.place_db:.2f}, seats {s.seat_db:.2f} dB"
        others = f"constant DI: {c.ideal.departure_db:.2f}   omnidirectional: {c.omni.departure_db:.2f}"
        yield f"  ensemble departure  {s.departure_db:.2f} dB ± {s.departure_error_db:.2f}   {others}"
        yield f"  early reflections   {e.early_error_db:.2f} dB from a tilted copy of the direct sound"
        if e.estimate is not None:
            single = f"off a room by {e.estimate.room_error_db:.2f} dB (median)"
            yield f"  in-room estimate    off the ensemble mean by {e.estimate.mean_error_db:.2f} dB, {single}"
        yield "  causes (thousandths of a dB of spread for each dB more energy)"
        for way, sector, f, v in e.causes.worst(3):
            yield f"    {way}, {sector}, {f:g} Hz: {1000 * v:+.1f}"
        for h in e.handovers:
            part = f"{100 * h.share:.0f} % of what off-axis energy does to the spread"
            yield f"    handover {h.lower} to {h.upper}, {h.frequency:.0f} Hz: {part}"
        for t in e.translations:
            apart = f"{t.rms_db:.1f} dB apart, {t.constant_db:.1f} always, {t.varying_db:.1f} with the room"
            yield f"  a mix heard on {t.to + ':':14}{apart}"
    if result.room is not None:
        yield ""
        yield "Operational check (limits unverified: from memory)"
        for line in result.room.check:
            yield f"  {SIGNS[STATES[line.passed]]} {line.name}: {line.found} (target {line.target}) {line.where}"
    for note in result.notes:
        yield f"Note: {note}."
    if result.wav is not None:
        yield f"Sound: {result.wav}. {result.caution}"


def write_rooms_report(result: RoomsResult, folder: str | Path, stem: str = "") -> Path:
    """Write the page as one HTML file that opens anywhere; its path. Raises EvenfieldError when the disk refuses."""
    from evenfield.report.html import render_html

    name = stem or "-".join(result.title.lower().split()) or "loudspeaker"
    path = Path(folder) / f"{name}-rooms.html"
    content = render_html(rooms_document(result)).encode("utf-8")
    write_whole(path, lambda p: p.write_bytes(content))
    return path


def rooms_document(result: RoomsResult) -> Document:
    """Everything the page says, figures drawn."""
    from evenfield import __version__

    sections = [_ensemble_section(e) for e in result.ensembles]
    if result.room is not None:
        sections.append(_room_section(result.room))
    if result.boundary:
        sections.append(_boundary_section(result))
    sections.append(Section("brief", "What is it judged by?", (*(Note(n) for n in result.notes), *_sound(result))))
    check = result.room.check if result.room is not None else ()
    states = [line.passed for line in check]
    passed = None if not states or None in states else all(states)
    return Document(
        title=f"{result.title} in rooms",
        subtitle="What rooms make of it, and what in the loudspeaker causes it",
        judged="Operational room",
        state=STATES[passed],
        summary=_summary(result),
        verdict=tuple(
            VerdictRow(
                "Operational check",
                STATES[c.passed],
                c.name,
                c.target,
                c.found,
                f"{c.margin:+.2f}",
                c.where,
                "",
                "limit unverified",
            )
            for c in check
        ),
        verdict_notes=("Limits of ITU-R BS.1116-3 and EBU Tech 3276, from memory: unverified.",) if check else (),
        sections=tuple(sections),
        colophon=f"evenfield {__version__}",
    )


def _summary(result: RoomsResult) -> str:
    parts = []
    for e in result.ensembles:
        s, c = e.comparison.loudspeaker, e.comparison
        parts.append(
            f"In {s.rooms} {e.name} the rooms are {s.spread_db:.2f} dB apart (± {s.error_db:.2f}); an ideal source of the same "
            f"mean directivity index would be {c.ideal.spread_db:.2f}, an omnidirectional one {c.omni.spread_db:.2f}. "
            f"The mean curve departs from its line by {s.departure_db:.2f} dB (ideal {c.ideal.departure_db:.2f})."
        )
    return " ".join(parts) or "One described room."


def _sound(result: RoomsResult) -> tuple[Part, ...]:
    return () if result.wav is None else (Note(f"Sound for listening: {result.wav.name}. {result.caution}", caution=True),)


def _ensemble_section(e: EnsembleResult) -> Section:
    key, c = e.name, e.comparison
    estimate = None if e.estimate is None else (e.estimate.frequency, e.estimate.estimate_db)
    s = c.loudspeaker
    parts: list[Part] = [
        Note(f"{s.rooms} rooms: {e.words}."),
        picture(
            f"{key}-fan",
            "Level at the seat, all rooms, places and seats",
            "1/12 octave, each response less its mean over 250 Hz to 10 kHz; bands at 5, 25, 50, 75 and 95 %",
            lambda: fan_figure(e.frequency, e.percentile_db, estimate),
            f"Room spread {s.spread_db:.2f} dB",
        ),
        _spread_table(e),
        picture(
            f"{key}-spread",
            "How far apart the rooms are, by third octave",
            f"Standard deviation between rooms. {OWN}",
            lambda: spread_figure(c),
        ),
        picture(
            f"{key}-causes",
            "What causes it: direction and frequency",
            f"Change of the spread for 1 dB more energy sent there, ways together. {OWN}",
            lambda: cause_figure(e.causes),
        ),
        _cause_table(e),
        _translation_table(e),
    ]
    if e.estimate_refused:
        parts.append(Note(f"Estimated in-room response refused: {e.estimate_refused}"))
    elif e.estimate is not None:
        parts.append(
            Note(
                f"The standard's estimated in-room response is {e.estimate.mean_error_db:.2f} dB RMS off this ensemble's mean "
                f"and, at the median, {e.estimate.room_error_db:.2f} dB off a single room."
            )
        )
    return Section(key, f"What do {e.name} make of it?", tuple(parts))


def _spread_table(e: EnsembleResult) -> Table:
    rows = []
    for s in (e.comparison.loudspeaker, e.comparison.ideal, e.comparison.omni):
        cells = (f"{s.spread_db:.2f} ± {s.error_db:.2f}", f"{s.room_db:.2f}", f"{s.place_db:.2f}", f"{s.seat_db:.2f}")
        rows.append((s.title, *cells, f"{s.departure_db:.2f} ± {s.departure_error_db:.2f}", f"{s.slope_db_per_octave:+.2f}"))
    head = ("Source", "Room spread, dB", "rooms", "places", "seats", "Departure, dB", "Slope, dB/octave")
    return Table(
        "Spread and departure",
        head,
        tuple(rows),
        f"250 Hz to 10 kHz, third octaves; ± one standard error from the number of rooms. {OWN}.",
    )


def _cause_table(e: EnsembleResult) -> Table:
    rows = [(way, sector, f"{f:g} Hz", f"{1000 * v:+.2f}") for way, sector, f, v in e.causes.worst(8)]
    rows += [
        (
            f"{h.lower} to {h.upper}",
            "handover, all off-axis directions",
            f"{h.frequency:.0f} Hz",
            f"{1000 * h.slope:+.2f} ({100 * h.share:.0f} %)",
        )
        for h in e.handovers
    ]
    head = ("Way", "Direction", "Octave about", "Thousandths of a dB per dB")
    return Table(
        "What to change first",
        head,
        tuple(rows),
        f"Derivative of the spread; less energy there brings the rooms together. {OWN}.",
    )


def _translation_table(e: EnsembleResult) -> Table:
    rows = tuple((t.to, f"{t.rms_db:.1f}", f"{t.constant_db:.1f}", f"{t.varying_db:.1f}") for t in e.translations)
    head = ("Heard on", "Apart, dB RMS", "always", "with the room")
    return Table(
        "How a mix made on it sounds elsewhere", head, rows, f"Idealised playback systems in other rooms of the same kind. {OWN}."
    )


def _room_section(room: RoomResult) -> Section:
    name, first = next(iter(room.responses.items()))
    outline, height, desk = _plan(first)
    rows = []
    for number, r in drawn_reflections(first):
        ripple = r.ripple_db(200, 2000, first.frequency)
        at = float(np.interp(1000, first.frequency, r.level_db))
        rows.append(
            (
                str(number),
                " + ".join(r.walls),
                f"{1000 * r.delay_s:.2f} ms",
                f"{at:.1f} dB",
                f"{r.azimuth_deg:.0f}°, {r.elevation_deg:.0f}°",
                f"{r.first_notch_hz:.0f} Hz",
                f"{ripple:.1f} dB",
            )
        )
    head = ("No.", "Surface", "Behind direct", "At 1 kHz", "Left the loudspeaker at", "First dip", "Ripple 200 Hz to 2 kHz")
    parts: tuple[Part, ...] = (
        picture(
            "room-map",
            "The room and its reflections",
            f"To scale; reflections of {name} at seat 1, numbered as in the table",
            lambda: room_map_figure(outline, height, room.responses, first.seats, desk),
        ),
        Table("Which reflection causes which ripple", head, tuple(rows), "Single reflections with the direct sound alone."),
        picture(
            "room-response",
            f"Level at seat 1, {name}",
            "Steady state, 1/12 octave; shaded: what the late field's speckle may make of it, 5 to 95 %",
            lambda: response_figure(first),
        ),
    )
    return Section("room", "What does this room make of it?", parts)


def _plan(response: object) -> tuple[np.ndarray, float, np.ndarray | None]:
    from evenfield.rooms.one_room import RoomResponse
    from evenfield.rooms.room import BoxRoom

    assert isinstance(response, RoomResponse)
    room = response.room
    if isinstance(room, BoxRoom):
        x, y, z = room.length
        return np.array([[0, 0], [x, 0], [x, y], [0, y]]), z, None if room.desk is None else room.desk.to_row()
    floor = min(room.faces, key=lambda f: float(f[:, 2].mean()))
    return np.asarray(floor[:, :2]), float(max(f[:, 2].max() for f in room.faces)), None


def _boundary_section(result: RoomsResult) -> Section:
    part = picture(
        "boundary",
        "Walls and console near it",
        "Hard walls: 0.35 m behind the reference point, floor 1.2 m below, side 0.9 m; heard at 2 m. "
        "Below: a console 0.45 m under it, heard at 1.5 m",
        lambda: boundary_figure(result.boundary),
    )
    return Section("boundary", "What do walls near it do?", (part,))
