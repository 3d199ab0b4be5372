"""Volumes, areas and walls against closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest

from evenfield.shape import (
    PROFILES,
    Cabinet,
    Cone,
    Dome,
    EdgeLengths,
    Elliptic,
    Round,
    RoundedRectangle,
    Throat,
    Waveguide,
    build_surface,
    rounded_box_volume,
    surface_facts,
)
from evenfield.shape.outlines import outline_area, polar_radius
from evenfield.shape.strips import hollow, strips_of

FINE = EdgeLengths(0.006, 0.009, 0.006, 0.005, {})


def test_rounded_box() -> None:
    # Steiner's formula; a sphere and a sharp box are its ends
    assert rounded_box_volume(0.2, 0.2, 0.2, 0.1) == pytest.approx(4 / 3 * math.pi * 0.1**3)
    assert rounded_box_volume(0.2, 0.3, 0.4, 0.0) == pytest.approx(0.024)
    # edges pi/4 r^2 each, by hand: 0.16 x 0.26 x 0.36 core, radius 0.02
    core, slabs = 0.16 * 0.26 * 0.36, 2 * 0.02 * (0.16 * 0.26 + 0.26 * 0.36 + 0.36 * 0.16)
    by_hand = core + slabs + math.pi * 0.02**2 * (0.16 + 0.26 + 0.36) + 4 / 3 * math.pi * 0.02**3
    assert rounded_box_volume(0.2, 0.3, 0.4, 0.02) == pytest.approx(by_hand)
    cabinet = Cabinet(0.2, 0.3, 0.4, 0.04)
    mesh = build_surface(cabinet, FINE)
    assert mesh.volume == pytest.approx(rounded_box_volume(0.2, 0.3, 0.4, 0.04), rel=1e-3)  # chords of 0.2 rad: 9.7e-4
    area = 2 * (0.12 * 0.22 + 0.22 * 0.32 + 0.32 * 0.12) + 2 * math.pi * 0.04 * (0.12 + 0.22 + 0.32) + 4 * math.pi * 0.04**2
    assert mesh.area.sum() == pytest.approx(area, rel=1e-3)


def test_cone_and_dome_volumes() -> None:
    # frustum, cone and spherical cap
    cone = Cone("c", 0.06, 0.03, 0.02, 0.008)
    frustum = math.pi * 0.03 / 3 * (0.06**2 + 0.06 * 0.02 + 0.02**2)
    cap = math.pi * 0.008 / 6 * (3 * 0.02**2 + 0.008**2)
    assert hollow(strips_of(cone)) == pytest.approx(frustum - cap, rel=1e-4)
    dome = Dome("d", 0.0125, 0.0125)  # hemisphere
    assert hollow(strips_of(dome)) == pytest.approx(-2 / 3 * math.pi * 0.0125**3, rel=1e-4)
    for element, volume in ((cone, frustum - cap), (Dome("d", 0.05, 0.05), -2 / 3 * math.pi * 0.05**3)):
        cabinet = Cabinet(0.2, 0.2, 0.2, 0.0, (element,))
        mesh = build_surface(cabinet, FINE)
        assert 0.008 - mesh.volume == pytest.approx(volume, rel=0.01)
        assert surface_facts(cabinet).body_volume == pytest.approx(0.008 - volume, rel=1e-6)


def test_dome_area() -> None:
    mesh = build_surface(Cabinet(0.2, 0.2, 0.2, 0.0, (Dome("d", 0.05, 0.02),)), FINE)
    assert mesh.area[mesh.of_part("d")].sum() == pytest.approx(math.pi * (0.05**2 + 0.02**2), rel=2e-3)


def test_conical_waveguide_of_nearly_sharp_mouth() -> None:
    # a frustum but for a rounding of 0.5 mm
    guide = Waveguide(Throat("t", 0.0125), 0.0125, 0.0, 0.06, Round(0.07), 0.0005, profile="conical")
    frustum = math.pi * 0.06 / 3 * (0.07**2 + 0.07 * 0.0125 + 0.0125**2)
    assert hollow(strips_of(guide)) == pytest.approx(frustum, rel=0.01)


def test_oblate_spheroidal_wall() -> None:
    # r^2 = r0^2 + x^2 tan^2(b) with an entry angle of zero (equation from memory)
    x, r = PROFILES["oblate_spheroidal"].wall(np.linspace(0, 1, 400), 0.0125, 0.0, 0.1, np.array([0.12]), 0.01)
    wall = x[:, 0] < -0.012
    along = x[wall, 0] + 0.1
    squared = (r[wall, 0][1:] ** 2 - 0.0125**2) / along[1:] ** 2
    assert np.ptp(squared) < 1e-9 * squared.mean()
    # the wall's angle there is atan(x tan^2(b) / r), and its area pi (r0^2 + x^2 tan^2(b)) (from memory)
    angle = np.arctan(np.gradient(r[wall, 0], along))[2:-2]
    assert np.allclose(angle, np.arctan(along * squared.mean() / r[wall, 0])[2:-2], atol=2e-4)


@pytest.mark.parametrize("name", ["oblate_spheroidal", "smooth", "free"])
@pytest.mark.parametrize("entry_deg", [0.0, 10.0, 30.0])
def test_walls_start_at_the_entry_angle_and_end_tangent_to_the_baffle(name: str, entry_deg: float) -> None:
    t = np.linspace(0, 1, 4001)
    mouth = np.array([0.06, 0.08, 0.12])
    x, r = PROFILES[name].wall(t, 0.0125, math.radians(entry_deg), 0.05, mouth, 0.01)
    assert np.allclose([x[0], r[0]], [[-0.05] * 3, [0.0125] * 3], atol=1e-12)
    assert np.allclose([x[-1], r[-1]], [[0.0] * 3, mouth], atol=1e-9)
    angle = np.degrees(np.arctan2(np.diff(r, axis=0), np.diff(x, axis=0)))
    assert np.allclose(angle[0], entry_deg, atol=0.3)
    assert np.allclose(angle[-1], 90.0, atol=0.3)
    assert np.all(np.diff(angle, axis=0) > -0.2)  # no waist, no kink: the wall only opens
    assert np.diff(angle, axis=0).max() < 2.0


@pytest.mark.parametrize("name", ["oblate_spheroidal", "conical", "exponential", "smooth", "free"])
def test_rounding_is_the_least_radius_of_the_edge(name: str) -> None:
    x, r = PROFILES[name].wall(np.linspace(0, 1, 4001), 0.0125, 0.1, 0.05, np.array([0.09]), 0.01)
    d = np.gradient(np.column_stack([x[:, 0], r[:, 0]])[2000:], axis=0)
    turn = np.diff(np.arctan2(d[:, 1], d[:, 0]))
    bend = turn / np.linalg.norm((d[1:] + d[:-1]) / 2, axis=1)
    if name == "smooth":  # rounder where there is room
        assert bend.max() < 1 / 0.0095
    else:  # a little rounder where the wall itself bends
        assert 1 / bend.max() == pytest.approx(0.01, rel=0.04), name


@pytest.mark.parametrize("shape", [Round(0.05), Elliptic(0.2, 0.12), RoundedRectangle(0.2, 0.12, 0.03)])
def test_outline_areas(shape: Round | Elliptic | RoundedRectangle) -> None:
    theta = np.linspace(0, 2 * math.pi, 20001)
    area = np.trapezoid(polar_radius(shape, theta) ** 2, theta) / 2
    assert area == pytest.approx(outline_area(shape), rel=1e-6)


def test_mouth_has_its_outline() -> None:
    guide = Waveguide(Dome("t", 0.0125, 0.004), 0.0125, 0.2, 0.04, RoundedRectangle(0.16, 0.1, 0.03), 0.01)
    mesh = build_surface(Cabinet(0.25, 0.25, 0.2, 0.02, (guide,)), FINE)
    hole = 0.21 * 0.21 - mesh.area[np.abs(mesh.centroid[:, 0]) < 1e-12].sum()
    assert hole == pytest.approx(outline_area(guide.mouth), rel=1e-4)
