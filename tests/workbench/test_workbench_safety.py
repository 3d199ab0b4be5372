"""Who may talk to the workbench, and what it may be talked into: hosts, origins, tokens, paths, sizes, slow and bad clients."""

import http.client
import json
import socket
import time

import numpy as np
import psutil
import pytest
from bench_fixture import Page, port_of, serving, token_of, write_design
from websockets.exceptions import ConnectionClosed, InvalidStatus

from evenfield.data import Directivity, sphere_directions
from evenfield.data.files import write_directivity
from evenfield.workbench.frames import decode, encode
from evenfield.workbench.guard import DROP_LIMIT, policy
from evenfield.workbench.key import Keys, last_port
from evenfield.workbench.outbox import LARGEST_BACKLOG, Outbox


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("safe")


@pytest.fixture(scope="module")
def server(folder):
    (folder / "secret.txt").write_text("not for the page", encoding="utf-8")
    with serving(write_design(folder)) as found:
        yield found


@pytest.fixture(scope="module")
def address(server):
    return server[0]


def fetch(address, path="/", method="GET", body=None, **headers):
    """Status, headers and body; header names with - written as _."""
    connection = http.client.HTTPConnection("127.0.0.1", port_of(address), timeout=10)
    connection.putrequest(method, path, skip_host="Host" in headers)
    for name, value in headers.items():
        connection.putheader(name.replace("_", "-"), value)
    connection.endheaders(body)
    answer = connection.getresponse()
    found = answer.status, {k.lower(): v for k, v in answer.getheaders()}, answer.read()
    connection.close()
    return found


def test_it_listens_on_this_machine_only(server):
    address, process = server
    listening = {c.laddr.ip for c in psutil.Process(process.pid).net_connections("tcp") if c.status == "LISTEN"}
    assert listening == {"127.0.0.1"} and port_of(address) > 1024


@pytest.mark.parametrize("host", ["example.org", "127.0.0.1", "127.0.0.1:1", "[::1]:80", ""])
def test_a_foreign_host_gets_403(address, host):
    assert fetch(address, Host=host)[0] == 403


@pytest.mark.parametrize("origin", ["http://example.org", "null", "http://127.0.0.1:1", "https://127.0.0.1"])
def test_a_foreign_origin_gets_403_on_pages_and_sockets(address, origin):
    assert fetch(address, Origin=origin)[0] == 403
    with pytest.raises(InvalidStatus) as refused:
        Page(address, origin=origin)
    assert refused.value.response.status_code == 403


@pytest.mark.parametrize("protocols", [["evenfield-1"], ["evenfield-1", "token.guess"], ["evenfield-1", "token."], ["token.x"]])
def test_a_missing_or_wrong_token_gets_403(address, protocols):
    with pytest.raises(InvalidStatus) as refused:
        Page(address, protocols=protocols)
    assert refused.value.response.status_code == 403


def test_each_start_has_a_long_token_of_its_own(address):
    assert len(token_of(address)) >= 40 and "token" not in fetch(address)[2].decode(errors="replace")


def test_every_answer_carries_a_strict_policy(address):
    for path in ("/", "/nothing", "/assets/none.js"):
        _, headers, _ = fetch(address, path)
        assert headers["content-security-policy"] == policy(port_of(address))
        assert headers["x-content-type-options"] == "nosniff"
        assert "set-cookie" not in headers and "access-control-allow-origin" not in headers
    words = policy(1234)
    assert "unsafe" not in words and "*" not in words and "default-src 'none'" in words


@pytest.mark.parametrize(
    "path",
    ["/../secret.txt", "/%2e%2e/secret.txt", "/assets/../../secret.txt", "/..%2fsecret.txt", "//etc/passwd", "/secret.txt",
     "/dinghy.yaml", "/app.py", "/out/guess/report.html", "/docs", "/openapi.json"],
)  # fmt: skip
def test_nothing_but_the_page_is_served(address, path):
    status, _, body = fetch(address, path)
    assert status in (404, 405) and b"not for the page" not in body and b"root:" not in body


@pytest.mark.parametrize("name", ["../ketch.yaml", "/etc/passwd", "secret.txt", ".", "", "a" * 5000])
def test_no_design_outside_the_folder_is_opened(address, name):
    with Page(address) as page:
        page.greet()
        answer = page.ask(type="open", design=name)
        assert answer["type"] == "error" and "one of the folder's" in answer["text"]


def test_a_link_that_leads_out_of_the_folder_is_no_design_of_it(address, folder, tmp_path):
    (tmp_path / "outside.yaml").write_text("evenfield: 1\n", encoding="utf-8")
    (folder / "link.yaml").symlink_to(tmp_path / "outside.yaml")
    with Page(address) as page:
        page.greet()
        assert "link.yaml" not in page.heard[0]["designs"]
        assert page.ask(type="open", design="link.yaml")["type"] == "error"


