"""Motors at high level: curves over position, distortion, the loudest level, heat."""

from __future__ import annotations

from typing import Any

import numpy as np

from evenfield.loudspeaker.motor_run import MotorReport, MotorRun
from evenfield.report.sections.motor import CAUTION
from evenfield.workbench.pictures.picture import Panels, Picture


def motor(run: MotorRun) -> Picture:
    """Force factor, stiffness and inductance over position."""
    d = run.system.driver
    x = np.linspace(*d.reach, 161)
    made = Panels(
        f"Motor of the {run.name}",
        "Over the coil's position; marks: where a criterion for 10 % distortion is met (from memory).",
        {"kind": "linear", "label": "Position", "unit": "mm", "min": 1e3 * float(x[0]), "max": 1e3 * float(x[-1])},
    )  # fmt: skip
    made.axis(1e3 * x, "position")
    made.panel("bl", "Bl", "Tm", 0.0)
    made.series("coil", "Coil", d.motor.force_factor(x), role="sum", x="position")
    if d.motor.winding is not None:
        made.series("winding", "Damping winding", d.motor.winding.force_factor(x), x="position")
    limit = run.displacement[10]
    for label, value in (("Bl", limit.force_factor), ("suspension", limit.compliance), ("inductance", limit.inductance)):
        if np.isfinite(value):
            made.mark(1e3 * value, f"10 % by {label}")
            made.mark(-1e3 * value, f"10 % by {label}")
    made.fit(least=1.0, step=1.0)
    made.panel("stiffness", "Stiffness", "N/mm", 0.0)
    made.series("suspension", "Suspension", 1e-3 * d.suspension.stiffness(x), role="sum", x="position")
    _room_above(made)
    made.panel("inductance", "Inductance", "mH", 0.0)
    for f, label in ((20.0, "20 Hz"), (1000.0, "1 kHz")):
        made.series(label, label, 1e3 * d.motor.inductance(x, f), role="sum" if f < 100 else "curve", x="position")
    _room_above(made)
    made.number("binding", "Displacement limit, 10 %", f"{1e3 * limit.least:.2f} mm, by {limit.binding}")
    return made.done()


def harmonics(run: MotorRun) -> Picture:
    """Distortion and displacement at some levels."""
    last = len(run.sweep.level) - 1
    chosen = sorted({max(0, last - 2 * k) for k in range(4)})
    made = Panels(f"Distortion of the {run.name}", "Steady sines, voltage at the terminals; a curve ends where the range ends.")
    made.axis(run.sweep.frequency)
    made.panel("total", "Harmonics 2 to 10", "%", 0.0, height=1.2)
    for n in chosen:
        made.series(f"v{n}", f"{run.sweep.level[n]:.2g} V", 100 * run.sound.total[n])
    made.line(3.0, "3 %")
    made.line(10.0, "10 %")
    made.last["max"] = 30.0
    made.panel("peak", "Peak displacement", "mm", 0.0)
    for n in chosen:
        values = 1e3 * run.sweep.peak_displacement[n]
        made.series(f"v{n}", f"{run.sweep.level[n]:.2g} V", values)
    made.line(1e3 * run.displacement[10].least, "10 % limit")
    _room_above(made)
    made.header["x"] = dict(made.header["x"], min=float(run.sweep.frequency[0]), max=float(run.sweep.frequency[-1]))
    return made.done()


def _room_above(made: Panels) -> None:
    """A quarter more than the curves need, for the panel's title above them."""
    highest = max((float(np.nanmax(made.arrays[s["y"]])) for s in made.last["series"] if np.isfinite(made.arrays[s["y"]]).any()),
                  default=1.0)  # fmt: skip
    made.last["max"] = 1.25 * highest


def loudest(report: MotorReport) -> Picture:
    """The loudest sine by each criterion."""
    made = Panels(
        "How loud, by distortion and heat",
        f"{CAUTION} Loudest sine on axis at the listening distance at which the first limit is met; large-signal model below "
        "1 kHz, linear limits above.",
    )
    brief = report.prediction.design.brief
    made.axis(report.prediction.frequency)
    made.panel("level", "Level", "dB")
    for i, (name, limit) in enumerate(report.limits.items()):
        label = f"{name} distortion" if str(name).endswith("%") else str(name)
        made.series(str(name), label, limit.level_db, role="sum" if i == 0 else "curve")
        low = float(brief.maximum_level_from) if brief.maximum_level is not None else 60.0
        level, at, cause = limit.least(low, 10e3)
        made.number(str(name), str(name), f"{level:.1f} dB at {at:.0f} Hz, by {cause}")
    if brief.maximum_level is not None:
        f = report.prediction.frequency
        inside = (f >= float(brief.maximum_level_from)) & (f <= 10e3)
        made.series(
            "asked", f"Brief: {float(brief.maximum_level):g} dB", np.where(inside, float(brief.maximum_level), np.nan), role="fit"
        )
    made.fit(floor=60.0, within=(30.0, 20000.0))
    return made.done()


def motor_pictures(report: Any) -> list[tuple[str, dict[str, str], Picture]]:
    """(kind, options, picture) of everything that a motors run shows."""
    found: list[tuple[str, dict[str, str], Picture]] = [("loudest", {}, loudest(report))]
    for name, run in report.runs.items():
        found += [("motor", {"way": name}, motor(run)), ("harmonics", {"way": name}, harmonics(run))]
    return found
