"""A body beside a rigid plane is the body and its image together; one that stands on it is half of a mirrored body."""

import numpy as np
import pytest

from evenfield.base import Air, DataError, DesignError, MeshError
from evenfield.data import SurfaceMesh, sphere_directions
from evenfield.exact.sphere_mesh import capped_sphere
from evenfield.radiation import RigidPlane, SurfaceProblem, SurfaceSolver, solve_surface

FREQUENCY = 3.5 * Air().speed_of_sound / (2 * np.pi)
DIRECTIONS = sphere_directions(15.0)
LENGTH = 0.35


def egg(edge=LENGTH):
    """A lopsided egg with two moving parts, symmetric about y = 0 only."""
    sphere = capped_sphere(1.0, np.radians(50), edge)
    x, y, z = sphere.vertices.T
    vertices = np.stack([1.3 * x, y * (1 - 0.15 * z), 0.8 * z + 0.2 * x**2], axis=1)
    return SurfaceMesh(vertices, sphere.triangles, np.where(sphere.of_part(1), 1, np.where(sphere.centroid[:, 2] > 0.7, 2, 0)))


def with_image(mesh, axis, position):
    """The body and its image as one mesh of two bodies."""
    image = mesh.vertices.copy()
    image[:, axis] = 2 * position - image[:, axis]
    turned = mesh.triangles[:, ::-1] + len(image)
    return SurfaceMesh(
        np.concatenate([mesh.vertices, image]), np.concatenate([mesh.triangles, turned]), np.concatenate([mesh.part, mesh.part])
    )


@pytest.mark.parametrize(("axis", "position", "mirror"), [("z", -1.1, "y"), ("x", -1.5, "y"), ("x", 1.7, "y"), ("y", 1.4, ())])
def test_is_the_body_and_its_image(axis, position, mirror):
    plane, number = RigidPlane(axis, position), "xyz".index(axis)
    # a coupling that does not follow the volume, which is twice as large for two bodies; what is left is a pair of triangles
    # at the limit of nearness, which rounding counts in one body and not in its image
    solver = SurfaceSolver("double", tolerance=1e-9, coupling_length=10.0)
    one = solve_surface(egg(), FREQUENCY, mirror=mirror, plane=plane, solver=solver)
    two = solve_surface(with_image(egg(), number, position), FREQUENCY, mirror=mirror, solver=solver)
    assert one.far_field(DIRECTIONS) == pytest.approx(two.far_field(DIRECTIONS), rel=1e-4, abs=0.03)
    assert one.radiation_impedance == pytest.approx(two.radiation_impedance / 2, rel=1e-4, abs=0.03)
    assert one.surface_pressure == pytest.approx(two.surface_pressure[:, : len(egg().vertices)], rel=1e-4, abs=0.03)
    points = np.array([[2.0, 0.5, 0.3], [0.2, -1.2, 0.4], [-1.5, 0.0, 0.0]])
    clip = np.minimum if position > 0 else np.maximum
    points[:, number] = clip(points[:, number], position)
    assert one.pressure_at(points) == pytest.approx(two.pressure_at(points), rel=1e-4, abs=0.03)


def test_under_both_mirror_planes_a_wall_behind():
    sphere = capped_sphere(1.0, np.radians(50), LENGTH)
    one = solve_surface(sphere, FREQUENCY, mirror=("y", "z"), plane=RigidPlane("x", -1.3))
    two = solve_surface(with_image(sphere, 0, -1.3), FREQUENCY, mirror=("y", "z"))
    assert one.far_field(DIRECTIONS) == pytest.approx(two.far_field(DIRECTIONS), rel=2e-3, abs=0.3)


def half_ball(edge=LENGTH):
    """A hemisphere z >= 0 with a flat floor, and the whole ball: parts 1 at +x, symmetric about z = 0."""
    ball = capped_sphere(1.0, np.radians(50), edge)
    upper = np.all(ball.vertices[ball.triangles][:, :, 2] > -1e-9, axis=1)
    shell = ball.triangles[upper]
    start, end = shell.ravel(), np.roll(shell, -1, axis=1).ravel()
    free = ~np.isin(start * len(ball.vertices) + end, end * len(ball.vertices) + start)
    floor = np.stack([end[free], start[free], np.full(free.sum(), len(ball.vertices))], axis=1)
    part = np.concatenate([ball.part[upper], np.zeros(len(floor), int)])
    return SurfaceMesh(np.vstack([ball.vertices, [0, 0, 0]]), np.concatenate([shell, floor]), part), ball


