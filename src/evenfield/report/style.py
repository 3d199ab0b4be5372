"""How evenfield's pictures look: palette, line styles, log frequency axes, direct labels.

Colours are ordered by lightness, so that they part in grey print too, and every curve carries a line style and a label of
its own: nothing is told by colour alone.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK = "#17222b"
MUTED = "#5d6b74"
RULE = "#c9d0d3"
WASH = "#f3e3c3"
PAPER = "#ffffff"

FULL_WIDTH = 7.0
"""inch: the text width of the page."""
HALF_WIDTH = 3.45

RC: dict[str, Any] = {
    "svg.fonttype": "path",
    "svg.hashsalt": "evenfield",
    "font.family": "DejaVu Sans",
    "font.size": 7.5,
    "axes.titlesize": 8,
    "axes.labelsize": 7.5,
    "xtick.labelsize": 7,
    "ytick.labelsize": 7,
    "axes.edgecolor": MUTED,
    "axes.linewidth": 0.6,
    "axes.labelcolor": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "text.color": INK,
    "xtick.color": MUTED,
    "ytick.color": MUTED,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "grid.color": RULE,
    "grid.linewidth": 0.4,
    "lines.linewidth": 1.3,
    "path.simplify": True,
    "path.simplify_threshold": 0.2,
    "figure.facecolor": PAPER,
    "axes.facecolor": PAPER,
    "contour.negative_linestyle": "solid",
}


@dataclass(frozen=True)
class Pen:
    """How one curve is drawn: colour, dash pattern, width in points."""

    colour: str
    dash: Any = "solid"
    width: float = 1.3

    def line(self) -> dict[str, Any]:
        """Keywords for `Axes.plot`."""
        return {"color": self.colour, "linestyle": self.dash, "linewidth": self.width, "solid_capstyle": "round"}


SUM_PEN = Pen(INK, "solid", 2.0)
"""The whole loudspeaker."""

WAY_PENS = (
    Pen("#1b6f8a", (0, (9, 1.3)), 1.5),
    Pen("#b8690f", (0, (2.2, 1.2)), 1.5),
    Pen("#8a3a62", (0, (7, 1.5, 1.2, 1.5)), 1.5),
    Pen("#5f7d2b", (0, (1, 1)), 1.5),
)
"""Ways from the lowest upwards."""

PLANE_PENS = {
    "horizontal": Pen(INK, "solid", 1.5),
    "vertical": Pen("#b8690f", (0, (5, 1.5)), 1.5),
    "diagonal": Pen("#1b6f8a", (0, (1.5, 1.1)), 1.5),
    "counter-diagonal": Pen("#8a3a62", (0, (7, 1.5, 1.2, 1.5)), 1.2),
}

CURVE_PENS = {
    "on_axis": Pen(INK, "solid", 1.7),
    "listening_window": Pen("#1b6f8a", (0, (6, 1.4)), 1.4),
    "early_reflections": Pen("#b8690f", (0, (3, 1.2)), 1.4),
    "sound_power": Pen("#8a3a62", (0, (7, 1.5, 1.2, 1.5)), 1.4),
    "in_room": Pen("#5f7d2b", (0, (1, 1)), 1.4),
}
DI_PENS = {
    "full_sphere": Pen(INK, "solid", 1.7),
    "sound_power_di": Pen("#8a3a62", (0, (7, 1.5, 1.2, 1.5)), 1.4),
    "early_reflections_di": Pen("#b8690f", (0, (3, 1.2)), 1.4),
}


def way_pens(names: Iterable[str]) -> dict[str, Pen]:
    """A pen for every way, in the order given."""
    return {name: WAY_PENS[i % len(WAY_PENS)] for i, name in enumerate(names)}


def new_figure(
    width: float,
    heights: Sequence[float],
    *,
    left: float = 0.58,
    right: float = 1.05,
    top: float = 0.1,
    bottom: float = 0.42,
    gap: float = 0.16,
) -> tuple[Figure, list[Axes]]:
    """A figure with one column of axes, all measures in inch, free of any global state.

    Laid out by hand, so that heights are exact (the proportions of level to frequency are), and quick.
    """
    from matplotlib.figure import Figure

    total = top + bottom + sum(heights) + gap * (len(heights) - 1)
    figure = Figure(figsize=(width, total))
    axes, y = [], total - top
    for height in heights:
        y -= height
        axes.append(figure.add_axes((left / width, y / total, (width - left - right) / width, height / total)))
        y -= gap
    return figure, axes


def proportion_height(low_hz: float, high_hz: float, span_db: float, axes_width: float, per_decade: float) -> float:
    """inch: the height at which `per_decade` dB are as long as one decade of frequency.

    Source: IEC 60263 (10, 25 or 50 dB to the decade; from memory).
    """
    return axes_width / float(np.log10(high_hz / low_hz)) * span_db / per_decade


def level_colours(bands: int) -> list[tuple[float, float, float]]:
    """Colours of a level map, quietest first.

    Pale where quiet, dark where loud: a lightness ramp that needs no colour vision and keeps its order in grey.
    """
    from matplotlib import colormaps

    ramp = colormaps["cividis"](np.linspace(1.0, 0.0, bands))
    white = np.linspace(0.8, 0.0, bands)[:, None] ** 1.2
    return [(float(r), float(g), float(b)) for r, g, b in ramp[:, :3] * (1 - white) + white]


_TICKS = np.array([1, 2, 5])


def nominal(frequency_hz: float) -> str:
    """20, 500, 1k, 12.5k: a frequency as axes write it.

    Example:
        >>> nominal(2000.0), nominal(1250.0), nominal(63.0)
        ('2k', '1.25k', '63')
    """
    return f"{frequency_hz / 1000:g}k" if frequency_hz >= 1000 else f"{frequency_hz:g}"


def spoken_hz(frequency_hz: float) -> str:
    """A frequency for running text, three digits.

    Example:
        >>> spoken_hz(1834.2), spoken_hz(47.26)
        ('1.83 kHz', '47.3 Hz')
    """
    if frequency_hz >= 1000:
        return f"{float(f'{frequency_hz / 1000:.3g}'):g} kHz"
    return f"{float(f'{frequency_hz:.3g}'):g} Hz"


def frequency_axis(ax: Axes, low_hz: float, high_hz: float, *, title: bool = True) -> None:
    """Logarithmic frequency axis with the ticks 20, 50, 100, 200 ... and the decades' lines between."""
    from matplotlib.ticker import FixedLocator, NullFormatter

    low_hz, high_hz = nominal_limits(low_hz, high_hz)
    ax.set_xscale("log")
    ax.set_xlim(low_hz, high_hz)
    decades = 10.0 ** np.arange(0, 6)
    major = np.outer(decades, _TICKS).ravel()
    minor = np.outer(decades, np.arange(1, 10)).ravel()
    major = major[(major >= low_hz * 0.999) & (major <= high_hz * 1.001)]
    if len(major) < 4:
        major = _thirds(low_hz, high_hz)
    ax.xaxis.set_major_locator(FixedLocator(major.tolist()))
    ax.xaxis.set_major_formatter(lambda value, _: nominal(value))
    ax.xaxis.set_minor_locator(FixedLocator(minor[(minor >= low_hz) & (minor <= high_hz)].tolist()))
    ax.xaxis.set_minor_formatter(NullFormatter())
    ax.grid(True, which="major")
    ax.grid(True, which="minor", axis="x", linewidth=0.2)
    if title:
        ax.set_xlabel("Frequency, Hz")


