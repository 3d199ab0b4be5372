"""Air, bands, units, directions: the ground everything stands on."""

import json
from pathlib import Path

import numpy as np
import pytest

import evenfield as ef
from evenfield.base.units import parse_amount
from evenfield.data.directions import orbit_directions, orbit_vectors, sphere_directions


@pytest.mark.parametrize(
    ("text", "dimension", "value", "tolerance"),
    [
        ("25 mm", "length", 0.025, 0),
        ("8 ohm ± 5 %", "resistance", 8.0, 0.05),
        ("1.8 kHz +/- 90 Hz", "frequency", 1800.0, 0.05),
        ("12 L", "volume", 0.012, 0),
        ("5.4 Tm", "force_factor", 5.4, 0),
        ("55 cm2", "area", 0.0055, 0),
        ("1.2 mm/N", "compliance", 1.2e-3, 0),
        ("-3.5 dB", "level", -3.5, 0),
        ("20 degC", "temperature", 20.0, 0),
        ("50 %", "ratio", 0.5, 0),
        ("180 deg", "angle", np.pi, 0),
    ],
)
def test_amounts_are_read_as_written(text, dimension, value, tolerance):
    amount = parse_amount(text, dimension)
    assert amount == pytest.approx(value, rel=1e-12)
    assert amount.tolerance == pytest.approx(tolerance)
    assert amount.text == text


@pytest.mark.parametrize(
    ("text", "dimension", "words"),
    [
        ("25", "length", ["must have a unit", "25 mm"]),
        ("25 kg", "length", ["a mass", "25 mm"]),
        ("4 T", "force_factor", ["Tm"]),
        ("nan mm", "length", ["finite"]),
        ("ten mm", "length", ["quantity"]),
        ("0 mm ± 5 mm", "length", ["around zero"]),
    ],
)
def test_wrong_amounts_say_what_was_meant(text, dimension, words):
    with pytest.raises(ef.DesignError) as caught:
        parse_amount(text, dimension)
    for word in words:
        assert word in str(caught.value)


def test_air_at_20_degrees():
    # check value air.20C50: pyfar 0.8.1 gives c = 343.984 m/s (Cramer 1993), rho = 1.199143 kg/m3
    air = ef.Air.at(20, 101325, 0.5)
    assert air.speed_of_sound == pytest.approx(343.984, rel=5e-4)
    assert air.density == pytest.approx(1.199143, rel=5e-4)
    with pytest.raises(ef.DesignError, match="humidity"):
        ef.Air.at(20, 101325, 50)


def test_third_octaves_are_those_of_iec_61260():
    # IEC 61260-1:2014 exact mid-bands, 1000 * 10^(x/10)
    assert ef.base.octave_axis(3) == pytest.approx(1000 * 10 ** (np.arange(-17, 14) / 10), rel=1e-12)
    ratio = np.diff(np.log10(ef.base.octave_axis(24)))
    assert ratio == pytest.approx(0.3 / 24)
    low, high = ef.base.band_edges(1000.0, 3)
    assert high / low == pytest.approx(10**0.1)


def test_sphere_grid_is_that_of_aes56_and_integrates_exactly():
    # AES-X83/AES56: 2522 positions at 5 degrees
    grid = sphere_directions(5.0, diagonals=False)
    assert len(grid) == 2522
    x, y, z = grid.vectors.T
    # closed form: integral of x^2a y^2b z^2c over the sphere
    for powers, exact in [
        ((0, 0, 0), 4 * np.pi),
        ((2, 0, 0), 4 * np.pi / 3),
        ((2, 2, 2), 4 * np.pi / 105),
        ((0, 0, 8), 4 * np.pi / 9),
    ]:
        assert np.sum(grid.weights * x ** powers[0] * y ** powers[1] * z ** powers[2]) == pytest.approx(exact, rel=1e-12)


def test_diagonals_are_on_the_default_grid_with_no_weight():
    grid = sphere_directions(5.0)
    for plane in ("horizontal", "vertical", "diagonal", "counter-diagonal"):
        distance = np.linalg.norm(orbit_vectors(plane, np.arange(0, 360, 5.0))[:, None] - grid.vectors[None], axis=2)
        assert distance.min(axis=1).max() < 1e-12
    assert grid.weights.sum() == pytest.approx(4 * np.pi)


def test_orbits_hold_70_directions():
    # ANSI/CTA-2034-A: 70 unique positions
    assert len(orbit_directions(10.0)) == 70


def test_left_is_positive_y_and_up_is_positive_z():
    assert orbit_vectors("horizontal", [90.0])[0] == pytest.approx([0, 1, 0], abs=1e-15)
    assert orbit_vectors("vertical", [90.0])[0] == pytest.approx([0, 0, 1], abs=1e-15)


def test_missing_orbit_angles_are_named():
    grid = orbit_directions(10.0)
    keep = np.abs(grid.vectors - orbit_vectors("horizontal", [30.0])[0]).sum(1) > 1e-9
    d = ef.Directivity(np.ones((69, 1)), ef.Directions(grid.vectors[keep]), np.array([1000.0]))
    with pytest.raises(ef.DataError, match=r"lacks 1 of the 36 angles needed: 30 deg"):
        d.orbit("horizontal", np.arange(0, 360, 10.0))


def test_broken_meshes_are_refused():
    tetra = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1.0]])
    faces = np.array([[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]])
    part = np.zeros(4, int)
    ef.SurfaceMesh(tetra, faces, part).check_closed()
    with pytest.raises(ef.MeshError, match="closed"):
        ef.SurfaceMesh(tetra, faces[:3], part[:3]).check_closed()
    with pytest.raises(ef.MeshError, match="outward"):
        ef.SurfaceMesh(tetra, faces[:, ::-1], part).check_closed()
    flipped = faces.copy()
    flipped[0] = flipped[0, ::-1]
    with pytest.raises(ef.MeshError, match="oriented"):
        ef.SurfaceMesh(tetra, flipped, part).check_closed()
    with pytest.raises(ef.MeshError, match="finite"):
        ef.SurfaceMesh(tetra * np.nan, faces, part)


def test_parts_are_ordered_as_promised():
    tetra = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1.0]])
    faces = np.array([[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]])
    assert ef.SurfaceMesh(tetra, faces, np.array([3, 0, 1, 3])).parts == (1, 3)
    assert ef.SurfaceMesh(tetra, faces, np.array(["woofer", "rigid", "dome", "woofer"])).parts == ("woofer", "dome")


def test_public_names_of_the_contract_exist():
    for name in ("Air", "SurfaceMesh", "Directivity", "load_design", "predict", "judge", "read_directivity", "write_directivity"):
        assert hasattr(ef, name), name


def test_shipped_schema_is_the_current_one():
    from evenfield.loudspeaker.design import json_schema

    stored = json.loads((Path(__file__).parents[2] / "docs" / "design-file.schema.json").read_text(encoding="utf-8"))
    assert stored == json.loads(json.dumps(json_schema())), "run `evenfield schema > docs/design-file.schema.json`"
