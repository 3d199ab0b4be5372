"""One waveguide as a part: its solid, its files, its judgement. Built once for all tests here."""

import itertools
import math
import sys
from dataclasses import replace

import numpy as np
import pytest

if any(name.startswith("netgen") for name in sys.modules):
    pytest.skip("the CAD kernel and the mesher's cannot share a process: run tests/solid alone", allow_module_level=True)
pytest.importorskip("build123d")

import evenfield as ef
from evenfield.base.errors import DesignError, EvenfieldError, MeshError
from evenfield.loudspeaker.part import judge_part, make_part, waveguide_of
from evenfield.loudspeaker.printer_section import read_printer
from evenfield.report.prototype import glue_order, prototype_document
from evenfield.shape.printing.body import Body, build_body, circle
from evenfield.shape.printing.files import write_stl
from evenfield.shape.printing.meshing import closed_rings, prism, solid_of
from evenfield.shape.printing.plan import make_plan
from evenfield.shape.printing.rays import Caster
from evenfield.shape.printing.report import judge, wall_distance
from evenfield.shape.printing.settings import Machine
from evenfield.shape.printing.split import bodies_for, halves, pin_places, quarters

SKIFF = "examples/skiff.yaml"


@pytest.fixture(scope="module")
def design(request):
    return ef.load_design(request.config.rootpath / SKIFF)


@pytest.fixture(scope="module")
def part(design, tmp_path_factory):
    return make_part(design, "tweeter", tmp_path_factory.mktemp("part"))


@pytest.fixture(scope="module")
def report(design, part):
    return judge_part(design, part)


def line(report, name):
    return next(x for x in report.lines if x.name == name)


