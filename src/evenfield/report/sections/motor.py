"""What happens at high level? Motor curves, distortion, displacement, largest level, heat, the damping winding."""

from __future__ import annotations

import math
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from evenfield.base import Refusal
from evenfield.report.document import Note, Part, Section, Table
from evenfield.report.draw import picture
from evenfield.report.style import spoken_hz

if TYPE_CHECKING:
    from matplotlib.figure import Figure

CAUTION = (
    "Caution: levels such as these damage hearing within minutes, and coils run hot enough to burn; wear protection, start low, "
    "and follow local codes and licensed practice."
)


def motor_sections(report: Any) -> tuple[Section, ...]:
    """The sections of a MotorReport: the whole loudspeaker's largest level, then one a way."""
    return (level_section(report), *(way_section(run) for run in report.runs.values()))


def level_section(report: Any) -> Section:
    """How loud, and what stops it, by distortion and heat."""
    parts: list[Part] = [
        Note(CAUTION, caution=True),
        picture(
            "level-limits",
            "How loud the whole loudspeaker gets, by each criterion",
            "The loudest sine on axis at the listening distance, RMS level re 20 µPa, at which the first limit is met. "
            "3 % and 10 %: harmonic distortion of the sound, a second of heat, end of travel, vent, amplifier; long-term: 10 %, "
            "and heat for ever. Large-signal model below 1 kHz, linear limits above. Pale bar: the brief. Not smoothed.",
            partial(_levels, report),
            "Largest level over frequency by three criteria.",
        ),
    ]
    for limit in report.limits.values():
        parts.append(Table(f"What stops it: {limit.criterion}", ("From", "To", "Level", "Binds"), tuple(_stretches(limit))))
    parts += [Note(text) for text in report.notes]
    return Section("high-level", "How loud, and what stops it?", tuple(parts))


def way_section(run: Any) -> Section:
    """One way at high level."""
    key = f"motor-{run.name}"
    parts: list[Part] = []
    if run.drawn is not None:
        parts += _drawn(run, key)
    parts += [
        picture(
            f"{key}-curves",
            "Motor and suspension over position",
            _LIMIT_WORDS,
            partial(_curves, run),
            "Bl, stiffness, inductance.",
        ),
        Table(
            "Displacement limits",
            ("Criterion", "Bl", "Suspension", "Inductance", "End of travel", "Binds"),
            _displacement(run),
            "IEC 62458's criteria are from memory, unverified.",
        ),
        picture(
            f"{key}-harmonics",
            "Harmonic distortion of the sound over frequency and level",
            "RMS of harmonics 2 to 10 over RMS of all, steady sines, voltage at the terminals. A curve ends where the coil "
            "leaves the range that is known. Dotted: 3 and 10 %.",
            partial(_total, run),
            "Total harmonic distortion at five levels.",
        ),
        picture(
            f"{key}-orders",
            "Second and third harmonic at one level",
            "As above, at a quarter of the largest voltage.",
            partial(_orders, run),
            "Second and third harmonic over frequency.",
        ),
        picture(
            f"{key}-displacement",
            "Displacement",
            "Steady sines. Dotted: the least displacement limit at 10 %. The mean shows where unequal curves push the coil.",
            partial(_moves, run),
            "Peak and mean displacement.",
        ),
        picture(
            f"{key}-tones",
            "Many tones",
            "Played: strong lines. Added by the driver: thin lines. At a quarter of the largest voltage, together.",
            partial(_tones, run),
            "Spectrum of many tones.",
        ),
        Table("Two tones, many tones, noise", ("Test", "Found"), _tests(run)),
        Table(
            "Low-frequency bursts",
            ("Frequency", "Largest peak voltage", "Peak level", "Stopped by"),
            _bursts(run),
            "6.5-cycle shaped bursts raised by 3 dB, then 1 dB; limits on harmonics read in secondary text, which conflict: "
            "unverified. Level on axis at the listening distance, peak pressure over √2.",
        ),
    ]
    if run.heat is not None:
        words = "Programme noise that just fills the amplifier with a crest factor of 12 dB. Dotted: the hottest the coil may be."
        parts.append(picture(f"{key}-heat", "Heat and the level it costs", words, partial(_heat, run), "Temperatures over time."))
    if run.worth is not None:
        parts += _worth(run, key)
    if run.parts:
        rows = tuple((n, f"{a:.4g}", f"{b:.4g}", f"{100 * (b / a - 1):+.1f} %") for n, (a, b) in run.parts.items())
        parts.append(Table("Parameters from parts, SI", ("Parameter", "Typed", "From parts", "Off"), rows))
        masses = tuple((n.replace("_", " "), f"{1e3 * m:.2f} g") for n, m in run.budget.items())
        parts.append(Table("Moving mass", ("Part", "Share that moves"), masses))
    return Section(key, f"What does the {run.name} do at high level?", tuple(parts))


