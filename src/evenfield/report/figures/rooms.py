"""What rooms make of a loudspeaker: fan chart, spread by band, map of a room with its reflections, causes, boundaries."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from evenfield.report.style import (
    FULL_WIDTH,
    INK,
    MUTED,
    RULE,
    SUM_PEN,
    WAY_PENS,
    EndLabel,
    Pen,
    frequency_axis,
    label_ends,
    name_curves,
    new_figure,
    nominal,
    value_near,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from evenfield.rooms.boundary import BoundaryEffect
    from evenfield.rooms.by_cause import Causes
    from evenfield.rooms.one_room import Reflection, RoomResponse
    from evenfield.rooms.room_spread import Comparison

FloatArray = NDArray[np.float64]

LIGHT, DARK = "#dfe8eb", "#b9cfd6"
REFLECTIONS_DRAWN = 8


def fan_figure(frequency: FloatArray, percentile_db: FloatArray, estimate: tuple[FloatArray, FloatArray] | None = None) -> Figure:
    """Percentile bands over frequency: 5 to 95 % pale, 25 to 75 % darker, the median drawn.

    Parameters
        frequency : (B,) Hz
        percentile_db : (5, B) dB at 5, 25, 50, 75, 95 %
        estimate : (E,) Hz and dB of the standard's in-room estimate, less its mean; None leaves it out
    """
    figure, (ax,) = new_figure(FULL_WIDTH, [2.6])
    frequency_axis(ax, float(frequency[0]), float(frequency[-1]))
    ax.set_ylim(-25, 20)
    ax.set_ylabel("Level less own mean, dB")
    ax.fill_between(frequency, percentile_db[0], percentile_db[4], color=LIGHT, linewidth=0)
    ax.fill_between(frequency, percentile_db[1], percentile_db[3], color=DARK, linewidth=0)
    for row, dash in ((0, (0, (1, 1.5))), (1, (0, (4, 1.5))), (3, (0, (4, 1.5))), (4, (0, (1, 1.5)))):
        ax.plot(frequency, percentile_db[row], color=MUTED, linewidth=0.7, linestyle=dash)
    ax.plot(frequency, percentile_db[2], **SUM_PEN.line())
    labels = [
        EndLabel(value_near(frequency, percentile_db[i], frequency[-1]), f"{p} %", INK if p == 50 else MUTED)
        for i, p in enumerate((5, 25, 50, 75, 95))
    ]
    if estimate is not None:
        pen = WAY_PENS[1]
        ax.plot(estimate[0], estimate[1], **pen.line())
        ax.annotate(
            "estimated (standard)",
            (float(estimate[0][0]), float(estimate[1][0])),
            xytext=(0, 14),
            textcoords="offset points",
            color=pen.colour,
            fontsize=7,
        )
    label_ends(ax, labels)
    return figure


def spread_figure(comparison: Comparison) -> Figure:
    """Room spread in each third octave: the loudspeaker, the ideal source of its mean DI, the omnidirectional one."""
    figure, (ax,) = new_figure(FULL_WIDTH, [1.7])
    f = comparison.loudspeaker.frequency
    frequency_axis(ax, float(f[0]), float(f[-1]))
    parts = ((comparison.loudspeaker, SUM_PEN), (comparison.ideal, WAY_PENS[0]), (comparison.omni, WAY_PENS[1]))
    top = max(float(s.by_band_db.max()) for s, _ in parts)
    ax.set_ylim(0, np.ceil(top * 2 + 0.5) / 2)
    ax.set_ylabel("Between rooms, dB")
    for s, pen in parts:
        ax.plot(f, s.by_band_db, **pen.line())
    words = ("This loudspeaker", f"DI {comparison.mean_index_db:.1f} dB", "Omnidirectional")
    name_curves(ax, f, [(s.by_band_db, w, pen.colour) for (s, pen), w in zip(parts, words, strict=True)])
    return figure


def response_figure(response: RoomResponse, seat: int = 0) -> Figure:
    """Steady-state level at a seat with what the late field may make of it, and its parts."""
    figure, (ax,) = new_figure(FULL_WIDTH, [2.6])
    f = response.frequency
    frequency_axis(ax, float(f[0]), float(f[-1]))
    top = float(np.ceil((response.high_db[seat].max() + 2) / 5) * 5)
    ax.set_ylim(top - 45, top)
    ax.set_ylabel("Level, dB")
    ax.fill_between(f, response.low_db[seat], response.high_db[seat], color=LIGHT, linewidth=0)
    start = response.splice_hz or 0.0

    def above(curve: FloatArray) -> FloatArray:
        return np.where(f >= start, curve, np.nan)  # below the splice, modes are not told apart

    curves = [
        (response.direct_db[seat], "Direct", WAY_PENS[0]),
        (above(response.early_db[seat]), "Early reflections", WAY_PENS[1]),
        (above(response.late_db[seat]), "Late", WAY_PENS[2]),
        (response.level_db[seat], "At the seat", SUM_PEN),
    ]
    for curve, _, pen in curves:
        ax.plot(f, curve, **pen.line())
    name_curves(ax, f, [(curve, word, pen.colour) for curve, word, pen in curves])
    return figure


def room_map_figure(
    outline: FloatArray, height: float, responses: Mapping[str, RoomResponse], seats: FloatArray, desk: FloatArray | None
) -> Figure:
    """Plan and side view of a room to scale, its loudspeakers, seats and console, and the strongest early reflections numbered.

    Parameters
        outline : (N, 2) m, the floor; height in m
        desk : (6,) x0, x1, y0, y1, height, 1; None without a console
    Reflections are those of the first loudspeaker at the first seat, heaviest lines loudest; numbers as in the table.
    """
    from matplotlib.figure import Figure

    low, high = outline.min(axis=0), outline.max(axis=0)
    long, wide = float(high[0] - low[0]), float(high[1] - low[1])
    margin = 0.5
    scale = min((FULL_WIDTH - 2 * margin) / long, 3.4 / (wide + height))
    tall = (wide + height) * scale + 3 * margin
    figure = Figure(figsize=(FULL_WIDTH, tall))
    left = (FULL_WIDTH - long * scale) / 2
    plan = figure.add_axes(
        (left / FULL_WIDTH, (height * scale + 2 * margin) / tall, long * scale / FULL_WIDTH, wide * scale / tall)
    )
    side = figure.add_axes((left / FULL_WIDTH, margin / tall, long * scale / FULL_WIDTH, height * scale / tall))
    _walls(plan, np.vstack([outline, outline[:1]]), low, high)
    _walls(
        side,
        np.array([[low[0], 0], [high[0], 0], [high[0], height], [low[0], height], [low[0], 0]]),
        np.array([low[0], 0]),
        np.array([high[0], height]),
    )
    plan.set_ylabel("y, m (plan)")
    side.set_ylabel("z, m (side)")
    side.set_xlabel("x, m")
    _furniture(plan, side, responses, seats, desk)
    first = next(iter(responses.values()))
    for number, reflection in drawn_reflections(first):
        _reflection(plan, side, number, reflection)
    return figure


def drawn_reflections(response: RoomResponse, seat: int = 0) -> list[tuple[int, Reflection]]:
    """(number, reflection) of the strongest single-bounce reflections within 20 ms, numbered by time."""
    told = [r for r in response.reflections[seat] if r.order == 1 and r.delay_s < 0.020]
    strongest = sorted(told, key=lambda r: -_strength(response, r))[:REFLECTIONS_DRAWN]
    ordered = sorted(strongest, key=lambda r: r.delay_s)
    return list(enumerate(ordered, start=1))


def _strength(response: RoomResponse, reflection: Reflection) -> float:
    inside = (response.frequency >= 500) & (response.frequency <= 8000)
    level = reflection.level_db[inside] if inside.any() else reflection.level_db
    return float(10 * np.log10(np.mean(10 ** (level / 10))))


def _walls(ax: Axes, line: FloatArray, low: FloatArray, high: FloatArray) -> None:
    ax.plot(line[:, 0], line[:, 1], color=INK, linewidth=1.6, clip_on=False)
    ax.set_xlim(low[0], high[0])
    ax.set_ylim(low[1], high[1])
    for spine in ax.spines.values():
        spine.set_visible(False)


def _furniture(plan: Axes, side: Axes, responses: Mapping[str, RoomResponse], seats: FloatArray, desk: FloatArray | None) -> None:
    if desk is not None:
        x, y, z = desk[:2], desk[2:4], float(desk[4])
        plan.fill([x[0], x[1], x[1], x[0]], [y[0], y[0], y[1], y[1]], color=LIGHT, edgecolor=MUTED, linewidth=0.6)
        plan.annotate(
            "console",
            (float(np.mean(x)), float(y[0])),
            xytext=(0, -8),
            textcoords="offset points",
            ha="center",
            fontsize=6.5,
            color=MUTED,
        )
        side.plot(x, [z, z], color=MUTED, linewidth=2)
    for name, response in responses.items():
        p, frame = np.asarray(response.placement.position), response.placement.frame
        for ax, axes in ((plan, (0, 1)), (side, (0, 2))):
            ax.plot(p[axes[0]], p[axes[1]], marker="s", color=INK, markersize=5)
            ahead = p + 0.35 * frame[0]
            ax.plot([p[axes[0]], ahead[axes[0]]], [p[axes[1]], ahead[axes[1]]], color=INK, linewidth=1)
        plan.annotate(name, (p[0], p[1]), xytext=(-4, 6), textcoords="offset points", fontsize=6.5, ha="right")
    for i, s in enumerate(seats):
        for ax, height in ((plan, s[1]), (side, s[2])):
            ax.plot(s[0], height, marker="o", color=INK, markerfacecolor="white", markersize=6)
        plan.annotate(f"seat {i + 1}", (s[0], s[1]), xytext=(6, 4), textcoords="offset points", fontsize=6.5)


def _reflection(plan: Axes, side: Axes, number: int, reflection: Reflection) -> None:
    pen: Pen = WAY_PENS[(number - 1) % len(WAY_PENS)]
    level = float(np.median(reflection.level_db))
    width = float(np.clip(1.8 + level / 12, 0.5, 1.8))
    for ax, axes in ((plan, (0, 1)), (side, (0, 2))):
        line = reflection.points[:, axes]
        ax.plot(line[:, 0], line[:, 1], color=pen.colour, linestyle=pen.dash, linewidth=width)
        if len(line) == 3:
            ax.annotate(
                str(number),
                line[1],
                xytext=(3, 3),
                textcoords="offset points",
                fontsize=7.5,
                color=pen.colour,
                weight="bold",
                clip_on=False,
            )


def cause_figure(causes: Causes) -> Figure:
    """Derivative of the spread by sector of direction and frequency, the ways together; signs written, not only coloured.

    Dark towards the rooms apart (+), hatched towards together (-).
    """
    from matplotlib.figure import Figure

    value = 1000 * causes.slope.sum(axis=0)
    rows = len(causes.sectors)
    height = 0.19 * rows + 0.75
    figure = Figure(figsize=(FULL_WIDTH, height))
    ax = figure.add_axes((1.45 / FULL_WIDTH, 0.62 / height, (FULL_WIDTH - 1.6) / FULL_WIDTH, 0.19 * rows / height))
    top = float(np.percentile(np.abs(value), 98)) or 1.0
    ax.imshow(np.abs(value), aspect="auto", cmap="Greys", vmin=0, vmax=2.2 * top)
    for i in range(rows):
        for j in range(value.shape[1]):
            if abs(value[i, j]) >= 0.05 * top:
                ax.text(j, i, f"{value[i, j]:+.1f}", ha="center", va="center", fontsize=5, color=INK)
    ax.set_yticks(range(rows), causes.sectors)
    ax.set_xticks(range(len(causes.frequency)), [preferred(f) for f in causes.frequency], rotation=60)
    ax.set_xlabel("Third octave, Hz. Thousandths of a dB of spread for each dB more energy sent there")
    ax.tick_params(length=0)
    for spine in ax.spines.values():
        spine.set_color(RULE)
    return figure


def boundary_figure(effects: Mapping[str, BoundaryEffect]) -> Figure:
    """Change of radiated power and of the level on axis near walls, and of the level on axis before a console."""
    walls = {word: e for word, e in effects.items() if word != "console"}
    desk = effects.get("console")
    figure, axes = new_figure(FULL_WIDTH, [1.5, 1.7, 1.5] if desk is not None else [1.5, 1.7], gap=0.42)
    for ax, name, title, limits in ((axes[0], "power_db", "Power, dB", (-4, 10)), (axes[1], "axis_db", "On axis, dB", (-15, 12))):
        _effects(ax, walls, name, title, limits)
    if desk is not None:
        _effects(axes[2], {"console": desk}, "axis_db", "On axis, dB", (-12, 9))
    return figure


def _effects(ax: Axes, effects: Mapping[str, BoundaryEffect], name: str, title: str, limits: tuple[int, int]) -> None:
    pens: Sequence[Pen] = (SUM_PEN, *WAY_PENS)
    first = next(iter(effects.values()))
    frequency_axis(ax, float(first.frequency[0]), float(first.frequency[-1]))
    ax.set_ylabel(title)
    ax.set_ylim(*limits)
    ends = []
    for pen, (word, effect) in zip(pens, effects.items(), strict=False):
        curve = np.asarray(getattr(effect, name))
        ax.plot(effect.frequency, curve, **pen.line())
        ends.append(EndLabel(float(curve[-1]), word, pen.colour))
    label_ends(ax, ends)


def preferred(frequency_hz: float) -> str:
    """The preferred number of a third-octave centre, as written on axes.

    Example:
        >>> preferred(316.2), preferred(794.3), preferred(3981.1)
        ('315', '800', '4k')
    """
    numbers = np.array([1, 1.25, 1.6, 2, 2.5, 3.15, 4, 5, 6.3, 8, 10])
    decade = 10 ** np.floor(np.log10(frequency_hz))
    return nominal(float(numbers[np.argmin(np.abs(np.log(numbers * decade / frequency_hz)))] * decade))
