"""The field engine on a real CUDA card beside the CPU. Skipped where there is none."""

from __future__ import annotations

import numpy as np
import pytest
from test_radiation_device import egg

from evenfield.data.directions import sphere_directions
from evenfield.exact.sphere import cap_far_field
from evenfield.exact.sphere_mesh import capped_sphere
from evenfield.radiation import SurfaceProblem, SurfaceSolver, solve_surface
from evenfield.radiation.gpu_device import cuda_devices
from evenfield.shape import Cabinet, Cone, EdgeLengths, Round, VentOpening, build_surface

pytestmark = pytest.mark.skipif(not cuda_devices(), reason="no CUDA card here")
DIRECTIONS = sphere_directions().vectors
FRONT = DIRECTIONS[:, 0] >= 0


@pytest.fixture(scope="module")
def cabinet():
    parts = (
        Cone(name="woofer", radius=0.05, depth=0.015, dust_cap_radius=0.02, dust_cap_height=0.006, y=0.0, z=-0.03),
        VentOpening(name="vent", outline=Round(radius=0.02), y=0.0, z=0.07, face="front", key="vent", pair=False),
    )
    body = Cabinet(width=0.2, height=0.3, depth=0.2, edge_radius=0.02, elements=parts)
    return build_surface(body, EdgeLengths(front=0.012, rear=0.02, edges=0.012, walls=0.012))


def worst_db(found, true, front=True):
    """Largest difference in level within 20 dB of the maximum of each part, dB."""
    worst = 0.0
    for f, t in zip(found, true, strict=True):
        kept = (np.abs(t) > np.abs(t).max() / 10) & (FRONT if front else True)
        if np.any(kept):
            worst = max(worst, float(np.abs(20 * np.log10(np.abs(f[kept] / t[kept]))).max()))
    return worst


@pytest.mark.parametrize("frequency", [100.0, 1000.0, 2500.0])
@pytest.mark.parametrize("motion", ["normal", "axial"])
def test_agrees_with_the_cpu_on_a_cabinet(cabinet, frequency, motion):
    gpu, cpu = (SurfaceProblem(cabinet, motion=motion, mirror="y", device=d).solve(frequency) for d in ("gpu", "cpu"))
    assert gpu.device != "cpu" == cpu.device
    assert worst_db(gpu.far_field(DIRECTIONS), cpu.far_field(DIRECTIONS)) < 0.01
    assert worst_db(gpu.far_field(DIRECTIONS), cpu.far_field(DIRECTIONS), front=False) < 0.01
    assert np.allclose(
        gpu.radiation_impedance, cpu.radiation_impedance, rtol=1e-4, atol=1e-5 * abs(cpu.radiation_impedance).max()
    )
    assert np.allclose(gpu.part_error_db, cpu.part_error_db, rtol=1e-3)


@pytest.mark.parametrize("mirror", [(), "y", ("y", "z")])
@pytest.mark.parametrize("frequency", [200.0, 3000.0])
def test_agrees_with_the_cpu_on_an_egg(mirror, frequency):
    gpu, cpu = (SurfaceProblem(egg(0.15), mirror=mirror, device=d).solve(frequency) for d in ("gpu", "cpu"))
    assert worst_db(gpu.far_field(DIRECTIONS), cpu.far_field(DIRECTIONS), front=False) < 0.01


def test_holds_the_closed_form_of_a_cap_in_both_precisions():
    alpha = np.radians(30)
    ball = capped_sphere(0.1, alpha, 0.015)
    frequency = 2000.0
    cap = ball.of_part(1)
    velocity = (cap * 2 * np.pi * 0.1**2 * (1 - np.cos(alpha)) / ball.area[cap].sum())[:, None]
    angles = np.radians(np.arange(0, 91, 5))
    directions = np.stack([np.cos(angles), np.sin(angles) * np.cos(0.3), np.sin(angles) * np.sin(0.3)], axis=1)
    true = cap_far_field(0.1, alpha, frequency, angles)[:, 0]
    fine = SurfaceSolver("double", near_distance=3.0, near_degree=5, touching_order=5, tolerance=1e-7)
    for solver in (SurfaceSolver(), fine):
        found = solve_surface(ball, frequency, velocity=velocity, mirror="y", device="gpu", solver=solver)
        assert found.statistics.devices != ("cpu",)
        assert np.abs(20 * np.log10(np.abs(found.far_field(directions)[0, :, 0] / true))).max() < 0.05


def test_the_same_card_gives_the_same_bits_again(cabinet):
    p = SurfaceProblem(cabinet, mirror="y", device="gpu")
    one = p.solve(1000.0).solved_pressure
    p.solve(700.0)
    assert np.array_equal(p.solve(1000.0).solved_pressure, one)


def test_gradient_agrees_with_the_cpu(cabinet):
    gpu, cpu = (SurfaceProblem(cabinet, motion="axial", mirror="y", device=d).solve(1200.0) for d in ("gpu", "cpu"))
    bar = 2 * cpu.far_field(DIRECTIONS) / np.abs(cpu.far_field(DIRECTIONS)).max()
    load = np.ones((len(cpu.parts),) * 2)
    one, two = (s.gradient(DIRECTIONS, bar, load) for s in (gpu, cpu))
    assert np.abs(one - two).max() < 2e-3 * np.abs(two).max()
    fine = SurfaceSolver("double", tolerance=1e-8)
    gpu, cpu = (SurfaceProblem(egg(0.3), mirror="y", solver=fine, device=d).solve(1200.0) for d in ("gpu", "cpu"))
    one, two = (s.gradient(DIRECTIONS[:9], np.ones((2, 9)), np.ones((2, 2))) for s in (gpu, cpu))
    assert np.abs(one - two).max() < 1e-6 * np.abs(two).max()


def test_all_cards_share_the_frequencies():
    frequencies = np.linspace(300, 1500, 4 * len(cuda_devices()))
    found = solve_surface(egg(0.15), frequencies, mirror="y", device="gpu")
    assert found.statistics.devices
    assert "cpu" not in found.statistics.devices
    assert np.array_equal(found.frequency_hz, frequencies)
    cpu = solve_surface(egg(0.15), frequencies[:1], mirror="y", device="cpu")
    assert worst_db(found.far_field(DIRECTIONS)[..., 0], cpu.far_field(DIRECTIONS)[..., 0], front=False) < 0.01


def test_a_body_too_large_for_the_card_is_left_to_the_cpu(cabinet, monkeypatch):
    for card in cuda_devices():
        if card.holder is not None:
            card.holder.release()
        monkeypatch.setattr(card, "free_bytes", lambda: 1 << 20)
    found = SurfaceProblem(cabinet, mirror="y", device="gpu").solve(500.0)
    assert found.device == "cpu"
    assert any("GB are free" in note for note in found.notes)


def test_a_card_that_runs_out_of_memory_is_left_out(cabinet, monkeypatch):
    card = cuda_devices()[0]
    if card.holder is not None:
        card.holder.release()
    pool = card.arrays.get_default_memory_pool()
    monkeypatch.setattr(card, "free_bytes", lambda: 1 << 50)
    with card.active():
        pool.free_all_blocks()
        pool.set_limit(size=1 << 21)
    try:
        found = SurfaceProblem(cabinet, mirror="y", device=[card]).solve(500.0)
    finally:
        with card.active():
            pool.set_limit(size=0)
    assert found.device == "cpu"
    assert any("out of memory" in note for note in found.notes)
