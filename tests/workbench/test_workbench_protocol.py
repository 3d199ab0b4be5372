"""The workbench as a page hears it: state, pictures, edits, revisions, two tabs, the file on disk."""

import csv
import io
import json

import numpy as np
import pytest
from bench_fixture import TEXT, Page, serving, write_design

from evenfield.loudspeaker.load import load_design
from evenfield.loudspeaker.predict import predict

DEPTH = "ways.tweeter.waveguide.depth"
GAIN = "ways.tweeter.filters.gain"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("bench")


@pytest.fixture(scope="module")
def design(folder):
    return write_design(folder)


@pytest.fixture(scope="module")
def address(design):
    with serving(design) as (line, _):
        yield line


@pytest.fixture
def page(address, design):
    """A page on the design as written, whatever an earlier test did to it."""
    with Page(address) as page:
        if design.read_text(encoding="utf-8") != TEXT:
            design.write_text(TEXT, encoding="utf-8")
        state = page.greet()
        if state["file"]["state"] != "good" or field(state, DEPTH)["text"] != "24 mm" or field(state, GAIN)["text"] != "-4 dB":
            page.until(lambda h: h["type"] == "state" and h["file"]["state"] == "good" and field(h, DEPTH)["text"] == "24 mm"
                       and field(h, GAIN)["text"] == "-4 dB")  # fmt: skip
        yield page


def field(state, path):
    return next(f for s in state["sections"] for f in s["fields"] if f["path"] == path)


def test_the_outline_holds_every_value_with_its_unit_step_and_limits(page):
    page.say(type="open", design="dinghy.yaml")
    state, _ = page.until(lambda h: h["type"] == "state")
    assert state["is_solved"] is True and state["ways"] == ["woofer", "tweeter"]
    depth = field(state, DEPTH)
    assert (depth["text"], depth["value"], depth["unit"], depth["effect"]) == ("24 mm", 24.0, "mm", "field")
    assert depth["min"] == 0.0 and depth["max"] == 5000.0 and depth["step"] == 0.5 and depth["governing"] is True
    assert field(state, "ways.woofer.driver.re")["tolerance"] == pytest.approx(0.05)
    assert field(state, "brief.standard")["choices"] == ["none", "itu-r-bs1116", "ebu-tech3276"]
    groups = [s["group"] for s in state["sections"]]
    assert groups == sorted(groups, key=["brief", "ways", "waveguide", "cabinet", "filters", "other"].index)


def test_pictures_are_those_of_the_prediction(page, design):
    page.say(type="subscribe", pictures=[{"id": "m", "kind": "polar", "options": {"plane": "vertical"}}])
    header, arrays = page.picture("m")
    assert header["state"] == "solved" and header["provisional"] is None and header["current"] is True
    prediction = predict(load_design(design), folder=design.parent)
    i = int(np.argmin(np.abs(arrays["y"] - 30)))
    level = np.abs(prediction.system.orbit("vertical", [30.0])[0]) / np.abs(prediction.system.on_axis())
    assert arrays["level"][i] == pytest.approx(20 * np.log10(level), abs=2e-3)


def test_an_edit_changes_one_value_on_disk_and_nothing_else(page, design):
    answer = page.ask(type="edit", path=GAIN, text="-5.5 dB")
    assert answer["type"] == "accepted"
    assert design.read_text(encoding="utf-8") == TEXT.replace("gain: -4 dB", "gain: -5.5 dB")
    assert page.ask(type="edit", path=DEPTH, value=25)["type"] == "accepted"
    assert "depth: 25 mm     # shallow" in design.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("path", "text", "nearest"),
    [
        (DEPTH, "26", "26 mm"),
        (DEPTH, "-3 mm", None),
        ("ways.tweeter.waveguide.mouth.width", "400 mm", None),
        ("brief.standard", "itu", "itu-r-bs1116"),
        ("ways.woofer.driver.sd", "80 mm", "80 cm2"),
    ],
)
def test_a_bad_value_is_refused_with_the_rule_and_the_nearest_that_is_allowed(page, design, path, text, nearest):
    answer = page.ask(type="edit", path=path, text=text)
    assert answer["type"] == "error" and answer["path"] == path and "must" in answer["rule"], answer
    assert nearest is None or answer["nearest"] == nearest
    assert design.read_text(encoding="utf-8") == TEXT
    if answer["nearest"] is not None:
        assert page.ask(type="edit", path=path, text=answer["nearest"])["type"] == "accepted"