def test_stl_is_watertight_in_millimetres_and_of_the_bodys_volume(part):
    import trimesh

    mesh = trimesh.load_mesh(part.stl[0])
    assert mesh.is_watertight and mesh.is_winding_consistent and mesh.body_count == 1
    assert mesh.volume == pytest.approx(part.whole.volume, rel=1e-6)
    assert mesh.extents[0] == pytest.approx(22.0, abs=1e-4)
    content = part.stl[0].read_bytes()
    assert content[:80].startswith(b"evenfield mm: Skiff tweeter, revision " + part.revision.encode())
    record = np.frombuffer(content[84:], dtype=[("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("spare", "<u2")])
    corners = record["corners"].astype(float)
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    assert np.all(np.einsum("ij,ij->i", cross, record["normal"]) >= 0)


def test_3mf_opens_with_unit_title_and_lies_on_the_plate(part):
    pytest.importorskip("lxml")
    import zipfile

    import trimesh

    scene = trimesh.load_scene(part.three_mf)
    mesh = scene.to_geometry()
    assert scene.units == "millimeter"
    assert mesh.is_watertight and mesh.volume == pytest.approx(part.whole.volume, rel=1e-5)
    assert mesh.bounds[0, 2] == pytest.approx(0.0, abs=1e-3) and np.all(mesh.bounds[1] <= [250, 210, 210])
    model = zipfile.ZipFile(part.three_mf).read("3D/3dmodel.model").decode()
    assert f"Skiff tweeter, revision {part.revision}" in model and 'unit="millimeter"' in model


def test_step_reads_back_with_its_volume_size_schema_and_unit(part):
    import build123d as bd

    text = part.step.read_text(encoding="utf-8")
    assert "AUTOMOTIVE_DESIGN" in text and "SI_UNIT(.MILLI.,.METRE.)" in text and part.revision in text
    solid = bd.import_step(part.step)
    assert solid.is_valid and len(solid.solids()) == 1
    assert solid.volume == pytest.approx(part.whole.volume, rel=2e-3)
    points = part.plan.grid.points[2:-2:9, 3::60].reshape(-1, 3)
    assert max(solid.distance_to(bd.Vertex(*p)) for p in points) < 0.02
    outside = points[len(points) // 2] + 0.5 * part.plan.grid.normals[2:-2:9, 3::60].reshape(-1, 3)[len(points) // 2]
    assert solid.distance_to(bd.Vertex(*outside)) == pytest.approx(0.5, abs=0.02)
    box = solid.bounding_box()
    assert pytest.approx((22.0, 2 * part.plan.flange[0]), abs=0.02) == (box.size.X, box.size.Y)


def test_step_acoustic_faces_lie_on_the_solved_wall(part):
    from evenfield.shape.printing import brep
    from evenfield.shape.printing.grid import at, wall_grid
    from evenfield.shape.printing.splines import through_rings

    coarse = wall_grid(part.plan.guide, brep._CHORD_MM)
    surface = through_rings(coarse.points, coarse.theta, coarse.t)
    t, theta = np.linspace(0.003, 0.997, 150), np.linspace(0.01, 6.27, 331)
    assert np.abs(surface.at(t, theta) - at(coarse.strip, t, theta)).max() < 0.01


def test_every_point_of_the_solved_wall_is_a_vertex_of_the_body(part):
    from scipy.spatial import cKDTree

    assert cKDTree(part.whole.arrays[0]).query(part.plan.grid.points.reshape(-1, 3))[0].max() < 1e-6


def test_revision_is_engraved_to_depth_and_reads_from_behind(part):
    from matplotlib.path import Path

    words = part.plan.lettering
    assert part.revision in words.text and 0.4 <= words.depth <= 0.6 and words.height >= 3.5
    outer = max(words.outlines, key=lambda o: np.ptp(o, axis=0).prod())
    spots = outer.mean(axis=0) + np.random.default_rng(1).normal(size=(400, 2)) * 2
    odd = sum(Path(o).contains_points(spots).astype(int) for o in words.outlines) % 2 == 1
    rays = np.column_stack([np.full(400, words.x - 5.0), spots])
    depth, _ = Caster.of(*part.whole.arrays).first(rays, np.tile([1.0, 0, 0], (400, 1)))
    assert odd.sum() > 20
    np.testing.assert_allclose(depth[odd], 5.0 + words.depth, atol=1e-4)


@pytest.mark.parametrize(("name", "mouth", "upright"), [("ketch", None, True), ("skiff", None, False), ("skiff", 0.046, True)])
def test_words_read_from_behind_on_every_side(request, name, mouth, upright):
    """Seen from behind, along +x, the reader's right is -y: outlines anticlockwise as written are clockwise in (y, z)."""
    from evenfield.shape.elements import Round
    from evenfield.shape.printing.lettering import outlines_of

    cabinet, guide = waveguide_of(ef.load_design(request.config.rootpath / f"examples/{name}.yaml"))
    if mouth is not None:  # a round flange: along its arc
        smaller = replace(guide, mouth=Round(mouth))
        cabinet = replace(cabinet, elements=tuple(smaller if e is guide else e for e in cabinet.elements), height=0.3)
        guide = smaller
    words = make_plan(cabinet, guide, read_printer({"gasket": "0 mm", "screw": "M3"} if upright else {}), name).lettering

    def turning(outlines):
        return sum(float(np.sum(o[:, 0] * np.roll(o[:, 1], -1) - o[:, 1] * np.roll(o[:, 0], -1))) for o in outlines)

    assert turning(words.outlines) * turning(outlines_of(words.text, words.height)) < 0
    run = words.outlines[-1].mean(axis=0) - words.outlines[0].mean(axis=0)
    assert (run[0] < -5) if upright else (run[1] > 5)


def test_revision_follows_the_shape(design):
    cabinet, guide = waveguide_of(design, "tweeter")
    deeper = replace(guide, depth=guide.depth + 1e-4)
    changed = replace(cabinet, elements=tuple(deeper if e is guide else e for e in cabinet.elements))
    printer = read_printer(None)
    one, again, other = (make_plan(c, g, printer).revision for c, g in ((cabinet, guide), (cabinet, guide), (changed, deeper)))
    assert one == again != other


def test_report_passes_and_its_numbers_hang_together(part, report):
    assert report.passed, report.failed
    assert float(line(report, "acoustic wall is the solved one").found.split()[0]) < 0.05
    piece = report.pieces[0]
    assert piece.thickness.least > 0.9
    assert report.mass_g == pytest.approx(piece.mass_g + piece.support_g)
    assert piece.mass_g < part.whole.volume * 1.27e-3
    assert report.cost == pytest.approx(report.mass_g / 1000 * 25)
    assert piece.pose.acoustic_area_mm2 < 1 and piece.pose.stable


def test_the_way_of_lying_is_the_one_chosen(design, part, report):
    """Mouth down, support stands on the acoustic wall, as the wall's own angle says."""
    chosen = judge_part(design, part, read_printer({"lying": "mouth-down"}))
    poses = chosen.pieces[0].poses
    assert poses[0].words.startswith("mouth down") and poses[0].acoustic_area_mm2 > 100 and not chosen.passed
    assert len({p.words for p in poses}) == len(poses) and report.pieces[0].pose.words in {p.words for p in poses}


def test_wall_is_nowhere_thinner_than_drawn(part):
    plan, bare = part.plan, replace(part.plan, holes=(), groove=None, lettering=None)
    body = build_body(bare)
    inner = plan.grid.points[2:-6].reshape(-1, 3)
    into = -plan.grid.normals[2:-6].reshape(-1, 3)
    depth, _ = Caster.of(*body.arrays).first(inner + 1e-4 * into, into)
    assert depth[np.isfinite(depth)].min() > 4.0 - 0.03


def test_too_small_a_printer_is_said_and_the_part_cut_in_two(design, part):
    printer = read_printer({"volume": {"width": "100 mm", "depth": "90 mm", "height": "90 mm"}})
    pieces = halves(part.plan, part.whole)
    right, left = pieces
    assert {p.name for p in pieces} == {"right", "left"}
    # they mate: nothing overlaps, only the pins' clearance is lost, and the pins reach across
    assert (right.solid ^ left.solid).volume() < 1e-6
    lost = part.whole.volume - right.volume - left.volume
    assert 0 < lost < 4 * math.pi * (1.65**2 - 1.4**2) * 7
    assert right.arrays[0][:, 1].max() == pytest.approx(6.0, abs=1e-6)
    assert left.arrays[0][:, 1].min() == pytest.approx(0.0, abs=1e-9)
    whole = judge_part(design, part, printer)
    assert not whole.passed and any("build volume" in x.name for x in whole.failed)


def test_four_pieces_fit_each_other_and_keep_the_solved_wall(part, tmp_path):
    """Nothing overlaps, only the pins' play is lost, every joint has its pins, each STL is closed, the wall is where it was."""
    import trimesh

    pieces = quarters(part.plan, part.whole)
    assert {p.name for p in pieces} == {"lower-right", "lower-left", "upper-right", "upper-left"}
    assert max((a.solid ^ b.solid).volume() for a, b in itertools.combinations(pieces, 2)) < 1e-6
    lost = part.whole.volume - sum(p.volume for p in pieces)
    pins = [place for axis in (1, 2) for place in pin_places(part.plan, part.whole, axis, 2)]
    assert len(pins) >= 4 and 0 < lost < len(pins) * math.pi * (1.65**2 - 1.4**2) * 7
    for piece in pieces:
        path = tmp_path / f"{piece.name}.stl"
        write_stl(piece, path, piece.name)
        mesh = trimesh.load_mesh(path)
        assert mesh.is_watertight and mesh.is_winding_consistent and mesh.body_count == 1
    away = np.min([wall_distance(p, part) for p in pieces], axis=0)
    assert np.nanmax(away) < 0.05 and np.isfinite(away).all()


def test_as_few_pieces_as_fit(design, part):
    """Skiff's part is some 150 x 110 x 22 mm: whole, in halves, in quarters."""
    width, height = 2 * part.plan.flange[0], 2 * part.plan.flange[1]
    half = width / 2 + 8
    for room, count in (((width + 1, height + 1, 60), 1), ((half, height + 1, 60), 2), ((half, height / 2 + 8, 60), 4)):
        found = bodies_for(part.plan, part.whole, Machine(volume_mm=room))
        assert len(found) == count
        if count > 1:
            cut = replace(part, bodies=found, stl=(part.stl[0],) * count)
            report = judge(cut, replace(read_printer({}), machine=Machine(volume_mm=room)))
            assert line(report, "pieces fit each other").passed
            assert not [x for x in report.failed if "build volume" in x.name]
            assert len(glue_order(cut)) == {2: 3, 4: 5}[count]


def test_the_sheet_of_a_cut_part_draws_the_pieces_and_says_the_order(design, part, tmp_path):
    cut = replace(part, bodies=quarters(part.plan, part.whole), stl=(part.stl[0],) * 4)
    document = prototype_document(design, cut, judge(cut, read_printer({})))
    section = next(s for s in document.sections if s.key == "join")
    assert "In 4 pieces" in document.summary
    assert section.parts[0].svg and "glue lower-left to upper-left" in section.parts[1].rows[1][1]
    assert section.parts[1].rows[3][1].startswith("glue the left half to the right half") and section.parts[2].caution


def test_drawings_carry_the_cut_out(part):
    import ezdxf

    document = ezdxf.readfile(part.drawing_dxf)
    assert document.units == 4  # millimetres
    kinds = [(e.dxftype(), e.dxf.layer) for e in document.modelspace()]
    assert kinds.count(("CIRCLE", "HOLES")) == 4 and ("LWPOLYLINE", "OPENING") in kinds and ("DIMENSION", "DIMENSIONS") in kinds
    opening = next(e for e in document.modelspace() if e.dxf.layer == "OPENING")
    across = np.ptp(np.array([p[:2] for p in opening.get_points()]), axis=0)
    back = np.abs(part.plan.back[0][:, 1:]).max(axis=0)
    np.testing.assert_allclose(across, 2 * (back + part.plan.making.clearance), atol=0.05)
    svg = part.drawing_svg.read_text(encoding="utf-8")
    assert f"{across[0]:.2f}" in svg and part.revision in svg and "<script" not in svg


def test_sheet_has_two_or_three_pages_with_revision_callipers_and_cautions(design, part, report, tmp_path):
    from pypdf import PdfReader

    from evenfield.report.prototype import write_prototype_sheet

    pages = PdfReader(write_prototype_sheet(design, part, report, tmp_path)).pages
    text = " ".join(" ".join(p.extract_text() for p in pages).split())
    assert 2 <= len(pages) <= 3
    assert part.revision in text and "fumes" in text and "hearing" in text
    assert f"{2 * part.plan.grid.throat:.2f}" in text and "± 0.10" in text and "No prediction was given" in text


def test_flange_without_room_says_what_would_help(design):
    cabinet, guide = waveguide_of(design, "tweeter")
    with pytest.raises(DesignError, match=r"screws M5.*Try .*smaller") as caught:
        make_plan(cabinet, guide, read_printer({"screw": "M5", "screws": 24, "flange": "3 mm"}))
    assert caught.value.key == "printer.flange"


def test_flange_and_seat_thicker_than_the_waveguide_is_deep(design):
    cabinet, guide = waveguide_of(design, "tweeter")
    with pytest.raises(DesignError, match="deeper than flange and driver seat"):
        make_plan(cabinet, guide, read_printer({"seat": {"thickness": "17 mm"}}))


def test_seat_screws_in_the_wall_are_refused(design):
    cabinet, guide = waveguide_of(design, "tweeter")
    with pytest.raises(DesignError, match="come out in the waveguide's wall"):
        make_plan(cabinet, guide, read_printer({"seat": {"pitch_radius": "17 mm"}}))


def test_inserts_from_the_rear_leave_the_front_whole(design):
    cabinet, guide = waveguide_of(design, "tweeter")
    plan = make_plan(cabinet, guide, read_printer({"fixing": "rear", "screw": "M3"}))
    body = build_body(plan)
    assert body.solid.genus() == 1  # the throat alone goes through
    front = Caster.of(*body.arrays)
    at = np.array([[5.0, h.y, h.z] for h in plan.holes if h.x > -10])
    distance, _ = front.first(at, np.tile([-1.0, 0, 0], (len(at), 1)))
    assert len(at) == 4 and np.all(distance > 4.999)


def test_walls_that_cross_are_refused():
    ring = np.column_stack([np.zeros(24), circle(10.0, 0.1)[:24]])
    rings = np.array([ring, ring - [5.0, 0, 0]])
    assert solid_of(*closed_rings(rings), "a tube").volume() > 0
    with pytest.raises(MeshError, match="cross each other"):
        solid_of(*closed_rings(rings[::-1]), "a tube turned inside out")


@pytest.mark.parametrize("name", ["build123d", "lib3mf", "manifold3d", "embreex"])
def test_missing_extra_is_one_line(name, design, tmp_path, monkeypatch):
    for loaded in [m for m in sys.modules if m == name or m.startswith(f"{name}.")]:
        monkeypatch.setitem(sys.modules, loaded, None)
    monkeypatch.setitem(sys.modules, name, None)
    if name == "embreex":
        monkeypatch.setitem(sys.modules, "trimesh.ray.ray_pyembree", None)
    with pytest.raises(EvenfieldError, match=r"^[^\n]*evenfield\[solid\][^\n]*$"):
        make_part(design, "tweeter", tmp_path)
    assert not list(tmp_path.iterdir())


def test_printer_section_reads_units_and_says_what_it_took():
    printer = read_printer(
        {"volume": {"width": "300 mm"}, "material": {"density": "1.04 g/cm3"}, "wall": "5 mm", "overhang": "50 deg"}
    )
    assert printer.machine.volume_mm == (300.0, 210.0, 210.0) and printer.making.wall == 5.0
    assert printer.material.density_g_cm3 == pytest.approx(1.04) and printer.machine.overhang_deg == pytest.approx(50)
    assert any("nozzle" in t for t in printer.taken) and not any("build volume" in t for t in printer.taken)


@pytest.mark.parametrize(
    ("section", "words"),
    [
        ({"wal": "4 mm"}, r"printer\.wal .*Try 'wall'"),
        ({"wall": "4"}, r"printer\.wall must have a unit"),
        ({"wall": "4 kg"}, r"printer\.wall .*mass"),
        ({"screw": "M7"}, r"printer\.screw must be 'M2.5'"),
        ({"seat": {"thicknes": 3}}, r"printer\.seat\.thicknes .*Try 'thickness'"),
    ],
)
def test_printer_section_refuses(section, words):
    with pytest.raises(DesignError, match=words):
        read_printer(section)


def test_a_way_without_waveguide_is_refused(design):
    with pytest.raises(DesignError, match=r"a way with a waveguide \(tweeter\), got 'woofer'"):
        waveguide_of(design, "woofer")


def test_prism_has_its_own_volume():
    body = Body(prism(circle(10.0, 0.001), -5.0, 7.0))
    assert body.volume == pytest.approx(math.pi * 100 * 12, rel=2e-4)
    assert body.arrays[0][:, 0].min() == -5.0


def test_every_key_of_the_printer_section_is_documented(request):
    from evenfield.loudspeaker import printer_section as module

    page = (request.config.rootpath / "docs/how-to/printing.md").read_text(encoding="utf-8")
    sections = (module.PrinterSection, module.BuildVolumeSection, module.MaterialSection, module.SeatSection)
    assert not [key for s in sections for key in s.model_fields if f"`{key}`" not in page]