def drop(address, name, body, word="", token=None, length=None):
    query = f"/drop?name={name}" + (f"&set={word}" if word else "")
    headers = {
        "Content_Length": str(len(body) if length is None else length),
        "Authorization": f"Bearer {token or token_of(address)}",
    }
    return fetch(address, query, "POST", body, **headers)


def test_a_drop_of_two_gigabytes_is_refused_before_it_is_read(address):
    began = time.monotonic()
    status, _, body = drop(address, "big.sofa", None, length=2 * 2**30)
    assert status == 413 and b"at most 256 MB" in body and time.monotonic() - began < 5
    assert DROP_LIMIT < 2 * 2**30


def test_a_drop_without_token_or_length_or_with_a_path_for_a_name_is_refused(address, folder):
    assert drop(address, "a.csv", b"x", token="guess")[0] == 403
    status, _, _ = fetch(address, "/drop?name=a.csv", "POST", None, Authorization=f"Bearer {token_of(address)}")
    assert status == 411
    for name in ("..%2Fx.csv", "%2Fetc%2Fx.csv", ".hidden.csv", "x.exe", "x.csv%00"):
        status, _, body = drop(address, name, b"data")
        assert status == 400 and b"must be" in body, (name, status, body)
    assert not list(folder.glob("*.csv")) and not (folder.parent / "x.csv").exists()


def test_more_bytes_than_announced_are_not_taken(address):
    with socket.create_connection(("127.0.0.1", port_of(address)), 10) as raw:
        head = (
            f"POST /drop?name=a.csv HTTP/1.1\r\nHost: 127.0.0.1:{port_of(address)}\r\n"
            f"Authorization: Bearer {token_of(address)}\r\nContent-Length: 4\r\n\r\n"
        )
        raw.sendall(head.encode() + b"a,b\n" + b"GET / HTTP/1.1\r\n\r\n")
        answer = "".join(iter(lambda: raw.recv(65536).decode(errors="replace"), ""))
    assert " 400 " in answer.split("\r\n")[0] and "at least one row" in answer


def test_good_files_appear_beside_the_prediction_and_bad_ones_give_the_readers_words(address, tmp_path):
    f = np.geomspace(200.0, 10000.0, 40)
    d = Directivity(np.full((len(sphere_directions(30.0, False)), 40), 0.2 + 0j), sphere_directions(30.0, False), f)
    write_directivity(d, tmp_path / "whole.csv")
    with Page(address) as page:
        page.greet("measured")
        status, _, body = drop(address, "whole.csv", (tmp_path / "whole.csv").read_bytes())
        found = json.loads(body)["measured"]
        assert status == 200 and found["sphere"] is True and found["directions"] == len(d.directions)
        header, arrays = page.picture("measured", lambda h: h["state"] == "solved")
        assert [s["label"] for s in header["panels"][2]["series"]] == ["Predicted", "whole.csv"]
        assert arrays["di.set0"] == pytest.approx(np.zeros(40), abs=1e-6)
        status, _, body = drop(address, "bad.csv", b"azimuth_deg,elevation_deg,frequency_hz,level_db\n0,0,abc,1\n")
        words = json.loads(body)["error"]
        assert status == 400 and "abc" in words and "line 2" in words and str(tmp_path.parent) not in words
        status, _, body = drop(address, "bad.sofa", b"not a SOFA file")
        assert status == 400 and "bad.sofa" in json.loads(body)["error"]
        assert page.ask(type="forget", measured=found["measured"])["type"] == "accepted"
        assert page.ask(type="forget", measured="../..")["type"] == "error"


def test_a_set_of_impulse_responses_is_read_as_a_whole(address):
    table = "file,azimuth_deg,elevation_deg\na.csv,0,0\nb.csv,90,0\n"
    response = "time_s,value\n" + "".join(f"{n / 48000:.8f},{1.0 if n == 5 else 0.0}\n" for n in range(256))
    for name, text in (("angles.csv", table), ("a.csv", response), ("b.csv", response)):
        assert drop(address, name, text.encode(), word="set1")[0] == 204
    headers = {"Content_Length": "0", "Authorization": f"Bearer {token_of(address)}"}
    status, _, body = fetch(address, "/drop?set=set1", "POST", b"", **headers)
    assert status == 200 and json.loads(body)["measured"]["directions"] == 2, body


def test_garbage_on_the_socket_closes_that_page_and_no_other(address):
    with Page(address) as good, Page(address) as bad:
        good.greet()
        bad.socket.send(b"\xff\xff\xff\xff garbage")
        with pytest.raises(ConnectionClosed) as closed:
            while True:
                bad.socket.recv(10)
        assert closed.value.rcvd.code == 4400
        assert good.ask(type="ping")["type"] == "pong"


