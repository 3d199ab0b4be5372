"""Where a flush body is solved and in whose memory: devices, lent memory, what is kept for the gradient, what is refused."""

import numpy as np
import pytest

import evenfield as ef
from evenfield.base import DesignError, EvenfieldError
from evenfield.exact.revolved_mesh import joined, revolved_surface
from evenfield.loudspeaker.bands import Body, Meshes
from evenfield.loudspeaker.design import Design
from evenfield.loudspeaker.geometry import cabinet_of
from evenfield.radiation import FlushProblem, flush, solve_flush

CONE = revolved_surface([(-0.03, 0.0), (-0.03, 0.02), (0.0, 0.05)], 0.012, [1, 0])
PAIR = joined(CONE, revolved_surface([(0.0, 0.0), (0.0, 0.03)], 0.012, [2], (0.0, 0.12)))
AHEAD = [[1.0, 0.0, 0.0]]
DRIVER = {"kind": "dome", "re": "4 ohm", "bl": "3 Tm", "mms": "0.8 g", "fs": "400 Hz", "qms": 1, "sd": "12 cm2"}
DESIGN = Design.model_validate({
    "evenfield": 1, "name": "Punt", "mounting": "flush", "ways": {"only": {"driver": DRIVER}},
    "cabinet": {"width": "160 mm", "height": "220 mm", "depth": "150 mm", "edge_radius": "15 mm", "net_volume": "2.5 L"},
})  # fmt: skip


def test_lent_memory_is_used_and_changes_nothing():
    own, lent = FlushProblem(PAIR, mirror="y"), FlushProblem(PAIR, mirror="y")
    memory = np.full(lent.system.unknowns**2 + 7, np.nan, lent.system.complex)
    lent.lend(memory)
    one, two = own.solve(1000.0), lent.solve(1000.0)
    assert np.array_equal(one.far_field(AHEAD), two.far_field(AHEAD))
    assert not np.any(np.isnan(memory[:-7])) and np.all(np.isnan(memory[-7:]))
    assert np.array_equal(*(s.gradient(AHEAD, s.far_field(AHEAD)) for s in (one, two)))


@pytest.mark.parametrize("memory", [np.zeros(100, np.complex64), np.zeros(10**6, np.complex128)])
def test_memory_that_does_not_fit_is_left_alone(memory):
    problem = FlushProblem(PAIR, mirror="y")
    problem.lend(memory)
    problem.solve(1000.0)
    assert np.all(memory == 0)


def test_a_matrix_is_kept_for_the_gradient_until_released(monkeypatch):
    problem, sets = FlushProblem(PAIR, mirror="y"), []
    whole = problem.system.assemble
    monkeypatch.setattr(problem.system, "assemble", lambda *given: sets.append(given[0]) or whole(*given))
    found = problem.solve(1000.0)
    first = found.gradient(AHEAD, found.far_field(AHEAD))
    assert len(sets) == 1
    problem.release()
    assert np.array_equal(found.gradient(AHEAD, found.far_field(AHEAD)), first)
    assert len(sets) == 2


def test_memory_is_checked_before_it_is_taken(monkeypatch):
    problem = FlushProblem(PAIR, mirror="y")
    lent = np.zeros(problem.system.unknowns**2, problem.system.complex)
    monkeypatch.setattr("psutil.virtual_memory", lambda: type("Free", (), {"available": 1000})())
    with pytest.raises(EvenfieldError, match=r"needs .* GB"):
        problem.solve(1000.0)
    problem.lend(lent)  # nothing fresh is needed
    problem.solve(1000.0)
    with pytest.raises(EvenfieldError, match=r"needs .* GB"):
        solve_flush(PAIR, 1000.0)


def test_a_sweep_lends_to_flush_bodies():
    meshes = Meshes(Body(cabinet_of(DESIGN), DESIGN.air.to_air(), {}, True), "cpu")
    problem = FlushProblem(CONE)
    meshes.lend_to(problem)
    assert problem._memory is meshes._memory is not None
    problem.solve(1000.0)
    assert np.any(meshes._memory != 0)


def test_auto_takes_the_cpu_and_says_so_where_there_are_gpus(monkeypatch):
    assert solve_flush(CONE, 1000.0, device="cpu").statistics.notes == ()
    plain = solve_flush(CONE, 1000.0, device="cpu")
    monkeypatch.setattr(flush, "choose_devices", lambda name: ("a card",) if name == "auto" else ())
    found = solve_flush(CONE, 1000.0)
    assert np.array_equal(found.far_field(AHEAD), plain.far_field(AHEAD))
    assert any("on the CPU" in n for n in found.statistics.notes)
    assert solve_flush(CONE, 1000.0, device="cpu").statistics.notes == ()
    assert found.statistics.devices == ("cpu",)


def test_a_gpu_asked_for_is_refused_with_what_to_try():
    with pytest.raises(DesignError, match="solves a flush body on the CPU"):
        solve_flush(CONE, 1000.0, device="gpu")
    with pytest.raises(DesignError, match="solves a flush body on the CPU"):
        ef.predict(DESIGN, frequency_hz=[200.0, 300.0, 400.0], device="gpu")
    with pytest.raises(DesignError, match='"auto", "cpu" or "gpu"'):
        solve_flush(CONE, 1000.0, device="card")
