"""Palette, axes and labels: what keeps the pictures readable."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.colors import to_rgb

from evenfield.report.style import (
    CURVE_PENS,
    DI_PENS,
    PLANE_PENS,
    SUM_PEN,
    WAY_PENS,
    frequency_axis,
    level_colours,
    new_figure,
    nominal_limits,
    proportion_height,
    spread,
)


def luminance(colour):
    """Relative luminance, WCAG 2.1 (from memory)."""
    c = np.asarray(to_rgb(colour))
    linear = np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


@pytest.mark.parametrize(
    "pens", [[SUM_PEN, *WAY_PENS], list(CURVE_PENS.values()), list(DI_PENS.values()), list(PLANE_PENS.values())]
)
def test_no_two_curves_of_a_picture_share_a_line_style(pens):
    assert len({str(pen.dash) for pen in pens}) == len(pens)


def test_every_curve_stands_out_from_the_paper():
    # WCAG 2.1, 1.4.11 asks for 3:1 of graphics and 1.4.3 for 4.5:1 of text (from memory); names carry the curve's colour
    for pen in [SUM_PEN, *WAY_PENS, *CURVE_PENS.values(), *PLANE_PENS.values()]:
        assert 1.05 / (luminance(pen.colour) + 0.05) >= 4.0, pen


def test_level_colours_darken_step_by_step():
    shades = [luminance(c) for c in level_colours(11)]
    assert np.all(np.diff(shades) < 0)
    assert shades[0] > 0.85 and shades[-1] < 0.05


@given(st.lists(st.floats(0, 1), min_size=1, max_size=7), st.floats(0.01, 0.12))
@settings(max_examples=60, deadline=None)
def test_spread_keeps_order_and_distance(want, gap):
    want = np.asarray(want)
    place = spread(want, gap)
    order = np.argsort(want, kind="stable")
    assert np.all(np.diff(place[order]) >= gap - 1e-9)
    assert abs(place.mean() - want.mean()) < 1e-9


def test_frequency_axis_has_the_usual_ticks():
    _, (ax,) = new_figure(7.0, [2.0])
    frequency_axis(ax, 20.3, 19700.0)
    assert ax.get_xlim() == (20.0, 20000.0)
    assert ax.get_xticks().tolist() == [20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000]
    assert [t.get_text() for t in ax.get_xticklabels()][5:8] == ["1k", "2k", "5k"]


def test_limits_far_from_the_audio_band_stay():
    assert nominal_limits(180.0, 9000.0) == (180.0, 9000.0)


def test_one_decade_is_as_long_as_25_db():
    # IEC 60263 (from memory): a level span equal to the proportion is as tall as a decade is wide
    assert proportion_height(20.0, 20000.0, 25.0, 6.0, 25.0) == pytest.approx(2.0)


def test_axes_are_as_tall_as_asked():
    figure, axes = new_figure(7.0, [2.0, 1.0], gap=0.2)
    heights = [ax.get_position().height * figure.get_figheight() for ax in axes]
    assert heights == pytest.approx([2.0, 1.0])
