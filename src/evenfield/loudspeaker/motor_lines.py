"""Verdict lines of the large-signal runs: drawing, displacement, heat, distortion, largest level."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from evenfield.loudspeaker.maximum_level import LevelLimit
from evenfield.loudspeaker.predict import Prediction
from evenfield.loudspeaker.verdict import Line

if TYPE_CHECKING:
    from evenfield.loudspeaker.motor_run import MotorRun

Real = NDArray[np.float64]


def verdict_lines(prediction: Prediction, runs: Mapping[str, MotorRun], limits: Mapping[str, LevelLimit]) -> list[Line]:
    """Displacement, level and distortion as lines of the verdict."""
    lines = []
    for name, run in runs.items():
        if run.drawn is not None:
            lines += _drawing_lines(name, run)
        lines.append(_displacement_line(prediction, name, run))
        lines += _standard_distortion(prediction, name, run)
        if run.heat is not None and run.heat_network is not None:
            hottest = float(np.max(run.heat.temperature[:, 0]))
            limit = run.heat_network.hottest
            lines.append(
                Line(
                    "motor",
                    f"coil temperature, {name}",
                    hottest <= limit,
                    f"at most {limit:.0f} degC",
                    f"{hottest:.0f} degC",
                    f"{limit - hottest:+.0f} K",
                    "two hours of programme, crest 12 dB",
                    f"{name}: coil and motor",
                    "three-node network; constants of the design",
                )
            )
        if run.worth is not None:
            w = run.worth
            lines.append(
                Line(
                    "motor",
                    f"damping winding, {name}",
                    None,
                    "",
                    f"{1e3 * w.overshoot[0]:.2f} mm with, {1e3 * w.overshoot[1]:.2f} mm without",
                    "",
                    "overshoot in a burst at resonance",
                    f"{name}: winding",
                    "large-signal model",
                )
            )
    lines += _level_lines(prediction, limits)
    order = ("motor", "standard", "brief")
    return sorted(lines, key=lambda line: order.index(line.group))


AGREEMENT = 0.05
"""Share by which a drawing may miss the typed parameters (the project's own measure)."""


def _drawing_lines(name: str, run: MotorRun) -> list[Line]:
    """The drawing's Bl and Re against the typed ones, and its magnets."""
    assert run.drawn is not None and run.typed is not None
    a = run.drawn.analysis
    lines = []
    for what, found, wanted, unit in (
        ("Bl", abs(float(run.drawn.motor.force_factor(0.0))), run.typed.bl, "Tm"),
        ("Re", float(a.resistance), run.typed.re, "ohm"),
    ):
        off = found / wanted - 1
        lines.append(
            Line(
                "motor",
                f"{what} of the drawing, {name}",
                abs(off) <= AGREEMENT,
                f"the typed {wanted:.3g} {unit} ±5 %",
                f"{found:.3g} {unit}",
                f"{100 * (AGREEMENT - abs(off)):+.1f} %",
                "at rest",
                f"{name}: motor",
                "axisymmetric finite elements; target the project's own",
            )
        )
    if a.operating_points:
        worst = min(a.operating_points, key=lambda o: o.margin)
        lines.append(
            Line(
                "motor",
                f"magnet's margin, {name}",
                worst.margin > 0,
                "above 0 %",
                f"{100 * worst.margin:.0f} %",
                f"{100 * worst.margin:+.0f} %",
                f"{worst.magnet}, {worst.temperature:.0f} degC",
                f"{name}: magnet",
                "to the knee of the library's curve, without the coil's own field",
            )
        )
    return lines


def _displacement_line(prediction: Prediction, name: str, run: MotorRun) -> Line:
    limit = run.displacement[10]
    driver = prediction.design.ways[name].driver
    typed = None if driver is None or driver.xmax is None else float(driver.xmax)
    text = f"{1e3 * limit.least:.2f} mm"
    sure = "criteria of IEC 62458 from memory, unverified"
    if typed is None:
        return Line(
            "motor", f"displacement limit, {name}", None, "", text, "", "10 % criterion", f"{name}: {limit.binding}", sure
        )
    return Line(
        "motor",
        f"displacement limit, {name}",
        limit.least >= 0.999 * typed,
        f"at least the typed Xmax, {1e3 * typed:.2f} mm",
        text,
        f"{1e3 * (limit.least - typed):+.2f} mm",
        "10 % criterion",
        f"{name}: {limit.binding}",
        sure,
    )


def _level_lines(prediction: Prediction, limits: Mapping[str, LevelLimit]) -> list[Line]:
    brief = prediction.design.brief
    low = float(brief.maximum_level_from)
    wanted = None if brief.maximum_level is None else float(brief.maximum_level)
    lines = []
    for criterion, limit in limits.items():
        level, where, cause = limit.least(low, 10e3)
        # a brief asks for a level that may be reached, not for ever: judged by the 10 % criterion; the others are stated
        judged = wanted is not None and criterion == "10 %"
        target = "" if wanted is None else f"{wanted:.0f} dB RMS at {brief.listening_distance:.2g} m from {low:.0f} Hz"
        lines.append(
            Line(
                "brief",
                f"maximum level, {criterion}",
                (level >= wanted) if judged and wanted is not None else None,
                target,
                f"{level:.1f} dB",
                "" if wanted is None else f"{level - wanted:+.1f} dB",
                f"{where:.0f} Hz, sine",
                cause,
                "large-signal model" + ("" if judged else "; stated, not judged"),
            )
        )
    return lines


MONITOR_LINES = ((40.0, 250.0, -30.0), (250.0, 16e3, -40.0))
"""From, to (Hz), largest harmonic component in dB, at 90 dB mean level at 1 m.

ITU-R BS.1116-3, from memory; EBU Tech 3276 is taken to ask the same."""


def _standard_distortion(prediction: Prediction, name: str, run: MotorRun) -> list[Line]:
    chosen = prediction.design.brief.standard
    if chosen == "none":
        return []
    d, f = prediction.system, prediction.frequency
    band = (f >= 250) & (f <= 2000)
    mean = float(np.mean(20 * np.log10(np.abs(d.on_axis()[band]) / 20e-6)))
    volts = 10 ** ((90.0 - mean) / 20) * np.abs(prediction.filters[name])
    lines = []
    for low, high, limit in MONITOR_LINES:
        inside = (run.sweep.frequency >= low) & (run.sweep.frequency <= min(high, run.sweep.frequency[-1]))
        if not np.any(inside):
            continue
        at = np.interp(np.log(run.sweep.frequency), np.log(f), volts)
        worst, where, order = -math.inf, 0.0, 2
        for n in np.flatnonzero(inside):
            for h in range(2, run.sound.pressure.shape[2] + 1):
                share = _at_level(run.sound.harmonic(h)[:, n], run.sound.level, float(at[n]), h)
                if 20 * math.log10(max(share, 1e-9)) > worst:
                    worst, where, order = 20 * math.log10(max(share, 1e-9)), float(run.sweep.frequency[n]), h
        span = f"{low:.0f} to {min(high, run.sweep.frequency[-1]):.0f} Hz"
        lines.append(
            Line(
                "standard",
                f"harmonic distortion of {name}, {span}",
                worst <= limit,
                f"at most {limit:.0f} dB at 90 dB, 1 m",
                f"{worst:.1f} dB",
                f"{limit - worst:+.1f} dB",
                f"{where:.0f} Hz, harmonic {order}",
                f"{name}: motor, suspension, box",
                "limit from memory, unverified; large-signal model, up to the sweep's end",
            )
        )
    return lines


def _at_level(share: Real, level: Real, volts: float, order: int) -> float:
    """A harmonic's share at a level between the sweep's; below the lowest it falls as a power series says."""
    whole = np.isfinite(share) & (share > 0)
    if not np.any(whole):
        return math.inf
    if volts < level[0]:
        return float(share[0] * (volts / level[0]) ** (order - 1))
    if volts > level[whole][-1]:
        return math.inf
    return float(np.exp(np.interp(math.log(volts), np.log(level[whole]), np.log(share[whole]))))
