"""What the drivers are fed and what they have to do: chains, impedance, displacement, the loudest sine."""

from __future__ import annotations

import numpy as np

from evenfield.base.errors import Refusal
from evenfield.loudspeaker.levels import VENT_SPEED, binding_limits
from evenfield.loudspeaker.predict import Prediction
from evenfield.report.sections.drivers import CAUTION, Drive
from evenfield.report.subject import Subject
from evenfield.workbench.pictures.picture import Panels, Picture


def filters(p: Prediction, options: dict[str, str]) -> Picture:
    """Volts at each way's terminals per volt at the input."""
    made = Panels("What each way is fed", "Volts at the terminals per volt at the loudspeaker's input; not smoothed.")
    made.axis(p.frequency)
    made.panel("level", "Level", "dB", height=1.4)
    for i, name in enumerate(p.ways):
        made.series(name, name, 20 * np.log10(np.maximum(np.abs(p.filters[name]), 1e-9)), role="way", way=i)
    made.fit(floor=60.0)
    made.panel("phase", "Phase", "°", -180.0, 180.0)
    for i, name in enumerate(p.ways):
        made.series(name, name, np.degrees(np.angle(p.filters[name])), role="way", way=i)
    return made.done()


def impedance(p: Prediction, options: dict[str, str]) -> Picture:
    """Magnitude and phase at each way's terminals."""
    if not p.impedance:
        raise Refusal("No way of this design has a circuit: measured ways carry no impedance.")
    made = Panels("Electrical impedance", "At each way's terminals, small signals, with the radiation load; not smoothed.")
    made.axis(p.frequency)
    names = list(p.ways)
    made.panel("magnitude", "Magnitude", "ohm", 0.0, height=1.4)
    for name, z in p.impedance.items():
        made.series(name, name, np.abs(z.value), role="way", way=names.index(name))
    made.fit(least=10.0)
    made.last["min"] = 0.0
    made.panel("phase", "Phase", "°", -90.0, 90.0)
    for name, z in p.impedance.items():
        made.series(name, name, np.degrees(np.angle(z.value)), role="way", way=names.index(name))
    return made.done()


def movement(p: Prediction, options: dict[str, str]) -> Picture:
    """Peak displacement and vent speed at the brief's level."""
    if not p.system_excursion:
        raise Refusal("The displacement is not known: no way of this design is predicted.")
    drive = Drive.of(Subject.of(p))
    made = Panels("Displacement and air speed at the brief's level", drive.words)
    made.axis(p.frequency)
    names = list(p.ways)
    made.panel("displacement", "Peak displacement", "mm", 0.0, height=1.4)
    for name, response in p.system_excursion.items():
        peak = 2**0.5 * 1e3 * drive.volts * np.abs(response.value)
        made.series(name, name, peak, role="way", way=names.index(name))
        driver = p.design.ways[name].driver
        if driver is not None and driver.xmax is not None:
            made.line(1e3 * float(driver.xmax), f"Xmax of the {name}")
    made.fit(least=1.0, step=1.0)
    made.last["min"] = 0.0
    if p.vent_speed:
        made.panel("vent", "Peak air speed", "m/s", 0.0)
        for name, speed in p.vent_speed.items():
            made.series(name, name, 2**0.5 * drive.volts * np.abs(speed.value))
        made.line(VENT_SPEED, "heard above (common practice)")
        made.fit(least=20.0)
        made.last["min"] = 0.0
    if drive.from_hz is not None:
        made.mark(drive.from_hz, "asked from here")
    return made.done()


def limits(p: Prediction, options: dict[str, str]) -> Picture:
    """The loudest sine and what stops it, by the linear model."""
    found = binding_limits(p)
    if found is None:
        raise Refusal("The design states no limit: neither Xmax nor the amplifier's voltage or current.")
    made = Panels(
        "How loud, and what stops it",
        f"Loudest sine on axis at the listening distance, dB re 20 µPa RMS; no heat, no compression, no distortion. {CAUTION}",
    )
    made.axis(found.frequency)
    made.panel("level", "Level", "dB")
    made.series("level", "Loudest sine", found.level_db, role="sum")
    for cause in dict.fromkeys(found.cause):
        where = np.asarray([c == cause for c in found.cause])
        made.series(f"cause-{cause}", f"stopped by {cause}", np.where(where, found.level_db, np.nan), role="limit")
    brief = p.design.brief
    if brief.maximum_level is not None:
        asked = (found.frequency >= float(brief.maximum_level_from)) & (found.frequency <= 10e3)
        made.series(
            "asked", f"Brief: {float(brief.maximum_level):g} dB", np.where(asked, float(brief.maximum_level), np.nan), role="fit"
        )
    made.fit(floor=50.0, within=(30.0, 20000.0))
    return made.done()
