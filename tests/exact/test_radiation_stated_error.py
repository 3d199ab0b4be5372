"""The stated error against the truth: caps on a rigid sphere (series of `exact.sphere`), several ka and meshes, and bodies that
had no part in finding the rule: ellipsoids, round-edged cylinders and a cabinet with a waveguide, against much finer meshes."""

from dataclasses import replace

import numpy as np
import pytest

from evenfield.base import Air, MeshError
from evenfield.data import SurfaceMesh
from evenfield.data.facets import balanced
from evenfield.exact import sphere
from evenfield.exact.flared_body import Flared
from evenfield.exact.sphere_mesh import capped_sphere
from evenfield.radiation import SurfaceProblem, solve_meridian, solve_surface
from evenfield.radiation.surface_checks import FEWEST_PER_WAVELENGTH

ANGLES = np.radians(np.arange(0, 91, 5))
DIRECTIONS = np.stack([np.cos(ANGLES), np.sin(ANGLES) * np.cos(0.3), np.sin(ANGLES) * np.sin(0.3)], axis=1)


def frequency(ka):
    return ka * Air().speed_of_sound / (2 * np.pi)


def elements_alone(problem):
    """Without what it states for flat facets on curved walls."""
    problem.facets = 0 * problem.facets
    return problem


def true_over_stated(half_angle_deg, edge):
    alpha = np.radians(half_angle_deg)
    mesh = capped_sphere(1.0, alpha, min(edge, 2 * alpha / 3))
    problem = elements_alone(SurfaceProblem(mesh, mirror=("y", "z")))
    scale = 2 * np.pi * (1 - np.cos(alpha)) / mesh.area[mesh.of_part(1)].sum()
    ratios = []
    for ka in (0.3, 1.0, 2.0, 4.0, 6.0, 8.0, 10.0, 14.0):
        if 2 * np.pi / ka < FEWEST_PER_WAVELENGTH * problem.edges[1]:
            break
        found = problem.solve(frequency(ka))
        truth = sphere.cap_far_field(1.0, alpha, frequency(ka), ANGLES)[:, 0]
        kept = np.abs(truth) > np.abs(truth).max() / 10
        error = np.abs(20 * np.log10(np.abs(found.far_field(DIRECTIONS)[0] * scale / truth)))[kept].max()
        ratios.append(error / found.error_db)
    return ratios


def test_true_errors_are_at_most_half_more_than_stated():
    ratios = [r for angle in (20, 30, 60, 90) for edge in (0.35, 0.2) for r in true_over_stated(angle, edge)]
    assert len(ratios) > 45
    assert np.mean(np.array(ratios) <= 1.5) >= 0.95
    # and it is no blanket: some are near what is stated
    assert max(ratios) > 0.8


def level_error(found, truth):
    kept = np.abs(truth) > np.abs(truth).max() / 10
    return np.abs(20 * np.log10(np.abs(found / truth)))[kept].max()


def halved(mesh):
    """The same body, every triangle cut in four."""
    t = mesh.triangles
    edges = np.sort(np.concatenate([t[:, [0, 1]], t[:, [1, 2]], t[:, [2, 0]]]), axis=1)
    ends, place = np.unique(edges, axis=0, return_inverse=True)
    ab, bc, ca = place.reshape(3, -1) + len(mesh.vertices)
    a, b, c = t.T
    cells = [np.stack(corners, axis=1) for corners in ((a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca))]
    return SurfaceMesh(
        np.concatenate([mesh.vertices, mesh.vertices[ends].mean(axis=1)]), np.concatenate(cells), np.tile(mesh.part, 4)
    )


def ellipsoid(edge, axes=(1.0, 0.7, 1.4), half_angle_deg=35):
    sphere_mesh = capped_sphere(1.0, np.radians(half_angle_deg), edge)
    return SurfaceMesh(sphere_mesh.vertices * axes, sphere_mesh.triangles, sphere_mesh.part)


def cylinder(edge, piston, length=1.6, radius=0.6, rounding=0.08):
    """A cylinder along x with round edges and a piston on its front, a sphere's rings laid along its meridian."""
    flat, corner, side = radius - rounding, np.pi / 2 * rounding, length - 2 * rounding
    along = np.cumsum([flat, corner, side, corner, flat])
    turn = np.linspace(0, np.pi / 2, 33)
    s = np.concatenate([[0], flat + turn * rounding, along[2] + turn * rounding, [along[4]]])
    x = np.concatenate(
        [[length / 2], length / 2 - rounding * (1 - np.cos(turn)), -length / 2 + rounding * (1 - np.sin(turn)), [-length / 2]]
    )
    r = np.concatenate([[0], flat + rounding * np.sin(turn), flat + rounding * np.cos(turn), [0]])
    mesh = capped_sphere(along[4] / np.pi, piston / along[4] * np.pi, edge)
    out = np.hypot(mesh.vertices[:, 1], mesh.vertices[:, 2])
    place = np.arctan2(out, mesh.vertices[:, 0]) / np.pi * along[4]
    scale = np.interp(place, s, r) / np.where(out > 1e-9, out, np.inf)
    return SurfaceMesh(
        np.column_stack([np.interp(place, s, x), mesh.vertices[:, 1:] * scale[:, None]]), mesh.triangles, mesh.part
    )


UNSEEN = {
    "ellipsoid, coarse": lambda: ellipsoid(0.3),
    "ellipsoid, small cap": lambda: ellipsoid(0.3, (0.6, 1.2, 1.0), 15),
    "cylinder": lambda: cylinder(0.25, 0.35),
    "cylinder, small piston": lambda: cylinder(0.2, 0.12),
}


