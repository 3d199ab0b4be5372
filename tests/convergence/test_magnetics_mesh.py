"""Figures of a motor on the usual mesh against one of half the edge length, solved in full."""

from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("ngsolve")

import evenfield as ef
from evenfield.loudspeaker.motor_section import read_motor
from evenfield.magnetics import Motor, blocked_impedance, solve_static
from evenfield.magnetics.harmonic import HarmonicProblem

EXAMPLES = Path(__file__).parents[2] / "examples"
F = np.array([20.0, 300.0, 20e3])


@pytest.fixture(scope="module")
def motor() -> Motor:
    design = ef.load_design(EXAMPLES / "skiff.yaml")
    section = design.ways["woofer"].motor
    assert section is not None
    return read_motor(section, "ways.woofer.motor", EXAMPLES)


@pytest.fixture(scope="module")
def fields(motor: Motor):  # type: ignore[no-untyped-def]
    return solve_static(motor, layers=True), solve_static(motor, scale=0.5, layers=True)


def test_force_factor_at_21_positions_within_a_thousandth(motor: Motor, fields) -> None:  # type: ignore[no-untyped-def]
    x = motor.positions(21)
    usual, fine = (f.force_factor(motor.coils[0], x) for f in fields)
    assert np.max(abs(usual / fine - 1)) < 1e-3


def test_the_mesh_for_the_static_field_alone_agrees(motor: Motor, fields) -> None:  # type: ignore[no-untyped-def]
    x = motor.positions(21)
    bare = solve_static(motor).force_factor(motor.coils[0], x)
    assert np.max(abs(bare / fields[1].force_factor(motor.coils[0], x) - 1)) < 1e-3


def test_blocked_impedance_against_full_solves_on_the_fine_mesh(motor: Motor, fields) -> None:  # type: ignore[no-untyped-def]
    """L within 0.5 %, R within 1.5 %, up to 20 kHz."""
    x = motor.positions(21)
    z = blocked_impedance(fields[0], x)
    ours = z.terminal(F, {"coil": 1.0}, resistance=False)
    assert z.error < 1e-3
    problem = HarmonicProblem(fields[1])
    places = [0, 10, 20]
    loads = problem.linkage_map(motor.coils[0], x[places])
    for i, f in enumerate(F):
        inverse = problem.factor(float(f))
        for place, load in zip(places, loads, strict=True):
            full = 2j * np.pi * f * (load @ problem.solve(inverse, load))
            assert ours[place, i].imag == pytest.approx(full.imag, rel=5e-3)
            assert ours[place, i].real == pytest.approx(full.real, rel=1.5e-2)
