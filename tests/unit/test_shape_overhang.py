"""Overhang and least radii as constraints of the waveguide search: closed forms, descent along them, first cut, words."""

import math
from dataclasses import replace

import numpy as np
import pytest
from shape_search_fixture import load_wren

from evenfield.base.errors import DesignError
from evenfield.loudspeaker.geometry import cabinet_of, elements_of
from evenfield.search.aim import aim_of
from evenfield.search.descent import Trial, advance, drawn_inside, start
from evenfield.search.dimensions import Space, changed
from evenfield.search.first_cut import first_cut
from evenfield.search.free_wall import freed
from evenfield.search.limit_words import at_limits, guide_of, no_room, overhang_words
from evenfield.search.limits import LEAST_BEND, LEAST_CORNER, corner_of, dimensions_of, margins, named_margins, overhang_of
from evenfield.search.shape_job import without_lying
from evenfield.search.shape_search import Effort, ShapeSearch
from evenfield.shape.elements import Round, RoundedRectangle, Superelliptic, Throat, Waveguide
from evenfield.shape.overhang import LYING, hang, left_out
from evenfield.shape.walls import wall

BASE = "ways.tweeter.waveguide"
CONE = Waveguide(Throat("horn", 0.0125, math.radians(8)), 0.0125, math.radians(8), 0.1, Round(0.1), 0.01, "conical")


def laid(design, lying, overhang="45 deg"):
    return design.model_copy(update={"printer": {"lying": lying, "overhang": overhang}})


@pytest.fixture
def wren(tmp_path):
    return freed(load_wren(tmp_path), "tweeter")[0]


def test_a_cone_hangs_by_its_own_angle():
    """The normal of a cone of half angle a is (sin a, -cos a e_r): geometry."""
    x, r = wall(CONE, np.array([0.1, 0.3]), np.zeros(1))
    angle = float(np.arctan2(np.diff(r[:, 0]), np.diff(x[:, 0]))[0])
    straight = slice(1, 5)  # the last place lies in the rounding
    down, up = hang(CONE, LYING["mouth-down"], math.radians(60)), hang(CONE, LYING["throat-down"], math.radians(60))
    assert down.angle[straight] == pytest.approx(angle, abs=2e-3)
    assert up.angle == pytest.approx(-down.angle, abs=1e-9)
    side = hang(CONE, LYING["lower-edge"], math.radians(60))
    assert side.angle[straight] == pytest.approx(
        np.arcsin(math.cos(angle) * np.sin(side.theta)) + 0 * side.angle[straight], abs=2e-3
    )
    turned = hang(CONE, LYING["left-edge"], math.radians(60))
    assert turned.angle[:, ::-1] == pytest.approx(side.angle, abs=1e-6)


def test_an_oblong_mouth_hangs_as_its_surface_does():
    """Against normals by differences of the surface's own points."""
    guide = replace(CONE, mouth=RoundedRectangle(0.2, 0.12, 0.04), profile="smooth", rounding=0.02)
    found = hang(guide, LYING["upper-edge"], math.radians(45))
    theta, step = float(found.theta[2]), 1e-5
    station = np.linspace(0, 1, 4001)
    place = found.x[3, 2]

    def point(at_theta, at_x):
        x, r = wall(guide, station, np.array([at_theta]))
        radius = np.interp(at_x, x[:, 0], r[:, 0])
        return np.array([at_x, radius * math.cos(at_theta), radius * math.sin(at_theta)])

    along = point(theta, place + step) - point(theta, place - step)
    around = point(theta + step, place) - point(theta - step, place)
    normal = np.cross(around, along)
    normal *= np.sign(normal[0]) / np.linalg.norm(normal)
    assert found.angle[3, 2] == pytest.approx(math.asin(abs(normal[2])), abs=3e-3)


def test_what_is_left_out_is_where_the_rounding_passes_the_limit():
    limit = math.radians(45)
    found = hang(CONE, LYING["mouth-down"], limit)
    assert found.left_out == pytest.approx(left_out(CONE, limit)) and 0.2 * CONE.rounding < found.left_out < 0.6 * CONE.rounding
    assert found.worst[0] < math.radians(50) and "from the axis" in found.worst[1]


def test_a_proud_mouth_is_looked_at_up_to_its_own_rounding():
    found = hang(replace(CONE, proud=0.004, proud_radius=0.01), LYING["mouth-down"], math.radians(45))
    assert found.x[-1, 0] == pytest.approx(0.004 - found.left_out) and np.isfinite(found.angle).all()


def test_no_way_of_lying_no_constraint(wren):
    plain = named_margins(wren, "tweeter")
    assert overhang_of(wren) is None and not [n for n, _ in plain if n.startswith("overhang")]
    held = named_margins(laid(wren, "mouth-down"), "tweeter")
    assert len([n for n, _ in held if n.startswith("overhang, 45 deg printed mouth down")]) == len(held) - len(plain) > 10
    assert named_margins(without_lying(laid(wren, "mouth-down")), "tweeter") == plain


def test_margins_of_overhang_are_smooth(wren):
    """Their central differences over half the step agree: a derivative there is."""
    design = laid(wren, "lower-edge", "60 deg")
    space = dimensions_of(design, "tweeter")
    share = np.clip(space.share(design), 0.05, 0.95)
    for n in (0, 1, 2, 5, 9):
        e = np.eye(len(share))[n]
        slopes = [(margins(space.at(share + h * e), "tweeter") - margins(space.at(share - h * e), "tweeter")) / (2 * h)
                  for h in (2e-3, 1e-3)]  # fmt: skip
        assert np.abs(slopes[0] - slopes[1]).max() < 0.02 * max(1.0, np.abs(slopes[1]).max())


