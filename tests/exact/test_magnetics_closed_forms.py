"""The finite elements of a motor against closed forms; each test names its source."""

import numpy as np
import pytest

pytest.importorskip("ngsolve")

from evenfield.exact import magnetics as exact
from evenfield.magnetics.bh_curve import MU0, BHCurve
from evenfield.magnetics.harmonic import HarmonicProblem, blocked_impedance
from evenfield.magnetics.materials import Conductor, Steel, material
from evenfield.magnetics.motor import Coil, Motor, Part
from evenfield.magnetics.polygons import rectangle
from evenfield.magnetics.statics import solve_static

MM = 1e-3


def linear_steel(permeability: float, resistivity: float = 0.0) -> Steel:
    b = np.array([0.5, 1.0, 2.0, 3.0])
    return Steel("linear", BHCurve(tuple(b), tuple(b / (MU0 * permeability)), "linear"), resistivity)


def disc(radius: float, r0: float, z0: float, chords: int) -> np.ndarray:
    """Corners of a circle of equal area around (r0, z0); a half circle where r0 is 0."""
    half = r0 == 0
    t = np.linspace(-np.pi / 2, np.pi / 2, chords + 1) if half else np.linspace(0, 2 * np.pi, chords, endpoint=False)
    step = np.pi / chords if half else 2 * np.pi / chords
    scaled = radius * np.sqrt(step / np.sin(step))
    if half:  # equal volume of revolution instead
        scaled = radius * (2 / _half_volume(t)) ** (1 / 3)
    return np.c_[r0 + scaled * np.cos(t), z0 + scaled * np.sin(t)]


def _half_volume(t: np.ndarray) -> float:
    r, z = np.cos(t), np.sin(t)
    return float(3 / 2 * np.sum((z[1:] - z[:-1]) * (r[1:] ** 2 + r[1:] * r[:-1] + r[:-1] ** 2) / 3))


@pytest.mark.parametrize(("radius", "length"), [(20 * MM, 40 * MM), (20 * MM, 8 * MM)])
def test_solenoid_inductance_is_nagaokas(radius: float, length: float) -> None:
    """Nagaoka 1909 for a current sheet; the winding's thickness t takes off t / 3a of the long coil's, to first order."""
    t, n = 0.02 * MM, 100
    coil = Coil("coil", radius - t / 2, radius + t / 2, -length / 2, length / 2, n, 1.0)
    static = solve_static(Motor("solenoid", (), (coil,), 1 * MM, passive=True))
    z = blocked_impedance(static, np.array([0.0]), check=False)
    ours = float(np.sum(z.amplitude[0, 0] ** 2))
    sheet = exact.solenoid_inductance(radius, length, n)
    published = sheet - MU0 * n**2 * np.pi * radius * t / (3 * length)
    assert ours == pytest.approx(published, rel=5e-5)


def test_solenoid_axis_field() -> None:
    """Biot and Savart, thin solenoid, textbook."""
    radius, length, n = 20 * MM, 30 * MM, 100
    coil = Coil("coil", radius - 0.01 * MM, radius + 0.01 * MM, -length / 2, length / 2, n, 1.0)
    static = solve_static(Motor("solenoid", (), (coil,), 1 * MM, passive=True))
    problem = HarmonicProblem(static)
    a = problem.solve(problem.factor(0.0), problem.linkage_map(coil, np.zeros(1))[0]).real
    static.potential.vec.FV().NumPy()[:] = a
    z = np.array([0.0, 5.0, 15.0, 40.0, 80.0]) * MM
    ours = static.flux_density(np.c_[np.zeros(5), z])[:, 1]
    published = exact.solenoid_axis_field(z, radius, length, n, 1.0)
    assert ours[:3] == pytest.approx(published[:3], rel=1e-3)
    assert ours[3:] == pytest.approx(published[3:], rel=1e-2)  # outside the finely meshed air


