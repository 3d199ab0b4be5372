"""Sweeps on devices: the same arrays as on the CPU, in order, with meshes from processes of their own."""

from __future__ import annotations

import numpy as np
import pytest
from device_fixture import PlainDevice, have_compiler

from evenfield.base import Air, DesignError
from evenfield.loudspeaker import mesh_workers, sweep
from evenfield.loudspeaker.mesh_workers import MeshWorkers
from evenfield.radiation import gpu_device
from evenfield.shape import Cabinet, Cone, EdgeLengths, build_surface

CABINET = Cabinet(
    width=0.13, height=0.16, depth=0.12, edge_radius=0.02,
    elements=(Cone(name="woofer", radius=0.04, depth=0.0, dust_cap_radius=0.01, z=-0.01),),
)  # fmt: skip
LENGTHS = EdgeLengths(front=0.03, rear=0.04, edges=0.03, walls=0.03)


REFUSING = """
import evenfield.shape
from evenfield.base import DesignError
def refuse(*given):
    raise DesignError("no such mesh", key="cabinet.width")
evenfield.shape.build_surface = refuse
"""


def test_workers_build_the_same_mesh(monkeypatch):
    here = build_surface(CABINET, LENGTHS)
    with MeshWorkers(1) as workers:
        for _ in range(2):
            with monkeypatch.context() as patch:
                patch.setattr("evenfield.shape.build_surface", lambda *a: pytest.fail("built here"))
                there = workers.build(CABINET, LENGTHS)
            assert np.array_equal(there.vertices, here.vertices)
            assert np.array_equal(there.triangles, here.triangles)
        # a process that ends is done without
        workers._all[0].kill()
        workers._all[0].wait()
        for _ in range(2):
            assert np.array_equal(workers.build(CABINET, LENGTHS).vertices, here.vertices)


def test_workers_pass_on_what_is_refused(monkeypatch):
    monkeypatch.setattr(mesh_workers, "COMMAND", REFUSING + mesh_workers.COMMAND)
    with MeshWorkers(1) as workers, pytest.raises(DesignError, match="no such mesh") as passed:
        workers.build(CABINET, LENGTHS)
    assert passed.value.key == "cabinet.width"


@pytest.mark.skipif(not have_compiler(), reason="no g++ here")
def test_a_sweep_on_a_device_is_that_of_the_cpu(tmp_path, monkeypatch):
    device = PlainDevice(gpu_device.kernel_source(), tmp_path)
    monkeypatch.setattr(gpu_device, "cuda_devices", lambda: (device,))
    monkeypatch.setattr("evenfield.shape.edge_lengths_for", lambda *a, **k: LENGTHS)
    built = []

    def build(self, cabinet, lengths):
        built.append(lengths)
        return build_surface(cabinet, lengths)

    monkeypatch.setattr(MeshWorkers, "build", build)
    frequency = np.array([100.0, 150.0, 400.0])
    gpu, cpu = (sweep.sweep_radiation(CABINET, frequency, Air(), device=d) for d in ("gpu", "cpu"))
    assert len(built) == 2, "bands with one mesh are to share it"
    assert gpu.statistics["frequencies solved on a GPU"] == 3
    assert cpu.statistics["frequencies solved on a GPU"] == 0
    assert np.allclose(gpu.far_field, cpu.far_field, rtol=1e-3, atol=1e-4 * abs(cpu.far_field).max())
    assert np.allclose(gpu.impedance, cpu.impedance, rtol=1e-3)
    with pytest.raises(DesignError, match="device"):
        sweep.sweep_radiation(CABINET, frequency, Air(), device="abacus")