def test_a_descent_ends_on_the_overhang_and_says_so(wren):
    """Drawn to a flatter, wider shape, it stops where the wall hangs by the limit; without the limit it goes on past."""
    design = laid(wren, "mouth-down", "70 deg")
    moved = ("depth", "mouth.width", "wall.horizontal.1", "wall.horizontal.3")
    space = Space(design, tuple(d for d in dimensions_of(design, "tweeter").dimensions if d.key.endswith(moved)))
    names = [d.key for d in space.dimensions]
    wish = np.clip(space.share(design), 0, 1)
    wish[names.index(f"{BASE}.depth")], wish[names.index(f"{BASE}.mouth.width")] = 0.05, 0.95

    def f(x):
        return Trial(float((x - wish) @ (x - wish)), (x - wish) ** 2, lambda: np.diag(2 * (x - wish)))

    def ended(held):
        at = drawn_inside(space.share(design), held)
        point, seen = start(at, f(at)), []
        for _ in range(8):
            point, _ = advance(point, f, held)
            seen.append(held(point.share).min())
        assert min(seen) > -1e-6
        return space.at(point.share)

    held = ended(lambda x: margins(space.at(x), "tweeter"))
    free = ended(lambda x: margins(without_lying(space.at(x)), "tweeter"))
    limit = math.radians(70)
    assert math.degrees(hang(guide_of(held, "tweeter"), LYING["mouth-down"], limit).worst[0]) == pytest.approx(70, abs=0.5)
    assert hang(guide_of(free, "tweeter"), LYING["mouth-down"], limit).worst[0] > math.radians(72)
    assert any("overhang, 70 deg printed mouth down" in words for words in at_limits(space, held, "tweeter"))
    assert "at most" in overhang_words(held, "tweeter") and "Left out" in overhang_words(held, "tweeter")
    cabinet_of(held)


def test_a_start_outside_the_limits_is_drawn_inside_or_refused_with_the_pair(wren):
    """65 degrees mouth down can be, by the nearest shape; 30 degrees cannot, and the message says what would."""
    for overhang, possible in (("65 deg", True), ("30 deg", False)):
        design = laid(wren, "mouth-down", overhang)
        search = ShapeSearch(dimensions_of(design, "tweeter"), aim_of(design), Effort(1, 0, 1))
        assert margins(design, "tweeter").min() < 0
        if possible:
            share = search.starting_shares()[0]
            assert margins(search.space.at(share), "tweeter").min() > -1e-9
        else:
            with pytest.raises(DesignError, match=r"overhang, 30 deg.*throat-down.*mm of depth.*--no-overhang"):
                search.starting_shares()
    assert "entry angle of 60 deg" in no_room(laid(wren, "left-edge", "30 deg"), "tweeter")


def test_the_words_for_a_wall_that_looks_up(wren):
    assert "looks up everywhere" in overhang_words(laid(wren, "throat-down"), "tweeter")
    assert overhang_words(wren, "tweeter") == ""


def test_a_first_cut_obeys_or_says_why_not(wren):
    cut = first_cut(laid(wren, "mouth-down", "55 deg"))
    guide = next(e for e in elements_of(cut.apply(wren)) if isinstance(e, Waveguide))
    assert hang(guide, LYING["mouth-down"], math.radians(55)).worst[0] < math.radians(55.5)
    assert any("printer.overhang" in c.pair and "are closed" in c.text for c in cut.conflicts)
    free = next(e for e in elements_of(first_cut(wren).apply(wren)) if isinstance(e, Waveguide))
    assert hang(free, LYING["mouth-down"], math.radians(55)).worst[0] > math.radians(58)
    edge = first_cut(laid(wren, "lower-edge", "30 deg"))
    assert any(c.pair == ("waveguide.entry_angle", "printer.overhang") and "60 deg" in c.nearest for c in edge.conflicts)


@pytest.mark.parametrize(("a", "b"), [(0.05, 0.05), (0.1, 0.06)])
def test_least_radius_of_an_ellipse(a, b):
    """b^2/a at the end of the long axis."""
    assert corner_of(Superelliptic(2 * a, 2 * b, 2.0)) == pytest.approx(b**2 / a, rel=5e-3)


def test_least_radii_are_kept(wren):
    """A mouth's corner and a bend of the wall close their margins where the drawn radius itself falls to the least."""
    assert corner_of(Superelliptic(0.05, 0.03, 6.0)) < LEAST_CORNER < corner_of(Superelliptic(0.09, 0.07, 4.0))
    steep = {f"{BASE}.wall.horizontal.{n}": math.radians(88) for n in (1, 2, 3)}
    near = {f"{BASE}.wall.stations.{n}": share for n, share in enumerate((0.1, 0.15, 0.6))}
    tight = changed(wren, steep | near)
    closed = [v for n, v in named_margins(tight, "tweeter") if n == "least radius along the horizontal wall"]
    assert min(closed) < 0
    found = guide_of(tight, "tweeter")
    x, r = wall(found, np.linspace(0, 1, 4001), np.zeros(1))
    turn, length = np.unwrap(np.arctan2(np.diff(r[:, 0]), np.diff(x[:, 0]))), np.hypot(np.diff(x[:, 0]), np.diff(r[:, 0]))
    assert 1 / (np.diff(turn) / length[1:]).max() < 1.3 * LEAST_BEND