def nominal_limits(low_hz: float, high_hz: float) -> tuple[float, float]:
    """Ends within 3 % of 20 Hz or 20 kHz, where fractional-octave axes end, become these.

    Example:
        >>> nominal_limits(20.25, 19700.0)
        (20.0, 20000.0)
    """
    low = 20.0 if abs(low_hz / 20.0 - 1) < 0.03 else low_hz
    high = 20000.0 if abs(high_hz / 20000.0 - 1) < 0.03 else high_hz
    return low, high


def _thirds(low_hz: float, high_hz: float) -> NDArray[np.float64]:
    """Preferred third-octave numbers within the limits, for short axes."""
    row = np.array([1, 1.25, 1.6, 2, 2.5, 3.15, 4, 5, 6.3, 8])
    ticks = np.outer(10.0 ** np.arange(0, 6), row).ravel()
    ticks = ticks[(ticks >= low_hz * 0.999) & (ticks <= high_hz * 1.001)]
    return ticks[::2] if len(ticks) > 9 else ticks


@dataclass(frozen=True)
class EndLabel:
    """A curve's name, to be written at the right end of the axes at the height where the curve ends."""

    y: float
    text: str
    colour: str


def name_curves(
    ax: Axes, frequency: NDArray[np.float64], curves: Sequence[tuple[NDArray[np.float64], str, str]], *extra: EndLabel
) -> None:
    """Name each (curve, text, colour): at the right end, or beside the place where it leaves the axes before.

    Call it last, when limits are set. `extra` labels share the right edge.
    """
    low, high = ax.get_ylim()
    ends = list(extra)
    for curve, text, colour in curves:
        shown = np.flatnonzero(np.isfinite(curve) & (frequency <= ax.get_xlim()[1] * 1.0001) & (frequency >= ax.get_xlim()[0]))
        inside = [i for i in shown if low <= curve[i] <= high]
        if not inside:
            continue
        if inside[-1] == shown[-1]:
            ends.append(EndLabel(float(curve[inside[-1]]), text, colour))
        else:
            at = (float(frequency[inside[-1]]), float(curve[inside[-1]]))
            offset = (5, 2) if curve[inside[-1]] < curve[inside[0]] or at[1] < (low + high) / 2 else (5, -7)
            ax.annotate(text, at, xytext=offset, textcoords="offset points", color=colour, fontsize=7)
    label_ends(ax, ends)


