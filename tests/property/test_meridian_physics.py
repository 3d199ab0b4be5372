"""What holds for any body of revolution: energy balance, reciprocity, continuity; and agreement with the 3-D solver."""

import numpy as np
import pytest

from evenfield.base import Air
from evenfield.data import Meridian
from evenfield.exact.sphere_mesh import capped_sphere
from evenfield.radiation import solve_meridian, solve_surface

AIR = Air()


def line(a, b, count):
    return np.column_stack([np.linspace(a[0], b[0], count + 1), np.linspace(a[1], b[1], count + 1)])


def join(*runs):
    points = np.concatenate([runs[0][0][:1], *[p[1:] for p, _ in runs]])
    return Meridian(points, np.concatenate([np.full(len(p) - 1, part) for p, part in runs]))


def can(scale=1.0):
    """A cylinder with sharp edges, a piston in front, a ring about its waist and a vent behind."""
    n = round(6 * scale)
    return join(
        (line([-0.1, 0], [-0.1, 0.02], n // 3), 3), (line([-0.1, 0.02], [-0.1, 0.07], n), 0),
        (line([-0.1, 0.07], [-0.02, 0.07], n), 0),
        (line([-0.02, 0.07], [0.02, 0.07], n), 2), (line([0.02, 0.07], [0.1, 0.07], n), 0),
        (line([0.1, 0.07], [0.1, 0.04], n), 0), (line([0.1, 0.04], [0.1, 0], n), 1),
    )  # fmt: skip


def pot():
    """A recess that widens towards its mouth, driven at its bottom and by a ring in its wall."""
    return join(
        (line([0, 0.06], [-0.03, 0.04], 8), 0),
        (line([-0.03, 0.04], [-0.05, 0.04], 6), 2),
        (line([-0.05, 0.04], [-0.05, 0], 8), 1),
    )


def radiated(found, order, half):
    """(K, F) power through the far sphere, each part alone."""
    node, weight = np.polynomial.legendre.leggauss(60)
    cosine, weight = ((node + 1) / 2, weight / 2) if half else (node, weight)
    field = found.far_field(np.arccos(cosine))
    return np.einsum("d,kdf->kf", weight, np.abs(field) ** 2) / AIR.impedance * (np.pi if order else 2 * np.pi)


@pytest.mark.parametrize(
    ("meridian", "settings"),
    [(can(2), {}), (can(2), {"motion": "axial", "order": 1}), (can(2), {"order": 2}), (pot(), {"baffle": True}),
     (pot(), {"baffle": True, "order": 1})],
)  # fmt: skip
def test_energy_and_reciprocity(meridian, settings):
    found = solve_meridian(meridian, [250.0, 1000.0, 3000.0], **settings)
    through = radiated(found, settings.get("order", 0), settings.get("baffle", False))
    own = np.einsum("kkf->kf", found.radiation_impedance)
    # without the coupling, at the lower two; with it, the mesh's error in the reactance turns into resistance as well
    allowed = 2e-3 * own.real + np.array([2e-7, 2e-6, 5e-4]) * np.abs(own)
    assert np.all(np.abs(through - own.real) < allowed)
    z = found.radiation_impedance
    scale = np.sqrt(np.abs(np.einsum("kkf->kf", z)))
    assert (np.abs(z - z.transpose(1, 0, 2)) / (scale[:, None] * scale[None] + 1e-30)).max() < 2e-3


def test_velocity_patterns_are_sums_of_parts():
    meridian = can()
    parts = solve_meridian(meridian, [400.0, 2000.0])
    pattern = np.zeros((1, len(meridian.part), 2), complex)
    pattern[0, meridian.part == 1], pattern[0, meridian.part == 2] = 2.0, 1j
    found = solve_meridian(meridian, [400.0, 2000.0], velocity=pattern)
    where = np.radians([0, 50, 170])
    whole = 2 * parts.far_field(where)[0] + 1j * parts.far_field(where)[1]
    assert np.allclose(found.far_field(where)[0], whole, rtol=1e-9)
    give = np.array([2.0, 1j, 0])
    power = np.einsum("m,mnf,n->f", give.conj(), parts.radiation_impedance, give).real
    assert found.radiation_impedance[0, 0].real == pytest.approx(power, rel=1e-9)


def test_field_is_continuous_through_a_mouth_and_at_the_wall():
    found = solve_meridian(pot(), 1500.0, baffle=True)
    before, behind = found.pressure_at([[1e-4, 0.02, 0], [-1e-4, 0.02, 0]])[:, :, 0].T
    assert before == pytest.approx(behind, rel=0.01)
    body = can()
    found = solve_meridian(body, 1500.0)
    near = found.pressure_at([[0.1001, 0.0, 0.02]])[0, 0, 0]
    k = found.frequencies[0].wavenumber
    # points along the piston: 0.04, ... 0 m from the axis in six steps; the nearest to r = 0.02 is the fourth
    at = np.flatnonzero(body.points[:, 0] == 0.1)[-4]
    assert body.points[at, 1] == pytest.approx(0.02)
    assert near == pytest.approx(found.surface_pressure[0, at, 0] - 1e-4 * 1j * k * AIR.impedance, rel=0.005)


def test_far_field_is_the_field_far_away():
    found = solve_meridian(can(), 2000.0, motion="axial", order=1)
    u = np.array([[0.6, 0.8, 0], [0.0, 0.6, 0.8], [-0.6, 0, 0.8]])
    k, far = found.frequencies[0].wavenumber, 2000.0
    at = found.pressure_at(far * u)[:, :, 0] * far * np.exp(1j * k * far)
    assert at == pytest.approx(found.far_field(u)[:, :, 0], rel=1e-3, abs=1e-4 * np.abs(at).max())


def test_same_as_the_surface_solver():
    """A rigid sphere with a cap, in 3-D with flat triangles and as a meridian."""
    alpha, f = np.radians(40), 3.0 * AIR.speed_of_sound / (2 * np.pi)
    mesh = capped_sphere(1.0, alpha, 0.2)
    angle = np.concatenate([np.linspace(np.pi, alpha, 31), np.linspace(alpha, 0, 9)[1:]])
    points = np.column_stack([np.cos(angle), np.sin(angle)])
    points[[0, -1], 1] = 0
    line = Meridian(points, np.repeat([0, 1], [30, 8]))
    u = np.array([[1.0, 0, 0], [0.6, 0.8, 0], [0, 0, 1]])
    solid, ring = solve_surface(mesh, f, mirror=("y", "z")), solve_meridian(line, f)
    level = 20 * np.log10(np.abs(solid.far_field(u) / ring.far_field(u)))
    # the facets' cap is smaller by its share of the volume velocity
    share = 20 * np.log10(mesh.area[mesh.of_part(1)].sum() / (2 * np.pi * (1 - np.cos(alpha))))
    assert np.abs(level - share).max() < 0.06


@pytest.mark.parametrize("kind", ["cone", "exponential"])
def test_slender_horn_against_one_parameter_theory(kind):
    """Throat impedance of a horn in a baffle against Webster's equation, its mouth loaded as a baffled piston.

    Plane or spherical waves of one parameter hold where the walls are nearly parallel and the mouth is small against the
    wavelength; the closed forms are those of Beranek & Mellow, Acoustics, 2012, chapter 9. Within 5 % of the larger.
    """
    from evenfield.exact import piston

    throat, mouth, length = 0.01, 0.02, 0.2
    x = np.linspace(-length, 0, 61)
    wall = throat + (mouth - throat) * (x + length) / length if kind == "cone" else throat * (mouth / throat) ** (x / length + 1)
    flat = line([-length, throat], [-length, 0], 4)
    found = solve_meridian(
        join((np.column_stack([x, wall])[::-1], 0), (flat, 1)), [200.0, 400.0, 700.0, 1100.0], baffle=True, motion="axial"
    )
    k = 2 * np.pi * found.frequency_hz / AIR.speed_of_sound
    load = piston.circular_impedance(k * mouth)
    for i in range(len(k)):
        here, end = found.radiation_impedance[0, 0, i] / (AIR.impedance * np.pi * throat**2), load[i]
        assert here == pytest.approx(webster(kind, k[i], throat, mouth, length, end), rel=0.05)


def webster(kind, k, throat, mouth, length, end):
    """Specific throat impedance, by a fine chain of the equation's Riccati form: dz/dx = j k (z^2 - 1) + z S'/S, backwards."""
    count = 4000
    z, h = complex(end), length / count

    def slope(x, z):
        growth = 2 / (x + throat * length / (mouth - throat)) if kind == "cone" else 2 * np.log(mouth / throat) / length
        return 1j * k * (z * z - 1) + z * growth

    for i in range(count):
        x = length - i * h
        a = slope(x, z)
        b = slope(x - h / 2, z - h / 2 * a)
        z -= h * b
    return z