def test_the_nearest_allowed_value_lies_one_step_within_the_rule(page):
    nearest = page.ask(type="edit", path=DEPTH, text="-3 mm")["nearest"]
    value = float(nearest.removesuffix(" mm"))
    assert 0 < value < 24
    assert page.ask(type="edit", path=DEPTH, value=value - 0.5)["type"] == "error"
    assert page.ask(type="edit", path=DEPTH, value=value)["type"] == "accepted"


def test_undo_and_redo_write_the_file_and_keep_the_revisions(page, design):
    page.ask(type="edit", path=GAIN, text="-6 dB")
    page.ask(type="edit", path=GAIN, text="-7 dB")
    second = page.ask(type="undo")
    assert "gain: -6 dB" in design.read_text(encoding="utf-8")
    page.ask(type="undo")
    assert design.read_text(encoding="utf-8") == TEXT
    page.ask(type="redo")
    assert page.ask(type="redo")["revision"] == second["revision"] + 1
    assert "gain: -7 dB" in design.read_text(encoding="utf-8")
    assert page.ask(type="redo")["type"] == "error"
    listed = next(h for h in reversed(page.heard) if h["type"] == "revisions")["list"]
    current = next(r for r in listed if r["current"])
    assert current["what"] == "tweeter filters gain: -6 dB → -7 dB" and current["who"] and current["when"] > 1e9


def test_a_second_tab_sees_the_first_ones_change(page, address):
    with Page(address) as other:
        other.greet()
        page.ask(type="edit", path=GAIN, text="-4.5 dB")
        state, _ = other.until(lambda h: h["type"] == "state" and field(h, GAIN)["text"] == "-4.5 dB")
        assert state["can_undo"] is True


def test_an_edit_in_an_editor_appears_as_a_revision(page, design):
    design.write_text(TEXT.replace("gain: -4 dB", "gain: -3 dB   # by ear"), encoding="utf-8")
    page.until(lambda h: h["type"] == "file-changed")
    state, _ = page.until(lambda h: h["type"] == "state")
    assert field(state, GAIN)["text"] == "-3 dB"
    listed, _ = page.until(lambda h: h["type"] == "revisions")
    assert listed["list"][0]["who"] == "editor" and listed["list"][0]["what"] == "tweeter filters gain: -4 dB → -3 dB"


def test_a_file_broken_on_disk_leaves_the_last_good_state_with_error_and_line(page, design):
    broken = TEXT.replace("depth: 24 mm", "dept: 24 mm")
    design.write_text(broken, encoding="utf-8")
    state, _ = page.until(lambda h: h["type"] == "state" and h["file"]["state"] == "broken")
    assert "dept" in state["file"]["error"] and state["file"]["line"] == broken[: broken.index("dept: 24")].count("\n") + 1
    assert field(state, DEPTH)["text"] == "24 mm"
    refused = page.ask(type="edit", path=GAIN, text="-2 dB")
    assert refused["type"] == "error" and "Mend it first" in refused["text"]
    assert design.read_text(encoding="utf-8") == broken
    design.write_text(TEXT, encoding="utf-8")
    state, _ = page.until(lambda h: h["type"] == "state" and h["file"]["state"] == "good")
    assert field(state, DEPTH)["text"] == "24 mm"


def test_a_design_that_was_never_good_is_shown_with_its_error_and_then_mended(page, folder):
    path = folder / "raft.yaml"
    path.write_text("evenfield: 1\nname: Raft\ncabinet: {width: 1 m}\n", encoding="utf-8")
    page.say(type="open", design="raft.yaml")
    state, _ = page.until(lambda h: h["type"] == "state" and h["design"] == "raft.yaml")
    assert state["file"]["state"] == "broken" and "ways must be given" in state["file"]["error"] and state["sections"] == []
    path.write_text(TEXT.replace("Dinghy", "Raft"), encoding="utf-8")
    state, _ = page.until(lambda h: h["type"] == "state" and h["file"]["state"] == "good")
    assert state["name"] == "Raft" and state["revision"] == 1 and state["is_solved"] is True
    path.unlink()
    state, _ = page.until(lambda h: h["type"] == "state" and h["file"]["state"] == "gone")
    assert state["name"] == "Raft"