_LIMIT_WORDS = "Dotted: where each criterion for 10 % distortion is met."


def _levels(report: Any) -> Figure:
    from evenfield.report.figures.motor import level_limits_figure

    brief = report.prediction.design.brief
    asked = None if brief.maximum_level is None else (float(brief.maximum_level), float(brief.maximum_level_from), 10e3)
    curves = {name: limit.level_db for name, limit in report.limits.items()}
    return level_limits_figure(report.prediction.frequency, curves, asked)


def _stretches(limit: Any) -> list[tuple[str, str, str, str]]:
    rows, start = [], 0
    f, cause, level = limit.frequency, limit.cause, limit.level_db
    for n in range(1, len(f) + 1):
        if n == len(f) or cause[n] != cause[start]:
            part = level[start:n]
            span = f"{part.min():.0f} to {part.max():.0f} dB"
            rows.append((spoken_hz(float(f[start])), spoken_hz(float(f[n - 1])), span, cause[start]))
            start = n
    return rows


def _curves(run: Any) -> Figure:
    from evenfield.report.figures.motor import position_figure

    d = run.system.driver
    low_x, high_x = d.reach
    x = np.linspace(low_x, high_x, 161)
    bl = {"coil": d.motor.force_factor(x)}
    if d.motor.winding is not None:
        bl["damping winding"] = d.motor.winding.force_factor(x)
    low, high = 1e3 * d.motor.inductance(x, 20.0), 1e3 * d.motor.inductance(x, 1000.0)
    panels = [
        ("Bl, Tm", 1e3 * x, bl),
        ("Stiffness, N/mm", 1e3 * x, {"suspension": 1e-3 * d.suspension.stiffness(x)}),
        ("Inductance, mH", 1e3 * x, {"20 Hz": low, "1 kHz": high}),
    ]
    limit = run.displacement[10]
    return position_figure(panels, {"Bl": 1e3 * limit.force_factor, "Cms": 1e3 * limit.compliance, "L": 1e3 * limit.inductance})


def _displacement(run: Any) -> tuple[tuple[str, ...], ...]:
    def words(value: float) -> str:
        return f"{1e3 * value:.2f} mm" if math.isfinite(value) else "beyond the range"

    return tuple(
        (f"{c} %", words(d.force_factor), words(d.compliance), words(d.inductance), words(d.mechanical), d.binding)
        for c, d in run.displacement.items()
    )


def _chosen(run: Any, count: int = 5) -> list[int]:
    """Levels to draw: some steps down from the largest."""
    last = len(run.sweep.level) - 1
    return sorted({max(0, last - 2 * k) for k in range(count)})


def _total(run: Any) -> Figure:
    from evenfield.report.figures.motor import distortion_figure

    total = 100 * run.sound.total
    return distortion_figure(run.sweep.frequency, {f"{run.sweep.level[n]:.2g} V": total[n] for n in _chosen(run)})


def _orders(run: Any) -> Figure:
    from evenfield.report.figures.motor import distortion_figure

    n = int(np.argmin(np.abs(np.log(run.sweep.level / (run.sweep.level[-1] / 4)))))
    curves = {f"harmonic {h}": 100 * run.sound.harmonic(h)[n] for h in (2, 3)}
    return distortion_figure(run.sweep.frequency, curves, title=f"Share at {run.sweep.level[n]:.2g} V, %")


def _moves(run: Any) -> Figure:
    from evenfield.report.figures.motor import displacement_figure

    names = {n: f"{run.sweep.level[n]:.2g} V" for n in _chosen(run)}
    peak = {name: 1e3 * run.sweep.peak_displacement[n] for n, name in names.items()}
    mean = {name: 1e3 * run.sweep.offset[n] for n, name in names.items()}
    return displacement_figure(run.sweep.frequency, peak, mean, 1e3 * run.displacement[10].least)


def _tones(run: Any) -> Figure:
    from evenfield.report.figures.motor import tones_figure

    if run.many.status:
        raise Refusal(f"The tones could not be played: {run.many.reason}.")
    level = 20 * np.log10(np.maximum(run.many.pressure, 1e-12) / 20e-6)
    return tones_figure(run.many.frequency, level, run.many.played)


def _tests(run: Any) -> tuple[tuple[str, str], ...]:
    two, rows = run.modulation, []
    name = f"{spoken_hz(two.low_hz)} with {spoken_hz(two.high_hz)}, 4 to 1"
    rows.append((name, two.reason or f"second order {100 * two.second:.2f} %, third {100 * two.third:.2f} % of the upper tone"))
    many = run.many
    rows.append(("many tones: added over played", many.reason or f"{100 * many.added:.2f} %"))
    if run.noise is not None:
        found = f"{run.noise.voltage:.2g} V RMS, {run.noise.level_db:.1f} dB; stopped by {run.noise.stopped_by}"
        rows.append(("rising noise, 3 dB steps, until its transfer function or coherence changes (numbers unverified)", found))
    return tuple(rows)


