"""What cannot be used is refused in one sentence that says what to try."""

import re

import numpy as np
import pytest

from evenfield import rooms
from evenfield.base import DataError, Refusal, octave_axis
from evenfield.data import Directivity
from evenfield.data.directions import Directions, orbit_directions, orbit_vectors

AXIS = octave_axis(12, 90, 11000)
ROOM = rooms.box_room((5, 4, 2.7))
OMNI = rooms.omnidirectional(AXIS)
PLACE = rooms.Placement((1, 1.5, 1.2))
SEAT = (3.0, 2.0, 1.2)


def refused(pattern: str):  # type: ignore[no-untyped-def]
    return pytest.raises(DataError, match=pattern)


@pytest.mark.parametrize(
    ("position", "words"),
    [((-0.5, 1, 1), "front"), ((1, 4.2, 1), "left"), ((1, 1, 0.001), "floor"), ((1, 1, np.nan), "loudspeaker")],
)
def test_loudspeaker_outside_or_in_a_wall(position: tuple[float, ...], words: str) -> None:
    with refused(f"loudspeaker.*inside the room.*{words}|{words}.*inside"):
        rooms.respond(ROOM, OMNI, rooms.Placement(position), SEAT)


def test_way_in_a_wall() -> None:
    d = OMNI.ways[0]
    low = rooms.loudspeaker([d.replace(origin=(0, 0, -1.3)), d])
    with refused("way 1.*floor"):
        rooms.respond(ROOM, low, PLACE, SEAT)


def test_seat_outside() -> None:
    with refused("seat 1.*inside the room"):
        rooms.respond(ROOM, OMNI, PLACE, (6, 1, 1))


def test_two_seats_in_one_place() -> None:
    with refused("seat 2.*away from seat 1"):
        rooms.respond(ROOM, OMNI, PLACE, [SEAT, SEAT])


def test_seat_on_the_loudspeaker() -> None:
    with refused("at least 0.1 m"):
        rooms.respond(ROOM, OMNI, PLACE, PLACE.position)


@pytest.mark.parametrize("absorption", [-0.1, 1.2, float("nan")])
def test_absorption_out_of_range(absorption: float) -> None:
    with refused("between 0 and 1"):
        rooms.box_room((5, 4, 2.7), absorption)


@pytest.mark.parametrize("length", [(0, 4, 2.7), (5, -4, 2.7), (5, 4, float("nan")), (5, 4)])
def test_volume_of_zero(length: tuple[float, ...]) -> None:
    with refused("three positive lengths"):
        rooms.box_room(length)


def test_missing_and_unknown_walls() -> None:
    with refused("nothing for ceiling"):
        rooms.box_room((5, 4, 2.7), {"walls": 0.1, "floor": 0.1})
    with refused("named front"):
        rooms.box_room((5, 4, 2.7), {"wals": 0.1})
    with refused("Try 'plasterboard'"):
        rooms.box_room((5, 4, 2.7), "plaster board")


def test_overlapping_surfaces() -> None:
    with refused("free of crossings.*overlap"):
        rooms.prism([(0, 0), (4, 0), (0, 3), (4, 3)], 2.5)
    whole = rooms.prism([(0, 0), (4, 0), (4, 3), (0, 3)], 2.5)
    patch = np.array([[1, 1, 0], [2, 1, 0], [2, 2, 0], [1, 2, 0]], float)
    with refused("clear of floor|overlaps"):
        rooms.PolyhedralRoom((*whole.faces, patch), (*whole.surfaces, whole.surfaces[0]), (*whole.names, "rug"))


def test_open_room_and_twisted_face() -> None:
    whole = rooms.prism([(0, 0), (4, 0), (4, 3), (0, 3)], 2.5)
    with refused("joined to another face|above 0.1"):
        rooms.PolyhedralRoom(whole.faces[:-1], whole.surfaces[:-1], whole.names[:-1])
    bent = np.array([[0, 0, 0], [4, 0, 0], [4, 3, 0.5], [0, 3, 0]], float)
    with refused("plane within 1 mm"):
        rooms.PolyhedralRoom((bent, *whole.faces[1:]), whole.surfaces)


def test_point_in_the_missing_corner_of_an_l() -> None:
    room = rooms.prism([(0, 0), (6, 0), (6, 2), (2, 2), (2, 6), (0, 6)], 2.5)
    with refused("seat 1.*inside the room"):
        rooms.respond(room, OMNI, rooms.Placement((1, 1, 1)), (4, 4, 1))


