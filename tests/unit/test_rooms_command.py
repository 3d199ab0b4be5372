"""The rooms stage from files to page: sections, command, report."""

import json
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from evenfield import rooms, write_directivity
from evenfield.base import Air, DesignError, octave_axis
from evenfield.data import sphere_directions
from evenfield.exact.patterns import first_order_directivity
from evenfield.loudspeaker.rooms_estimate import match_estimate
from evenfield.loudspeaker.rooms_run import RoomsResult, run_rooms
from evenfield.loudspeaker.rooms_section import RoomsSection, build_scene, parse_console, parse_rooms, read_room
from evenfield.rooms.playing import play

AXIS = octave_axis(12, 150, 14000)
CARDIOID = first_order_directivity("cardioid", sphere_directions(), AXIS)

ROOM = """name: control room
length: 5.2 m
width: 4.1 m
height: 2.7 m
surfaces: {walls: plasterboard, floor: carpet, ceiling: {material: acoustic ceiling, scattering: 20 %}}
layout: {name: stereo, distance: 1.6 m}
seats: [[2.6 m, 2.05 m, 1.2 m], [3.0 m, 2.3 m, 1.2 m]]
console: {height: 76 cm, depth: 0.8 m, width: 1.8 m, distance: 0.3 m}
"""


def room_file(folder: Path, text: str = ROOM) -> Path:
    path = folder / "room.yaml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> RoomsResult:
    folder = tmp_path_factory.mktemp("rooms")
    section = RoomsSection(ensembles=("studios",), count=12)
    return run_rooms(CARDIOID, section=section, room=read_room(room_file(folder)), wav=folder / "seat.wav", title="cardioid")


def test_a_cardioid_is_its_own_ideal(result: RoomsResult) -> None:
    """((1 + cos)/2)^n with n = 1 is the cardioid: both spreads are the same number."""
    c = result.ensembles[0].comparison
    assert c.mean_index_db == pytest.approx(4.771, abs=0.01)
    assert c.loudspeaker.spread_db == pytest.approx(c.ideal.spread_db, abs=1e-4)
    assert c.omni.spread_db != pytest.approx(c.ideal.spread_db, abs=1e-3)


def test_estimate_of_an_omnidirectional_source_is_flat() -> None:
    omni = first_order_directivity("monopole", sphere_directions(), AXIS)
    match = match_estimate(omni, play(rooms.ensemble("studios", 8), omni, 3))
    assert match.estimate_db == pytest.approx(0.0, abs=0.01)
    assert match.mean_error_db == pytest.approx(float(np.std(match.rooms_db)), rel=1e-3)
    assert match.room_error_db > match.mean_error_db


def test_plain_results(result: RoomsResult) -> None:
    plain = json.loads(json.dumps(result.to_dict(), allow_nan=False))
    assert plain["ensembles"]["studios"]["loudspeaker"]["spread_db"] > 0.5
    assert set(plain["ensembles"]["studios"]["translation"]) == {"small", "band-limited", "bass-heavy"}
    assert next(line["name"] for line in plain["room"]["check"]) == "operational room response"
    assert plain["room"]["places"]["L"]["reflections"][0]["walls"] == []
    assert "hearing" in plain["caution"]


def test_sound_file(result: RoomsResult) -> None:
    import soundfile

    assert result.wav is not None
    sound, rate = soundfile.read(result.wav)
    assert rate == 48000
    assert np.abs(sound).max() == pytest.approx(10 ** (-12 / 20), rel=1e-3)


def test_page_and_terminal(result: RoomsResult, tmp_path: Path) -> None:
    from evenfield.report.rooms import rooms_lines, write_rooms_report

    page = write_rooms_report(result, tmp_path).read_text(encoding="utf-8")
    for text in ("What do studios make of it?", "Which reflection causes which ripple", "not a standard", "unverified"):
        assert text in page
    assert page.count("<svg") == 6
    assert "Refused" not in page
    words = "\n".join(rooms_lines(result))
    assert "room spread" in words and "ensemble departure" in words and "Start quietly" in words


def test_command_on_a_directivity(tmp_path: Path) -> None:
    from evenfield.cli import app

    path = tmp_path / "cardioid.nc"
    write_directivity(CARDIOID, path)
    asked = ["rooms", str(path), "--ensemble", "living-rooms", "--count", "6", "--json", "--quiet"]
    done = CliRunner().invoke(app, asked)
    assert done.exit_code == 0, done.output
    plain = json.loads(done.stdout)
    assert list(plain["ensembles"]) == ["living-rooms"]
    assert plain["ensembles"]["living-rooms"]["rooms"] == 6
    assert plain["room"] is None


def test_command_refuses_what_cannot_be(tmp_path: Path) -> None:
    from evenfield.base import EvenfieldError
    from evenfield.cli import app

    path = tmp_path / "cardioid.nc"
    write_directivity(CARDIOID, path)
    for extra, words in (
        (["--count", "1"], "count"),
        (["--seed", "-2"], "seed"),
        (["--ensemble", "halls"], "studios"),
        (["--wav", "x.wav", "--count", "2"], "--room"),
        (["--orbits", "guess"], "blend"),
    ):
        done = CliRunner().invoke(app, ["rooms", str(path), *extra])
        assert isinstance(done.exception, EvenfieldError), done.output
        assert words in str(done.exception)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("width: 4.1 m", "width: 4.1 kg", "width.*kg"),
        ("height: 2.7 m\n", "hight: 2.7 m\n", "hight.*'height'"),
        ("plasterboard", "plaster bord", "plasterboard"),
        ("scattering: 20 %", "scattering: 130 %", "scattering"),
        ("3.0 m, 2.3 m, 1.2 m", "3.0 m, 2.3 m, 3.2 m", "seat 2.*ceiling"),
        ("name: stereo", "name: mono", "layout"),
        ("distance: 1.6 m", "distance: 4 m", "loudspeaker.*inside"),
    ],
)
def test_room_files_that_cannot_be(tmp_path: Path, old: str, new: str, words: str) -> None:
    path = room_file(tmp_path, ROOM.replace(old, new))
    section = RoomsSection(ensembles=(), count=2)
    with pytest.raises((DesignError, rooms_error()), match=words):
        run_rooms(CARDIOID, section=section, room=read_room(path), folder=tmp_path)


def rooms_error() -> type[Exception]:
    from evenfield.base import DataError

    return DataError


def test_outline_room_and_design_sections() -> None:
    section = parse_rooms(
        {
            "ensembles": ["studios"],
            "room": {
                "outline": [["0 m", "0 m"], ["6 m", "0 m"], ["6 m", "3 m"], ["3 m", "3 m"], ["3 m", "5 m"], ["0 m", "5 m"]],
                "height": "2.6 m",
                "surfaces": {"walls": 0.2, "floor": "carpet", "ceiling": "plaster", "wall 4": "curtain"},
                "loudspeakers": [{"at": ["1 m", "1.5 m", "1.2 m"]}],
                "seats": [["3 m", "1.5 m", "1.2 m"]],
            },
        }
    )
    assert section.room is not None
    scene = build_scene(section.room, Air(), Path())
    assert scene.room.volume == pytest.approx((6 * 3 + 3 * 2) * 2.6)
    response = rooms.respond(scene.room, rooms.omnidirectional(AXIS), scene.placements[0][1], scene.seats, order=3)
    assert response.splice_hz is None and np.all(np.isfinite(response.level_db))
    with pytest.raises(DesignError, match=r"console\.height"):
        parse_console({"height": "tall", "depth": "1 m", "width": "1 m", "distance": "1 m"})