def test_a_message_of_more_than_a_megabyte_is_refused(address):
    with Page(address) as page:
        page.greet()
        page.socket.send(encode({"type": "edit", "path": "title", "text": "x" * 2_000_000}))
        with pytest.raises(ConnectionClosed) as closed:
            while True:
                page.socket.recv(10)
        assert closed.value.rcvd.code == 1009


def test_a_page_that_does_not_read_stalls_no_other_and_its_backlog_is_bounded(address):
    with Page(address) as slow, Page(address) as good:
        slow.socket.socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        good.greet()
        pictures = [{"id": f"p{i}", "kind": "polar", "options": {}} for i in range(40)]
        for _ in range(60):
            slow.say(type="hello", page="slow", tab="slow")
            slow.say(type="subscribe", pictures=pictures)
        worst = 0.0
        for _ in range(10):
            began = time.monotonic()
            assert good.ask(type="ping")["type"] == "pong"
            worst = max(worst, time.monotonic() - began)
        assert worst < 20.0  # a stall would last for ever


def test_an_outbox_keeps_the_newest_of_a_subject_and_gives_up_beyond_its_bound():
    import asyncio

    async def play():
        box = Outbox()
        box.put(b"old", "picture")
        box.put(b"kept")
        box.put(b"new", "picture")
        assert [await box.get(), await box.get()] == [b"kept", b"new"] and box.size == 0
        assert box.stuck() is False
        for n in range(3):
            box.put(bytes(LARGEST_BACKLOG // 2), n)
        assert box.stuck() is True

    asyncio.run(play())


def test_frames_come_back_as_they_went_and_broken_ones_are_refused():
    from evenfield.base import DataError

    arrays = {"a": np.arange(6, dtype=float).reshape(2, 3), "t": np.array([[1, 2, 3]]), "b": np.frombuffer(b"abc", np.uint8)}
    frame = encode({"type": "x", "value": np.float64(1.5), "none": None}, arrays)
    header, found = decode(frame)
    assert header["value"] == 1.5 and [a["dtype"] for a in header["arrays"]] == ["f4", "u4", "u1"]
    assert all(np.array_equal(found[n], arrays[n]) for n in arrays)
    for broken in (b"", b"\x01", frame[:40], frame[:-8], b"\xff\xff\xff\x7f" + frame[4:], encode({"type": "x"})[:-2]):
        with pytest.raises(DataError):
            decode(broken)
    forged = encode({"arrays": [{"name": "a", "dtype": "f4", "shape": [2**40]}]})
    with pytest.raises(DataError):
        decode(forged)


def test_keys_are_of_each_start_and_a_page_comes_back_by_its_own_word_once(tmp_path):
    design = write_design(tmp_path)
    kept = tmp_path / ".evenfield" / "workbench.json"
    with serving(design) as (address, _), Page(address) as page:
        page.say(type="hello", page="test", tab="test")
        first, _ = page.until(lambda h: h["type"] == "welcome")
        token, word = token_of(address), first["resume"]
        text = kept.read_text(encoding="utf-8")
        assert token not in text and word not in text and kept.stat().st_mode & 0o077 == 0
        page.say(type="kept", before="")
        page.ask(type="ping")
    with serving(design) as (again, _):
        assert port_of(again) == port_of(address) and token_of(again) != token
        for protocols in (["evenfield-1", f"token.{token}"], ["evenfield-1", "resume.guess"], [f"resume.{word}"]):
            with pytest.raises(InvalidStatus) as refused:
                Page(again, protocols=protocols)
            assert refused.value.response.status_code == 403
        with Page(again, protocols=["evenfield-1", f"token.{token}", f"resume.{word}"]) as page:
            page.say(type="hello", page="test", tab="test")
            second, _ = page.until(lambda h: h["type"] == "welcome")
            assert second["token"] == token_of(again) and second["resume"] != word
            page.say(type="kept", before=word)
            page.ask(type="ping")
        with pytest.raises(InvalidStatus):
            Page(again, protocols=["evenfield-1", f"resume.{word}"])


def test_words_of_another_port_or_day_or_readable_by_others_are_not_taken(tmp_path):
    keys = Keys(tmp_path, 40001)
    word = keys.give()
    assert Keys(tmp_path, 40001).resumes(word) and last_port(tmp_path) == 40001
    path = tmp_path / ".evenfield" / "workbench.json"
    text = path.read_text(encoding="utf-8")
    path.chmod(0o644)
    assert last_port(tmp_path) is None
    path.chmod(0o600)
    old = json.loads(text)
    old["resume"] = {h: t - 90_000 for h, t in old["resume"].items()}
    path.write_text(json.dumps(old), encoding="utf-8")
    assert not Keys(tmp_path, 40001).resumes(word)
    path.write_text(text, encoding="utf-8")
    assert not Keys(tmp_path, 40002).resumes(word)
