"""What a front in a baffle must do: conserve energy, be reciprocal, not care how it is computed; and what is refused."""

import numpy as np
import pytest

from evenfield.base import Air, DataError, MeshError
from evenfield.data import Meridian, SurfaceMesh, sphere_directions
from evenfield.exact.revolved_mesh import joined, revolved_surface
from evenfield.exact.sphere_mesh import capped_sphere
from evenfield.radiation import RigidPlane, solve_flush, solve_meridian, solve_surface, throat_impedance

AIR = Air()
F = np.array([400.0, 1500.0, 3500.0])
SPHERE = sphere_directions(5.0)


def scale_of(values):
    return float(np.nanmax(np.abs(values)))


def front(edge=0.012):
    """A wide cone in the middle, two deep horns beside each other above it, a flat piston below, a proud dome moving on top."""
    cone = revolved_surface([(-0.03, 0.0), (-0.03, 0.03), (0.0, 0.08)], edge, [1, 1])
    horns = [revolved_surface([(-0.05, 0), (-0.05, 0.015), (0, 0.03)], edge, [2, 0], (y, 0.13)) for y in (-0.05, 0.05)]
    flat = revolved_surface([(0.0, 0.0), (0.0, 0.04)], edge, [3], (0.0, -0.14))
    t = np.linspace(0, np.pi / 3, 5)
    dome = revolved_surface(
        [(0.04 * (np.cos(s) - 0.5), 0.04 * np.sin(s)) for s in t[:-1]] + [(0.0, 0.0346)], edge, [4] * 4, (0, 0.21)
    )
    return joined(cone, *horns, flat, dome)


@pytest.fixture(scope="module")
def solved():
    return solve_flush(front(), F, motion="axial", mirror="y")


def test_mirror_plane_changes_nothing(solved):
    whole = solve_flush(front(), F, motion="axial", mirror=())
    scale = np.abs(whole.far_field(SPHERE)).max()
    assert solved.far_field(SPHERE) == pytest.approx(whole.far_field(SPHERE), abs=3e-3 * scale)
    z = whole.radiation_impedance
    assert np.abs(solved.radiation_impedance - z).max() < 5e-3 * np.abs(z).max()
    points = np.array([[0.3, 0.1, 0.2], [-0.02, 0.06, 0.13], [-0.02, -0.06, 0.13], [-0.01, 0.01, 0.02], [0.05, 0.03, -0.1]])
    assert solved.pressure_at(points) == pytest.approx(whole.pressure_at(points), rel=0.02, abs=2.0)
    assert solved.surface_pressure == pytest.approx(whole.surface_pressure, rel=0.02, abs=0.01 * scale_of(whole.surface_pressure))


def test_power_from_impedance_is_that_of_the_far_field(solved):
    # half of what lies in the baffle's plane itself belongs to the front
    share = np.where(np.abs(SPHERE.vectors[:, 0]) < 1e-9, 0.5, 1.0) * SPHERE.weights
    power = np.einsum("kdf,d->kf", np.abs(solved.far_field(SPHERE)) ** 2, share) / AIR.impedance
    assert power == pytest.approx(np.einsum("kkf->kf", solved.radiation_impedance).real, rel=0.02)


def test_impedance_is_symmetric(solved):
    # recesses, flat and proud parts alike, coupled through the half-space
    z = solved.radiation_impedance
    scale = np.sqrt(np.abs(np.einsum("iif->if", z)[:, None] * np.einsum("iif->if", z)[None]))
    assert np.abs(z - z.transpose(1, 0, 2)).max() < 0.02 * np.abs(z).max()
    assert np.all(np.abs(z - z.transpose(1, 0, 2)) < 0.02 * scale)


def test_nothing_behind_and_continuous_in_the_mouth(solved):
    behind = SPHERE.vectors[:, 0] < -1e-9
    assert np.all(solved.far_field(SPHERE)[:, behind] == 0)
    before, within = (solved.pressure_at([[x, 0.0, 0.02]]) for x in (4e-4, -4e-4))
    assert before == pytest.approx(within, rel=0.03, abs=0.01 * scale_of(within))


def test_the_field_far_off_is_the_far_field(solved):
    u = SPHERE.vectors[SPHERE.vectors[:, 0] > 0.1][::97]
    r, k = 200.0, AIR.wavenumber(F)
    near = solved.pressure_at(u * r) * r * np.exp(1j * k * r)
    assert near == pytest.approx(solved.far_field(u), rel=0.02, abs=0.02 * np.abs(near).max())


def test_one_small_flush_piston_has_twice_the_pressure_of_a_free_point():
    # rho omega U/(2 pi) at 1 m, Rayleigh's half-space; far below any directivity
    found = solve_flush(revolved_surface([(0.0, 0.0), (0.0, 0.01)], 0.003, [1]), 50.0)
    exact = AIR.density * 2 * np.pi * 50 * np.pi * 0.01**2 / (2 * np.pi)
    assert abs(found.far_field([[1.0, 0, 0]])[0, 0, 0]) == pytest.approx(exact, rel=1e-3)


