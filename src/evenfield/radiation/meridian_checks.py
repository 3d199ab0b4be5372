"""What is checked before a meridian is solved: its shape, its nodes against the wavelength; and the error to expect."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from evenfield.base import MeshError, message
from evenfield.data import Meridian
from evenfield.data.mesh import PartName
from evenfield.radiation.meridian_body import MeridianBody
from evenfield.radiation.meridian_rings import COUNTS

FEWEST_PER_WAVELENGTH = 3.0
"""Nodes on a moving part: fewer are refused."""
GOOD_PER_WAVELENGTH = 6.0
"""Nodes on a moving part, and on the rigid wall: fewer are noted."""
WIDEST = 5.0
"""Diameters times the wavenumber over the points of the longest rule round a ring, with margin."""

Where = Literal["free", "in front", "recess"]


def check_shape(meridian: Meridian, baffle: bool, first: int = 0) -> Where:
    """Where the body lies: in free space, in front of a baffle (or flush with it), or a recess behind it.

    `first` is the number of the line's first point, for the errors.

    Raises MeshError for a line that does not end on the axis (and, with a baffle, start on its plane x = 0), runs the wrong
    way, crosses itself or the baffle, touches the axis between, or has segments of no length.
    """
    p = meridian.points
    size = float(np.abs(p).max())
    if len(p) < 3:
        raise MeshError(message("meridian.points", "at least three", len(p)))
    step = np.hypot(*np.diff(p, axis=0).T)
    if np.any(step < 1e-9 * size):
        at = int(np.argmin(step))
        raise MeshError(
            message(
                "meridian.points", "apart from each other", "two that coincide", where=f"points {first + at} and {first + at + 1}"
            )
        )
    inner = p[1:-1, 1] < 1e-9 * size
    if np.any(inner):
        raise MeshError(
            message(
                "meridian.points", "off the axis but at its ends", "r = 0", where=f"point {first + 1 + int(np.argmax(inner))}"
            )
        )
    if p[-1, 1] > 1e-9 * size or (not baffle and p[0, 1] > 1e-9 * size):
        raise MeshError(
            message("meridian", "closed: from the rear pole to the front pole, both on the axis" if not baffle
                    else "ended on the axis", f"ends at r = {p[0, 1] * 1e3:.3g} and {p[-1, 1] * 1e3:.3g} mm")
        )  # fmt: skip
    _check_crossing(p, first)
    where = _side(p, size, first) if baffle else "free"
    volume = float(np.sum(np.diff(p[:, 0]) * (p[:-1, 1] ** 2 + p[:-1, 1] * p[1:, 1] + p[1:, 1] ** 2)))
    if volume * (-1 if where == "recess" else 1) < -1e-12 * size**3:
        raise MeshError(
            message("meridian", "run from the rear pole to the front pole", "the other way round", fix="points[::-1]")
        )
    return where


def _side(p: NDArray[np.float64], size: float, first: int) -> Where:
    if abs(p[0, 0]) > 1e-9 * size or p[0, 1] < 1e-9 * size:
        raise MeshError(
            message("meridian", "started on the baffle's plane x = 0, off the axis",
                    f"x = {p[0, 0] * 1e3:.3g} mm, r = {p[0, 1] * 1e3:.3g} mm")
        )  # fmt: skip
    if np.all(p[:, 0] >= -1e-9 * size):
        return "in front"
    if np.any(p[1:, 0] > -1e-9 * size):
        at = 1 + int(np.argmax(p[1:, 0] > -1e-9 * size))
        raise MeshError(
            message("meridian", "wholly behind the baffle's plane x = 0, or wholly in front of it",
                    f"x = {p[at, 0] * 1e3:.3g} mm", where=f"point {first + at}", cause="Some points lie behind the plane",
                    fix="a plane further forward, or a round baffle of finite size")
        )  # fmt: skip
    return "recess"


def _check_crossing(p: NDArray[np.float64], first: int) -> None:
    """Raise MeshError where two segments that are not neighbours cross or touch."""
    a, b = p[:-1], p[1:]

    def side(u: NDArray[np.float64], v: NDArray[np.float64], w: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray((v[..., 0] - u[..., 0]) * (w[..., 1] - u[..., 1]) - (v[..., 1] - u[..., 1]) * (w[..., 0] - u[..., 0]))

    a1, b1, a2, b2 = a[:, None], b[:, None], a[None], b[None]
    crossing = (side(a1, b1, a2) * side(a1, b1, b2) < 0) & (side(a2, b2, a1) * side(a2, b2, b1) < 0)
    if np.any(crossing):
        i, j = np.argwhere(crossing)[0]
        raise MeshError(
            message("meridian", "a line that does not cross itself", "a crossing", where=f"segments {first + i} and {first + j}")
        )


def part_steps(meridian: Meridian, parts: tuple[PartName, ...]) -> dict[PartName, float]:
    """Distance of the nodes of each moving part, and of the rigid wall under 0: the one that 95 % do not exceed, m."""
    step = np.hypot(*np.diff(meridian.points, axis=0).T)
    moving = {name: meridian.part == name for name in parts}
    steps = {name: float(np.quantile(step[there], 0.95)) for name, there in moving.items()}
    rigid = ~np.any(list(moving.values()), axis=0) if moving else np.ones(len(step), bool)
    if np.any(rigid):
        steps[0] = float(np.quantile(step[rigid], 0.95))
    return steps


def check_resolution(
    steps: dict[PartName, float], widest: float, frequency_hz: float, speed: float
) -> tuple[float, tuple[str, ...]]:
    """Nodes per wavelength on the coarsest moving part (or wall, where nothing is named), and notes on what is coarse.

    Raises MeshError below FEWEST_PER_WAVELENGTH on a moving part, or for a body too wide for its wavelength.
    """
    wavelength = speed / frequency_hz
    k = 2 * np.pi / wavelength
    if k * widest > COUNTS[-1] / WIDEST * 2:
        raise MeshError(message("frequency_hz", f"under {COUNTS[-1] / WIDEST * 2 / widest * speed / 2 / np.pi:.0f} Hz for a body "
                                f"{2 * widest:.2g} m across", f"{frequency_hz:.0f} Hz"))  # fmt: skip
    notes, least = [], math.inf
    for name, step in steps.items():
        ratio = wavelength / step
        label = "the rigid wall" if name == 0 else f"part {name!r}"
        if name != 0 or len(steps) == 1:
            least = min(least, ratio)
        if name != 0 and ratio < FEWEST_PER_WAVELENGTH:
            raise MeshError(
                message(label, f"given points at most {wavelength / FEWEST_PER_WAVELENGTH * 1e3:.2f} mm apart at "
                        f"{frequency_hz:.0f} Hz", f"{step * 1e3:.2f} mm",
                        fix=f"{wavelength / GOOD_PER_WAVELENGTH * 1e3:.2f} mm")
            )  # fmt: skip
        if ratio < GOOD_PER_WAVELENGTH:
            notes.append(f"{label} has points {step * 1e3:.2f} mm apart: under {GOOD_PER_WAVELENGTH:g} per wavelength from "
                         f"{speed / step / GOOD_PER_WAVELENGTH:.0f} Hz")  # fmt: skip
    return least, tuple(notes)


@dataclass(frozen=True)
class Coarseness:
    """How coarsely a line's shape is given.

    turn : largest angle that an element turns by, rad; edge : longest segment at a corner, m, 0 without corners; size : largest
    radius, m
    """

    turn: float
    edge: float
    size: float


def coarseness(meridian: Meridian, body: MeridianBody, corner_deg: float, where: Where) -> Coarseness:
    """Of a meridian and its elements."""
    step = np.diff(meridian.points, axis=0)
    length, angle = np.hypot(step[:, 0], step[:, 1]), np.arctan2(step[:, 1], step[:, 0])
    turn = np.abs((np.diff(angle) + np.pi) % (2 * np.pi) - np.pi)
    corner = turn >= np.radians(corner_deg)
    beside = np.maximum(length[1:], length[:-1])[corner]
    edge = max([0.0, *beside, *([length[0]] if where == "recess" else [])])
    if body.degree == 1:
        return Coarseness(float(turn[~corner].max(initial=0.0)), float(edge), float(meridian.points[:, 1].max()))
    x, r = body.corner_x, body.corner_r
    begin = np.arctan2(4 * r[:, 1] - 3 * r[:, 0] - r[:, 2], 4 * x[:, 1] - 3 * x[:, 0] - x[:, 2])
    end = np.arctan2(3 * r[:, 2] + r[:, 0] - 4 * r[:, 1], 3 * x[:, 2] + x[:, 0] - 4 * x[:, 1])
    bend = np.abs((end - begin + np.pi) % (2 * np.pi) - np.pi)
    return Coarseness(float(bend.max()), float(edge), float(meridian.points[:, 1].max()))


def expected_error_db(nodes_per_wavelength: float, degree: int, shape: Coarseness, wavelength: float) -> float:
    """Error of the level to expect, dB, front hemisphere, within 20 dB of the maximum.

    Of the elements on the wave (fourth or second order), of the elements on the shape, and of sharp edges, where the pressure
    is not smooth and any element converges slowly. Measured on caps of a rigid sphere and on a cylinder with sharp edges; see
    docs/theory/meridian.md.
    """
    n, edge = nodes_per_wavelength, shape.edge
    sharp = 0.35 * (edge / shape.size) ** 1.6 + 4.2 * (edge / wavelength) ** 1.8
    smooth = 8.0 * shape.turn**2 + 6.0 / n**2 if degree == 1 else 2.0 * shape.turn**4 + 40.0 / n**4
    return float(0.002 + smooth + sharp)
