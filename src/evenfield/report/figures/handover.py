"""The handover strip: how one way passes the sound to the next, in level, in directivity and in angle.

The picture evenfield is about: whether the directivity changes evenly where the ways meet.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from evenfield.report.style import (
    FULL_WIDTH,
    INK,
    MUTED,
    SUM_PEN,
    WASH,
    Pen,
    corner_words,
    frequency_axis,
    mark_rigid,
    name_curves,
    new_figure,
    spoken_hz,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Strip:
    """What the handover strip shows of one pair of ways.

    Curves are keyed "lower", "upper" and "sum", (F,) each; a missing key is left out of the picture.
        frequency : (F,) Hz
        crossover : Hz, fx
        level : dB, listening window of the filtered ways and of the loudspeaker, relative to the loudspeaker's at fx
        di : dB, full sphere: the ways unfiltered, the sum as power sum with filters
        beamwidth : plane -> curves, degrees
        rigid_above_hz : "lower"/"upper" -> Hz, where its diaphragm counts as rigid beyond its first mode
        lobing : dB, (F,): DI of the coherent less that of the power-summed field; None where unknown
        names : "lower"/"upper" -> the way's name
        pens : "lower"/"upper" -> its pen
        step_db : DI of the upper way less that of the lower at fx
        mismatch_db : RMS of that difference over the octave round fx
    """

    frequency: FloatArray
    crossover: float
    names: Mapping[str, str]
    pens: Mapping[str, Pen]
    level: Mapping[str, FloatArray] = field(default_factory=dict)
    di: Mapping[str, FloatArray] = field(default_factory=dict)
    beamwidth: Mapping[str, Mapping[str, FloatArray]] = field(default_factory=dict)
    rigid_above_hz: Mapping[str, float] = field(default_factory=dict)
    lobing: FloatArray | None = None
    step_db: float = float("nan")
    mismatch_db: float = float("nan")

    @property
    def limits(self) -> tuple[float, float]:
        """Three octaves round the crossover, within the data."""
        return (
            max(self.crossover / 5.0, float(self.frequency[0])),
            min(self.crossover * 5.0, float(self.frequency[-1])),
        )

    def pen(self, key: str) -> Pen:
        """The pen of one curve."""
        return SUM_PEN if key == "sum" else self.pens[key]

    def word(self, key: str) -> str:
        """The name of one curve."""
        return "Together" if key == "sum" else self.names[key]


def handover_figure(strip: Strip) -> Figure:
    """The handover strip of one pair of ways."""
    planes = list(strip.beamwidth)
    rows = [0.9] * bool(strip.level) + [1.8] * bool(strip.di) + [0.95] * len(planes) + [0.75] * (strip.lobing is not None)
    figure, axes = new_figure(FULL_WIDTH, rows, top=0.3, gap=0.12)
    left = list(axes)
    if strip.level:
        draw_levels(left.pop(0), strip)
    if strip.di:
        draw_di(left.pop(0), strip)
    for plane in planes:
        draw_beamwidth(left.pop(0), strip, plane)
    if strip.lobing is not None:
        draw_lobing(left.pop(0), strip, strip.lobing)
    for ax in axes[:-1]:
        ax.tick_params(labelbottom=False)
        ax.set_xlabel("")
    mark = f"crossover {spoken_hz(strip.crossover)}"
    axes[0].annotate(
        mark, (strip.crossover, 1.0), xycoords=("data", "axes fraction"), xytext=(0, 4), textcoords="offset points",
        ha="center", fontsize=7, fontweight="bold",
    )  # fmt: skip
    return figure


def _ground(ax: Axes, strip: Strip) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Axis, judged octave and crossover line; returns the octave's limits and the points shown."""
    low, high = strip.limits
    frequency_axis(ax, low, high)
    octave = strip.crossover * np.array([0.5**0.5, 2.0**0.5])
    ax.axvspan(*octave, color=WASH, linewidth=0, zorder=0)
    ax.axvline(strip.crossover, color=INK, linewidth=0.8, linestyle=(0, (1, 2)), zorder=1)
    return octave, (strip.frequency >= low) & (strip.frequency <= high)