def test_standing_on_a_plane_is_standing_proud_of_a_baffle():
    # the same hemisphere by both ways
    t = np.linspace(0, np.pi / 2, 8)
    dome = revolved_surface([(0.05 * np.cos(s), 0.05 * np.sin(s)) for s in t[:-1]] + [(0.0, 0.05)], 0.012, [1, 1, 1, 0, 0, 0, 0])
    rim = np.unique(dome.vertices[dome.vertices[:, 0] == 0], axis=0)
    order = np.argsort(np.arctan2(rim[:, 2], rim[:, 1]))
    fan = [np.array([rim[order[i]], np.zeros(3), rim[order[(i + 1) % len(rim)]]]) for i in range(len(rim))]
    floor = SurfaceMesh(np.concatenate(fan), np.arange(3 * len(fan)).reshape(-1, 3), np.zeros(len(fan), int))
    one = solve_flush(dome, F, mirror="y")
    two = solve_surface(joined(dome, floor), F, mirror="y", plane=RigidPlane("x", 0.0))
    u = SPHERE.vectors[SPHERE.vectors[:, 0] > 0][::31]
    assert one.far_field(u) == pytest.approx(two.far_field(u), rel=1e-3)
    assert one.radiation_impedance == pytest.approx(two.radiation_impedance, rel=1e-3)


def test_the_load_at_a_throat():
    wall, f = [(-0.05, 0.0), (-0.05, 0.015), (0.0, 0.03)], np.array([300.0, 2000.0])
    flush = solve_flush(revolved_surface(wall, 0.005, [1, 0]), f, mirror=("y", "z"))
    slope, throat = np.linspace(1, 0, 21)[:-1, None], np.linspace(1, 0, 11)
    points = np.concatenate([[-0.05, 0.015] + slope * [0.05, 0.015], np.column_stack([np.full(11, -0.05), 0.015 * throat])])
    line = Meridian(points, np.array([0] * 20 + [1] * 10))
    ring = solve_meridian(line, f, baffle=True)
    assert ring.volume_velocity == pytest.approx([np.pi * 0.015**2], rel=1e-9)
    assert throat_impedance(flush) == pytest.approx(throat_impedance(ring, 1), rel=0.01)
    mean = flush.radiation_impedance[0, 0] / (np.pi * 0.015**2)  # pressure at 1 m/s
    assert throat_impedance(flush, 1) == pytest.approx(mean / (np.pi * 0.015**2), rel=1e-3)
    free = solve_surface(capped_sphere(0.1, 0.6, 0.03), 200.0, mirror="y")
    assert throat_impedance(free)[0] == pytest.approx(free.radiation_impedance[0, 0, 0] / free.volume_velocity[0] ** 2)
    with pytest.raises(DataError, match="part"):
        throat_impedance(flush, "horn")


def test_given_velocities_are_a_part_where_they_are_uniform():
    mesh = revolved_surface([(-0.05, 0.0), (-0.05, 0.015), (0.0, 0.03)], 0.006, [1, 0])
    velocity = np.where(mesh.part == 1, 1.0, 0.0)[:, None] * (0.6 + 0.8j)
    given = solve_flush(mesh, 900.0, velocity=velocity, mirror="y").far_field([[1.0, 0, 0]])
    assert given == pytest.approx((0.6 + 0.8j) * solve_flush(mesh, 900.0, mirror="y").far_field([[1.0, 0, 0]]), rel=1e-4)


def box(part):
    """A cube behind x = 0 whose faces are named by `part` (front, rear)."""
    v = np.array([[x, y, z] for x in (-0.1, 0.0) for y in (-0.05, 0.05) for z in (-0.05, 0.05)])
    quads = [
        ((0, 1, 3, 2), part[1]),
        ((4, 6, 7, 5), part[0]),
        ((0, 4, 5, 1), 0),
        ((2, 3, 7, 6), 0),
        ((0, 2, 6, 4), 0),
        ((1, 5, 7, 3), 0),
    ]
    triangles = [t for q, _ in quads for t in ((q[0], q[1], q[2]), (q[0], q[2], q[3]))]
    return SurfaceMesh(v, np.array(triangles), np.array([p for _, p in quads for _ in range(2)]))


def test_the_rest_of_a_cabinet_is_behind_the_baffle():
    found = solve_flush(box((1, 0)), 100.0)
    assert found.statistics.triangles == 2
    assert abs(found.far_field([[1.0, 0, 0]])[0, 0, 0]) == pytest.approx(AIR.density * 100 * 0.01, rel=1e-2)


def test_what_is_refused():
    with pytest.raises(MeshError, match=r"part 2.*Flush in a wall only the front radiates"):
        solve_flush(box((1, 2)), 100.0)
    with pytest.raises(MeshError, match="wholly rigid"):
        solve_flush(box((0, 0)), 100.0)
    moved = box((1, 0))
    with pytest.raises(MeshError, match="triangles that cross it"):
        solve_flush(SurfaceMesh(moved.vertices + np.array([0.02, 0, 0]), moved.triangles, moved.part), 100.0)
    with pytest.raises(MeshError, match="edges of at most"):
        solve_flush(box((1, 0)), 5000.0)
    mesh = revolved_surface([(-0.05, 0.0), (-0.05, 0.015), (0.0, 0.03)], 0.006, [1, 0])
    holed = SurfaceMesh(mesh.vertices, mesh.triangles[1:], mesh.part[1:])
    with pytest.raises(MeshError, match="free edges off it"):
        solve_flush(holed, 100.0)
    turned = mesh.triangles.copy()
    turned[0] = turned[0, ::-1]
    with pytest.raises(MeshError, match="doubly used edges"):
        solve_flush(SurfaceMesh(mesh.vertices, turned, mesh.part), 100.0)
    flat = revolved_surface([(0.0, 0.0), (0.0, 0.03)], 0.01, [1])
    with pytest.raises(MeshError, match="face back"):
        solve_flush(SurfaceMesh(flat.vertices, flat.triangles[:, ::-1], flat.part), 100.0)
    with pytest.raises(DataError, match="in front of the baffle"):
        solve_flush(mesh, 100.0).pressure_at([[-0.2, 0.0, 0.0]])
    with pytest.raises(MeshError, match="estimated error"):
        solve_flush(mesh, 9000.0, accuracy="reference")