@pytest.mark.parametrize("permeability", [5.0, 1000.0])
def test_sphere_in_a_uniform_field(permeability: float) -> None:
    """3 mu / (mu + 2) B0, textbook; a sphere of 90 chords of equal volume."""
    coil = Coil("coil", 15 * MM, 16 * MM, -1 * MM, 1 * MM, 1, 1.0)
    ball = Part("ball", disc(10 * MM, 0.0, 0.0, 90), linear_steel(permeability))
    static = solve_static(Motor("sphere", (ball,), (coil,), 1 * MM, passive=True), background=0.1)
    inside = static.flux_density(np.array([[0.0, 0.0], [5.0, 0.0], [0.0, 5.0], [4.0, -4.0]]) * MM)
    assert inside[:, 1] == pytest.approx(exact.permeable_sphere_field(0.1, permeability), rel=1e-3)
    assert np.max(abs(inside[:, 0])) < 1e-3 * abs(inside[0, 1])


def test_saturating_sphere_in_a_uniform_field() -> None:
    """The field inside is uniform, so B = 3 B0 - 2 mu0 H(B) holds for any curve."""
    from scipy.optimize import brentq

    steel = material("steel-1018")
    assert isinstance(steel, Steel)
    applied = 0.62
    published = brentq(lambda b: 3 * applied - 2 * MU0 * float(steel.curve.field(b)) - b, 0.1, 3.0)
    coil = Coil("coil", 15 * MM, 16 * MM, -1 * MM, 1 * MM, 1, 1.0)
    ball = Part("ball", disc(10 * MM, 0.0, 0.0, 90), steel)
    static = solve_static(Motor("sphere", (ball,), (coil,), 1 * MM, passive=True), background=applied)
    inside = static.flux_density(np.array([[0.0, 0.0], [5.0, 0.0], [0.0, 5.0]]) * MM)
    assert 1.7 < published < 1.9
    assert inside[:, 1] == pytest.approx(published, rel=1e-3)


def test_gap_field_in_the_limit_of_no_leakage() -> None:
    """B = Br / (1 + mu_rec g / h): a wide thin magnet and gap between plates of huge permeability, on the axis."""
    steel, magnet = linear_steel(1e5), material("ferrite")
    h, g, a = 3.0, 1.5, 40.0
    parts = (
        Part("bottom", rectangle(0, 60 * MM, -10 * MM, 0), steel),
        Part("magnet", rectangle(0, a * MM, 0, h * MM), magnet),
        Part("top", rectangle(0, 60 * MM, (h + g) * MM, 15 * MM), steel),
        Part("wall", rectangle(60 * MM, 100 * MM, -10 * MM, 15 * MM), steel),
    )
    coil = Coil("coil", 50 * MM, 52 * MM, 1 * MM, 2 * MM, 1, 1.0)
    static = solve_static(Motor("pot", parts, (coil,), 0.2 * MM, passive=True))
    ours = static.flux_density(np.array([[0.0, (h + g / 2) * MM]]))[0, 1]
    assert ours == pytest.approx(exact.gap_flux_density(0.39, 1.07, h, 1.0, g, 1.0), rel=1e-3)


def test_iron_cylinder_axial_skin_effect() -> None:
    """Flux per surface field at mid-length of a long rod: Bessel functions (Stoll 1974, from memory)."""
    a, mu, sigma = 5 * MM, 200.0, 5e6
    rod = Part("rod", rectangle(0, a, -100 * MM, 100 * MM), linear_steel(mu, 1 / sigma))
    coil = Coil("coil", 6 * MM, 7 * MM, -100 * MM, 100 * MM, 100, 1.0)
    static = solve_static(Motor("rod", (rod,), (coil,), 1 * MM, passive=True), layers=True, scale=1.5)
    problem = HarmonicProblem(static)
    load = problem.linkage_map(coil, np.zeros(1))[0]
    for f in (20.0, 500.0, 20e3):
        column = problem.solve(problem.factor(f), load)
        ratio = 0.0
        for part, unit in ((column.real, 1.0), (column.imag, 1j)):
            static.potential.vec.FV().NumPy()[:] = part
            flux = static.stream(np.array([[a, 0.0]]))[0]
            near = static.flux_density(np.array([[a + 0.2 * MM, 0.0]]))[0, 1] / MU0
            ratio = ratio + unit * np.array([flux, near])
        published = exact.axial_cylinder_flux(f, a, mu, sigma, 1.0)
        # between surface and coil the field does not change across the air
        assert abs(ratio[0] / ratio[1] - published) < 6e-3 * abs(published), f


