"""What the surface solver refuses, and how it says so; its order of parts; its bookkeeping."""

import numpy as np
import pytest

from evenfield.base import DataError, DesignError, EvenfieldError, MeshError
from evenfield.data import SurfaceMesh
from evenfield.exact.sphere_mesh import capped_sphere
from evenfield.radiation import SurfaceProblem, SurfaceSolver, iterate_surface, solve_surface, surface_checks
from evenfield.radiation.quadrature import interior_rule, touching_rule


@pytest.fixture(scope="module")
def mesh():
    return capped_sphere(0.1, np.radians(50), 0.05)


def named(mesh, names):
    return SurfaceMesh(mesh.vertices, mesh.triangles, np.array(names)[mesh.of_part(1).astype(int)])


@pytest.mark.parametrize("frequency", [0.0, -10.0, np.nan, np.inf, []])
def test_bad_frequency(mesh, frequency):
    with pytest.raises(DataError, match="frequency_hz"):
        solve_surface(mesh, frequency)


def test_open_and_inside_out(mesh):
    with pytest.raises(MeshError, match="closed"):
        solve_surface(SurfaceMesh(mesh.vertices, mesh.triangles[1:], mesh.part[1:]), 500.0)
    with pytest.raises(MeshError, match="outward"):
        solve_surface(SurfaceMesh(mesh.vertices, mesh.triangles[:, ::-1], mesh.part), 500.0)


def test_nothing_moves(mesh):
    with pytest.raises(MeshError, match="rigid"):
        solve_surface(SurfaceMesh(mesh.vertices, mesh.triangles, 0 * mesh.part), 500.0)


def test_false_mirror(mesh):
    lopsided = SurfaceMesh(mesh.vertices * [1, 1, 1] + [0, 0.01, 0], mesh.triangles, mesh.part)
    with pytest.raises(MeshError, match="symmetric about y"):
        solve_surface(lopsided, 500.0, mirror="y")


def test_source_that_is_not_symmetric(mesh):
    part = np.where(mesh.of_part(1) & (mesh.centroid[:, 1] > 0), 1, 0)
    with pytest.raises(MeshError, match="symmetric about y"):
        solve_surface(SurfaceMesh(mesh.vertices, mesh.triangles, part), 500.0, mirror="y")
    with pytest.raises(MeshError, match="motion must be symmetric about y"):
        solve_surface(mesh, 500.0, motion="axial", axis=(1, 1, 0), mirror="y")


def test_too_coarse_names_the_part_and_the_edge(mesh):
    cone = named(mesh, ["rigid", "cone"])
    with pytest.raises(MeshError, match=r"part 'cone' must be meshed with edges of at most .* mm at 20000 Hz"):
        solve_surface(cone, 20000.0)
    wavelength = 6 * surface_checks.part_edges(cone)["cone"]
    found = solve_surface(cone, 343.2 / (0.9 * wavelength), mirror=("y", "z"))
    assert any("part 'cone'" in note for note in found.statistics.notes)
    assert solve_surface(cone, 343.2 / (1.1 * wavelength), mirror=("y", "z")).statistics.notes == ()


def test_bad_device_motion_accuracy(mesh):
    with pytest.raises(DesignError, match="device"):
        solve_surface(mesh, 500.0, device="abacus")
    with pytest.raises(DesignError, match="gpu"):
        solve_surface(mesh, 500.0, device="gpu")
    with pytest.raises(DataError, match="motion"):
        solve_surface(mesh, 500.0, motion="sideways")
    with pytest.raises(DataError, match="axis"):
        solve_surface(mesh, 500.0, motion="axial", axis=(0, 0, 0))
    with pytest.raises(DesignError, match="accuracy"):
        solve_surface(mesh, 500.0, accuracy="perfect")
    with pytest.raises(DesignError, match=r"solver\.tolerance"):
        SurfaceSolver(tolerance=0.0)


def test_bad_velocity(mesh):
    with pytest.raises(DataError, match="velocity"):
        solve_surface(mesh, 500.0, velocity=np.ones((3, 1)))
    with pytest.raises(DataError, match="velocity"):
        solve_surface(mesh, 500.0, velocity=np.full((len(mesh.triangles), 1), np.nan))