def test_bodies_that_were_not_used_to_find_the_rule():
    # the mesh's own flat facets are the body, so that the truth is the same body cut into sixteen times as many triangles
    ratios = {}
    for name, body in UNSEEN.items():
        mesh = body()
        coarse, fine = (SurfaceProblem(m, "axial", mirror=("y", "z")) for m in (mesh, halved(halved(mesh))))
        for ka in (0.3, 1.0, 2.0, 4.0, 6.0, 8.0):
            found = coarse.solve(frequency(ka))
            truth = fine.solve(frequency(ka)).far_field(DIRECTIONS)[0]
            ratios[name, ka] = level_error(found.far_field(DIRECTIONS)[0], truth) / found.error_db
    assert np.mean(np.array(list(ratios.values())) <= 1.5) >= 0.95, ratios


@pytest.mark.parametrize("frequency_hz", [2000.0, 5000.0])
def test_a_cabinet_with_a_waveguide(frequency_hz):
    # what its rounded edges and waveguide lose by being meshed coarsely counts here: the truth has edges half as long
    from evenfield.shape import Cabinet, Cone, Dome, RoundedRectangle, Waveguide, build_surface, edge_lengths_for

    guide = Waveguide(Dome("high", 0.0125, 0.005), 0.014, 0.6, 0.025, RoundedRectangle(0.12, 0.1, 0.04), 0.008, z=0.07)
    cabinet = Cabinet(0.16, 0.28, 0.2, 0.015, (Cone("low", 0.05, 0.012, 0.018, 0.004, z=-0.06), guide))
    fields = []
    for per_wavelength in (8.0, 16.0):
        mesh = build_surface(
            cabinet,
            edge_lengths_for(cabinet, frequency_hz, 343.2, per_wavelength=per_wavelength, across_radius=per_wavelength / 2),
        )
        fields.append(solve_surface(mesh, frequency_hz, "axial"))
    coarse, fine = fields
    for i, part in enumerate(coarse.parts):
        error = level_error(coarse.far_field(DIRECTIONS)[i, :, 0], fine.far_field(DIRECTIONS)[fine.parts.index(part), :, 0])
        assert error <= 1.5 * coarse.part_error_db[i, 0], part


def two_parts():
    """A sphere with a cap that moves in front and one behind."""
    mesh = capped_sphere(0.1, np.radians(60), 0.02)
    part = np.where(mesh.of_part(1), 1, np.where(mesh.centroid[:, 0] < -0.07, 2, 0))
    return replace(mesh, part=part)


def test_errors_are_the_parts_own():
    # the front part is lit by itself: stretching the triangles of the back spoils the back part's statement almost alone
    mesh = two_parts()
    x = mesh.vertices.copy()
    x[:, 0] = np.where(x[:, 0] < 0, 2 * x[:, 0], x[:, 0])
    before, after = (
        elements_alone(SurfaceProblem(replace(mesh, vertices=v), mirror=("y", "z"))).solve(4500.0).part_error_db
        for v in (mesh.vertices, x)
    )
    assert after[1] > 1.4 * before[1]
    assert after[0] < 1.1 * before[0]


def test_coarse_rigid_walls_count_where_the_sound_is():
    # a small piston's own mesh says nothing of the wall around it
    fine_cap = capped_sphere(1.0, np.radians(20), 0.1)
    coarse = capped_sphere(1.0, np.radians(20), 0.23)
    one, other = (solve_surface(m, frequency(6.0), mirror=("y", "z")).error_db[0] for m in (fine_cap, coarse))
    assert other > 3 * one


def test_reference_refuses_what_it_cannot_hold():
    mesh = two_parts()
    found = solve_surface(mesh, 700.0, mirror=("y", "z"), accuracy="reference")
    assert found.error_db[0] <= 0.05
    with pytest.raises(MeshError, match=r"estimated error of 0\.\d\d dB.*engineering"):
        solve_surface(mesh, 5500.0, mirror=("y", "z"), accuracy="reference")


UNSEEN_FLARED = {
    "small rounding": Flared(0.10, 0.16, 0.012, 0.0125, 0.05, 0.02, (40, 88)),
    "wide rounding, horn": Flared(0.16, 0.30, 0.07, 0.0125, 0.085, 0.10, (15, 85)),
    "tight throat": Flared(0.11, 0.18, 0.02, 0.02, 0.07, 0.015, (80, 88)),
    "hardly a flare": Flared(0.09, 0.30, 0.03, 0.04, 0.045, 0.004, (40, 60)),
}
"""The shares of the facets' term were fitted on the bodies in `exact.flared_body`, not on these."""
TOWARDS = np.stack([np.cos(ANGLES), np.sin(ANGLES) * np.cos(0.3), np.sin(ANGLES) * np.sin(0.3)], axis=1)


def flared_ratios(even):
    """True over stated errors of coarse meshes, corners on the surface or balanced about it; the smooth body is the truth."""
    ratios, frequencies = [], [600.0, 1500.0, 2500.0]
    for body in UNSEEN_FLARED.values():
        truth = solve_meridian(body.meridian(0.002), frequencies).far_field(TOWARDS)[0]
        for edge in (0.012, 0.02):
            mesh = body.surface(edge, on_circles=True)
            problem = SurfaceProblem(balanced(mesh) if even else mesh, mirror=("y", "z"))
            for i, f in enumerate(frequencies):
                if Air().speed_of_sound / f > FEWEST_PER_WAVELENGTH * 2 * edge:
                    found = problem.solve(f)
                    ratios.append(level_error(found.far_field(TOWARDS)[0], truth[:, i]) / found.error_db)
    return np.array(ratios)


@pytest.mark.parametrize("even", [False, True])
def test_flat_facets_on_curved_walls_are_in_the_statement(even):
    ratios = flared_ratios(even)
    assert len(ratios) > 20
    assert np.mean(ratios <= 1.5) >= 0.95, ratios
