"""Spread, causes, translation and the energy of what the rooms make."""

from dataclasses import replace

import numpy as np
import pytest

from evenfield import rooms
from evenfield.base import Refusal, octave_axis
from evenfield.data import sphere_directions
from evenfield.exact.patterns import first_order_directivity
from evenfield.rooms.by_cause import causes
from evenfield.rooms.room_spread import spread
from evenfield.rooms.sectors import SECTORS, sector_of

AXIS = octave_axis(24, 18, 21500)
DRAWN = rooms.ensemble("studios", 24, seed=2)
CARDIOID = first_order_directivity("cardioid", sphere_directions(5.0, False), AXIS)


@pytest.fixture(scope="module")
def played() -> rooms.Played:
    return rooms.play(DRAWN, [(CARDIOID.replace(origin=(0, 0, -0.08)), None), CARDIOID.replace(origin=(0, 0, 0.08))], causes=True)


def made_up(level: np.ndarray, like: rooms.Played) -> rooms.Played:
    third = like.third_octaves()
    return replace(third, energy=10 ** (level / 10), slopes=None)


def test_spread_of_a_made_up_ensemble(played: rooms.Played) -> None:
    """Levels whose room, place and seat parts are known: the measure returns them."""
    third = played.third_octaves()
    bands = len(third.frequency)
    g = np.random.default_rng(0)
    inside = (third.frequency > 240) & (third.frequency < 10300)
    parts = {"room": 2.0, "place": 1.0, "seat": 0.5}

    def draw(size: tuple[int, ...], sigma: float) -> np.ndarray:
        x = sigma * g.standard_normal((*size, bands))
        # remove the mean over the measured bands, as the measure does, and restore the variance that this takes
        x -= x[..., inside].mean(axis=-1, keepdims=True)
        return x / np.sqrt(1 - 1 / inside.sum())

    rooms_, places, seats = 3000, 2, 3
    level = draw((rooms_, 1, 1), 2.0) + draw((rooms_, places, 1), 1.0) + draw((rooms_, places, seats), 0.5)
    found = spread(made_up(level, played))
    assert found.room_db == pytest.approx(parts["room"], rel=0.03)
    assert found.place_db == pytest.approx(parts["place"], rel=0.03)
    assert found.seat_db == pytest.approx(parts["seat"], rel=0.03)
    assert found.spread_db == pytest.approx(np.sqrt(5.25), rel=0.02)
    assert abs(found.spread_db - np.sqrt(5.25)) < 4 * found.error_db


def test_sampling_error_is_what_repetition_shows(played: rooms.Played) -> None:
    g = np.random.default_rng(1)
    shape = (40, 1, 1, len(played.third_octaves().frequency))
    many = [spread(made_up(1.5 * g.standard_normal(shape), played)) for _ in range(300)]
    actual = np.std([m.spread_db for m in many])
    stated = np.mean([m.error_db for m in many])
    assert stated == pytest.approx(actual, rel=0.15)


def test_departure_of_a_bump_and_of_a_slope(played: rooms.Played) -> None:
    third = played.third_octaves()
    x = np.log2(third.frequency / 1000)
    tilted = np.broadcast_to(-1.5 * x, (3, 1, 1, len(x)))
    assert spread(made_up(tilted, played)).departure_db == pytest.approx(0.0, abs=1e-9)
    assert spread(made_up(tilted, played)).slope_db_per_octave == pytest.approx(-1.5)
    assert spread(made_up(tilted + np.sin(4 * x), played)).departure_db == pytest.approx(1 / np.sqrt(2), abs=0.1)


def test_spread_is_refused_without_the_band() -> None:
    narrow = rooms.play(DRAWN, rooms.omnidirectional(octave_axis(24, 400, 4000)))
    assert narrow.frequency[0] > 390
    with pytest.raises(Refusal, match="250 Hz to 10 kHz"):
        spread(narrow)


def test_direct_sound_is_free_field(played: rooms.Played) -> None:
    source = rooms.play(DRAWN, rooms.omnidirectional(AXIS))
    distance = np.linalg.norm(DRAWN.positions[:, :, None] - DRAWN.seats[:, None], axis=-1)
    i = int(np.argmin(np.abs(source.frequency - 1000)))
    air = 10 ** (-DRAWN.air.absorption_db_per_m(1000.0) * distance / 10)
    assert source.direct[..., i] == pytest.approx(air / distance**2, rel=2e-4)


def test_energy_is_kept_when_the_early_part_grows() -> None:
    """Total expected energy depends neither on where the exact part ends nor on scattering: the late part conserves energy."""
    plain = rooms.omnidirectional(AXIS)
    totals = []
    for early_s, scattering in ((0.010, 0.0), (0.040, 0.0), (0.020, 0.5)):
        quiet = replace(DRAWN, scattering=np.full_like(DRAWN.scattering, scattering), desks=np.zeros_like(DRAWN.desks))
        made = rooms.play(quiet, plain, low_hz=700, high_hz=6000, early_s=early_s, walls="constant")
        totals.append(10 * np.log10((made.direct + made.early + made.late).mean()))
    assert abs(totals[0] - totals[1]) < 0.35
    assert abs(totals[2] - totals[1]) < 0.35


