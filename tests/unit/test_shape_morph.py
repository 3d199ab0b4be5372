"""The morphing surface: the same as a fresh evaluation of the changed dimensions, and never a bad triangle."""

from dataclasses import replace

import numpy as np
import pytest

from evenfield.shape import Cabinet, Cone, Dome, RoundedRectangle, VentOpening, Waveguide, edge_lengths_for, surface_facts
from evenfield.shape.build import facet_volume
from evenfield.shape.elements import Round
from evenfield.shape.morph import Morph, Stretched, quality
from evenfield.shape.rings import pole_of, ring_points
from evenfield.shape.strips import strips_of


def cabinet(depth=0.026, width=0.090, height=0.076, entry=0.5, z=0.042, profile="smooth", **box):
    guide = Waveguide(
        Dome("tweeter", 0.014, 0.005), 0.0145, entry, depth, RoundedRectangle(width, height, 0.03), 0.006, profile, z=z,
        angles=(0.8, 1.1, 1.3) if profile == "free" else (), angles_vertical=(0.7, 1.0, 1.25) if profile == "free" else (),
    )  # fmt: skip
    woofer = Cone("woofer", 0.034, 0.008, 0.012, 0.003, z=-0.046)
    sizes = {"width": 0.13, "height": 0.19, "depth": 0.12, "edge_radius": 0.012} | box
    return Cabinet(**sizes, elements=(woofer, guide, VentOpening("vent", Round(0.012), z=-0.04, face="rear")))


@pytest.fixture(scope="module", params=["smooth", "free"])
def morph(request):
    body = cabinet(profile=request.param)
    return Morph(body, edge_lengths_for(body, 6000.0, 343.0, 5.0)), request.param


CHANGES = [
    {"depth": 0.030},
    {"entry": 0.4},
    {"width": 0.096},
    {"height": 0.079, "z": 0.0405},
    {"z": 0.0415},
    {"width": 0.086, "depth": 0.023, "entry": 0.55, "z": 0.044},
]


def test_the_start_is_its_own_mesh(morph):
    shape, _ = morph
    assert np.abs(shape.vertices(shape.cabinet) - shape.mesh.vertices).max() < 1e-9


@pytest.mark.parametrize("change", CHANGES)
def test_a_morphed_surface_is_that_of_the_changed_cabinet(morph, change):
    shape, profile = morph
    after = cabinet(profile=profile, **change)
    mesh = shape.surface(after)
    mesh.check_closed()
    mesh.check_mirror("y")
    assert abs(mesh.volume - surface_facts(after, wall=0.0).body_volume) < facet_volume(mesh, after)
    for name, part in surface_facts(after, wall=0.0).parts.items():
        area = float((mesh.cross[mesh.of_part(name)] @ np.array(part.axis)).sum()) / 2
        assert area == pytest.approx(part.area, rel=1e-4)
    # the waveguide's vertices by the code that makes fresh meshes, ring by ring
    guide = after.elements[1]
    seat = next(s for s in shape._seats if s.side > 0 and s.number == 1)
    strips = strips_of(guide)
    fresh = np.vstack([ring_points(strips[r.strip], r.station, r.theta) for r in seat.half.rings])
    moved = mesh.vertices[seat.right]
    assert np.abs(moved[:-1] - (fresh + np.array([0, guide.y, guide.z]))).max() < 1e-12
    assert moved[-1, 0] == pytest.approx(pole_of(strips), abs=1e-12)
    # what is flat stays flat
    front = np.abs(shape.mesh.vertices[:, 0]) < 1e-12
    assert np.abs(mesh.vertices[front, 0]).max() < 1e-12


def test_the_box_follows_its_dimensions(morph):
    shape, profile = morph
    after = cabinet(profile=profile, width=0.092, depth=0.027, **{"edge_radius": 0.013})
    after = replace(after, depth=0.13, height=0.195)
    mesh = shape.surface(after)
    mesh.check_closed()
    assert np.ptp(mesh.vertices, axis=0) == pytest.approx([0.13, 0.13, 0.195], abs=2e-3)
    assert mesh.vertices[:, 0].min() == pytest.approx(-0.13, abs=1e-12)
    assert abs(mesh.volume - surface_facts(after, wall=0.0).body_volume) < facet_volume(mesh, after)


def test_triangles_that_would_be_bad_are_refused(morph):
    shape, profile = morph
    with pytest.raises(Stretched, match="sound triangles"):
        shape.surface(cabinet(profile=profile, width=0.064, height=0.062, depth=0.012, entry=0.3))


def test_no_triangle_gets_worse_than_allowed(morph):
    shape, profile = morph
    mesh = shape.surface(cabinet(profile=profile, width=0.094))
    assert quality(mesh).min() > 0.12


@pytest.mark.parametrize("key", ["depth", "entry", "width", "z"])
def test_tabled_derivatives_are_those_of_the_surface(morph, key):
    shape, profile = morph
    value = {"depth": 0.026, "entry": 0.5, "width": 0.09, "z": 0.042}[key]
    step = 2e-5
    low, high = (cabinet(profile=profile, **{key: value + s * step / 2}) for s in (-1, 1))
    exact = (shape.vertices(high) - shape.vertices(low)) / step
    tabled = shape.derivative(low, high, step)
    assert np.abs(exact).max() > 0
    # the smooth profile has kinks over the angle, which tables round off
    assert np.abs(tabled - exact).max() < (0.03 if profile == "smooth" else 3e-3) * np.abs(exact).max()
    assert np.linalg.norm(tabled - exact) < (0.01 if profile == "smooth" else 2e-3) * np.linalg.norm(exact)


def test_another_set_of_elements_is_refused(morph):
    shape, profile = morph
    body = cabinet(profile=profile)
    with pytest.raises(Stretched, match="same elements"):
        shape.vertices(replace(body, elements=body.elements[:2]))
