"""Waveguide walls against closed forms: equations, curvature at the joins, volumes, areas, angles per plane."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from evenfield.shape import (
    PROFILES,
    Cabinet,
    Dome,
    EdgeLengths,
    Elliptic,
    Outline,
    Ring,
    Round,
    RoundedRectangle,
    Superelliptic,
    Throat,
    Waveguide,
    build_surface,
    surface_facts,
)
from evenfield.shape.free import Free
from evenfield.shape.outlines import outline_area, polar_radius, support
from evenfield.shape.rim import rim_width
from evenfield.shape.strips import hollow, strips_of
from evenfield.shape.walls import rim, wall, wall_angles

Array = NDArray[np.float64]
THROAT, DEPTH, MOUTH, ROUNDING = 0.0125, 0.30, 0.12, 0.012  # a horn that every profile can make
MOUTHS = [Round(0.08), Elliptic(0.2, 0.14), Superelliptic(0.2, 0.14, 3.5), RoundedRectangle(0.2, 0.14, 0.05)]
FINE = EdgeLengths(0.01, 0.02, 0.02, 0.005, {})


def line(name: str, count: int) -> tuple[Array, Array]:
    x, r = PROFILES[name].wall(np.linspace(0, 1, count), THROAT, 0.1, DEPTH, np.array([MOUTH]), ROUNDING)
    return x[:, 0], r[:, 0]


def bends(x: Array, r: Array) -> Array:
    """Signed curvature through each three neighbours, 1/m (Menger)."""
    a, b = np.column_stack([x, r])[:-2], np.column_stack([x, r])[2:]
    m = np.column_stack([x, r])[1:-1]
    u, v, w = m - a, b - m, b - a
    cross = u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]
    return np.asarray(2 * cross / (np.linalg.norm(u, axis=1) * np.linalg.norm(v, axis=1) * np.linalg.norm(w, axis=1)))


def test_conical() -> None:
    x, r = line("conical", 2001)
    straight = x < -2 * ROUNDING
    assert np.abs(bends(x, r)[straight[1:-1]]).max() < 1e-6


def test_exponential_area_doubles_over_equal_lengths() -> None:
    # r = r0 e^(m x): ln r is a straight line of x, from the throat
    x, r = line("exponential", 2001)
    wall_part = x < -2 * ROUNDING
    m = np.log(r[wall_part][1:] / THROAT) / (x[wall_part][1:] + DEPTH)
    assert np.ptp(m) < 1e-9 * m.mean()
    double = math.log(2) / (2 * m.mean())
    assert np.interp(-DEPTH + 3 * double, x, r) == pytest.approx(math.sqrt(8) * THROAT, rel=1e-5)


def test_tractrix_keeps_its_tangent_length() -> None:
    # r = a sin(angle), and x = a arcosh(a/r) - sqrt(a^2 - r^2) back from the asymptote's foot
    x, r = line("tractrix", 4001)
    slope = np.arctan2(np.diff(r), np.diff(x))
    middle = (r[1:] + r[:-1]) / 2
    part = (x[1:] < -2 * ROUNDING) & (x[1:] > -DEPTH + 1e-3)
    a = (middle / np.sin(slope))[part]
    assert np.ptp(a) < 2e-4 * a.mean()
    back = a.mean() * np.arccosh(a.mean() / r[1:][part]) - np.sqrt(a.mean() ** 2 - r[1:][part] ** 2)
    assert np.ptp(x[1:][part] + back) < 2e-5


@pytest.mark.parametrize("name", sorted(PROFILES))
def test_curvature_is_continuous_into_rounding_and_baffle(name: str) -> None:
    # jumps between neighbouring stations halve with their distance; at a true jump they stay
    jumps, ends = [], []
    for count in (1001, 2001, 4001):
        x, r = line(name, count)
        flat = r[-1] + (r[-1] - r[-2]) * np.arange(1, 6)
        bend = bends(np.concatenate([x, np.zeros(5)]), np.concatenate([r, flat]))
        jumps.append(np.abs(np.diff(bend)).max())
        ends.append(abs(bends(x, r)[-1]))
    assert jumps[1] < 0.6 * jumps[0] and jumps[2] < 0.6 * jumps[1], jumps
    assert ends[2] < 0.6 * ends[1]
    assert bends(*line(name, 2001)).min() > -0.02  # opens throughout


def test_the_measure_sees_a_bare_arc() -> None:
    turn = np.linspace(math.radians(30), math.pi / 2, 2001)
    x, r = -ROUNDING * (1 - np.sin(turn)), MOUTH - ROUNDING * np.cos(turn)
    bend = bends(np.concatenate([x, np.zeros(5)]), np.concatenate([r, MOUTH + 1e-5 * np.arange(1, 6)]))
    assert np.abs(np.diff(bend)).max() > 0.4 / ROUNDING


@pytest.mark.parametrize("proud", [0.002, 0.008])
def test_a_proud_rim_is_smooth_and_as_round_as_stated(proud: float) -> None:
    guide = Waveguide(Throat("t", 0.0125), 0.0125, 0.1, 0.06, Round(0.1), 0.01, "free", proud=proud, proud_radius=0.006)
    jumps = []
    for count in (1001, 2001):
        x, r = rim(guide, np.linspace(0, 1, count), np.zeros(1))
        bend = bends(x[::-1, 0], r[::-1, 0])
        jumps.append(np.abs(np.diff(bend)).max())
    assert jumps[1] < 0.6 * jumps[0]
    assert abs(bend[0]) < 2.0 and abs(bend[-1]) < 2.0  # flat at mouth and baffle
    assert 1 / np.abs(bend).max() > 0.006 * 0.999  # no sharper than asked; slopes only make it rounder
    x, r = wall(guide, np.array([0.0, 1.0]), np.zeros(1))
    assert np.allclose(x[:, 0], [-0.06, proud]) and np.allclose(r[:, 0], [0.0125, 0.1])


def test_oblate_spheroid_volume_and_area() -> None:
    # hyperboloid r^2 = r0^2 + q x^2 of length L: V = pi (r0^2 L + q L^3/3), A = 2 pi int sqrt(r0^2 + q (1 + q) x^2)
    guide = Waveguide(Throat("t", 0.02), 0.02, 0.0, 0.06, Round(0.07), 0.0008, "oblate_spheroidal")
    x, r = wall(guide, np.array([0.9]), np.zeros(1))
    length = float(x[0, 0]) + 0.06
    q = (float(r[0, 0]) ** 2 - 0.02**2) / length**2
    volume = math.pi * (0.02**2 * 0.06 + q * 0.06**3 / 3)
    assert hollow(strips_of(guide)) == pytest.approx(volume, rel=2e-3)  # the rounding of 0.8 mm adds
    mesh = build_surface(Cabinet(0.2, 0.2, 0.2, 0.0, (guide,)), FINE)
    assert 0.008 - mesh.volume == pytest.approx(volume, rel=5e-3)
    b = math.sqrt(q * (1 + q))
    end = 0.06 - 0.0008
    area = math.pi * (end * math.hypot(0.02, b * end) + 0.02**2 / b * math.asinh(b * end / 0.02))
    own = (mesh.centroid[:, 0] < -0.0008) & (np.hypot(mesh.centroid[:, 1], mesh.centroid[:, 2]) < 0.075)
    own &= (mesh.part == "rigid") & (mesh.centroid[:, 0] > -0.1)
    assert mesh.area[own].sum() == pytest.approx(area, rel=0.02)


def test_cone_area_of_the_grid() -> None:
    guide = Waveguide(Throat("t", 0.02), 0.02, 0.0, 0.06, Round(0.07), 0.0008, "conical")
    mesh = build_surface(Cabinet(0.2, 0.2, 0.2, 0.0, (guide,)), FINE)
    own = (mesh.part == "rigid") & (np.hypot(mesh.centroid[:, 1], mesh.centroid[:, 2]) < 0.0701)
    own &= (mesh.centroid[:, 0] > -0.1) & (mesh.centroid[:, 0] < -1e-9)
    assert mesh.area[own].sum() == pytest.approx(math.pi * (0.07 + 0.02) * math.hypot(0.05, 0.06), rel=0.01)


def test_superellipse() -> None:
    square = Superelliptic(0.2, 0.12, 2.0)
    theta = np.linspace(0, 2 * math.pi, 7201)
    assert np.allclose(polar_radius(square, theta), polar_radius(Elliptic(0.2, 0.12), theta))
    full = Superelliptic(0.2, 0.12, 4.0)
    assert outline_area(full) == pytest.approx(np.trapezoid(polar_radius(full, theta) ** 2 / 2, theta), rel=1e-6)
    r = polar_radius(full, theta)
    points = np.column_stack([r * np.cos(theta), r * np.sin(theta)])
    for turn in (0.0, 0.4, 1.2, math.pi / 2):
        reach = (points @ [math.cos(turn), math.sin(turn)]).max()
        assert support(full, np.array(turn)) == pytest.approx(reach, rel=1e-5)
    assert outline_area(Superelliptic(0.2, 0.12, 10.0)) < 0.2 * 0.12


@pytest.mark.parametrize("mouth", MOUTHS)
@pytest.mark.parametrize("name", ["free", "oblate_spheroidal", "smooth", "conical", "exponential"])
def test_round_throat_to_any_mouth_by_a_transition(name: str, mouth: Outline) -> None:
    guide = Waveguide(Throat("t", 0.0125), 0.0125, 0.1, 0.06, mouth, 0.01, name, transition=(0.3, 0.9))
    theta = np.linspace(0, math.pi / 2, 31)
    x, r = wall(guide, np.linspace(0, 1, 201), theta)
    assert np.ptp(r[:61], axis=1).max() < 1e-12  # round up to 30 %
    own = Waveguide(Throat("t", 0.0125), 0.0125, 0.1, 0.06, mouth, 0.01, name)
    natural = wall(own, np.linspace(0, 1, 201), theta)
    assert np.allclose(x[180:], natural[0][180:], atol=1e-12) and np.allclose(r[180:], natural[1][180:], atol=1e-12)
    assert np.allclose(r[-1], polar_radius(mouth, theta), atol=1e-12)
    Cabinet(0.3, 0.3, 0.2, 0.02, (guide,))
    jumps = []
    for count in (1001, 2001):
        fine = wall(guide, np.linspace(0, 1, count), theta[::6])
        jumps.append(max(np.abs(np.diff(bends(fine[0][:, k], fine[1][:, k]))).max() for k in range(6)))
    assert jumps[1] < 0.65 * jumps[0]


def test_angles_stated_per_plane_are_met() -> None:
    # mouths that the angles lead to exactly, in each plane
    stations, entry, rounding, depth = (0.3, 0.7, 1.0), 0.3, 0.01, 0.05
    planes = {0.0: (38.0, 50.0, 57.0), math.pi / 2: (30.0, 40.0, 48.0), math.pi / 4: (34.0, 44.0, 50.0)}
    for theta, degrees in planes.items():
        angles = np.radians(degrees)[:, None]
        low, high = 0.03, 0.3
        for _ in range(60):  # the mouth at which nothing is multiplied
            mouth = (low + high) / 2
            odds = Free(stations).turning(0.0125, entry, depth, np.array([mouth]), rounding, angles).odds[0]
            low, high = (mouth, high) if odds < 1 else (low, mouth)
        guide = Waveguide(
            Throat("t", 0.0125), 0.0125, entry, depth, Round(mouth), rounding, "free", stations=stations,
            angles=tuple(np.radians(planes[0.0])), angles_vertical=tuple(np.radians(planes[math.pi / 2])),
            angles_diagonal=tuple(np.radians(planes[math.pi / 4])),
        )  # fmt: skip
        turning = Free(stations).turning(0.0125, entry, depth, np.array([mouth]), rounding, angles)
        share = turning.spacing.cumsum(axis=0)[:-1, 0] / turning.spacing.sum()
        for turned in (theta, -theta, math.pi - theta):
            found = np.degrees(wall_angles(guide, share, np.array([turned])))[:, 0]
            assert np.allclose(found, degrees, atol=0.02)
        assert np.degrees(wall_angles(guide, np.zeros(1), np.array([theta])))[0, 0] == pytest.approx(math.degrees(entry), abs=0.1)


def test_equal_angles_in_all_planes_make_a_round_wall() -> None:
    angles = (0.6, 0.8, 1.0)
    guide = Waveguide(
        Throat("t", 0.0125),
        0.0125,
        0.3,
        0.05,
        Round(0.09),
        0.01,
        "free",
        angles=angles,
        angles_vertical=angles,
        angles_diagonal=angles,
    )
    x, r = wall(guide, np.linspace(0, 1, 21), np.linspace(-math.pi, math.pi, 37))
    assert np.ptp(r, axis=1).max() < 1e-12 and np.ptp(x, axis=1).max() < 1e-12


def test_more_odds_open_the_wall_and_keep_its_order() -> None:
    angles = np.repeat(np.radians([[35.0], [45.0], [60.0]]), 5, axis=1)
    mouth = np.array([0.06, 0.07, 0.09, 0.12, 0.15])
    turning = Free().turning(0.0125, 0.2, 0.05, mouth, 0.01, angles)
    assert np.all(np.diff(turning.odds) > 0)
    assert np.all(np.diff(turning.angle, axis=0) > 0) and np.all(turning.slope >= 0)


def test_gap_and_short_cylinder_volumes() -> None:
    plain = Waveguide(Dome("t", 0.0125, 0.004), 0.0145, 0.3, 0.03, Round(0.06), 0.006)
    gapped = Waveguide(
        Dome("t", 0.0125, 0.004), 0.0145, 0.3, 0.03, Round(0.06), 0.006, gap_width=0.001, gap_depth=0.003, source_depth=0.002
    )
    more = math.pi * ((0.0135**2 - 0.0125**2) * 0.003 + 0.0145**2 * 0.002)
    assert hollow(strips_of(gapped)) - hollow(strips_of(plain)) == pytest.approx(more, rel=1e-6)
    cabinet = Cabinet(0.2, 0.2, 0.2, 0.01, (gapped,))
    mesh = build_surface(cabinet, EdgeLengths(0.012, 0.02, 0.02, 0.006, {}))  # checks itself against the volume
    assert mesh.centroid[:, 0][np.hypot(*mesh.centroid[:, 1:].T) < 0.014].min() < -0.0345  # the gap's floor
    assert surface_facts(cabinet).parts["t"].area == pytest.approx(math.pi * 0.0125**2)


def test_ring_radiator() -> None:
    # Pappus: a parabola of height h over the width w sweeps 2/3 h w times 2 pi of its mean radius; plug: half its cylinder
    ring = Ring("t", 0.015, 0.006, 0.002, 0.008)
    volume = 2 / 3 * 0.002 * 0.009 * 2 * math.pi * 0.0105 + math.pi * 0.006**2 * 0.008 / 2
    assert hollow(strips_of(ring)) == pytest.approx(-volume, rel=1e-4)
    guide = Waveguide(ring, 0.0155, 0.3, 0.03, Round(0.06), 0.006, "exponential")
    mesh = build_surface(Cabinet(0.2, 0.2, 0.2, 0.01, (guide,)), EdgeLengths(0.012, 0.02, 0.02, 0.006, {}))
    moving = mesh.cross[mesh.of_part("t")].sum(axis=0) / 2
    assert np.allclose(moving, [math.pi * (0.015**2 - 0.006**2), 0, 0], atol=1e-8)


def test_a_proud_mouth_adds_to_the_body() -> None:
    guide = Waveguide(
        Dome("t", 0.0125, 0.004), 0.0145, 0.3, 0.03, Superelliptic(0.13, 0.1, 3.0), 0.006, "free", proud=0.006, proud_radius=0.01
    )
    mesh = build_surface(Cabinet(0.25, 0.2, 0.2, 0.01, (guide,)), EdgeLengths(0.012, 0.02, 0.02, 0.006, {}))
    assert mesh.vertices[:, 0].max() == pytest.approx(0.006, abs=1e-9)
    foot = mesh.vertices[np.abs(mesh.vertices[:, 0]) < 1e-9]
    nearest = np.abs(foot[:, 2][np.abs(foot[:, 1]) < 1e-9])
    assert nearest.min() == pytest.approx(0.05 + rim_width(guide), rel=2e-3)
