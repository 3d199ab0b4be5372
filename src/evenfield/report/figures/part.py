"""A part drawn: shaded views, sections with measures, overhangs as it lies on the plate, deviation of a scan."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from evenfield.report.style import FULL_WIDTH, INK, MUTED, PAPER, RULE
from evenfield.shape.printing.body import Body
from evenfield.shape.printing.orientation import Pose, turned
from evenfield.shape.printing.plan import PartPlan
from evenfield.shape.printing.rays import Caster, normals_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Array = NDArray[np.float64]

HANG = (0.72, 0.41, 0.06)
PLAIN = (0.80, 0.84, 0.86)


def shaded(
    body: Body, away: Array, up: Array, pixels: int = 900, colour: Array | None = None
) -> tuple[Array, tuple[float, float, float, float]]:
    """A picture of a body seen from the direction `away` (3,), `up` (3,) upwards.

    Parameters
        colour : (T, 3) of the triangles, 0 to 1; None is one plain colour
    Returns
        image (H, W, 3) and its extent (left, right, bottom, top), mm
    """
    vertices, triangles = body.arrays
    away, up = np.asarray(away, float), np.asarray(up, float)
    away = away / np.linalg.norm(away)
    up = up - away * (up @ away)
    up /= np.linalg.norm(up)
    right = np.cross(up, away)
    flat = np.column_stack([vertices @ right, vertices @ up])
    low, high = flat.min(axis=0) - 2, flat.max(axis=0) + 2
    step = float((high - low).max()) / pixels
    u, v = np.arange(low[0], high[0], step), np.arange(high[1], low[1], -step)
    grid = np.stack(np.meshgrid(u, v), -1).reshape(-1, 2)
    eye = float((vertices @ away).max()) + 10
    origins = grid[:, :1] * right + grid[:, 1:] * up + eye * away
    distance, hit = Caster.of(vertices, triangles).first(origins, np.broadcast_to(-away, origins.shape))
    normals, _ = normals_of(vertices, triangles)
    light = away * 0.75 + up * 0.5 - right * 0.45
    light /= np.linalg.norm(light)
    base = np.tile(PLAIN, (len(triangles), 1)) if colour is None else colour
    shade = 0.42 + 0.58 * np.clip(normals @ light, 0, 1)
    image = np.where(hit[:, None] >= 0, base[hit] * shade[hit][:, None], 1.0).reshape(len(v), len(u), 3)
    shape = (len(v), len(u))
    image[_drawn(distance.reshape(shape), normals[hit].reshape(*shape, 3), hit.reshape(shape))] *= 0.45
    return image, (float(low[0]), float(high[0]), float(low[1]), float(high[1]))


def _drawn(distance: Array, normal: Array, hit: NDArray[np.int64]) -> NDArray[np.bool_]:
    """(H, W) True where a line belongs: outlines, steps in depth, sharp edges."""
    line = np.zeros(hit.shape, bool)
    depth = np.where(hit >= 0, np.where(np.isfinite(distance), distance, 0), -50.0)
    for axis in (0, 1):
        step = np.abs(np.diff(depth, axis=axis)) > 1.2
        bend = np.einsum("ijk,ijk->ij", *((normal[1:], normal[:-1]) if axis == 0 else (normal[:, 1:], normal[:, :-1]))) < 0.85
        found = step | bend
        if axis == 0:
            line[1:] |= found
        else:
            line[:, 1:] |= found
    return line


def views_figure(body: Body) -> Figure:
    """Front and back, seen from a little above."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(FULL_WIDTH, 2.7))
    for k, (words, away) in enumerate((("Front", (1.0, 0.45, 0.4)), ("Back", (-1.0, 0.4, 0.35)))):
        ax = figure.add_axes((0.5 * k, 0.0, 0.5, 0.92))
        image, extent = shaded(body, np.array(away), np.array([0.0, 0, 1]))
        ax.imshow(image, extent=extent, interpolation="antialiased")
        ax.set_axis_off()
        ax.set_title(words, loc="left", fontsize=8, color=MUTED, pad=2)
    return figure


