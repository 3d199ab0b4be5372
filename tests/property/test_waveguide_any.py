"""Whatever waveguide passes its checks has a wall that runs from throat to mouth, only opens, and ends level with the baffle."""

from __future__ import annotations

import math

import numpy as np
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from evenfield.base import DesignError
from evenfield.shape import PROFILES, Elliptic, Outline, Round, RoundedRectangle, Superelliptic, Throat, Waveguide
from evenfield.shape.fit_guide import check_waveguide
from evenfield.shape.outlines import polar_radius
from evenfield.shape.walls import wall

THETA = np.linspace(-math.pi, math.pi, 73)


@st.composite
def guides(draw: st.DrawFn, profile: str) -> Waveguide:
    throat, depth = draw(st.floats(0.006, 0.03)), draw(st.floats(0.012, 0.25))
    entry = draw(st.floats(0.0, 0.8))
    reach = throat + depth * (math.tan(entry) + draw(st.floats(0.1, 1.5)))
    across, up = 2 * reach, 2 * reach * draw(st.floats(0.6, 1.0))
    mouth: Outline = draw(
        st.sampled_from(
            [Round(reach), Elliptic(across, up), Superelliptic(across, up, 3.0), RoundedRectangle(across, up, 0.3 * up)]
        )
    )
    free = profile == "free" and draw(st.booleans())
    count = draw(st.integers(2, 6))
    rising = [sorted(draw(st.lists(st.floats(entry, 1.45), min_size=count, max_size=count))) for _ in range(3)]
    return Waveguide(
        Throat("t", throat), throat, entry, depth, mouth, draw(st.floats(0.05, 0.4)) * depth, profile,
        angles=tuple(rising[0]) if free else (), angles_vertical=tuple(rising[1]) if free else (),
        angles_diagonal=tuple(rising[2]) if free else (), transition=draw(st.sampled_from([(0.0, 0.0), (0.1, 0.9)])),
    )  # fmt: skip


@settings(max_examples=60, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(st.sampled_from(sorted(PROFILES)).flatmap(guides))
def test_whatever_passes_is_a_wall(guide: Waveguide) -> None:
    try:
        check_waveguide(guide)
    except DesignError:
        assume(False)
    x, r = wall(guide, np.linspace(0, 1, 301), THETA)
    assert np.allclose(x[0], -guide.depth, atol=1e-12) and np.allclose(r[0], guide.throat_radius, atol=1e-12)
    assert np.allclose(x[-1], 0.0, atol=1e-9) and np.allclose(r[-1], polar_radius(guide.mouth, THETA), atol=1e-9)
    assert np.diff(x, axis=0).min() > -1e-7 and np.diff(r, axis=0).min() > -1e-7
    fine = wall(guide, np.array([1 - 1e-4, 1.0]), THETA)
    assert np.all(np.diff(fine[0], axis=0) < 0.02 * np.diff(fine[1], axis=0))  # level at the baffle
    if guide.transition == (0.0, 0.0):
        angle = np.arctan2(np.diff(r, axis=0), np.diff(x, axis=0))
        assert np.diff(angle, axis=0).min() > -2e-3  # only opens