@pytest.mark.parametrize("seed", [-1, 1.5, "one", True])
def test_seeds_that_cannot_be(seed: object) -> None:
    with refused("seed must be a whole number"):
        rooms.ensemble("studios", 3, seed)  # type: ignore[arg-type]


@pytest.mark.parametrize("count", [0, -3, 2.5, 10**7])
def test_counts_that_cannot_be(count: object) -> None:
    with refused("count must be a whole number"):
        rooms.ensemble("studios", count)  # type: ignore[arg-type]


def test_unknown_ensemble() -> None:
    with refused("studios, living-rooms"):
        rooms.ensemble("cathedrals", 3)


def orbits(directions: Directions) -> Directivity:
    v = directions.vectors
    return Directivity((0.6 + 0.4 * v[:, :1] + 0 * AXIS[None]).astype(complex), directions, AXIS)


def test_two_orbits_are_refused_until_asked_to_blend() -> None:
    d = orbits(orbit_directions())
    with refused("orbits only.*lacking.*blend"):
        rooms.respond(ROOM, d, PLACE, SEAT, low_hz=100, high_hz=10000)
    blended = rooms.respond(ROOM, d, PLACE, SEAT, low_hz=100, high_hz=10000, orbits="blend")
    found = re.search(r"([\d.]+) dB RMS", blended.provenance["pattern"])
    assert found and float(found[1]) < 0.1  # the pattern is the same in both planes, so the error stated is small


def test_blend_states_a_larger_error_for_unlike_planes() -> None:
    from evenfield.rooms.pattern import blend_orbits

    directions = orbit_directions()
    v = directions.vectors
    narrow = np.clip(0.5 + 0.5 * v[:, :1], 0.05, 1) ** (1 + 6 * np.abs(v[:, 2:]))
    d = Directivity((narrow + 0 * AXIS[None]).astype(complex), directions, AXIS)
    _, error = blend_orbits(d, v)
    assert error > 2


def test_missing_angles_are_named() -> None:
    angles = np.arange(-60.0, 70.0, 10.0)
    v = np.concatenate([orbit_vectors("horizontal", angles), orbit_vectors("vertical", angles[angles != 0])])
    with refused("horizontal orbit lacks the angles between 60 and 300 deg"):
        rooms.respond(ROOM, orbits(Directions(v)), PLACE, SEAT, low_hz=100, high_hz=10000, orbits="blend")


def test_no_phase_no_impulse_response() -> None:
    d = OMNI.ways[0].replace(phase_known=False)
    with pytest.raises(Refusal, match="needs phase"):
        rooms.impulse_response(ROOM, d, PLACE, SEAT)


def test_nothing_is_filled_in_beyond_the_data() -> None:
    response = rooms.respond(ROOM, OMNI, PLACE, SEAT)
    assert response.frequency[0] > 88 and response.frequency[-1] < 11300
    assert any("narrowed" in note for note in response.provenance["notes"])


def test_surface_file(tmp_path) -> None:  # type: ignore[no-untyped-def]
    path = tmp_path / "wall.csv"
    path.write_text("frequency_hz,absorption,scattering\n125,0.1,0.1\n1000,1.3,0.2\n", encoding="utf-8")
    with refused("wall: absorption.*1.3.*1000 Hz"):
        rooms.read_surface(path)
    path.write_text("hz,alpha\n125,0.1\n", encoding="utf-8")
    with refused("columns"):
        rooms.read_surface(path)
    path.write_text("# our own\nfrequency_hz,absorption\n125,0.1\n1000,0.3\n", encoding="utf-8")
    assert rooms.read_surface(path).absorption_at(1000.0) == pytest.approx(0.3)


def test_two_walls_of_one_axis_and_a_loudspeaker_in_the_wall() -> None:
    with refused("right angles"):
        rooms.boundary_effect(OMNI, {"left": 1.0, "right": 1.0})
    with refused("distance from the wall behind"):
        rooms.boundary_effect(OMNI, {"behind": -0.1})


def test_ensemble_too_small_for_a_spread() -> None:
    with refused("at least 2"):
        rooms.spread(rooms.play(rooms.ensemble("studios", 1), rooms.omnidirectional(octave_axis(12, 180, 12500))))
