"""The store: whole or not at all, safe beside other processes."""

import os
import signal
import subprocess
import sys
import textwrap

import numpy as np
import pytest

import evenfield as ef
from evenfield.base import files
from evenfield.loudspeaker.store import Store, key_of


def test_round_trip_keeps_real_and_complex(tmp_path):
    store = Store(tmp_path)
    arrays = {"a": np.arange(6.0).reshape(2, 3) * (1 - 2j), "b": np.array([1, 2, 3]), "c": np.float64(0.5)}
    store.write("k", "test", arrays)
    back = store.read("k")
    assert set(back) == set(arrays)
    for name, value in arrays.items():
        assert np.array_equal(back[name], value)
    assert store.read("other") is None


def test_a_damaged_result_counts_as_absent(tmp_path):
    store = Store(tmp_path)
    store.write("k", "test", {"a": np.ones(1000)})
    path = store.path_of("k")
    path.write_bytes(path.read_bytes()[:200])
    assert store.read("k") is None
    assert not path.exists()


def test_a_full_disk_leaves_nothing_behind(tmp_path, monkeypatch):
    store = Store(tmp_path)

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(files.os, "replace", full)
    with pytest.raises(ef.EvenfieldError, match="disk is full"):
        store.write("k", "test", {"a": np.ones(3)})
    assert list(store.results.iterdir()) == []


def test_keys_follow_what_was_used():
    assert key_of(1.0, "a") == key_of(1.0, "a")
    assert key_of(1.0) != key_of(np.nextafter(1.0, 2.0))
    assert key_of({"a": 1, "b": 2}) == key_of({"b": 2, "a": 1})
    assert key_of(ef.Air()) != key_of(ef.Air(density=1.2))


def test_runs_tell_how_they_ended(tmp_path):
    store = Store(tmp_path)
    with store.run("skiff", "text"):
        pass
    with pytest.raises(KeyboardInterrupt), store.run("skiff", "text 2"):
        raise KeyboardInterrupt
    with pytest.raises(ef.DesignError), store.run("skiff", "text 3"):
        raise ef.DesignError("no")
    assert [state for *_, state in store.runs()] == ["done", "interrupted", "refused"]


WRITER = """
import sys, numpy as np
from evenfield.loudspeaker.store import Store
store = Store(sys.argv[1])
for i in range(int(sys.argv[2])):
    store.write(f"key{i % 7}", "test", {"a": np.full(4000, i % 7)})
    if i == 3:
        print("going", flush=True)
"""


def test_two_writers_and_a_killed_one_leave_only_whole_results(tmp_path):
    command = [sys.executable, "-c", textwrap.dedent(WRITER), str(tmp_path)]
    doomed = subprocess.Popen([*command, "100000"], stdout=subprocess.PIPE)
    others = [subprocess.Popen([*command, "60"], stdout=subprocess.PIPE) for _ in range(2)]
    assert doomed.stdout.readline() == b"going\n"
    os.kill(doomed.pid, signal.SIGKILL)
    doomed.wait()
    assert [p.wait(timeout=60) for p in others] == [0, 0]
    store = Store(tmp_path)
    for i in range(7):
        assert np.array_equal(store.read(f"key{i}")["a"], np.full(4000, i))


def test_an_index_of_an_older_layout_is_carried_over_and_said(tmp_path):
    import sqlite3

    from evenfield.loudspeaker.revisions import Revisions

    (tmp_path / ".evenfield").mkdir()
    with sqlite3.connect(tmp_path / ".evenfield" / "index.sqlite") as old:
        old.execute("CREATE TABLE result (key TEXT PRIMARY KEY, kind TEXT NOT NULL, made REAL NOT NULL)")
        old.execute("INSERT INTO result VALUES ('k', 'sweep', 1.0)")
        old.execute(
            "CREATE TABLE design_revision (id INTEGER PRIMARY KEY, design TEXT, number INTEGER, made REAL, who TEXT, what TEXT, "
            "key TEXT, text TEXT)"
        )
        old.execute("INSERT INTO design_revision VALUES (1, 'a.yaml', 1, 2.0, 'me', 'opened', 'x', 'name: a')")
        old.execute("CREATE TABLE stand (design TEXT PRIMARY KEY, current INTEGER)")
    old.close()
    store = Store(tmp_path)
    revisions = Revisions(store, "a.yaml")
    assert revisions.get(1).text == "name: a" and revisions.current() is None
    assert revisions.add("name: b", "me", "changed").number == 2
    with store.index() as index:
        assert index.execute("SELECT kind, seconds FROM result").fetchall() == [("sweep", None)]
        assert index.execute("SELECT COUNT(*) FROM design_revision_before_1").fetchone() == (1,)
    notes = store.layout_notes()
    assert len(notes) == 3 and "1 rows of an older layout were carried over" in notes[0]
    assert Store(tmp_path).layout_notes() == notes
