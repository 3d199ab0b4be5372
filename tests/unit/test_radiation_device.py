"""The GPU kernels, compiled as plain C++ where there is a compiler, beside the CPU's: the same numbers to rounding."""

from __future__ import annotations

import numpy as np
import pytest
from device_fixture import PlainDevice, have_compiler

from evenfield.base import DesignError
from evenfield.data import SurfaceMesh
from evenfield.exact.sphere_mesh import capped_sphere
from evenfield.radiation import SurfaceProblem, SurfaceSolver, choose_devices, gpu_device, gpu_layout, solve_surface
from evenfield.radiation.gpu_iteration import DeviceGmres
from evenfield.radiation.gpu_system import DeviceSystem
from evenfield.radiation.near_pairs import find_near_pairs

needs_compiler = pytest.mark.skipif(not have_compiler(), reason="no g++ here")
SINGLE, DOUBLE = SurfaceSolver(), SurfaceSolver("double", tolerance=1e-10)
WAVENUMBER = 20.0


def egg(edge=0.5):
    """An ellipsoid with a cap that moves in front and one behind; edges of about `edge` times 0.12 m."""
    ball = capped_sphere(0.12, np.radians(50), 0.12 * edge)
    vertices = ball.vertices * [0.8, 1.0, 1.25]
    x = vertices[ball.triangles].mean(axis=1)[:, 0]
    return SurfaceMesh(vertices, ball.triangles, np.where(ball.of_part(1), 1, np.where(x < -0.07, 2, 0)))


@pytest.fixture(scope="session")
def device(tmp_path_factory):
    return PlainDevice(gpu_device.kernel_source(), tmp_path_factory.mktemp("kernels"))


def problem(device, mirror, solver, edge=0.5, motion="normal"):
    return SurfaceProblem(egg(edge), mirror=mirror, solver=solver, motion=motion, device=device)


def relative(found, true):
    return np.abs(found - true).max() / np.abs(true).max()


@needs_compiler
@pytest.mark.parametrize(
    ("mirror", "solver", "edge", "bound"),
    [((), SINGLE, 0.3, 1e-6), ("y", SINGLE, 0.5, 1e-6), (("y", "z"), SINGLE, 0.3, 1e-6), ("y", DOUBLE, 0.5, 1e-13)],
)
def test_matrix_right_sides_and_field_are_those_of_the_cpu(device, mirror, solver, edge, bound):
    p = problem("cpu", mirror, solver, edge)
    member = DeviceSystem(p.system, device)
    assert relative(member.assemble(WAVENUMBER), p.system.assemble(WAVENUMBER)) < bound
    derivative = -1j * p.motion.shape[:, p.body.full_triangle].astype(complex) * (1 + np.arange(2))[:, None]
    right = p.system.right_sides(WAVENUMBER, derivative)
    assert relative(member.right_sides(WAVENUMBER, derivative), right.T) < bound
    rng = np.random.default_rng(0)
    directions = rng.standard_normal((37, 3))
    directions /= np.linalg.norm(directions, axis=1)[:, None]
    pressure = rng.standard_normal((2, len(p.body.vertices))) + 1j
    given = (WAVENUMBER, pressure, derivative, directions)
    assert relative(member.far_field(*given), p.far_field(*given)) < bound


@needs_compiler
def test_low_frequency_without_coupling(device):
    p = problem("cpu", "y", SINGLE)
    k = 0.5
    assert p.solver.coupling(k, p.body.volume) == 0
    assert relative(DeviceSystem(p.system, device).assemble(k), p.system.assemble(k)) < 1e-6


@needs_compiler
@pytest.mark.parametrize("sides", [1, 5])
def test_iteration_solves_both_ways_round(device, sides):
    rng = np.random.default_rng(1)
    n = 23
    matrix = np.ascontiguousarray(np.diag(np.linspace(1, 3, n)) + 0.1 * rng.standard_normal((n, n)) + 0.05j)
    right = rng.standard_normal((sides, n)) + 1j * rng.standard_normal((sides, n))
    right[0] = 0
    gmres = DeviceGmres(device, "double", matrix)
    for given, transposed in ((matrix, False), (matrix.T, True)):
        found = gmres.solve(right, 1e-10, n, transposed)
        assert np.allclose(given @ found.solution, right.T, atol=1e-8)
        assert found.iterations[0] == 0
    assert gmres.solve(right[1:], 1e-10, n).residual.max(initial=0) <= 1e-10


@needs_compiler
@pytest.mark.parametrize("motion", ["normal", "axial"])
def test_solution_and_gradient_are_those_of_the_cpu(device, motion):
    cpu, other = (problem(d, "y", DOUBLE, motion=motion).solve(1000.0) for d in ("cpu", [device]))
    assert (cpu.device, other.device) == ("cpu", "plain C++")
    assert relative(other.solved_pressure, cpu.solved_pressure) < 1e-8
    assert np.allclose(other.part_error_db, cpu.part_error_db, rtol=1e-8)
    directions = np.array([[1.0, 0, 0], [0, 0, 1.0], [0.6, 0.8, 0]])
    bars = 2 * cpu.far_field(directions), np.array([[1, 2j], [0.5, 1.0]])
    device.calls.clear()
    assert relative(other.gradient(directions, *bars), cpu.gradient(directions, *bars)) < 1e-7
    assert {"contract_far", "contract_near", "pull_far", "transposed_product"} <= set(device.calls)