def test_memory_is_checked_beforehand(mesh, monkeypatch):
    monkeypatch.setattr("psutil.virtual_memory", lambda: type("Free", (), {"available": 1000})())
    with pytest.raises(EvenfieldError, match=r"needs .* GB"):
        solve_surface(mesh, 500.0)


def test_points_inside_are_refused(mesh):
    found = solve_surface(mesh, 500.0, mirror=("y", "z"))
    with pytest.raises(DataError, match="inside"):
        found.pressure_at([[0.0, 0.01, 0.0]])
    with pytest.raises(DataError, match="surface"):
        found.pressure_at(mesh.centroid[:1])
    with pytest.raises(DataError, match="points"):
        found.pressure_at([0.0, 1.0, 0.0])


def test_parts_in_order_and_shapes(mesh):
    part = np.where(mesh.of_part(1), "woofer", np.where(mesh.centroid[:, 0] < -0.08, "vent", "rigid"))
    first = str(part[0])
    found = solve_surface(SurfaceMesh(mesh.vertices, mesh.triangles, part), [200.0, 500.0, 700.0], mirror=("y", "z"))
    assert found.parts == (first, "vent" if first == "woofer" else "woofer")
    assert found.far_field([[1.0, 0, 0]]).shape == (2, 1, 3)
    assert found.surface_pressure.shape == (2, len(mesh.vertices), 3)
    assert found.radiation_impedance.shape == (2, 2, 3)
    assert found.statistics.iterations.shape == (2, 3)
    assert found.error_db.shape == (3,)
    assert np.all(np.diff(found.error_db) > 0)


def test_one_frequency_at_a_time(mesh):
    done = []
    found = iterate_surface(mesh, [200.0, 500.0], mirror=("y", "z"), progress=lambda i, n: done.append((i, n)))
    first = next(found)
    assert first.frequency_hz == 200.0 and done == []
    rest = list(found)
    assert len(rest) == 1 and done == [(1, 2), (2, 2)]
    # a problem made once gives the same
    again = SurfaceProblem(mesh, mirror=("y", "z")).solve(500.0)
    assert again.surface_pressure == pytest.approx(rest[0].surface_pressure, rel=1e-6)


def test_threads_do_not_change_the_result(mesh):
    one, two = (SurfaceProblem(mesh, mirror="y", solver=SurfaceSolver(threads=t)).solve(700.0).solved_pressure for t in (1, 2))
    assert np.array_equal(one, two)


@pytest.mark.parametrize("degree", [2, 4, 5])
def test_triangle_rules_are_exact(degree):
    points, weights = interior_rule(degree)
    # integral of x^a y^b over the triangle, over its area: 2 a! b! / (a + b + 2)!
    for a in range(degree + 1):
        b = degree - a
        exact = 2 * np.prod(np.arange(1, a + 1)) * np.prod(np.arange(1, b + 1)) / np.prod(np.arange(1, degree + 3))
        assert weights @ (points[:, 0] ** a * points[:, 1] ** b) == pytest.approx(exact, rel=1e-12)


@pytest.mark.parametrize("shared", [1, 2, 3])
def test_touching_rules_are_exact_for_polynomials(shared):
    x, y, weights = touching_rule(shared, 4)
    assert weights.sum() == pytest.approx(1, rel=1e-12)
    assert x.min() >= -1e-12 and y.min() >= -1e-12
    # of degree 1 on one triangle times degree 2 on the other: 1/3 times 1/6
    assert weights @ (x[:, 1] * y[:, 2] ** 2) == pytest.approx(1 / 18, rel=1e-12)


def test_touching_rule_of_a_triangle_with_itself():
    # mean of 1/|x - y|: 4/3 times the sum over sides l of -ln(1 - l/s)/l, s the half perimeter.
    # Source: Eibert & Hansen, IEEE Trans. Antennas Propag. 43 (1995) 1499 (from memory).
    corners = np.array([[0, 0, 0], [1, 0, 0], [0.5, 3**0.5 / 2, 0]])

    def mean(order):
        x, y, weights = touching_rule(3, order)
        return weights @ (1 / np.linalg.norm((x - y) @ corners, axis=1))

    exact = 4 / 3 * 3 * np.log(3)
    assert mean(8) == pytest.approx(exact, rel=1e-5)
    assert mean(3) == pytest.approx(exact, rel=1e-3)
