"""The surface solver against the series of a moving cap on a rigid sphere (Morse & Ingard, section 7.2)."""

import numpy as np
import pytest

from evenfield.base import Air
from evenfield.data import SurfaceMesh
from evenfield.exact import sphere
from evenfield.exact.sphere_mesh import capped_sphere
from evenfield.radiation import SurfaceSolver, solve_surface

ANGLES = np.radians(np.arange(0, 181, 5))
# round a meridian that lies on no mirror plane
TURN = 0.3
DIRECTIONS = np.stack([np.cos(ANGLES), np.sin(ANGLES) * np.cos(TURN), np.sin(ANGLES) * np.sin(TURN)], axis=1)
MOTIONS = ("radial", "axial")


def frequency(ka):
    return ka * Air().speed_of_sound / (2 * np.pi)


def cap_mesh(ka, half_angle):
    """Six elements per wavelength, no edge over 0.2 of the radius, at least four across the cap."""
    edge = min(2 * np.pi / ka / 6, 0.2, 2 * half_angle / 4)
    mesh = capped_sphere(1.0, half_angle, edge)
    assert mesh.longest_edge.max() <= edge
    assert mesh.volume == pytest.approx(4 * np.pi / 3, rel=1e-12)
    return mesh


def cap_velocities(mesh, half_angle):
    """(2, T) radial and axial motion, scaled to the exact volume velocities."""
    cap, along = mesh.of_part(1), mesh.normal[:, 0]
    radial = cap * 2 * np.pi * (1 - np.cos(half_angle)) / mesh.area[cap].sum()
    axial = cap * along * np.pi * np.sin(half_angle) ** 2 / (mesh.area * along)[cap].sum()
    return np.stack([radial, axial])


# 3.1416, 4.4934, 7.7253: interior resonances of the first two orders, where an integral equation without Burton-Miller fails
@pytest.mark.parametrize(
    ("ka", "half_angle_deg"), [(0.05, 30), (np.pi, 30), (4.493409, 60), (7.725252, 30), (10.0, 60), (20.0, 30)]
)
def test_cap(ka, half_angle_deg):
    alpha = np.radians(half_angle_deg)
    mesh = cap_mesh(ka, alpha)
    found = solve_surface(mesh, frequency(ka), velocity=cap_velocities(mesh, alpha)[:, :, None], mirror=("y", "z"))
    field = found.far_field(DIRECTIONS)[:, :, 0]
    for pattern, motion in enumerate(MOTIONS):
        truth = sphere.cap_far_field(1.0, alpha, frequency(ka), ANGLES, motion)[:, 0]
        kept = np.abs(truth) > np.abs(truth).max() / 10
        error = np.abs(20 * np.log10(np.abs(field[pattern] / truth)))[kept]
        assert error.max() <= 0.05
        front = error[DIRECTIONS[kept, 0] >= 0].max()
        assert front <= 1.5 * found.error_db[0]
        # the statement must stay of use: it covers bodies of any shape, and caps are kind ones
        assert found.error_db[0] <= 0.15
        assert np.abs(np.angle(field[pattern] / truth))[kept].max() <= 0.02
        impedance = sphere.cap_impedance(1.0, alpha, frequency(ka), motion)[0]
        assert found.radiation_impedance[pattern, pattern, 0] == pytest.approx(impedance, rel=0.015)
    assert found.statistics.iterations.max() <= 12


@pytest.mark.parametrize("ka", [1.0, 3.0])
def test_point_source(ka):
    # a cap of 2 degrees is a point source at these frequencies within 0.02 dB; it has a much finer mesh than the rest
    alpha = np.radians(2)
    mesh = capped_sphere(1.0, alpha, 0.1)
    found = solve_surface(mesh, frequency(ka), mirror=("y", "z"))
    field = found.far_field(DIRECTIONS)[0, :, 0] / mesh.area[mesh.of_part(1)].sum()
    alone = 1j * 2 * np.pi * frequency(ka) * Air().density / (4 * np.pi)
    truth = sphere.point_source_far_field(ka, ANGLES) * alone
    assert np.abs(20 * np.log10(np.abs(field / truth))).max() < 0.06


def test_reference_accuracy():
    # double precision, finer rules: only the mesh's own error is left, and both solvers share that
    alpha = np.radians(60)
    mesh = capped_sphere(1.0, alpha, 0.27)
    engineering, reference = (
        solve_surface(mesh, frequency(2.0), mirror=("y", "z"), accuracy=a) for a in ("engineering", "reference")
    )
    ratio = engineering.far_field(DIRECTIONS) / reference.far_field(DIRECTIONS)
    assert np.abs(20 * np.log10(np.abs(ratio))).max() < 0.02
    assert reference.statistics.bytes > 1.9 * engineering.statistics.bytes


@pytest.mark.parametrize("shape", ["sphere", "octahedron"])
def test_coupling_does_not_matter(shape):
    # the solution is that of the exterior problem whatever the coupling, though every term but one carries it;
    # on the octahedron the front half moves, up to sharp edges with the rigid half
    mesh = capped_sphere(1.0, np.radians(90), 0.2)
    if shape == "octahedron":
        vertices = mesh.vertices / np.abs(mesh.vertices).sum(axis=1, keepdims=True)
        mesh = SurfaceMesh(vertices, mesh.triangles, mesh.part)
    velocity = np.stack([mesh.of_part(1), np.ones(len(mesh.triangles)), mesh.normal[:, 0]])[:, :, None]
    wavenumber_size = 5.0 / mesh.volume ** (1 / 3)
    one, other = (
        solve_surface(
            mesh, frequency(wavenumber_size), velocity=velocity, mirror=("y", "z"), solver=SurfaceSolver(coupling_length=c)
        ).far_field(DIRECTIONS)[..., 0]
        for c in (0.05, 0.2)
    )
    difference = np.abs(one - other).max(axis=1) / np.abs(one).max(axis=1)
    assert np.all(difference < {"sphere": 1e-3, "octahedron": 3.5e-3}[shape])