def test_round_wire_skin_effect() -> None:
    """A large circle of round copper wire seen through a coil beside it: Kelvin's Bessel functions for a straight wire."""
    a, big = 1.5 * MM, 160 * MM
    copper = material("copper")
    assert isinstance(copper, Conductor)
    ring = Part("ring", disc(a, big, 0.0, 40), copper)
    coil = Coil("coil", 160 * MM, 164 * MM, 100 * MM, 104 * MM, 10, 0.0)  # far off: its own field must not crowd the current
    static = solve_static(Motor("wire", (ring,), (coil,), 0.5 * MM, passive=True), scale=0.5)
    z = blocked_impedance(static, np.array([0.0]), check=False)
    f = np.array([1.0, 2e3, 6e3, 20e3])
    w = 2 * np.pi * f
    direct = np.sum(z.amplitude[0, 0] ** 2)
    reflected = z.matrix(f, resistance=False)[0, 0, 0] - 1j * w * direct
    ring_impedance = w**2 / reflected  # times the mutual inductance squared
    ours = ring_impedance.real / ring_impedance.real[0]
    published = exact.wire_impedance(f, a, 1 / copper.resistivity).real
    assert ours == pytest.approx(published / published[0], rel=1e-2)
    assert ours[-1] > 1.8  # the effect is there to be judged


def test_thin_ring_takes_inductance_off_as_coupled_coils_do() -> None:
    """L (1 - k^2 (wt)^2 / (1 + (wt)^2)): ring by geometric mean distance, mutual inductance by Maxwell's circles."""
    copper = material("copper")
    assert isinstance(copper, Conductor)
    r, wide, high = 20 * MM, 0.2 * MM, 2.0 * MM
    ring = Part("ring", rectangle(r - wide / 2, r + wide / 2, -high / 2, high / 2), copper)
    coil = Coil("coil", 22 * MM, 23 * MM, -3 * MM, 3 * MM, 40, 0.0)
    static = solve_static(Motor("ring", (ring,), (coil,), 0.5 * MM, passive=True))
    z = blocked_impedance(static, np.array([0.0]), check=False)
    resistance = copper.resistivity * 2 * np.pi * r / (wide * high)
    tau = exact.ring_inductance(r, wide, high) / resistance
    x, w = np.polynomial.legendre.leggauss(6)
    mutual = sum(
        wa * wb * wc / 8 * exact.mutual_inductance(r, 22.5 * MM + a * 0.5 * MM, b * 3 * MM - c * high / 2)
        for a, wa in zip(x, w, strict=True) for b, wb in zip(x, w, strict=True) for c, wc in zip(x, w, strict=True)
    ) * 40  # fmt: skip
    direct = float(np.sum(z.amplitude[0, 0] ** 2))
    coupling = mutual / np.sqrt(direct * exact.ring_inductance(r, wide, high))
    f = np.array([0.3, 1.0, 3.0]) / (2 * np.pi * tau)
    ours = z.inductance(f, {"coil": 1.0})[0]
    published = exact.coupled_ring_inductance(f, direct, coupling, tau)
    assert (direct - ours) == pytest.approx(direct - published, rel=1e-2)
    assert ours[1] == pytest.approx(direct * (1 - coupling**2 / 2), rel=3e-3)


def test_nagaoka_table() -> None:
    """Derived from the elliptic-integral form, ten digits."""
    for ratio, value in ((0.1, 0.9588071242), (1.0, 0.6884226073), (3.0, 0.4291986170), (10.0, 0.2033235175)):
        assert exact.nagaoka_coefficient(ratio) == pytest.approx(value, abs=1e-9)