def _bursts(run: Any) -> tuple[tuple[str, ...], ...]:
    return tuple(
        (spoken_hz(b.frequency_hz), f"{b.peak_voltage:.1f} V", f"{b.peak_spl_db:.1f} dB", b.stopped_by) for b in run.bursts
    )


def _heat(run: Any) -> Figure:
    from evenfield.report.figures.motor import heat_figure

    t = run.heat.temperature
    lines = {"coil": t[:, 0], "steel": t[:, 1], "magnet": t[:, 2]}
    return heat_figure(run.heat.time, lines, run.compression_db, run.heat_network.hottest)


def _worth(run: Any, key: str) -> list[Part]:
    w = run.worth
    rows = (
        ("largest displacement in the burst", f"{1e3 * w.overshoot[0]:.2f} mm", f"{1e3 * w.overshoot[1]:.2f} mm"),
        ("RMS displacement after the burst", f"{1e3 * w.tail[0]:.3f} mm", f"{1e3 * w.tail[1]:.3f} mm"),
        ("damping of small signals", f"{w.damping[0]:.3g} N s/m", f"{w.damping[1]:.3g} N s/m"),
        ("how the burst ended", w.reasons[0] or "whole", w.reasons[1] or "whole"),
    )
    words = "Above: a shaped burst at resonance that, without it, takes the coil to 90 % of its range. Below: distortion at "
    words += f"{w.level:.2g} V."
    return [
        picture(
            f"{key}-winding",
            "The damping winding's worth",
            words,
            partial(_worth_figure, run),
            "Burst and distortion, with and without.",
        ),
        Table(
            "The damping winding's worth",
            ("Measure", "With", "Without"),
            rows,
            f"Peak current in the winding: {w.winding_current:.3g} A.",
        ),
    ]


def _worth_figure(run: Any) -> Figure:
    from evenfield.report.figures.motor import worth_figure

    w = run.worth
    return worth_figure(
        1e3 * w.time,
        (1e3 * w.displacement[0], 1e3 * w.displacement[1]),
        w.frequency,
        (100 * w.distortion[0], 100 * w.distortion[1]),
    )


def _drawn(run: Any, key: str) -> list[Part]:
    from evenfield.report.figures.motor import drawing_figure

    a = run.drawn.analysis
    parts: list[Part] = [
        Note(a.caution, caution=True),
        picture(f"{key}-drawing", "The motor, half section", "To scale.", partial(drawing_figure, a.outline), "Half section."),
        picture(
            f"{key}-inductance",
            "Blocked inductance and eddy-current resistance",
            "Axisymmetric finite elements, coil held still; the damping winding closed. The DC curve's incremental permeability "
            "overstates that of small signals.",
            partial(_inductance, a),
            "Inductance and resistance over frequency.",
        ),
    ]
    points = tuple(
        (o.magnet, f"{o.temperature:.0f} °C", f"{o.flux_density:.3f} T", f"{100 * o.margin:.0f} %") for o in a.operating_points
    )
    parts.append(Table("Magnets", ("Magnet", "At", "Works at", "Margin to demagnetisation"), points))
    steel = tuple((s.part, f"{s.mean:.2f} T", f"{s.highest:.2f} T") for s in a.saturation)
    parts.append(Table("Steel", ("Part", "Mean", "Highest, corners left out"), steel))
    shares = tuple((s.part, s.material, f"{1e3 * s.mass:.0f} g", f"{s.cost:.2f}") for s in a.shares)
    whole = ("together", "", f"{1e3 * a.mass:.0f} g without coils", f"{a.cost:.2f}")
    parts.append(Table("Mass and cost", ("Part", "Material", "Mass", "EUR, invented prices"), (*shares, whole)))
    stray = tuple((f"{d:.2g} m", f"{1e3 * on:.3g} mT", f"{1e3 * side:.3g} mT") for d, (on, side) in a.stray.items())
    if stray:
        parts.append(Table("Stray field", ("Distance", "On axis", "Beside"), stray))
    return parts


def _inductance(a: Any) -> Figure:
    from evenfield.report.figures.motor import inductance_figure

    x: NDArray[np.float64] = a.displacement
    inductance, resistance = 1e3 * a.inductance(), a.loss_resistance()
    picks = [0, int(np.argmin(np.abs(x))), len(x) - 1]
    names = {n: f"{1e3 * x[n]:+.1f} mm" for n in picks}
    return inductance_figure(a.frequency, {names[n]: inductance[n] for n in picks}, {names[n]: resistance[n] for n in picks})
