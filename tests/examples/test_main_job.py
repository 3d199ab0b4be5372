"""The main job on a shipped example, as a user runs it: predicted, judged, reported; and again."""

import json
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("skiff")
    shutil.copy(ROOT / "examples" / "skiff.yaml", folder)
    return folder


def command(folder):
    return [sys.executable, "-m", "evenfield", "predict", str(folder / "skiff.yaml"), "--report", str(folder / "out"), "--json"]


def hear_interrupts():
    """A shell's background job ignores Ctrl-C, and so would its children."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


def test_skiff_is_stopped_resumed_and_meets_its_brief(folder):
    first = subprocess.Popen(
        command(folder), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, preexec_fn=hear_interrupts
    )
    results = folder / ".evenfield" / "results"
    deadline = time.monotonic() + 240
    while time.monotonic() < deadline and len(list(results.glob("[!.]*.nc"))) < 3:
        time.sleep(0.2)
    first.send_signal(signal.SIGINT)
    _, words = first.communicate(timeout=60)
    assert first.returncode == 2
    assert "kept" in words and "Traceback" not in words
    assert not (folder / "out").exists()
    kept = {p.name for p in results.glob("*.nc")}
    assert len(kept) >= 3

    done = subprocess.run(command(folder), capture_output=True, text=True, timeout=900)
    assert done.returncode == 0, done.stderr + done.stdout
    verdict = json.loads(done.stdout)
    lines = {line["name"]: line for line in verdict["lines"]}
    assert verdict["passed"] is True
    assert lines["handover step, woofer to tweeter"]["passed"] is True
    assert lines["DI ripple"]["passed"] is True
    for name in ("skiff.html", "skiff.pdf"):
        assert (folder / "out" / name).stat().st_size > 100_000


def test_a_rerun_changes_nothing(folder):
    before = {p: p.stat().st_mtime_ns for p in (folder / "out").iterdir()}
    done = subprocess.run(command(folder), capture_output=True, text=True, timeout=120)
    assert done.returncode == 0
    assert {p: p.stat().st_mtime_ns for p in (folder / "out").iterdir()} == before


def test_a_changed_filter_needs_no_new_field(folder):
    text = (folder / "skiff.yaml").read_text(encoding="utf-8").replace("gain: -12.1 dB", "gain: -6.1 dB")
    (folder / "skiff.yaml").write_text(text, encoding="utf-8")
    done = subprocess.run(command(folder), capture_output=True, text=True, timeout=120)
    assert done.returncode == 1
    lines = {line["name"]: line for line in json.loads(done.stdout)["lines"]}
    assert lines["flatness"]["passed"] is False
    assert len(list((folder / ".evenfield" / "results").glob("*.nc"))) == 1