def test_standing_on_a_floor_is_half_of_a_mirrored_body():
    half, ball = half_ball()
    one = solve_surface(half, FREQUENCY, mirror="y", plane=RigidPlane("z", 0.0))
    two = solve_surface(ball, FREQUENCY, mirror=("y", "z"))
    assert one.far_field(DIRECTIONS) == pytest.approx(two.far_field(DIRECTIONS), rel=1e-3)
    assert one.radiation_impedance == pytest.approx(two.radiation_impedance / 2, rel=1e-3)
    assert one.statistics.triangles == two.statistics.triangles
    assert np.all(np.isnan(one.surface_pressure[0, -1])) and np.isfinite(one.surface_pressure[0, half.triangles[0]]).all()


def test_power_through_the_half_space():
    found = solve_surface(egg(), FREQUENCY, mirror="y", plane=RigidPlane("z", -1.2))
    sphere = sphere_directions(5.0)
    # both half-spaces carry the same, one of them is air
    power = np.einsum("kdf,d->kf", np.abs(found.far_field(sphere)) ** 2, sphere.weights) / Air().impedance / 2
    assert power == pytest.approx(np.einsum("kkf->kf", found.radiation_impedance).real, rel=0.01)


def test_a_near_wall_doubles_the_pressure_of_a_small_low_source():
    # far below any resonance a body at a wall is a source of twice the volume velocity: 6.02 dB (method of images)
    free, beside = (
        solve_surface(capped_sphere(0.05, 0.6, 0.02), 20.0, plane=p).far_field([[1.0, 0, 0]])
        for p in (None, RigidPlane("z", -0.06))
    )
    assert 20 * np.log10(abs(beside / free))[0, 0, 0] == pytest.approx(6.02, abs=0.02)


@pytest.mark.parametrize(("gap", "edge"), [(0.1, 0.35), (0.05, 0.2)])
def test_a_gap_of_a_quarter_edge_still_holds(gap, edge):
    low = egg(edge).vertices[:, 2].min() - gap
    fine = low - 1e-12
    coarse = solve_surface(egg(edge), FREQUENCY / 4, plane=RigidPlane("z", low)).far_field(DIRECTIONS)
    reference = SurfaceSolver("double", near_distance=3.0, near_degree=5, touching_order=5, tolerance=1e-7)
    truth = solve_surface(egg(edge), FREQUENCY / 4, plane=RigidPlane("z", fine), solver=reference).far_field(DIRECTIONS)
    assert 20 * np.abs(np.log10(np.abs(coarse / truth))).max() < 0.1


def test_gradient_with_the_images_share():
    exact = SurfaceSolver("double", near_distance=2.5, near_degree=4, touching_order=3, tolerance=1e-12)
    body, plane = egg(0.6), RigidPlane("z", -1.0)
    u = np.array([[1.0, 0, 0], [0.6, 0, 0.8], [0, 0.8, 0.6]])
    frequency = 4.5 / body.volume ** (1 / 3) * Air().speed_of_sound / (2 * np.pi)
    near = None

    def solve(vertices):
        nonlocal near
        problem = SurfaceProblem(
            SurfaceMesh(vertices, body.triangles, body.part), "axial", (1, 0, 1), mirror="y", plane=plane, solver=exact
        )
        near = problem.system.near = near or problem.system.near
        return problem.solve(frequency)

    def value(found):
        return float((np.abs(found.far_field(u)) ** 2).sum() + found.radiation_impedance[0, 1].real)

    bar = np.zeros((2, 2))
    bar[0, 1] = 1
    base = solve(body.vertices)
    gradient = base.gradient(u, 2 * base.far_field(u), bar)
    x, y, z = body.vertices.T
    step = np.stack([np.cos(2 * z), y * x, np.sin(3 * x) + z], axis=1)
    h = 1e-4
    central = (value(solve(body.vertices + h * step)) - value(solve(body.vertices - h * step))) / (2 * h)
    assert float((gradient * step).sum()) == pytest.approx(central, rel=1e-5)


def test_what_is_refused():
    body = egg()
    with pytest.raises(MeshError, match="one side of the rigid plane"):
        solve_surface(body, 50.0, plane=RigidPlane("z", 0.0))
    with pytest.raises(DataError, match="not across y"):
        solve_surface(body, 50.0, mirror="y", plane=RigidPlane("y", 2.0))
    with pytest.raises(MeshError, match="quarter of an edge"):
        solve_surface(body, 50.0, plane=RigidPlane("z", body.vertices[:, 2].min() - 0.01))
    with pytest.raises(DataError, match="body's side"):
        solve_surface(body, 50.0, plane=RigidPlane("z", -2.0)).pressure_at([[0.0, 0, -3]])
    with pytest.raises(DesignError, match="plane"):
        RigidPlane("w", 0.0)
    half, _ = half_ball()
    moving = SurfaceMesh(
        half.vertices, half.triangles, np.where(np.arange(len(half.triangles)) > len(half.triangles) - 5, 1, half.part)
    )
    with pytest.raises(MeshError, match="still where it touches"):
        solve_surface(moving, 50.0, plane=RigidPlane("z", 0.0))