def pieces_figure(bodies: tuple[Body, ...]) -> Figure:
    """The pieces of a cut part drawn apart, from the front and from behind, each named."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(FULL_WIDTH, 3.0))
    middle = [b.arrays[0].mean(axis=0) for b in bodies]
    gap = 0.16 * max(float(np.ptp(b.arrays[0], axis=0).max()) for b in bodies)
    away = [gap * np.array([0.0, *(np.sign(m[1:]) * (np.abs(m[1:]) > gap / 4))]) for m in middle]
    shown = Body(
        sum(
            (b.solid.translate(a.tolist()) for b, a in zip(bodies[1:], away[1:], strict=True)),
            bodies[0].solid.translate(away[0].tolist()),
        )
    )
    for k, (words, eye) in enumerate((("From the front", (1.0, 0.45, 0.4)), ("From behind: pins and holes", (-1.0, 0.5, 0.45)))):
        ax = figure.add_axes((0.5 * k, 0.0, 0.5, 0.92))
        image, extent = shaded(shown, np.array(eye), np.array([0.0, 0, 1]))
        ax.imshow(image, extent=extent, interpolation="antialiased")
        ax.set_axis_off()
        ax.set_title(words, loc="left", fontsize=8, color=MUTED, pad=2)
        view = np.array(eye) / np.linalg.norm(eye)
        up = np.array([0.0, 0, 1]) - view * view[2]
        up /= np.linalg.norm(up)
        right = np.cross(up, view)
        for body, m, a in zip(bodies, middle, away, strict=True):
            at = m + 1.4 * a
            ax.text(float(at @ right), float(at @ up), body.name, ha="center", fontsize=6.5, color=INK,
                    bbox={"facecolor": PAPER, "edgecolor": "none", "alpha": 0.8, "pad": 1.0})  # fmt: skip
    return figure


def overhang_figure(bodies: tuple[Body, ...], poses: tuple[Pose, ...]) -> Figure:
    """Each body as it lies on the plate, from above and below the horizon; what needs support in colour."""
    from matplotlib.figure import Figure

    shown = [(b, p, a) for b, p in zip(bodies, poses, strict=True) for a in (0.5, -0.6)]
    columns = min(len(shown), 4)
    rows = -(-len(shown) // columns)
    figure = Figure(figsize=(FULL_WIDTH, 2.5 if rows == 1 else 2.0 * rows))
    width, tall = 1 / columns, 1 / rows
    for k, (body, pose, height) in enumerate(shown):
        colour = np.tile(PLAIN, (len(body.arrays[1]), 1))
        colour[pose.overhang] = HANG
        up = np.array(pose.up)
        side = turned(up)
        away = side[0] * 0.8 + side[1] * 0.6 + up * height
        ax = figure.add_axes((width * (k % columns), 1 - tall * (k // columns + 1), width, 0.9 * tall))
        image, extent = shaded(body, away, up, 700, colour)
        ax.imshow(image, extent=extent, interpolation="antialiased")
        ax.set_axis_off()
        words = "from above" if height > 0 else "from below the plate"
        ax.set_title(words if len(bodies) == 1 else f"{body.name}, {words}", loc="left", fontsize=7, color=MUTED, pad=2)
    return figure


def section_figure(body: Body, plan: PartPlan) -> Figure:
    """The upright and the level section through the axis, with the measures that matter, mm."""
    from matplotlib.figure import Figure

    cuts = [("Vertical section", 2), ("Horizontal section", 1)]
    spans = [2 * plan.flange[1] + 34, 2 * plan.flange[0] + 34]
    tall = plan.depth + 44
    scale = min(FULL_WIDTH / sum(spans), 2.6 / tall)
    figure = Figure(figsize=(FULL_WIDTH, tall * scale + 0.25))
    left = (FULL_WIDTH - scale * sum(spans)) / 2 / FULL_WIDTH
    for (words, axis), span in zip(cuts, spans, strict=True):
        share = span * scale / FULL_WIDTH
        ax = figure.add_axes((left, 0.0, share, tall * scale / (tall * scale + 0.25)))
        left += share
        ax.set_xlim(-span / 2, span / 2)
        ax.set_ylim(-plan.depth - 26, 18)
        ax.set_axis_off()
        ax.set_title(words, loc="left", fontsize=7.5, color=MUTED, pad=1)
        _fill_section(ax, body, axis)
        _measure_section(ax, plan, axis)
    return figure


def _fill_section(ax: Axes, body: Body, axis: int) -> None:
    """The cut faces: across is z where axis is 2, y where it is 1; up is x."""
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path

    turn = {2: [[0.0, 0, 1, 0], [1, 0, 0, 0], [0, 1, 0, 0]], 1: [[0.0, 1, 0, 0], [1, 0, 0, 0], [0, 0, -1, 0]]}[axis]
    outlines = [np.asarray(o) for o in body.solid.transform(np.array(turn)).slice(0.013).to_polygons()]
    if not outlines:
        return
    path = Path.make_compound_path(*(Path(np.vstack([o, o[:1]]), closed=True) for o in outlines))
    ax.add_patch(PathPatch(path, facecolor="#dde5e8", edgecolor=INK, linewidth=0.7))


def _measure_section(ax: Axes, plan: PartPlan, axis: int) -> None:
    mouth = np.abs(plan.grid.points[0, :, axis]).max()
    half, throat, seat = plan.flange[1 if axis == 2 else 0], plan.grid.throat, plan.seat_radius
    deep = -plan.depth
    _dimension(ax, (-mouth, 0.0), (mouth, 0.0), 7.0, f"mouth {2 * mouth:.2f}")
    _dimension(ax, (-half, 0.0), (half, 0.0), 13.5, f"flange {2 * half:.2f}")
    _dimension(ax, (-throat, deep), (throat, deep), deep - 6.0, f"throat {2 * throat:.2f}", short=True)
    _dimension(ax, (-seat, deep), (seat, deep), deep - 13.0, f"seat {2 * seat:.2f}")
    across = half + 7
    arrow = {"arrowstyle": "<->", "color": MUTED, "linewidth": 0.6, "shrinkA": 0, "shrinkB": 0}
    ax.annotate("", (across, 0), (across, deep), arrowprops=arrow)
    for x, start in ((0.0, half), (deep, seat)):
        ax.plot([start + 0.8, across + 1.5], [x, x], color=RULE, linewidth=0.5)
    ax.text(across + 1.5, deep / 2, f"depth {plan.depth:.2f}", rotation=90, va="center", ha="left", fontsize=6)
    ax.annotate("", (-across, 0), (-across, -plan.flange_thickness), arrowprops=arrow)
    ax.text(
        -across - 1.5,
        -plan.flange_thickness / 2,
        f"{plan.flange_thickness:.2f}",
        rotation=90,
        va="center",
        ha="right",
        fontsize=6,
    )


def _dimension(
    ax: Axes, first: tuple[float, float], second: tuple[float, float], at: float, words: str, short: bool = False
) -> None:
    arrow: dict[str, Any] = {"arrowstyle": "<->", "color": MUTED, "linewidth": 0.6, "shrinkA": 0, "shrinkB": 0}
    ax.annotate("", (first[0], at), (second[0], at), arrowprops=arrow)
    for p in (first, second):
        ax.plot([p[0], p[0]], [p[1], at + np.sign(at - p[1])], color=RULE, linewidth=0.5)
    box = {"facecolor": PAPER, "edgecolor": "none", "pad": 0.6}
    if short:
        ax.text(second[0] + 2, at, words, va="center", ha="left", fontsize=6, bbox=box)
    else:
        ax.text((first[0] + second[0]) / 2, at, words, va="center", ha="center", fontsize=6, bbox=box)


def deviation_figure(scan: Any) -> Figure:
    """How far a scanned wall lies off the designed one, seen from the front, mm."""
    from matplotlib.figure import Figure

    points, value = scan.grid.points, scan.deviation
    figure = Figure(figsize=(FULL_WIDTH, 3.2))
    ax = figure.add_axes((0.08, 0.12, 0.72, 0.85))
    closed = [np.column_stack([a, a[:, :1]]) for a in (points[..., 1], points[..., 2], value)]
    most = max(float(np.abs(value).max()), 0.05)
    drawn = ax.contourf(*closed, levels=np.linspace(-most, most, 21), cmap="PuOr")
    ax.set_aspect("equal")
    ax.set_xlabel("y, mm (seen from the front)")
    ax.set_ylabel("z, mm")
    figure.colorbar(drawn, cax=figure.add_axes((0.84, 0.12, 0.02, 0.85)), label="mm into the air (+) or the wall (−)")
    return figure