def test_slopes_of_all_sectors_are_the_whole_energy(played: rooms.Played) -> None:
    assert played.slopes is not None
    assert played.slopes.shape[3] == 2 * SECTORS
    high = played.frequency > 500
    assert played.slopes.sum(axis=3)[..., high] == pytest.approx(1.0, abs=2e-3)


def test_cause_is_the_derivative() -> None:
    """A source split into a beam and the rest: raise the rest by 0.5 dB, and the spread moves as the table says (no speckle)."""
    directions = sphere_directions(5.0, False)
    beam = ((1 + directions.vectors[:, :1]) / 2) ** 4
    first = CARDIOID.replace(pressure=(beam + 0 * AXIS).astype(complex))
    rest = CARDIOID.replace(pressure=(1 - beam + 0 * AXIS).astype(complex))
    base = rooms.play(DRAWN, [first, rest], low_hz=200, high_hz=12000, causes=True)
    gain = np.full(len(AXIS), 10 ** (0.5 / 20), complex)
    moved = rooms.play(DRAWN, [first, (rest, gain)], low_hz=200, high_hz=12000)
    base, moved = (replace(p, energy=p.expected) for p in (base, moved))
    table = causes(base)
    change = spread(moved).spread_db - spread(base).spread_db
    assert abs(change) > 2e-3
    assert change == pytest.approx(0.5 * table.slope[1].sum(), rel=0.1)
    assert table.check == pytest.approx(0.0, abs=1e-6)


def test_sectors_cover_the_sphere_and_match_the_kernel() -> None:
    from evenfield.rooms.kernels import sector

    v = sphere_directions(5.0).vectors
    v = v @ np.linalg.qr(np.random.default_rng(0).standard_normal((3, 3)))[0]  # off the grid's ties
    ours = sector_of(v)
    assert set(ours) == set(range(SECTORS))
    assert [sector(*u) for u in v] == ours.tolist()


def test_ideal_source_has_its_index(played: rooms.Played) -> None:
    made = rooms.play(DRAWN, rooms.constant_index(7.0, AXIS))
    assert made.index_db == pytest.approx(7.0, abs=0.01)


def test_directive_loudspeaker_gives_more_direct_sound() -> None:
    ratio = [rooms.play(DRAWN, rooms.constant_index(i, AXIS)).direct_to_reflected_db.mean() for i in (0.0, 8.0)]
    assert ratio[1] - ratio[0] > 4


def test_translation_to_itself_is_the_rooms_alone() -> None:
    flat = rooms.play(DRAWN, rooms.omnidirectional(AXIS))
    same = rooms.translate(flat, flat)
    assert same.constant_db < 0.1 < same.varying_db
    small = rooms.translate_to_playback(flat, DRAWN)[0]
    assert small.to == "small"
    low = small.percentile_db[2][small.frequency < 63].max()
    assert low < -12  # a small system's second-order high-pass at 150 Hz


def test_early_reflections_of_an_omnidirectional_source_copy_it() -> None:
    hard = replace(DRAWN, absorption=np.full_like(DRAWN.absorption, 0.2), desks=np.zeros_like(DRAWN.desks))
    omni = rooms.play(hard, rooms.omnidirectional(AXIS), walls="constant")
    assert rooms.early_reflection_error_db(omni).max() < 0.5


def test_same_seed_same_rooms_and_prefix() -> None:
    again, more = rooms.ensemble("studios", 24, seed=2), rooms.ensemble("studios", 30, seed=2)
    assert np.array_equal(again.lengths, DRAWN.lengths)
    assert np.array_equal(more.seats[:24], DRAWN.seats)
    assert not np.array_equal(rooms.ensemble("studios", 24, seed=3).lengths, DRAWN.lengths)


def test_one_room_is_an_ensemble_of_one() -> None:
    """`respond` and `play` are two ways to the same expected levels."""
    single = DRAWN.room(0)
    place = DRAWN.placement(0)
    source = rooms.loudspeaker(CARDIOID)
    alone = rooms.respond(single, source, place, DRAWN.seats[0])
    ensemble = rooms.play(rooms.room_set(single, place, DRAWN.seats[0]), source)
    level = 10 * np.log10(ensemble.expected[0, 0]) - 20 * np.log10(20e-6)
    high = alone.frequency > 400
    assert alone.level_db[:, high] == pytest.approx(level[:, high], abs=0.05)
    assert alone.level_db[:, ~high] == pytest.approx(level[:, ~high], abs=0.3)


def test_a_step_in_directivity_shows_in_the_departure() -> None:
    """DI 3 dB below 2 kHz and 7 dB above, flat on axis: the mean curve departs from its line more than with a constant DI."""
    from evenfield.rooms.source import _axisymmetric

    index = 5.0 + 2.0 * np.tanh(8 * np.log2(AXIS / 2000.0))
    stepped = _axisymmetric((10 ** (index / 10) - 1) / 2, np.ones(len(AXIS)), AXIS, "stepped")
    drawn = rooms.ensemble("living-rooms", 80, seed=4)
    found = rooms.measure_spread(drawn, stepped, causes=False)
    assert found.loudspeaker.departure_db > found.ideal.departure_db + 3 * found.ideal.departure_error_db
