"""What do the drivers have to do? Impedance, excursion, air speed in the vent."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any, cast

import numpy as np
from numpy.typing import NDArray

from evenfield.base import Refusal
from evenfield.data import Response
from evenfield.report.document import Note, Part, Section
from evenfield.report.draw import picture
from evenfield.report.style import WAY_PENS, spoken_hz, way_pens
from evenfield.report.subject import Subject

if TYPE_CHECKING:
    from matplotlib.figure import Figure

CAUTION = (
    "Caution: levels such as these damage hearing within minutes; wear protection when driving a loudspeaker to its limits. "
    "Mains-powered amplifiers and charged capacitors can kill: follow local codes and licensed practice."
)


def drivers_section(subject: Subject) -> Section:
    """Electrical load, then motion at the brief's level."""
    question = "What do the drivers have to do?"
    if not subject.predicted:
        return Section("drivers", question, (Note("Not judged: this data holds no drivers, only sound pressure."),))
    drive = Drive.of(subject)
    parts: list[Part] = [
        Note(CAUTION, caution=True),
        picture(
            "loudness",
            "How loud, and what stops it",
            "The loudest sine on axis at the listening distance, RMS level re 20 µPa, at which the first of the limits is met: "
            "Xmax, the amplifier, the air speed in the vent. Small-signal model at every level: no heat, no compression, no "
            "distortion. Not smoothed.",
            partial(_loudness, subject),
            "Largest level over frequency and the limit that is met first.",
        ),
        picture(
            "excursion",
            "Excursion against Xmax",
            f"{drive.words} Dotted: Xmax of the same way.",
            partial(_excursion, subject, drive),
            "Peak excursion of every way over frequency.",
        ),
    ]
    if subject.get("vent_speed"):
        words = f"{drive.words} Peak of the mean over the vent's section; dotted: the limit of common practice."
        alt = "Peak air speed in the vent over frequency."
        parts.append(picture("vent", "Air speed in the vent", words, partial(_vent, subject, drive), alt))
    words = "Magnitude and phase for small signals, predicted, with the radiation load; not smoothed."
    alt = "Impedance magnitude and phase of every way over frequency."
    title = "Electrical impedance at the drivers' terminals"
    parts.append(picture("impedance", title, words, partial(_impedance, subject), alt))
    return Section("drivers", question, tuple(parts))


@dataclass(frozen=True)
class Drive:
    """The input voltage at which motion is shown, and the words for it."""

    volts: float
    words: str
    from_hz: float | None

    @classmethod
    def of(cls, subject: Subject) -> Drive:
        """The voltage that reaches the brief's level as a mean over the band it is asked in; 2.83 V without one."""
        brief = getattr(subject.get("design"), "brief", None)
        level, distance = getattr(brief, "maximum_level", None), float(getattr(brief, "listening_distance", 1.0))
        if level is None or not subject.system.level_absolute:
            return cls(8**0.5, "Peak values for a sine of 2.83 V RMS at the loudspeaker's input; no level is asked.", None)
        from_hz = float(getattr(brief, "maximum_level_from", 100.0))
        d = subject.system
        band = (d.frequency >= from_hz) & (d.frequency <= 10e3)
        per_volt = np.abs(d.on_axis())[band] / distance
        volts = 20e-6 * 10 ** (float(level) / 20) / float(np.exp(np.mean(np.log(per_volt))))
        return cls(
            float(volts),
            f"Peak values for a sine of {volts:.2g} V RMS at the loudspeaker's input, which gives the brief's {level:g} dB at "
            f"{distance:g} m on axis (mean level {spoken_hz(from_hz)} to 10 kHz).",
            from_hz,
        )


def _peaks(responses: dict[str, Response], drive: Drive, scale: float) -> dict[str, tuple[NDArray[Any], NDArray[Any]]]:
    return {n: (r.frequency, 2**0.5 * scale * drive.volts * np.abs(r.value)) for n, r in responses.items()}


def _excursion(subject: Subject, drive: Drive) -> Figure:
    from evenfield.report.figures import excursion_figure

    moving = subject.get("system_excursion")
    if not moving:
        raise Refusal("The excursion per volt at the loudspeaker's input is not known: no way of this design is predicted.")
    return excursion_figure(_peaks(moving, drive, 1e3), _xmax_mm(subject), way_pens(subject.ways), drive.from_hz)


def _xmax_mm(subject: Subject) -> dict[str, float]:
    ways = getattr(subject.get("design"), "ways", {})
    drivers = {name: getattr(way, "driver", None) for name, way in ways.items()}
    known = {n: getattr(driver, "xmax", None) for n, driver in drivers.items()}
    return {n: 1e3 * float(xmax) for n, xmax in known.items() if xmax is not None}


def _loudness(subject: Subject) -> Figure:
    from evenfield.loudspeaker.levels import binding_limits
    from evenfield.report.figures import loudness_figure

    limits = binding_limits(cast(Any, subject.prediction))
    if limits is None:
        raise Refusal("The design states no limit: neither Xmax nor the amplifier's voltage or current.")
    brief = getattr(subject.get("design"), "brief", None)
    level = getattr(brief, "maximum_level", None)
    wanted = None if level is None else (float(level), float(getattr(brief, "maximum_level_from", 100.0)), 10e3)
    return loudness_figure(limits.frequency, limits.level_db, limits.cause, wanted)


def _vent(subject: Subject, drive: Drive) -> Figure:
    from evenfield.loudspeaker.levels import VENT_SPEED
    from evenfield.report.figures import vent_figure

    speeds = subject.get("vent_speed")
    pens = {name: WAY_PENS[i % len(WAY_PENS)] for i, name in enumerate(speeds)}
    return vent_figure(_peaks(speeds, drive, 1.0), pens, drive.from_hz, VENT_SPEED)


def _impedance(subject: Subject) -> Figure:
    from evenfield.report.figures import impedance_figure

    impedances = subject.get("impedance")
    if not impedances:
        raise Refusal("No way of this design has a circuit: measured ways carry no impedance.")
    return impedance_figure(impedances, way_pens(subject.ways))
