"""What must hold for any motor: one co-energy behind force, flux and inductance; reciprocity; passivity; circuit algebra."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("ngsolve")

import evenfield as ef
from evenfield.loudspeaker.motor_section import read_motor
from evenfield.magnetics import Coil, Motor, MotorAnalysis, Part, analyse_motor, blocked_impedance, material, solve_static
from evenfield.magnetics.polygons import rectangle

EXAMPLES = Path(__file__).parents[2] / "examples"
MM = 1e-3


@pytest.fixture(scope="module")
def barque() -> MotorAnalysis:
    section = ef.load_design(EXAMPLES / "barque.yaml").ways["woofer"].motor
    assert section is not None
    return analyse_motor(read_motor(section), positions=9, scale=1.5, temperatures=(20.0,))


def test_lorentz_force_is_the_slope_of_the_flux_linkage(barque: MotorAnalysis) -> None:
    """The force B x i over the coil's section, summed, against the difference of flux between its ends."""
    motor = barque.motor
    static = solve_static(motor, scale=1.0)
    coil = motor.coils[0]
    q, w = np.polynomial.legendre.leggauss(40)
    z = (coil.top + coil.bottom) / 2 + q * coil.height / 2
    total = 0.0
    for r in np.linspace(coil.inner_radius, coil.outer_radius, 7)[1::2]:
        b = static.flux_density(np.c_[np.full(40, r), z])[:, 0]
        total += -float(np.sum(w / 2 * b) * 2 * np.pi * r) / 3 * coil.turns * coil.sense
    assert static.force_factor(coil, np.zeros(1))[0] == pytest.approx(total, rel=2e-3)


def test_the_port_matrix_is_reciprocal_and_passive(barque: MotorAnalysis) -> None:
    z = barque.impedance
    assert z is not None
    m = np.moveaxis(z.matrix(np.geomspace(1, 1e5, 9), resistance=False), (0, 1), (2, 3))
    assert np.max(abs(m - np.swapaxes(m, 2, 3))) < 1e-12 * abs(m).max()
    assert np.linalg.eigvalsh(m.real).min() > -1e-9 * abs(m).max()


def test_two_coils_in_series_opposed_have_less_inductance_than_their_sum(barque: MotorAnalysis) -> None:
    z = barque.impedance
    assert z is not None
    front, rear = (c.name for c in barque.motor.driven)
    f = [100.0]
    series = z.terminal(f, {front: 1.0, rear: 1.0}, resistance=False)
    alone = z.terminal(f, {front: 1.0}, resistance=False) + z.terminal(f, {rear: 1.0}, resistance=False)
    mutual = z.matrix(f, resistance=False)[0, 1] + z.matrix(f, resistance=False)[1, 0]
    assert np.allclose(series, alone + mutual)
    # wound opposite ways, they oppose each other's flux
    assert np.all(series.imag < alone.imag)
    turned = z.terminal(f, {front: 1.0, rear: -1.0}, resistance=False)
    assert np.allclose(turned, alone - mutual)


def test_a_symmetric_motor_has_symmetric_curves(barque: MotorAnalysis) -> None:
    assert barque.asymmetry() < 5e-3
    assert barque.shorted_force_factor is not None
    bl = barque.shorted_force_factor
    assert abs(bl[4]) < 0.01 * abs(bl[-1])
    # it meets the field only at large excursion: beyond 9 mm
    x = barque.displacement
    assert np.interp(5 * MM, x, abs(bl)) < 0.2 * abs(bl[-1])


def test_a_winding_short_circuited_is_a_ring() -> None:
    """Circuit algebra on the port matrix against the same ring meshed as a solid conductor, where its current is even."""
    copper = material("copper")
    steel = material("steel-1018")
    pole = Part("pole", rectangle(0, 10 * MM, -15 * MM, 15 * MM), replace(steel, resistivity=0.0))  # type: ignore[type-var]
    coil = Coil("coil", 11 * MM, 12 * MM, -4 * MM, 4 * MM, 50, 1.0)
    box = (12.5 * MM, 13 * MM, -3 * MM, 3 * MM)
    resistance = copper.resistivity * 2 * np.pi / (np.log(13 / 12.5) * 6 * MM)  # type: ignore[union-attr]
    winding = Coil("short", *box, 1, resistance, shorted=True, moving=False)
    solid = Part("ring", rectangle(*box), copper)
    f = np.array([50.0, 300.0])
    x = np.array([-2.0, 0.0, 2.0]) * MM
    by_algebra = blocked_impedance(solve_static(Motor("a", (pole,), (coil, winding), 2 * MM, passive=True)), x)
    by_mesh = blocked_impedance(solve_static(Motor("b", (pole, solid), (coil,), 2 * MM, passive=True)), x)
    a = by_algebra.terminal(f, {"coil": 1.0}, ("short",), resistance=False)
    b = by_mesh.terminal(f, {"coil": 1.0}, resistance=False)
    bare = by_algebra.terminal(f, {"coil": 1.0}, resistance=False)
    assert np.max(abs(a - b) / abs(b)) < 2e-3
    assert np.min(abs(a[1, 1] - bare[1, 1])) > 0.2 * abs(bare[1, 1])


def test_static_inductance_and_reluctance_force_share_one_co_energy(barque: MotorAnalysis) -> None:
    assert barque.static_inductance is not None and barque.reluctance_force is not None
    low = barque.inductance([1e-3], shorted=False)[:, 0]
    assert low == pytest.approx(barque.static_inductance, rel=1e-6)
    x = barque.displacement
    work = np.trapezoid(2 * barque.reluctance_force, x)
    assert work == pytest.approx(barque.static_inductance[-1] - barque.static_inductance[0], abs=2e-3 * low.max())
