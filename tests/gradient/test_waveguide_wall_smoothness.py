"""A wall's points follow every dimension smoothly at their own station and direction: no jump, no kink, where a search moves."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from evenfield.shape import Superelliptic, Throat, Waveguide
from evenfield.shape.walls import rim, wall

STATION, THETA = np.linspace(0, 1, 101), np.linspace(-math.pi / 2, math.pi / 2, 25)
FREE = Waveguide(
    Throat("t", 0.0155), 0.016, 0.55, 0.04, Superelliptic(0.19, 0.15, 3.0), 0.014, "free",
    angles=(0.75, 0.85, 0.95, 1.05), angles_vertical=(0.7, 0.8, 0.9, 1.0), angles_diagonal=(0.72, 0.84, 0.95, 1.02),
    transition=(0.05, 0.9), proud=0.003, proud_radius=0.01,
)  # fmt: skip
HORN = Waveguide(Throat("t", 0.0125), 0.0125, 0.1, 0.30, Superelliptic(0.24, 0.2, 3.0), 0.012)
SIZES = ("throat_radius", "entry_angle", "depth", "rounding", "width", "height", "exponent")
ANGLES = ("angles", "angles_vertical", "angles_diagonal", "proud")


def moved(guide: Waveguide, name: str, share: float) -> Waveguide:
    """The guide with one dimension larger by a share of itself (of angles, the third)."""
    if name in ("width", "height", "exponent"):
        mouth = guide.mouth
        return replace(guide, mouth=replace(mouth, **{name: getattr(mouth, name) * (1 + share)}))
    value = getattr(guide, name)
    if isinstance(value, tuple):
        return replace(guide, **{name: (*value[:2], value[2] * (1 + share), *value[3:])})
    return replace(guide, **{name: value * (1 + share)})


def bend(guide: Waveguide, name: str, share: float) -> float:
    """Largest second difference of any coordinate of wall and rim, m."""
    lines = []
    for s in (-share, 0.0, share):
        made = moved(guide, name, s)
        lines.append(np.array([*wall(made, STATION, THETA), *rim(made, STATION, THETA)]))
    return float(np.abs(lines[0] - 2 * lines[1] + lines[2]).max())


@pytest.mark.parametrize("profile", ["free", "oblate_spheroidal", "exponential", "tractrix", "conical"])
def test_second_differences_fall_with_the_square_of_the_step(profile: str) -> None:
    guide = FREE if profile == "free" else replace(HORN, profile=profile)
    for name in (*SIZES, *ANGLES) if profile == "free" else SIZES:
        coarse, fine = bend(guide, name, 4e-3), bend(guide, name, 1e-3)
        assert fine < 1e-11 or coarse / fine == pytest.approx(16.0, rel=0.35), (name, coarse, fine)


def test_evaluation_is_pure() -> None:
    first = wall(FREE, STATION, THETA)
    wall(replace(FREE, depth=0.05), STATION, THETA)
    again = wall(FREE, STATION, THETA)
    assert np.array_equal(first[0], again[0]) and np.array_equal(first[1], again[1])
    one = wall(FREE, STATION[17:18], THETA[5:6])  # a vertex alone is where it was among the others
    assert one[0][0, 0] == pytest.approx(first[0][17, 5], abs=1e-13)
    assert one[1][0, 0] == pytest.approx(first[1][17, 5], abs=1e-13)
