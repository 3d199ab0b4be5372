"""What rooms make of it: the fan of responses, how far apart the rooms are, and what causes it."""

from __future__ import annotations

from typing import Any

from evenfield.loudspeaker.rooms_run import EnsembleResult
from evenfield.workbench.pictures.picture import Panels, Picture, table_picture

OWN = "evenfield's own measures, not a standard's"


def fan(e: EnsembleResult) -> Picture:
    """Level at the seat over all rooms, and the spread by third octave."""
    c = e.comparison
    made = Panels(
        f"Room fan: {e.name}",
        f"{c.loudspeaker.rooms} rooms: {e.words}. Each response less its mean over 250 Hz to 10 kHz, 1/12 octave. {OWN}.",
    )
    made.axis(e.frequency)
    made.axis(c.loudspeaker.frequency, "thirds")
    made.panel("level", "Level at the seat", "dB", height=1.4)
    made.band("wide", "5 to 95 %", e.percentile_db[0], e.percentile_db[4], "fan")
    made.band("narrow", "25 to 75 %", e.percentile_db[1], e.percentile_db[3], "fan")
    made.series("median", "Median", e.percentile_db[2], role="room")
    made.last["min"], made.last["max"] = -20.0, 15.0
    made.panel("spread", "Between rooms", "dB", 0.0, None)
    for key, s, label in (("loudspeaker", c.loudspeaker, "This loudspeaker"), ("ideal", c.ideal, "Ideal, same mean DI"),
                          ("omni", c.omni, "Omnidirectional")):  # fmt: skip
        made.series(key, label, s.by_band_db, role="sum" if key == "loudspeaker" else "fit", x="thirds")
    made.fit(least=4.0, step=1.0)
    made.last["min"] = 0.0
    s = c.loudspeaker
    made.number("spread_db", "Room spread", f"{s.spread_db:.2f} ± {s.error_db:.2f} dB")
    made.number("ideal_db", "Ideal source of the same mean DI", f"{c.ideal.spread_db:.2f} dB")
    made.number("omni_db", "Omnidirectional source", f"{c.omni.spread_db:.2f} dB")
    made.number(
        "departure_db", "Departure of the mean curve from its line", f"{s.departure_db:.2f} ± {s.departure_error_db:.2f} dB"
    )
    made.header["values"] = {"spread_db": s.spread_db, "departure_db": s.departure_db}
    return made.done()


def causes(e: EnsembleResult) -> Picture:
    """What to change first."""
    rows: list[tuple[str, ...]] = [(way, sector, f"{f:g} Hz", f"{1000 * v:+.2f}") for way, sector, f, v in e.causes.worst(10)]
    for h in e.handovers:
        share = f"{1000 * h.slope:+.2f} ({100 * h.share:.0f} %)"
        rows.append((f"{h.lower} to {h.upper}", "handover, all off-axis directions", f"{h.frequency:.0f} Hz", share))
    columns = [
        ("way", "Way", "left"), ("sector", "Direction", "left"), ("octave", "Octave about", "right"),
        ("slope", "Thousandths of a dB per dB", "right"),
    ]  # fmt: skip
    caption = f"Derivative of the spread in {e.name}; less energy there brings the rooms together. {OWN}."
    return table_picture("What causes the spread", caption, columns, rows, [" ".join(r[:3]) for r in rows])


def room_pictures(result: Any) -> list[tuple[str, dict[str, str], Picture]]:
    """(kind, options, picture) of everything that a rooms run shows."""
    found = []
    for e in result.ensembles:
        found += [("fan", {"ensemble": e.name}, fan(e)), ("causes", {"ensemble": e.name}, causes(e))]
    return found