def test_a_value_changed_on_both_sides_is_a_conflict_and_is_not_overwritten(page, design):
    base = next(h for h in reversed(page.heard) if h["type"] == "state")["revision"]
    disk = TEXT.replace("gain: -4 dB", "gain: -9 dB")
    design.write_text(disk, encoding="utf-8")
    answer = page.ask(type="edit", path=GAIN, text="-1 dB", base=base)
    assert answer["type"] == "conflict" and answer["disk"]["what"][0]["after"] == "-9 dB"
    assert design.read_text(encoding="utf-8") == disk
    # another value meets no conflict: both changes stand
    assert page.ask(type="edit", path=DEPTH, text="23 mm")["type"] == "accepted"
    assert design.read_text(encoding="utf-8") == disk.replace("24 mm", "23 mm")
    assert page.ask(type="resolve", choice="page", changes=answer["page"])["type"] == "accepted"
    assert "gain: -1 dB" in design.read_text(encoding="utf-8")


def test_a_drag_answers_provisionally_and_writes_nothing_until_accepted(page, design):
    page.say(type="subscribe", pictures=[{"id": k, "kind": k, "options": {}} for k in ("handover", "polar")])
    page.picture("polar")
    page.say(type="drag", seq=7, changes=[{"path": DEPTH, "value": 27}])
    shape, arrays = page.until(lambda h: h["type"] == "geometry" and h["provisional"] == {"seq": 7})
    assert min(
        float(arrays[line["array"]][:, 0].min()) for line in shape["views"]["side"] if line["name"] == "tweeter.walls"
    ) == (pytest.approx(-0.027, abs=1e-5))
    polar, _ = page.picture("polar", lambda h: h["provisional"] is not None)
    about = polar["provisional"]
    assert about["seq"] == 7 and about["model"] == "axisymmetric difference" and about["exact"] is False
    assert about["frequencies"] == 24 and about["band_hz"] == pytest.approx([400.0, 16000.0]) and "round model" in about["words"]
    assert design.read_text(encoding="utf-8") == TEXT
    assert page.ask(type="accept", seq=7, note="deeper")["type"] == "accepted"
    assert "depth: 27 mm     # shallow" in design.read_text(encoding="utf-8")
    rest, _ = page.picture("polar", lambda h: h["state"] == "provisional" and h["provisional"]["seq"] is None)
    assert rest["revision"] > rest["provisional"]["from"]
    state = next(h for h in reversed(page.heard) if h["type"] == "state")
    assert state["is_solved"] is False


def test_of_many_wishes_the_newest_is_answered_and_old_ones_are_dropped(page):
    page.say(type="subscribe", pictures=[{"id": "polar", "kind": "polar", "options": {}}])
    page.picture("polar")
    for seq in range(1, 41):
        page.say(type="drag", seq=seq, changes=[{"path": GAIN, "value": -4 - seq / 10}])
    page.picture("polar", lambda h: (h["provisional"] or {}).get("seq") == 40)
    answered = {h["provisional"]["seq"] for h in page.heard if h["type"] == "picture" and h["provisional"]}
    assert len(answered) < 20 and max(answered) == 40
    wish = next(h for h in reversed(page.heard) if h["type"] == "picture" and h["provisional"])["provisional"]
    assert wish["exact"] is True and wish["model"] == "circuits"


def test_a_change_beyond_the_quick_model_says_so(page):
    page.say(type="subscribe", pictures=[{"id": "polar", "kind": "polar", "options": {}}])
    page.picture("polar")
    page.say(type="drag", seq=1, changes=[{"path": "cabinet.width", "value": 230}])
    header, _ = page.picture("polar", lambda h: h["state"] != "solved")
    assert header["state"] == "unsolved" and "cabinet" in header["reason"] and "until it is solved" in header["reason"]