def _curves(ax: Axes, strip: Strip, curves: Mapping[str, FloatArray]) -> None:
    keys = [key for key in ("sum", "lower", "upper") if key in curves]
    for key in keys:
        ax.plot(strip.frequency, curves[key], zorder=4 if key == "sum" else 3, **strip.pen(key).line())
    name_curves(ax, strip.frequency, [(curves[key], strip.word(key), strip.pen(key).colour) for key in keys])


def draw_levels(ax: Axes, strip: Strip) -> None:
    """Filtered ways and their sum, listening window."""
    _, shown = _ground(ax, strip)
    top = max(float(np.max(curve[shown])) for curve in strip.level.values())
    ax.set_ylim(-30, max(5.0, np.ceil(top + 1.5)))
    ax.set_yticks([-30, -20, -10, 0])
    ax.set_ylabel("Level, dB")
    corner_words(ax, "with filters")
    _curves(ax, strip, strip.level)


def draw_di(ax: Axes, strip: Strip) -> None:
    """DI of either way and of both; the difference hatched over the judged octave, the step marked at the crossover."""
    from matplotlib.ticker import MultipleLocator

    octave, shown = _ground(ax, strip)
    near = shown & (np.abs(np.log2(strip.frequency / strip.crossover)) <= 1.0)
    # the ways count near the crossover only: far above it a woofer beams, and would press all else flat
    seen = [curve[shown if key == "sum" else near] for key, curve in strip.di.items()]
    low, top = (float(f([f(c) for c in seen])) for f in (np.nanmin, np.nanmax))
    ax.set_ylim(np.floor(min(low, top - 6.0)), np.ceil(top + 1.5))
    ax.set_ylabel("DI, dB")
    ax.yaxis.set_major_locator(MultipleLocator(2.0 if top < 14 else 5.0))
    _curves(ax, strip, strip.di)
    marks = {strip.names[key]: f for key, f in strip.rigid_above_hz.items()}
    mark_rigid(ax, marks, {strip.names[key]: pen.colour for key, pen in strip.pens.items()})
    if {"lower", "upper"} <= set(strip.di):
        _difference(ax, strip, octave)


def _difference(ax: Axes, strip: Strip, octave: FloatArray) -> None:
    lower, upper = strip.di["lower"], strip.di["upper"]
    fine = np.geomspace(octave[0], octave[1], 81)
    at = np.log(strip.frequency)
    ax.fill_between(
        fine,
        np.interp(np.log(fine), at, lower),
        np.interp(np.log(fine), at, upper),
        facecolor="none",
        edgecolor=INK,
        hatch="////////",
        linewidth=0.4,
        zorder=2,
    )
    words = (f"step {strip.step_db:+.2f} dB", f"mismatch {strip.mismatch_db:.2f} dB RMS")
    ax.annotate(
        "\n".join(words).replace("-", "\u2212"), (octave[0], 1.0), xycoords=("data", "axes fraction"), xytext=(-5, -5),
        textcoords="offset points", ha="right", va="top", fontsize=7,
    )  # fmt: skip


def draw_beamwidth(ax: Axes, strip: Strip, plane: str) -> None:
    """Full -6 dB angles in one plane."""
    _, shown = _ground(ax, strip)
    curves = strip.beamwidth[plane]
    finite = [c[shown][np.isfinite(c[shown])] for c in curves.values()]
    top = max((float(v.max()) for v in finite if len(v)), default=180.0)
    top = min(360.0, 60.0 * np.ceil(max(top, 120.0) / 60.0))
    ax.set_ylim(0, top)
    ax.set_yticks(np.arange(0, top + 1, 60 if top <= 240 else 90))
    ax.set_ylabel("Beamwidth, °")
    corner_words(ax, f"{plane} plane")
    _curves(ax, strip, curves)


def draw_lobing(ax: Axes, strip: Strip, share: FloatArray) -> None:
    """Lobing share: what the ways' interference adds to the directivity index."""
    _, shown = _ground(ax, strip)
    low, top = float(np.min(share[shown])), float(np.max(share[shown]))
    ax.set_ylim(min(-1.0, np.floor(low)), max(3.0, np.ceil(top + 0.5)))
    ax.set_ylabel("Lobing, dB")
    ax.axhline(0.0, color=MUTED, linewidth=0.6)
    _curves(ax, strip, {"sum": share})