@needs_compiler
def test_gradient_in_single_precision_and_many_parts(device):
    solver = SurfaceSolver(tolerance=1e-6)
    mesh = egg(0.8)
    velocity = np.random.default_rng(3).standard_normal((5, len(mesh.triangles)))
    one, two = (
        SurfaceProblem(mesh, mirror=(), solver=solver, patterns=tuple("abcde"), device=d).solve(1000.0, velocity)
        for d in ("cpu", [device])
    )
    directions = np.eye(3)
    bar = 2 * one.far_field(directions)
    assert relative(two.far_field(directions), one.far_field(directions)) < 2e-5
    assert relative(two.gradient(directions, bar), one.gradient(directions, bar)) < 1e-4


@needs_compiler
def test_devices_share_the_frequencies_and_say_so(device, monkeypatch):
    others = [PlainDevice(device.source, device.folder) for _ in range(2)]
    for i, d in enumerate(others):
        d.name = f"card {i}"
    monkeypatch.setattr(gpu_device, "cuda_devices", lambda: tuple(others))
    frequencies = [400.0, 500.0, 600.0, 700.0, 800.0, 900.0]
    found = solve_surface(egg(0.8), frequencies, mirror=(), device="gpu")
    assert list(found.frequency_hz) == frequencies
    assert set(found.statistics.devices) <= {"card 0", "card 1"}
    assert found.statistics.notes == solve_surface(egg(0.8), frequencies, mirror=(), device="cpu").statistics.notes
    cpu = solve_surface(egg(0.8), frequencies, mirror=(), device="cpu")
    assert cpu.statistics.devices == ("cpu",)
    assert relative(found.surface_pressure, cpu.surface_pressure) < 1e-3
    # a body this small is not worth a card
    assert solve_surface(egg(0.8), 400.0, mirror=(), device="auto").statistics.devices == ("cpu",)


@needs_compiler
def test_a_card_without_room_leaves_the_cpu_to_solve_and_says_so(device, monkeypatch):
    small = PlainDevice(device.source, device.folder, memory=10_000)
    monkeypatch.setattr(gpu_device, "cuda_devices", lambda: (small,))
    found = solve_surface(egg(0.8), 400.0, mirror=(), device="gpu")
    assert found.statistics.devices == ("cpu",)
    assert any("plain C++: this body needs" in note and "solved without it" in note for note in found.statistics.notes)


@needs_compiler
@pytest.mark.parametrize("failure", [MemoryError("no more"), RuntimeError("the card is gone")])
def test_a_card_that_fails_is_left_out(device, failure):
    class Broken(PlainDevice):
        name = "broken card"

        def run(self, *given):
            raise failure

    broken = Broken(device.source, device.folder)
    p = problem([broken], "y", SINGLE)
    found = p.solve(500.0)
    assert found.device == "cpu"
    assert any("broken card" in note for note in found.notes)
    assert relative(found.solved_pressure, problem("cpu", "y", SINGLE).solve(500.0).solved_pressure) < 1e-12
    p = problem([Broken(device.source, device.folder), device], "y", SINGLE)
    assert {p.solve(f).device for f in (500.0, 600.0)} == {"plain C++"}


@needs_compiler
def test_one_matrix_at_a_time_is_kept_on_a_device(device):
    one, two = (problem([device], "y", SINGLE) for _ in range(2))
    one.solve(500.0)
    assert device.holder is one.devices.members[0]
    solution = two.solve(500.0)
    assert device.holder is two.devices.members[0]
    assert np.isnan(one.devices.members[0].wavenumber)
    device.calls.clear()
    solution.gradient([[1.0, 0, 0]], np.ones((2, 1)))
    assert "far_matrix" not in device.calls
    two.release()
    assert device.holder is None


def test_no_card_no_gpu(monkeypatch):
    monkeypatch.setattr(gpu_device, "cuda_devices", lambda: ())
    assert choose_devices("auto") == choose_devices("cpu") == ()
    with pytest.raises(DesignError, match=r"evenfield\[gpu\]"):
        choose_devices("gpu")
    with pytest.raises(DesignError, match="device"):
        choose_devices("abacus")


def test_near_entries_go_where_the_cpu_adds_them():
    p = problem("cpu", "y", SINGLE)
    body, groups = p.body, find_near_pairs(p.body, 2.0)
    scatter = gpu_layout.matrix_scatter(body.triangles, groups, len(body.vertices))
    pairs = sum(len(g) for g in groups)
    values = np.random.default_rng(0).standard_normal(18 * pairs + 9 * len(body.triangles))
    ours = np.zeros((len(body.vertices),) * 2)
    for s in range(len(scatter)):
        chosen = scatter.order[scatter.first[s] : scatter.first[s + 1]]
        ours[scatter.row[s], scatter.column[s]] += values[chosen].sum()
    true = np.zeros_like(ours)
    t, at = body.triangles, 0
    for g in groups:
        entries = values[at : at + 18 * len(g)].reshape(-1, 2, 3, 3)
        at += 18 * len(g)
        for n in range(len(g)):
            one, two = t[g.first[n]], t[g.second[n]]
            true[np.ix_(one, two)] += entries[n, 0]
            if g.first[n] != g.second[n]:
                true[np.ix_(two, one)] += entries[n, 1]
    for corners, block in zip(t, values[at:].reshape(-1, 3, 3), strict=True):
        true[np.ix_(corners, corners)] += block
    assert np.allclose(ours, true)