def test_pinned_revisions_are_sent_beside_the_current_one(page):
    page.say(type="subscribe", pictures=[{"id": "ways", "kind": "ways", "options": {}}])
    first, before = page.picture("ways")
    page.ask(type="pin", revision=first["revision"])
    page.ask(type="edit", path=GAIN, text="-8 dB")
    shown = {}
    while set(shown) != {True, False}:
        header, arrays = page.picture("ways", lambda h: h["state"] == "solved")
        if header["current"] is (header["revision"] != first["revision"]):
            shown[header["current"]] = (header, arrays)
    pinned, old = shown[False]
    assert pinned["revision"] == first["revision"] and pinned["pinned"] is True
    assert old["level.tweeter"] == pytest.approx(before["level.tweeter"])
    assert shown[True][1]["level.tweeter"] == pytest.approx(before["level.tweeter"] - 4.0, abs=1e-3)
    page.ask(type="unpin", revision=first["revision"])


def test_what_a_change_did_is_told_by_lines_and_numbers(page):
    first = next(h for h in reversed(page.heard) if h["type"] == "state")["revision"]
    second = page.ask(type="edits", note="louder and lower", changes=[
        {"path": GAIN, "text": "4 dB"}, {"path": "ways.woofer.filters.sections.0.frequency", "text": "1.5 kHz"},
    ])["revision"]  # fmt: skip
    answer = page.ask(type="changes", **{"from": first, "to": second})
    assert {w["path"] for w in answer["what"]} == {GAIN, "ways.woofer.filters.sections.0.frequency"}
    lines = {(x["group"], x["name"]): x for x in answer["lines"]}
    assert lines["brief", "flatness"]["verdict"] in ("lost", "worse")
    crossing = next(n for n in answer["numbers"] if n["label"].startswith("Crossover"))
    assert crossing["after"] < crossing["before"]


def test_an_exported_csv_holds_what_the_prediction_holds(page, design):
    page.say(type="export", id=77, picture={"kind": "curves", "options": {}}, format="csv")
    header, arrays = page.until(lambda h: h.get("re") == 77)
    rows = list(csv.reader(io.StringIO(bytes(arrays["bytes"]).decode("utf-8"))))
    assert header["name"].startswith("dinghy-r") and header["name"].endswith(".csv")
    column = rows[0].index("Level, On axis [dB]")
    prediction = predict(load_design(design), folder=design.parent)
    level = 20 * np.log10(np.abs(prediction.system.on_axis()) * 8**0.5 / 20e-6)
    assert [float(r[column]) for r in rows[1:]] == pytest.approx(level, abs=1e-9)


def test_sections_are_added_and_taken_out_with_comments_kept(page, design):
    path = "ways.woofer.filters.sections"
    assert (
        page.ask(type="edit", path=f"{path}.+", text="{kind: peaking, frequency: 1 kHz, gain: -2 dB, q: 2}")["type"] == "accepted"
    )
    assert "        - {kind: peaking, frequency: 1 kHz, gain: -2 dB, q: 2}\n" in design.read_text(encoding="utf-8")
    assert page.ask(type="edit", path=f"{path}.2", text="")["type"] == "accepted"
    assert design.read_text(encoding="utf-8") == TEXT


def test_messages_that_make_no_sense_are_answered_and_harm_nothing(page):
    assert "not known" in page.ask(type="dance")["text"]
    assert page.ask(type="edit", text="1 mm")["type"] == "error"
    assert page.ask(type="start", work="report", options={"folder": "/", "stem": "x"})["type"] == "error"
    assert page.ask(type="goto", revision=10**6)["type"] == "error"
    assert page.ask(type="open", design="../../etc/passwd")["type"] == "error"
    page.say(type="subscribe", pictures=[{"id": "a", "kind": "portrait", "options": {}}])
    header, _ = page.picture("a")
    assert header["state"] == "refused" and "must be one of" in header["reason"]
    assert page.ask(type="ping")["type"] == "pong"


def test_revisions_outlive_the_server(folder, design, page):
    revision = page.ask(type="edit", path=GAIN, text="-2.5 dB", note="kept")["revision"]
    with serving(design) as (line, _), Page(line) as other:
        state = other.greet()
        assert state["revision"] == revision and field(state, GAIN)["text"] == "-2.5 dB"
        listed, _ = other.until(lambda h: h["type"] == "revisions")
        assert json.dumps(listed["list"][0]["what"]) and listed["list"][0]["revision"] == revision
