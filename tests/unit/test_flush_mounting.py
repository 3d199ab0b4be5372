"""`mounting` in the design file: free, flush, or so far before a wall."""

import numpy as np
import pytest

import evenfield as ef
from evenfield.loudspeaker.check import check_file
from evenfield.loudspeaker.design import Design
from evenfield.loudspeaker.filter_review import _trims
from evenfield.loudspeaker.mounting import mounting_notes
from evenfield.loudspeaker.rooms_run import run_rooms

AXIS = np.geomspace(100.0, 800.0, 14)
DESIGN = {
    "evenfield": 1,
    "name": "Dinghy",
    "brief": {"listening_distance": "1 m", "flatness": "6 dB", "flatness_from": "200 Hz", "highest_frequency": "700 Hz"},
    "cabinet": {"width": "160 mm", "height": "260 mm", "depth": "150 mm", "edge_radius": "15 mm", "net_volume": "2.5 L"},
    "vent": {"z": "-103 mm", "radius": "10 mm", "length": "80 mm", "face": "front"},
    "ways": {
        "low": {
            "place": {"z": "-40 mm"},
            "driver": {"kind": "cone", "re": "6 ohm", "bl": "4 Tm", "mms": "5 g", "fs": "80 Hz", "qms": 4, "sd": "40 cm2",
                       "xmax": "3 mm", "cone_depth": "8 mm"},
        },
        "high": {
            "place": {"z": "60 mm"},
            "driver": {"kind": "dome", "re": "4 ohm", "bl": "3 Tm", "mms": "0.8 g", "fs": "400 Hz", "qms": 1, "sd": "12 cm2",
                       "dome_height": "5 mm"},
        },
    },
    "handover": ["400 Hz"],
}  # fmt: skip


def design(mounting, **changes):
    return Design.model_validate({**DESIGN, "mounting": mounting, **changes})


@pytest.fixture(scope="module")
def flush(tmp_path_factory):
    return ef.predict(design("flush"), frequency_hz=AXIS, folder=tmp_path_factory.mktemp("flush"))


def test_flush_radiates_in_front_only(flush):
    for way in flush.ways.values():
        x = way.directions.vectors[:, 0]
        assert np.all(way.pressure[x < -1e-9] == 0)
        assert np.all(np.abs(way.pressure[x > 0.2]) > 0)


def test_a_low_source_flush_has_the_directivity_index_of_a_half_space(flush):
    # 10 lg 2 = 3.01 dB against the full sphere
    assert ef.metrics.directivity_index(flush.system)[:4] == pytest.approx(3.01, abs=0.08)  # ways added at 1 m
    curves = ef.metrics.standard_curves(flush.system)
    assert np.asarray(curves["sound_power_di"])[:4] == pytest.approx(3.01, abs=0.12)  # the standard's two-orbit weights
    assert all(np.all(np.isfinite(np.asarray(curves[name]))) for name in curves)


def test_flush_is_six_decibels_louder_at_low_frequency(flush):
    # the same volume velocity into half the space, the box's spring far stiffer than any load of air
    free = ef.predict(design("free"), frequency_hz=AXIS[:3])
    gain = 20 * np.log10(np.abs(flush.system.on_axis()[:3] / free.system.on_axis()))
    assert gain == pytest.approx(6.02, abs=0.2)


def test_flush_says_what_its_figures_mean(flush):
    assert any("infinite rigid baffle" in n for n in ef.judge(flush).notes)
    assert [t.name for t in _trims(flush)] == ["desk"]


def test_flush_says_that_the_gpu_is_idle_where_there_is_one(monkeypatch):
    monkeypatch.setattr("evenfield.radiation.flush.choose_devices", lambda name: ())
    assert not any("CPU" in n for n in mounting_notes(design("flush")))
    monkeypatch.setattr("evenfield.radiation.flush.choose_devices", lambda name: ("a card",))
    assert any("solved on the CPU" in n for n in mounting_notes(design("flush")))
    assert mounting_notes(design("free")) == ()


def test_rooms_refuse_a_loudspeaker_that_has_its_wall_already(flush):
    with pytest.raises(ef.Refusal, match="count it twice"):
        run_rooms(flush)


def test_a_flush_vent_at_the_rear_is_refused():
    rear = design("flush", vent={**DESIGN["vent"], "face": "rear"})
    with pytest.raises(ef.DesignError, match="no listener") as caught:
        ef.predict(rear)
    assert caught.value.key == "vent.face"


def test_a_proud_waveguide_is_refused_flush():
    guide = {"throat_radius": "12.5 mm", "entry_angle": "8 deg", "depth": "30 mm", "proud": "10 mm",
             "mouth": {"shape": "round", "radius": "40 mm"}}  # fmt: skip
    high = {**DESIGN["ways"]["high"], "waveguide": guide}
    with pytest.raises(ef.DesignError, match="partly before it") as caught:
        ef.predict(design("flush", ways={**DESIGN["ways"], "high": high}))
    assert caught.value.key == "ways.high.waveguide.proud"


def test_before_a_wall_the_prediction_stays_free_field():
    near, free = (ef.predict(design(m), frequency_hz=AXIS[:3]) for m in ({"wall": "0.3 m"}, "free"))
    assert near.system.pressure == pytest.approx(free.system.pressure)
    assert any("0.30 m before a wall" in n for n in near.notes)
    # the near-wall trim takes the stated distance, from the front
    assert next(t for t in _trims(near) if t.name == "near-wall").distances == pytest.approx((0.45,))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("{wal: 0.3 m}", ["mounting.wal", "'wall'"]),
        ("{wall: 0 m}", ["mounting.wall", "more than 0 m"]),
        ("flsh", ["mounting", "'flush'"]),
    ],
)
def test_a_bad_mounting_names_the_key(tmp_path, text, words):
    path = tmp_path / "bad.yaml"
    path.write_text(
        f"evenfield: 1\nname: x\nmounting: {text}\n"
        "cabinet: {width: 160 mm, height: 220 mm, depth: 150 mm, edge_radius: 15 mm, net_volume: 2.5 L}\n"
        "ways:\n  low:\n    driver: {kind: dome, re: 4 ohm, bl: 3 Tm, mms: 0.8 g, fs: 400 Hz, qms: 1, sd: 12 cm2}\n",
        encoding="utf-8",
    )
    with pytest.raises(ef.DesignError) as caught:
        check_file(path)
    for word in words:
        assert word in str(caught.value), str(caught.value)
