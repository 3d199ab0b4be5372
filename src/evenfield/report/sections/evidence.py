"""How do we know? Errors, limits of validity, statistics, provenance."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from evenfield.report.document import Note, Part, Picture, Section, Table
from evenfield.report.style import spoken_hz
from evenfield.report.subject import Subject, data_words


def evidence_section(subject: Subject, others: Sequence[Section]) -> Section:
    """What the figures rest on, and which were refused."""
    parts: list[Part] = [Table("Limits of these results", ("What", "Says"), tuple(_limits(subject)))]
    parts.append(Table("Data", ("Of", "Is"), tuple(_data(subject))))
    statistics = tuple(flatten(subject.get("statistics", {})))
    if statistics:
        parts.append(Table("The computation", ("What", "Value"), statistics))
    refused = [p for s in others for p in s.parts if isinstance(p, Picture) and p.refused]
    if refused:
        parts.append(Table("Refused figures", ("Figure", "Reason"), tuple((p.title, p.refused) for p in refused)))
    parts += [Note(text) for text in subject.get("notes", ())]
    parts.append(Note(_CONVENTIONS))
    return Section("evidence", "How do we know?", tuple(parts))


_CONVENTIONS = (
    "Conventions: time factor e^{+jωt}, RMS values unless called peak, x forward, y left, z up. Curves: "
    "ANSI/CTA-2034-A; angles read in secondary text, in-room shares from memory. Handover measures, DI ripple and lobing "
    "share are the project's own. Spatial averages are of squared pressure."
)


def _limits(subject: Subject) -> Iterator[tuple[str, str]]:
    if (error := subject.get("error_db")) is not None:
        yield "Radiation solve", f"stated error {float(error):.2g} dB RMS, front"
    if (error := subject.get("interpolation_error_db")) is not None:
        yield "Interpolation over frequency", f"{float(error):.2g} dB RMS by leaving points out"
    for way, frequency in (subject.get("rigid_above_hz") or {}).items():
        mode = spoken_hz(float(frequency))
        yield f"Rigid piston: {way}", f"results above {mode}, its first stated mode, hold for a rigid piston only"
    lumped = float(subject.get("lumped_below_hz", math.inf))
    if math.isfinite(lumped):
        yield "Lumped box", f"holds below {spoken_hz(lumped)}; above it the box has waves of its own"
    if not subject.system.phase_known:
        yield "Phase", "not known: no step response, group delay or decay"
    if not subject.system.level_absolute:
        yield "Level", "relative: no sensitivity and no maximum level"
    if subject.system.bandwidth is not None:
        yield "Resolution", f"1/{subject.system.bandwidth}-octave bands: nothing finer is shown"
    yield "Air", f"speed of sound {subject.system.speed_of_sound:.1f} m/s, density {subject.system.density:.3f} kg/m³"
    yield "Signals", "small: no distortion, no heat, no wear"


def _data(subject: Subject) -> Iterator[tuple[str, str]]:
    yield "The loudspeaker", subject.data_words
    for name, way in subject.ways.items():
        yield name, data_words(way)
    if not subject.predicted:
        yield from flatten(subject.system.provenance)


def flatten(tree: Mapping[str, Any], prefix: str = "") -> Iterator[tuple[str, str]]:
    """Nested names and values as rows of words; numbers to four digits.

    Example:
        >>> list(flatten({"solver": {"seconds": 1.23456, "unknowns": 8214}}))
        [('solver: seconds', '1.235'), ('solver: unknowns', '8214')]
    """
    for key, value in tree.items():
        name = f"{prefix}{str(key).replace('_', ' ')}"
        if isinstance(value, Mapping):
            yield from flatten(value, f"{name}: ")
        elif isinstance(value, float):
            yield name, f"{value:.4g}"
        elif isinstance(value, (list, tuple)) and len(value) > 12:
            yield name, f"{len(value)} values"
        elif isinstance(value, (list, tuple)) and len(value) == 2 and all(isinstance(v, int) for v in value):
            yield name, f"{value[0]} to {value[1]}"
        elif isinstance(value, (list, tuple)):
            yield name, ", ".join(f"{v:.4g}" if isinstance(v, float) else str(v) for v in value)
        else:
            yield name, str(value)
