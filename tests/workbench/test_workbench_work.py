"""Long work beside the page: seen, stopped, resumed, and what is left of it when the server is killed."""

import os
import signal
import time

import psutil
import pytest
from bench_fixture import Page, serving, write_design

TINY = """\
evenfield: 1
name: Buoy
cabinet: {width: 80 mm, height: 90 mm, depth: 60 mm, edge_radius: 8 mm, wall_thickness: 3 mm}
ways:
  full:
    driver: {kind: cone, re: 4 ohm, bl: 2 Tm, mms: 1 g, fs: 150 Hz, qms: 3, sd: 10 cm2, xmax: 1 mm, cone_depth: 3 mm}
"""


def worker_of(process):
    """The worker among a server's children: niced, with the solver in it."""
    for child in psutil.Process(process.pid).children(recursive=True):
        try:
            if child.nice() == 5:
                return child
        except psutil.NoSuchProcess:
            continue
    return None


def gone(process, seconds):
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if not process.is_running() or process.status() == psutil.STATUS_ZOMBIE:
            return True
        time.sleep(0.05)
    return False


def job(header):
    return header["list"][0] if header["type"] == "jobs" else header


def test_a_full_solve_is_seen_stopped_kept_and_resumed_even_after_a_kill(tmp_path):
    path = tmp_path / "buoy.yaml"
    path.write_text(TINY, encoding="utf-8")
    results = tmp_path / ".evenfield" / "results"
    with serving(path) as (address, process), Page(address) as page:
        state = page.greet("curves")
        assert state["is_solved"] is False
        header, _ = page.picture("curves")
        assert header["state"] == "unsolved" and "full solve" in header["reason"]
        number = page.ask(type="start", work="solve")["job"]
        seen, _ = page.until(lambda h: h["type"] == "progress" and h["done"] >= 3, 240)
        assert seen["total"] > 40 and "Hz" in seen["what"] and (seen["left_s"] is None or seen["left_s"] > 0)
        worker = worker_of(process)
        assert worker is not None
        page.ask(type="stop", job=number)
        page.until(lambda h: h["type"] == "jobs" and job(h)["state"] == "stopped", 10)
        assert gone(worker, 3.0)
        kept = len(list(results.glob("[!.]*.nc")))
        assert kept >= 3

        page.say(type="start", work="solve")
        page.until(lambda h: h["type"] == "progress" and h["state"] == "running" and h["done"] >= kept + 1, 240)
        worker = worker_of(process)
        os.kill(process.pid, signal.SIGKILL)
        assert gone(worker, 3.0)
    with serving(path) as (address, process), Page(address) as page:
        assert page.greet()["revision"] == state["revision"]
        page.say(type="start", work="solve")
        seen, _ = page.until(lambda h: h["type"] == "progress" and h["done"] > 0, 240)
        assert seen["done"] >= kept + 1
        page.ask(type="stop", job=seen["job"])
    assert not list(results.glob(".*part*"))


@pytest.fixture(scope="module")
def server(tmp_path_factory):
    with serving(write_design(tmp_path_factory.mktemp("work"))) as found:
        yield found


def test_a_design_that_rests_unsolved_is_solved_by_itself_and_the_newest_first(tmp_path):
    path = tmp_path / "buoy.yaml"
    path.write_text(TINY, encoding="utf-8")
    with serving(path, "--solve") as (address, _), Page(address) as page:
        state = page.greet()
        assert state["solve_at_rest"] is True
        first, _ = page.until(lambda h: h["type"] == "jobs" and h["list"] and job(h)["state"] == "running", 30)
        assert job(first)["work"] == "solve" and job(first)["revision"] == state["revision"]
        changed = page.ask(type="edit", path="ways.full.driver.sd", text="9 cm2")["revision"]
        later, _ = page.until(
            lambda h: h["type"] == "jobs" and job(h)["revision"] == changed and job(h)["state"] == "running", 40
        )
        assert [j["state"] for j in later["list"]] == ["running", "stopped"]
        page.ask(type="stop", job=job(later)["job"])
        # what was stopped by hand does not begin again by itself
        assert next(h for h in reversed(page.heard) if h["type"] == "state")["solve_at_rest"] is False


def test_rooms_are_run_beside_and_shown_when_found(server):
    with Page(server[0]) as page:
        page.greet(("fan", {"ensemble": "studios"}))
        header, _ = page.picture("fan")
        assert header["state"] == "unsolved" and header["needs"] == "rooms"
        page.ask(type="start", work="rooms", options={"count": 8, "ensembles": ["studios"]})
        done, _ = page.until(lambda h: h["type"] == "jobs" and job(h)["state"] in ("done", "failed"), 120)
        assert job(done)["state"] == "done", job(done)["error"]
        header, arrays = page.picture("fan", lambda h: h["state"] == "solved")
        assert header["numbers"][0]["label"] == "Room spread" and "8 rooms" in header["caption"]
        answer = page.ask(type="changes", **{"from": header["revision"], "to": header["revision"]})
        spread = next(n for n in answer["numbers"] if n["label"] == "Room spread, studios")
        assert spread["text"][0] in header["numbers"][0]["text"].replace(" ±", " dB ±") and spread["change"] == "+0.00 dB"
        low, high = (arrays[f"level.wide.{side}"] for side in ("low", "high"))
        assert (low <= arrays["level.median"]).all() and (arrays["level.median"] <= high).all()


def test_work_that_cannot_be_done_fails_with_its_reason(server):
    with Page(server[0]) as page:
        page.greet()
        page.ask(type="start", work="motors")
        done, _ = page.until(lambda h: h["type"] == "jobs" and job(h)["state"] in ("done", "failed"), 60)
        assert job(done)["state"] == "failed" and "ways.woofer.motor must be given" in job(done)["error"]


def test_a_thinking_process_that_dies_is_started_again(server):
    address, process = server
    with Page(address) as page:
        page.greet("ways")
        page.picture("ways")
        child = next(c for c in psutil.Process(process.pid).children() if c.nice() == 0 and "spawn_main" in " ".join(c.cmdline()))
        child.kill()
        deadline = time.monotonic() + 60
        answer = {"type": "error"}
        while answer["type"] == "error" and time.monotonic() < deadline:
            answer = page.ask(type="edit", path="ways.tweeter.filters.gain", text="-4.2 dB")
        assert answer["type"] == "accepted"
