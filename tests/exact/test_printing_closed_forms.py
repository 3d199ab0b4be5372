"""Volumes, overhangs, supports and walls of shapes whose answer is known in closed form."""

import math

import numpy as np
import pytest

pytest.importorskip("manifold3d")
pytest.importorskip("embreex")

from evenfield.shape.elements import Dome, Round, Waveguide
from evenfield.shape.printing.body import Body, circle
from evenfield.shape.printing.files import write_stl
from evenfield.shape.printing.grid import wall_grid
from evenfield.shape.printing.meshing import prism
from evenfield.shape.printing.orientation import overhanging, stands, support_columns, support_volume
from evenfield.shape.printing.rays import Caster, normals_of
from evenfield.shape.printing.report import deposit, print_hours
from evenfield.shape.printing.settings import Machine
from evenfield.shape.printing.walls import wall_thickness


def test_conical_waveguide_holds_a_frustum():
    """pi h (a^2 + ab + b^2)/3; the mouth's edge, rounded by 5 um, holds nothing of it."""
    guide = Waveguide(Dome("t", 0.015, 0.0), 0.015, 0.3, 0.04, Round(0.06), rounding=5e-6, profile="conical")
    assert wall_grid(guide).air_volume == pytest.approx(math.pi * 40 * (15**2 + 15 * 60 + 60**2) / 3, rel=5e-4)


def test_the_grid_of_any_wall_holds_what_its_profile_sweeps():
    """pi int r^2 dx along one meridian of a round waveguide, by a rule forty times finer."""
    guide = Waveguide(Dome("t", 0.015, 0.0), 0.015, 0.5, 0.04, Round(0.06), rounding=0.01, profile="oblate_spheroidal")
    grid = wall_grid(guide)
    x, r = (1000 * v[:, 0] for v in grid.strip.surface(np.linspace(0, 1, 4001), np.zeros(1)))
    assert grid.air_volume == pytest.approx(-math.pi * np.trapezoid(r**2, x), rel=1e-3)


def test_stl_of_a_cylinder_has_its_volume_and_area(tmp_path):
    import trimesh

    write_stl(Body(prism(circle(20.0, 0.001), 0.0, 30.0)), tmp_path / "c.stl", "a cylinder")
    mesh = trimesh.load_mesh(tmp_path / "c.stl")
    assert mesh.is_watertight
    assert mesh.volume == pytest.approx(math.pi * 400 * 30, rel=2e-4)
    assert mesh.area == pytest.approx(2 * math.pi * 20 * 50, rel=2e-4)


def cone(half_angle_deg, height=30.0):
    """A cone on its tip, opening upwards along x."""
    import manifold3d

    radius = height * math.tan(math.radians(half_angle_deg))
    made = manifold3d.Manifold.cylinder(height, 0.0, radius, 720)
    turned = made.transform(np.array([[0.0, 0, 1, 0], [1, 0, 0, 0], [0, 1, 0, 0]]))
    return Body(turned), math.pi * radius * math.hypot(radius, height)


@pytest.mark.parametrize(("half_angle", "hangs"), [(40, False), (45, False), (47, True), (60, True)])
def test_a_cones_flank_hangs_over_beyond_45_degrees(half_angle, hangs):
    body, flank = cone(half_angle)
    normals, area = normals_of(*body.arrays)
    found = area[overhanging(normals, np.array([1.0, 0, 0]), 45.0)].sum()
    assert found == pytest.approx(flank if hangs else 0.0, rel=1e-3)


def test_support_under_a_table_is_the_room_under_it():
    table = Body(prism(circle(8.0), 0.0, 20.0) + prism(circle(40.0), 20.0, 25.0))
    vertices, triangles = table.arrays
    up = np.array([1.0, 0, 0])
    hang = overhanging(normals_of(vertices, triangles)[0], up, 45.0) & (vertices[triangles].max(axis=1)[:, 0] > 1)
    found = support_volume(vertices, triangles, hang, Caster.of(vertices, triangles), up)
    assert found == pytest.approx(math.pi * (40**2 - 8**2) * 20, rel=0.02)
    # upside down it rests on its top and needs none
    hang = overhanging(normals_of(vertices, triangles)[0], -up, 45.0) & (vertices[triangles].min(axis=1)[:, 0] < 24)
    assert support_volume(vertices, triangles, hang, Caster.of(vertices, triangles), -up) == 0.0


def test_what_leans_out_over_its_foot_does_not_stand():
    foot = prism(circle(5.0), 0.0, 30.0)
    assert stands(*Body(foot).arrays, np.array([1.0, 0, 0]), 0.2)
    arm = prism(np.array([[-5.0, -15], [45, -15], [45, 15], [-5, 15]]), 25.0, 30.0)
    leaning = foot + arm + prism(circle(5.0) + np.array([40.0, 0]), 25.0, 60.0)
    vertices, triangles = Body(leaning).arrays
    up = np.array([1.0, 0, 0])
    assert not stands(vertices, triangles, up, 0.2)
    # on columns under the arm, the foot's hull reaches out below the middle of mass
    hang = overhanging(normals_of(vertices, triangles)[0], up, 45.0) & (vertices[triangles].min(axis=1)[:, 0] > 1)
    volume, feet = support_columns(vertices, triangles, hang, Caster.of(vertices, triangles), up)
    assert np.ptp(feet, axis=0).max() == pytest.approx(50, abs=3)
    assert volume == pytest.approx(len(feet) * 4.0 * 25, rel=1e-6) and stands(vertices, triangles, up, 0.2, feet)


def test_a_thin_spot_is_found_with_its_place():
    box = prism(np.array([[-20.0, -20], [20, -20], [20, 20], [-20, 20]]), 0.0, 10.0)
    body = Body(box - prism(circle(3.0) + np.array([8.0, -5]), 0.6, 20.0))
    thickness = wall_thickness(*body.arrays)
    assert thickness.least == pytest.approx(0.6, abs=1e-3)
    assert np.hypot(*(thickness.where[1:] - [8, -5])) < 3.0
    assert wall_thickness(*Body(box).arrays).least == pytest.approx(10.0, abs=1e-3)


def test_time_and_material_of_a_solid_block():
    machine = Machine(perimeters=1, infill=1.0, overhead=0.0, layer_change_s=0.0)
    block = Body(prism(circle(10.0), 0.0, 10.0))
    assert deposit(block, machine) == pytest.approx(block.volume)
    # 5.4 mm3 a second: 0.45 x 0.2 x 60
    assert print_hours(5.4 * 3600, 10.0, machine) == pytest.approx(1.0)
    hollow = Machine(perimeters=1, infill=0.0)
    area = 2 * math.pi * 10 * 20
    assert deposit(block, hollow) == pytest.approx(area * 0.45, rel=2e-3)