def label_ends(ax: Axes, labels: Sequence[EndLabel], *, size: float = 7.0) -> None:
    """Write every curve's name beyond the right edge, spread so that none overlap.

    Call it last, when limits are set: heights are taken in the axes' own share.
    """
    if not labels:
        return
    height_pt = ax.get_window_extent().height * 72 / ax.figure.get_dpi()
    gap = 1.25 * size / max(height_pt, 1.0)
    to_axes = ax.transLimits.transform
    trans = ax.transScale.transform
    want = np.array([float(to_axes(trans((ax.get_xlim()[1], label.y)))[1]) for label in labels])
    place = spread(np.clip(want, 0.0, 1.0), gap)
    for label, at, wanted in zip(labels, place, np.clip(want, 0.0, 1.0), strict=True):
        ax.annotate(
            label.text,
            xy=(1.0, wanted),
            xycoords="axes fraction",
            xytext=(1.025, at),
            textcoords="axes fraction",
            va="center",
            ha="left",
            fontsize=size,
            color=label.colour,
            arrowprops={"arrowstyle": "-", "color": label.colour, "linewidth": 0.5, "shrinkA": 0, "shrinkB": 0},
            annotation_clip=False,
        )


def spread(want: NDArray[np.float64], gap: float) -> NDArray[np.float64]:
    """Places nearest to those wanted, at least `gap` apart, order kept, centred on each crowd.

    Example:
        >>> spread(np.array([0.5, 0.5, 0.9]), 0.1).round(2).tolist()
        [0.45, 0.55, 0.9]
    """
    order = np.argsort(want, kind="stable")
    groups: list[list[int]] = [[int(i)] for i in order]
    while True:
        for left in range(len(groups) - 1):
            a, b = groups[left], groups[left + 1]
            if _top(a, want, gap) + gap > _bottom(b, want, gap) + 1e-12:
                groups[left : left + 2] = [a + b]
                break
        else:
            break
    place = np.empty(len(want))
    for group in groups:
        place[group] = _bottom(group, want, gap) + gap * np.arange(len(group))
    return place


def _bottom(group: list[int], want: NDArray[np.float64], gap: float) -> float:
    return float(np.mean(want[group])) - gap * (len(group) - 1) / 2


def _top(group: list[int], want: NDArray[np.float64], gap: float) -> float:
    return _bottom(group, want, gap) + gap * (len(group) - 1)


def value_near(x: NDArray[np.float64], y: NDArray[np.float64], at: float) -> float:
    """y at the point nearest to `at` on a log axis."""
    return float(y[int(np.argmin(np.abs(np.log(x / at))))])


def corner_words(ax: Axes, text: str, *, top: bool = False) -> None:
    """A few words in the lower left corner of the axes, or the upper right one, on a paper ground."""
    box = {"facecolor": PAPER, "edgecolor": "none", "alpha": 0.85, "pad": 1.5}
    at, offset, ha, va = ((1.0, 1.0), (-4, -4), "right", "top") if top else ((0.0, 0.0), (4, 4), "left", "bottom")
    ax.annotate(
        text, at, xycoords="axes fraction", xytext=offset, textcoords="offset points", fontsize=7, color=INK, bbox=box,
        ha=ha, va=va, zorder=6,
    )  # fmt: skip


def mark_rigid(ax: Axes, from_hz: Mapping[str, float], colours: Mapping[str, str]) -> None:
    """A bar along the foot of the axes: from here up a way's diaphragm counts as rigid beyond its first mode."""
    low, high = ax.get_xlim()
    height_pt = ax.get_window_extent().height * 72 / ax.figure.get_dpi()
    for row, (name, frequency) in enumerate((n, f) for n, f in from_hz.items() if f < high):
        y = (5 + 9 * row) / height_pt
        start = max(frequency, low)
        pen: dict[str, Any] = {"color": colours[name], "linewidth": 2.2, "solid_capstyle": "butt", "zorder": 5}
        ax.plot([start, high], [y, y], transform=ax.get_xaxis_transform(), **pen)
        ax.annotate(
            f"rigid piston: {name}", (start, y), xycoords=ax.get_xaxis_transform(), xytext=(-3, 0), textcoords="offset points",
            fontsize=6.5, color=colours[name], ha="right", va="center", zorder=5,
        )  # fmt: skip
