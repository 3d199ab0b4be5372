"""The way back: scans of a part, laid onto the design and solved."""

from dataclasses import replace

import numpy as np
import pytest

pytest.importorskip("embreex")

import evenfield as ef
from evenfield.base.errors import DataError
from evenfield.loudspeaker.part import waveguide_of
from evenfield.loudspeaker.printer_section import read_printer
from evenfield.loudspeaker.scan_compare import compare_scan, read_scan
from evenfield.shape.printing.body import build_body
from evenfield.shape.printing.files import write_stl
from evenfield.shape.printing.plan import make_plan
from evenfield.shape.printing.scan import find_unit, lay_scan


@pytest.fixture(scope="module")
def design(request):
    return ef.load_design(request.config.rootpath / "examples/skiff.yaml")


@pytest.fixture(scope="module")
def guide(design):
    return waveguide_of(design)[1]


@pytest.fixture(scope="module")
def body(design):
    cabinet, guide = waveguide_of(design)
    return build_body(make_plan(cabinet, guide, read_printer(None), "Skiff"))


def moved(points, degrees=(200, 35, 70), shift=(300, -20, 55)):
    from scipy.spatial.transform import Rotation

    return points @ Rotation.from_euler("xyz", degrees, degrees=True).as_matrix().T + shift


def saddle(points, size=0.5):
    """mm along x: as wide as the mouth it rises and falls by `size`."""
    return size * ((points[..., 1] / 64) ** 2 - (points[..., 2] / 50) ** 2)


def test_exported_stl_read_back_and_solved_sounds_the_same(design, body, tmp_path):
    path = tmp_path / "part.stl"
    write_stl(body, path, "Skiff tweeter")
    scan = read_scan(path, design)
    assert scan.unit == "mm" and np.abs(scan.deviation).max() < 0.05
    found = compare_scan(design, scan, [2500.0])
    assert found.worst_db[0] < 0.1 and abs(found.on_axis_db[0]) < 0.1 and abs(found.index_db[0]) < 0.1
    assert "one half solved" in found.notes[0]


def test_a_dent_changes_the_sound_and_by_band(design, guide, body):
    scan = lay_scan(guide, *body.arrays)
    ring = np.exp(-(((scan.grid.t - 0.5) / 0.15) ** 2))[:, None] + 0 * scan.grid.theta
    found = compare_scan(design, replace(scan, deviation=-2.0 * ring), [4000.0])
    assert found.rms_db[0] > 0.05
    (band,) = found.bands()
    assert band["low_hz"] == pytest.approx(4000) and band["rms_db"] == pytest.approx(found.rms_db[0])


def test_a_saddle_is_recovered_wherever_the_scan_lies(guide, body):
    vertices, triangles = body.arrays
    warped = vertices.copy()
    warped[:, 0] += saddle(vertices)
    scan = lay_scan(guide, moved(warped) / 1000, triangles, part=(vertices, triangles))
    assert scan.unit == "m"
    # turned by half a turn the part and the saddle are the same
    exact = saddle(scan.grid.points) * scan.grid.normals[..., 0]
    assert np.abs(scan.deviation - exact).max() < 0.05
    assert np.abs(exact).max() > 0.4


def test_a_shifted_scan_is_no_deviation(guide, body):
    vertices, triangles = body.arrays
    scan = lay_scan(guide, moved(vertices, (3, -2, 5), (4, 3, -6)), triangles)
    assert scan.rms_mm < 0.02 and scan.residual_mm < 0.05


def test_left_and_right_average_to_a_symmetric_wall(guide, body):
    scan = lay_scan(guide, *body.arrays)
    left = replace(scan, deviation=scan.grid.points[..., 1] / 100 + 0.2)
    np.testing.assert_allclose(left.symmetric().deviation, 0.2, atol=1e-9)


def test_applied_scan_moves_the_wall_alone_and_keeps_the_driver(design, guide, body):
    from evenfield.shape import build_surface, edge_lengths_for

    cabinet, _ = waveguide_of(design)
    mesh = build_surface(cabinet, edge_lengths_for(cabinet, 1500.0, 343.0))
    scan = lay_scan(guide, *body.arrays)
    thicker = replace(scan, deviation=np.full_like(scan.deviation, 0.3))
    made = thicker.apply(mesh)
    shift = np.linalg.norm(made.vertices - mesh.vertices, axis=1)
    driver = np.unique(mesh.triangles[mesh.of_part("tweeter")])
    assert shift[driver].max() == 0 and shift.max() == pytest.approx(3e-4, rel=0.01)
    assert 0.02 < np.mean(shift > 1e-4) < 0.6
    assert made.mirror == "y"
    uneven = replace(scan, deviation=scan.grid.points[..., 1] / 1000)
    assert uneven.apply(mesh).mirror is None


def test_a_hole_is_refused_with_its_place(guide, body):
    vertices, triangles = body.arrays
    middle = vertices[triangles].mean(axis=1)
    keep = np.linalg.norm(middle - [-9, 28, 14], axis=1) > 8
    with pytest.raises(DataError, match=r"a hole 1\d mm across \(\d+ mm behind the baffle, 2\d deg"):
        lay_scan(guide, vertices, triangles[keep])


def test_a_pinhole_is_filled_and_said(guide, body):
    vertices, triangles = body.arrays
    middle = vertices[triangles].mean(axis=1)
    keep = np.linalg.norm(middle - [-9, 28, 14], axis=1) > 1.2
    assert keep.sum() < len(triangles)
    scan = lay_scan(guide, vertices, triangles[keep])
    assert any("filled" in n for n in scan.notes) and np.abs(scan.deviation).max() < 0.05


def test_another_part_is_refused(guide):
    from evenfield.shape.printing.body import Body, circle
    from evenfield.shape.printing.meshing import prism

    with pytest.raises(DataError, match=r"of this part|the whole acoustic wall"):
        lay_scan(guide, *Body(prism(circle(60.0), 0.0, 90.0)).arrays)


def test_units_are_found_or_asked_for():
    cube = np.array([[0.0, 0, 0], [1, 1, 1]])
    assert find_unit(cube * 128, 125) == "mm" and find_unit(cube * 0.128, 125) == "m" and find_unit(cube * 5, 125) == "inch"
    with pytest.raises(DataError, match=r"unit must be given.*units=\"mm\""):
        find_unit(cube * 20, 125)
    with pytest.raises(DataError, match="one of mm, m, inch"):
        find_unit(cube, 125, "furlong")


def test_files_that_are_no_scan(design, tmp_path):
    for name, words in (("a.obj", "STL or PLY"), ("none.stl", "exists")):
        with pytest.raises(DataError, match=words):
            read_scan(tmp_path / name, design)
    broken = tmp_path / "b.stl"
    broken.write_bytes(b"not a surface")
    with pytest.raises(DataError, match=r"readable|100 triangles"):
        read_scan(broken, design)
