"""The workbench in a real browser: opening, changing, keeping, comparing, getting out."""

import csv
import io
import re
import shutil
import sys
from pathlib import Path

import numpy as np
import pytest
from bench_fixture import ROOT, TEXT, serving, write_design
from page_fixture import Sight, browsing, drop_files, violations

from evenfield.loudspeaker.load import load_design
from evenfield.loudspeaker.predict import predict

pytestmark = pytest.mark.page

DEPTH = "ways.tweeter.waveguide.depth"
GAIN = "ways.tweeter.filters.gain"
REVISION = "() => evenfield.desk.state?.revision"


@pytest.fixture(scope="module")
def browser():
    with browsing() as browser:
        yield browser


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("page")


@pytest.fixture(scope="module")
def design(folder):
    return write_design(folder)


@pytest.fixture(scope="module")
def address(browser, design):
    with serving(design) as (line, _):
        yield line


@pytest.fixture(scope="module")
def sight(browser, address):
    """The one page that most tests look at; each leaves the design as it found it."""
    sight = Sight(browser, address, permissions=["clipboard-read", "clipboard-write"])
    sight.picture("handover")
    sight.picture("polar")
    yield sight
    sight.close()


@pytest.fixture(autouse=True)
def as_written(request, design, sight):
    """Each test begins with the design as written, solved and shown, and nothing else open."""
    if sight.see("() => document.querySelector('dialog, .menu:not([hidden]), .history:not([hidden])') !== null"):
        sight.page.reload()
    if design.read_text(encoding="utf-8") != TEXT:
        number = sight.until(REVISION)
        design.write_text(TEXT, encoding="utf-8")
        sight.until("n => evenfield.desk.state.revision > n", number)
    sight.until("() => evenfield.desk.state?.is_solved && evenfield.desk.state.file.state === 'good'")
    sight.until("""() => ["polar", "curves", "handover"].every(n => {
        const head = evenfield.desk.pictures.get(n)?.current?.head;
        return head && head.state === "solved" && head.revision === evenfield.desk.state.revision;
    })""", seconds=60)  # fmt: skip
    sight.until("() => evenfield.desk.geometry?.head.revision === evenfield.desk.state.revision")
    sight.see("() => new Promise(done => requestAnimationFrame(() => requestAnimationFrame(() => done(true))))")
    sight.wrong.clear()
    yield
    assert sight.wrong == []


def on_the_map(sight):
    """Level of the polar map over its angles, at 5 kHz."""
    x = np.asarray(sight.level("polar", "x"))
    level = np.reshape(sight.level("polar", "level"), (-1, len(x)))
    return level[:, int(np.argmin(np.abs(np.log(x / 5000))))]


def test_the_first_open_shows_the_design_its_drawing_and_the_answers(sight):
    assert sight.page.locator("h1").inner_text() == "Dinghy"
    assert sight.text_of(DEPTH) == "24 mm"
    assert sight.page.locator(".sheet-drawing .line").count() >= 6
    assert sight.page.locator(".sheet-drawing .knob").count() >= 5
    assert re.match(r"revision \d+ · solved", sight.card("handover").locator(".stamp").inner_text())
    inked = sight.see(
        "() => { const c = document.querySelector('.answer[data-kind=handover] canvas'); "
        "return c.getContext('2d').getImageData(0, 0, c.width, c.height).data.some((v, i) => i % 4 === 3 && v > 0) }"
    )
    assert inked
    assert sight.card("handover").locator(".figure").count() >= 5


def test_a_pull_at_the_drawing_changes_the_picture_at_once_and_the_file_at_rest(sight, design):
    before, number = on_the_map(sight), sight.see(REVISION)
    box = sight.page.locator(f".sheet-drawing .knob[data-path='{DEPTH}']").bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    sight.page.mouse.move(x, y)
    sight.page.mouse.down()
    sight.page.mouse.move(x - 4, y, steps=2)
    head = sight.until("() => { const h = evenfield.desk.pictures.get('polar').current.head; return h.provisional ? h : null }")
    assert head["state"] == "provisional" and head["provisional"]["frequencies"] >= 10 and not head["provisional"]["exact"]
    stamp = sight.card("polar").locator(".words .stamp").inner_text()
    assert "provisional: round model" in stamp and "kHz" in stamp
    assert np.abs(on_the_map(sight) - before).max() > 0.1
    assert design.read_text(encoding="utf-8") == TEXT
    sight.page.mouse.up()
    sight.until("n => evenfield.desk.state.revision > n", number)
    text = design.read_text(encoding="utf-8")
    depth = re.search(r"depth: ([\d.]+) mm     # shallow", text)
    assert depth and float(depth[1]) > 24
    assert text.replace(depth[0], "depth: 24 mm     # shallow") == TEXT


def test_a_pull_given_up_leaves_everything_as_it_was(sight, design):
    number = sight.see(REVISION)
    box = sight.page.locator(f".sheet-drawing .knob[data-path='{DEPTH}'] path").bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    sight.page.mouse.move(x, y)
    sight.page.mouse.down()
    sight.page.mouse.move(x - 4, y, steps=2)
    sight.until("() => evenfield.desk.pictures.get('polar').current.head.provisional")
    sight.page.keyboard.press("Escape")
    sight.page.mouse.up()
    sight.until("() => evenfield.desk.pictures.get('polar').current.head.state === 'solved'")
    assert sight.see(REVISION) == number and design.read_text(encoding="utf-8") == TEXT


def test_the_crossover_is_a_handle(sight, design):
    handle = sight.page.locator(".crossover")
    before = float(handle.get_attribute("aria-valuenow"))
    handle.focus()
    for _ in range(6):
        sight.page.keyboard.press("ArrowRight")
    sight.page.keyboard.press("Enter")
    sight.until("() => evenfield.desk.field('ways.woofer.filters.sections.0.frequency').text !== '2 kHz'")
    sight.until("v => Number(document.querySelector('.crossover').getAttribute('aria-valuenow')) > v * 1.04", before)
    text = design.read_text(encoding="utf-8")
    low, high = re.findall(r"order: 4, frequency: ([\d.]+ k?Hz)}", text)
    assert low == high and low != "2 kHz"
    assert "# the step of the baffle" in text


def test_a_bad_value_keeps_what_was_typed_and_says_the_rule_and_the_nearest(sight, design):
    field = sight.field(DEPTH)
    field.fill("-3 mm")
    field.press("Enter")
    rule = sight.page.locator(f".field:has([data-path='{DEPTH}']) .rule")
    rule.wait_for(state="visible")
    assert sight.text_of(DEPTH) == "-3 mm" and field.get_attribute("aria-invalid") == "true"
    assert design.read_text(encoding="utf-8") == TEXT
    nearest = rule.locator("button").first.inner_text()
    assert re.fullmatch(r"Use [\d.]+ mm", nearest)
    rule.locator("button").last.click()
    assert sight.text_of(DEPTH) == "24 mm" and rule.is_hidden()
    sight.wrong.clear()


def test_an_edit_on_disk_appears_and_a_broken_file_leaves_the_last_good_state(sight, design):
    design.write_text(TEXT.replace("depth: 24 mm", "depth: 26 mm"), encoding="utf-8")
    sight.until(f"() => document.querySelector(\".rail [data-path='{DEPTH}']\").value === '26 mm'")
    design.write_text(TEXT.replace("mms: 9 g", "mms: nine g"), encoding="utf-8")
    warning = sight.page.locator(".warning")
    warning.wait_for(state="visible")
    line = TEXT[: TEXT.index("mms: 9 g")].count("\n") + 1
    assert f"line {line}" in warning.inner_text() and "nine g" in warning.inner_text()
    assert sight.text_of(DEPTH) == "26 mm"


def test_back_and_forth(sight, design):
    sight.field(GAIN).fill("-6 dB")
    sight.field(GAIN).press("Enter")
    sight.until("p => evenfield.desk.field(p).text === '-6 dB'", GAIN)
    sight.page.get_by_role("button", name="Back", exact=True).click()
    sight.until("p => evenfield.desk.field(p).text === '-4 dB'", GAIN)
    assert design.read_text(encoding="utf-8") == TEXT and sight.text_of(GAIN) == "-4 dB"
    sight.page.locator("h1").click()
    sight.page.keyboard.press("Control+y")
    sight.until("p => evenfield.desk.field(p).text === '-6 dB'", GAIN)
    assert "gain: -6 dB" in design.read_text(encoding="utf-8")


def test_revisions_are_laid_over_subtracted_and_their_change_told(sight):
    first = sight.see(REVISION)
    sight.field(GAIN).fill("-7 dB")
    sight.field(GAIN).press("Enter")
    sight.until("n => evenfield.desk.state.revision > n", first)
    sight.page.get_by_role("button", name="History", exact=True).click()
    sight.page.locator(f".history li[data-revision='{first}'] input[type=checkbox]").check()
    sight.until("n => evenfield.desk.pictures.get('curves')?.pinned.has(n)", first)
    sight.until("() => document.querySelector('.answer[data-kind=curves] .stamp').textContent.includes('laid over')")
    assert f"laid over: {first}" in sight.card("curves").locator(".stamp").inner_text()
    sight.card("curves").locator("button[aria-expanded]").click()
    sight.card("curves").locator("select[data-option=less]").select_option(str(first))
    sight.until("() => document.querySelector('.answer[data-kind=curves] .stamp').textContent.includes('difference from')")
    sight.page.keyboard.press("Escape")
    sight.page.get_by_role("button", name="What it did").click()
    changes = sight.card("changes")
    changes.locator("table").first.wait_for()
    assert "-4 dB" in changes.inner_text() and "-7 dB" in changes.inner_text()
    sight.page.get_by_role("button", name="Lay none over").click()
    sight.until("() => evenfield.desk.pictures.get('curves').pinned.size === 0")
    sight.card("changes").get_by_role("button", name=re.compile("Put away")).click()
    sight.page.get_by_role("button", name="History", exact=True).click()


def test_the_exported_csv_holds_what_the_store_holds(sight, design):
    with sight.page.expect_download() as download:
        sight.menu("curves", "Save data as CSV")
    text = download.value.path().read_text(encoding="utf-8")
    rows = [r for r in csv.reader(io.StringIO(text)) if r and not r[0].startswith("#")]
    column = rows[0].index("Level, On axis [dB]")
    table = np.array([[float(r[0]), float(r[column])] for r in rows[1:]])
    system = predict(load_design(design), folder=design.parent).system
    # dB re 20 µPa of 2.83 V at 1 m, from pascal per volt
    assert table[:, 0] == pytest.approx(system.frequency, rel=1e-9)
    assert table[:, 1] == pytest.approx(20 * np.log10(np.abs(system.on_axis()) * 8**0.5 / 20e-6), abs=1e-9)


def test_pictures_leave_as_vectors_pixels_and_tables(sight):
    for kind in ("curves", "polar", "handover"):
        with sight.page.expect_download() as download:
            sight.menu(kind, "Save as SVG")
        text = download.value.path().read_text(encoding="utf-8")
        assert text.startswith("<svg") and "dinghy.yaml · revision" in text
        assert text.count("<path") >= (2 if kind == "polar" else 20) and ("<image" in text) == (kind == "polar")
    with sight.page.expect_download() as download:
        sight.menu("polar", "Save as PNG")
    assert download.value.path().read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    sight.menu("curves", "Copy as table")
    sight.until("() => document.querySelector('.unseen[role=status]')?.textContent.includes('Copied')")
    lines = sight.see("() => navigator.clipboard.readText()").split("\n")
    assert lines[0].startswith("Frequency (Hz)\t") and len(lines) > 50


def test_reading_by_keyboard_moves_one_ruler_through_all_pictures(sight):
    sight.card("curves").locator(".panels").focus()
    sight.page.keyboard.press("ArrowRight")
    words = sight.until("() => document.querySelector('.unseen[role=status]').textContent")
    assert "Hz" in words and "On axis" in words and "dB" in words
    sight.card("polar").locator(".map").focus()
    sight.page.keyboard.press("ArrowUp")
    assert sight.until("() => document.querySelector('.map .reads').textContent").endswith("dB")


def test_two_tabs_see_each_others_changes(browser, address, sight):
    other = Sight(browser, address)
    other.until("p => evenfield.desk.field(p)?.text === '24 mm'", DEPTH)
    other.field(DEPTH).fill("25 mm")
    other.field(DEPTH).press("Enter")
    sight.until(f"() => document.querySelector(\".rail [data-path='{DEPTH}']\").value === '25 mm'")
    other.close()


def test_a_value_changed_on_disk_and_here_is_shown_as_a_conflict(sight, design):
    stale = sight.see(REVISION)
    design.write_text(TEXT.replace("depth: 24 mm", "depth: 27 mm"), encoding="utf-8")
    sight.until("p => evenfield.desk.field(p).text === '27 mm'", DEPTH)
    sight.see("([p, n]) => evenfield.desk.tell({type: 'edit', path: p, text: '29 mm', base: n})", [DEPTH, stale])
    dialog = sight.page.locator("dialog")
    dialog.wait_for()
    assert "27 mm" in dialog.inner_text() and "29 mm" in dialog.inner_text()
    assert "depth: 27 mm" in design.read_text(encoding="utf-8")
    dialog.get_by_role("button", name="What was typed here").click()
    sight.until("p => evenfield.desk.field(p).text === '29 mm'", DEPTH)
    assert "depth: 29 mm     # shallow" in design.read_text(encoding="utf-8")


def test_dropped_files_good_and_bad(sight):
    frequency = 10 ** np.arange(2.3, 4.3, 0.05)
    level = [80 - 3e-4 * f**0.5 * abs(a) ** 0.5 for a in range(-180, 180, 15) for f in frequency]
    angles = [(a, f) for a in range(-180, 180, 15) for f in frequency]
    rows = [f"{a},0,{f:.3f},{v:.3f}" for (a, f), v in zip(angles, level, strict=True)]
    notice = sight.page.locator(".notice")
    drop_files(sight, [("built.csv", "\n".join(["azimuth_deg,elevation_deg,frequency_hz,level_db", *rows]), None)])
    sight.until("() => evenfield.desk.measured.length === 1")
    assert sight.until(
        "() => [...evenfield.desk.pictures.values()].some(s => s.current?.head.kind === 'measured' && s.current.head.family)"
    )
    drop_files(sight, [("torn.csv", "frequency;nonsense\n1;2", None)])
    sight.until("() => document.querySelector('.notice').textContent.includes('torn.csv')")
    sight.until("() => !document.querySelector('.notice').textContent.includes('Reading')")
    assert "stands beside" not in notice.inner_text()
    drop_files(sight, [("huge.sofa", "x", 2 * 2**30)])
    sight.until("() => document.querySelector('.notice').textContent.includes('it was not read')")
    drop_files(sight, [("page.html", "<b>no</b>", None)])
    sight.until("() => document.querySelector('.notice').textContent.includes('is expected')")
    assert sight.see("() => evenfield.desk.measured.length") == 1
    sight.card("measured").locator("button[aria-expanded]").click()
    sight.card("measured").get_by_role("button", name=re.compile("Take off the table: built")).click()
    sight.until("() => evenfield.desk.measured.length === 0")
    sight.card("measured").get_by_role("button", name=re.compile("Put away")).click()
    sight.wrong.clear()  # the browser itself notes a refused upload


def test_the_main_job_by_keyboard_alone(sight, design):
    keys = sight.page.keyboard
    sight.page.locator("h1").click()
    number = sight.see(REVISION)
    keys.press("/")
    keys.type("waveguide depth")
    keys.press("Tab")
    sight.until("() => document.activeElement.closest('.rail') !== null")
    while sight.see("() => document.activeElement.dataset.path") != DEPTH:
        keys.press("Tab")
    keys.press("ArrowUp")
    keys.press("ArrowUp")
    keys.press("Enter")
    sight.until("n => evenfield.desk.state.revision > n", number)
    assert "depth: 25 mm     # shallow" in design.read_text(encoding="utf-8")
    keys.press("Shift+Tab")
    sight.page.locator(".find").fill("")
    sight.page.locator("h1").click()
    keys.press("h")
    assert sight.until("() => document.querySelector('.history').contains(document.activeElement)")
    keys.press("Escape")
    assert sight.page.locator(".history").is_hidden()
    sight.page.locator("h1").click()
    keys.press("Control+z")
    sight.until("p => evenfield.desk.field(p).text === '24 mm'", DEPTH)


def test_a_fit_of_the_filters_is_proposed_and_taken_over(sight, design):
    sight.ask("filters")
    sight.until(
        "() => [...evenfield.desk.pictures.values()].some(s => s.current?.head.kind === 'filters' && s.current.head.family)"
    )
    number = sight.see(REVISION)
    sight.menu("filters", "Fit the filters")
    dialog = sight.page.locator("dialog")
    dialog.wait_for(timeout=60_000)
    assert dialog.locator("tbody tr").count() > 3 and design.read_text(encoding="utf-8") == TEXT
    dialog.get_by_role("button", name="Take them over").click()
    sight.until("n => evenfield.desk.state.revision > n", number)
    text = design.read_text(encoding="utf-8")
    assert text != TEXT and "depth: 24 mm     # shallow" in text
    sight.card("filters").get_by_role("button", name=re.compile("Put away")).click()


def test_a_question_takes_a_place_and_the_layout_is_remembered(sight):
    sight.ask("directivity")
    sight.until("() => [...evenfield.desk.pictures.values()].some(s => s.current?.head.kind === 'directivity')")
    sight.card("directivity").locator("button[aria-expanded]").click()
    before = sight.card("directivity").bounding_box()["width"]
    sight.card("directivity").locator(".menu").get_by_text("Wider", exact=True).click()
    assert sight.card("directivity").bounding_box()["width"] > before
    sight.page.keyboard.press("Escape")
    sight.page.reload()
    sight.until("() => [...(window.evenfield?.desk.pictures.values() ?? [])].some(s => s.current?.head.kind === 'directivity')")
    assert sight.card("directivity").bounding_box()["width"] > before
    sight.see("() => localStorage.clear()")
    sight.page.reload()
    sight.picture("polar")


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_nobody_is_shut_out(sight, theme):
    sight.page.emulate_media(color_scheme=theme)
    assert violations(sight) == []
    sight.card("handover").locator("button[aria-expanded]").click()
    sight.page.get_by_role("button", name="History", exact=True).click()
    assert violations(sight) == []
    sight.page.keyboard.press("Escape")
    sight.page.locator("h1").click()
    for kind in ("facts", "step", "limits", "changes"):
        sight.ask(kind)
    sight.page.locator(".drawing").get_by_text("Solid", exact=True).click()
    sight.page.locator(".solid").wait_for()
    sight.page.get_by_role("button", name="Keys", exact=True).click()
    assert violations(sight) == []
    sight.page.locator("dialog button").click()
    sight.page.locator(".drawing").get_by_text("Side + front", exact=True).click()
    sight.see("() => localStorage.clear()")
    sight.page.reload()
    sight.picture("polar")
    sight.wrong.clear()


def test_the_policy_is_strict_and_the_first_load_light(sight):
    policy = sight.response.headers["content-security-policy"]
    assert "default-src 'none'" in policy and "unsafe" not in policy
    assert sight.see("() => document.querySelectorAll('[style][data-never], style, script:not([src])').length") == 0
    sizes = sight.see("() => performance.getEntriesByType('resource').map(e => [e.name, e.transferSize])")
    assert all(name.startswith(sight.page.url.split("/", 3)[0] + "//127.0.0.1") for name, _ in sizes)
    assert not any("three" in name for name, _ in sizes)
    assert sum(size for _, size in sizes) < 800_000


def test_the_tour_of_the_docs_can_be_taken(browser, tmp_path):
    sys.path.insert(0, str(ROOT / "docs"))
    from make_tour import photograph, small

    text = (ROOT / "docs" / "tour.md").read_text(encoding="utf-8")
    shown = {(name, theme) for name, theme in re.findall(r"assets/tour/([a-z-]+)-(light|dark)\.png", text)}
    with serving(write_design(tmp_path)) as (line, _):
        sight = Sight(browser, line, color_scheme="dark", reduced_motion="reduce")
        shots = photograph(sight)
        sight.close()
    assert {name for name, _ in shown} == set(shots)
    assert all((ROOT / "docs" / "assets" / "tour" / f"{name}-{theme}.png").is_file() for name, theme in shown)
    assert len({small(png) for png in shots.values()}) == len(shots)


def test_every_example_opens(browser, tmp_path):
    for path in (ROOT / "examples").glob("*.yaml"):
        shutil.copy(path, tmp_path)
    with serving(tmp_path / "skiff.yaml") as (line, _):
        sight = Sight(browser, line)
        for name in ("skiff", "ketch", "barque"):
            sight.until("() => evenfield.desk.state")
            sight.page.locator(".naming select").select_option(f"{name}.yaml")
            sight.until("n => evenfield.desk.state.name.toLowerCase() === n && evenfield.desk.geometry?.head.body", name, 60)
            sight.until("() => document.querySelectorAll('.sheet-drawing .line').length > 5")
            assert sight.page.locator(".rail .field").count() > 20
            assert "not solved" in sight.page.locator(".head .stamp").inner_text()
        assert sight.wrong == []
        sight.close()


def test_long_work_is_stopped_and_resumed_and_the_server_may_die(browser, tmp_path):
    design = write_design(tmp_path)
    with serving(design, "--no-solve") as (line, process):
        sight = Sight(browser, line)
        sight.picture("polar")
        sight.field("cabinet.width").fill("230 mm")
        sight.field("cabinet.width").press("Enter")
        sight.until("() => evenfield.desk.state.is_solved === false")
        solve = sight.page.locator(".head .solve")
        solve.click()
        sight.page.locator(".job progress").wait_for()
        sight.until("() => evenfield.desk.jobs[0].done > 0", seconds=60)
        sight.page.locator(".job .stop").click()
        sight.until("() => evenfield.desk.jobs[0].state === 'stopped'")
        done = sight.see("() => evenfield.desk.jobs[0].done")
        solve.click()
        sight.until("d => evenfield.desk.jobs[0].state === 'running' && evenfield.desk.jobs[0].done >= d", done, 60)
        process.kill()
        process.wait(10)
        sight.page.locator(".notice").wait_for()
        assert "Nothing is lost" in sight.page.locator(".notice").inner_text()
        revision = sight.see(REVISION)
    with serving(design, "--no-solve"):
        sight.until("() => evenfield.desk.link.state === 'open' && evenfield.desk.welcome")
        sight.until("() => document.querySelector('.notice').textContent.includes('back')")
        assert sight.see(REVISION) == revision and sight.text_of("cabinet.width") == "230 mm"
        sight.close()


def test_the_top_view_has_its_own_handles(sight, design):
    number = sight.see(REVISION)
    sight.page.locator(".drawing").get_by_text("Top", exact=True).click()
    shown = "[...document.querySelectorAll('.sheet-drawing .view-name')].map(e => e.textContent).join()"
    sight.until(f"() => {shown} === 'Top'")
    paths = sight.see("() => [...document.querySelectorAll('.sheet-drawing .knob')].map(e => e.dataset.path)")
    assert {"cabinet.width", "cabinet.depth", DEPTH, "ways.tweeter.waveguide.mouth.width"} <= set(paths)
    box = sight.page.locator(f".sheet-drawing .knob[data-path='{DEPTH}'] path").bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    sight.page.mouse.move(x, y)
    sight.page.mouse.down()
    sight.page.mouse.move(x, y - 6, steps=2)
    sight.until("p => (evenfield.desk.geometry.head.provisional && evenfield.desk.wishing) || false")
    sight.page.keyboard.press("Escape")
    sight.page.mouse.up()
    assert sight.see(REVISION) == number and design.read_text(encoding="utf-8") == TEXT
    sight.page.locator(".drawing").get_by_text("Side + front", exact=True).click()


def test_an_exported_phase_does_not_run_down_the_wrap(sight):
    sight.ask("filters")
    find = "() => [...evenfield.desk.pictures.values()].find(s => s.current?.head.kind === 'filters' && s.current.head.family)"
    sight.until(f"() => Boolean(({find})())")
    jumps = sight.see(f"""() => {{
        const p = ({find})().current;
        return p.head.panels.filter(q => q.key === 'phase').flatMap(q => q.series).map(s => p.arrays.get(s.y))
            .reduce((n, y) => n + [...y].filter((v, i) => i && Math.abs(v - y[i - 1]) > 180).length, 0)
    }}""")
    assert jumps > 0
    with sight.page.expect_download() as told:
        sight.menu("filters", "Save as SVG")
    text = Path(told.value.path()).read_text(encoding="utf-8")
    phase = text[text.index("Phase,") :]
    tall = []
    for d in re.findall(r'<path d="([^"]+)" fill="none"', phase):
        points = [(float(a), float(b)) for a, b in re.findall(r"[ML](-?[\d.]+) (-?[\d.]+)", d)]
        pens = re.findall(r"[ML]", d)
        tall += [abs(q[1] - p[1]) for p, q, pen in zip(points, points[1:], pens[1:], strict=False) if pen == "L"]
    height = max(float(h) for h in re.findall(r'<clipPath id="c\d+"><rect [^>]*height="([\d.]+)"', phase))
    assert tall and max(tall) < 0.5 * height
    sight.card("filters").get_by_role("button", name=re.compile("Put away")).click()


def test_tables_keep_their_width_when_a_revision_is_laid_over(sight):
    number = sight.see(REVISION)
    sight.see("() => evenfield.desk.edit('ways.tweeter.filters.gain', '-4.7 dB')")
    sight.until("n => evenfield.desk.state.revision > n", number)
    sight.see("n => evenfield.desk.tell({type: 'pin', revision: n})", number)
    sight.until("n => evenfield.desk.pictures.get('verdict').pinned.has(n)", number)
    sight.card("verdict").locator("div.laid").first.wait_for()
    wide = "s => { const t = document.querySelector(s); return [t.scrollWidth, t.clientWidth] }"
    full, seen = sight.see(wide, ".answer[data-kind='verdict'] .table")
    assert full <= seen
    sight.see("n => evenfield.desk.tell({type: 'unpin', revision: n})", number)
    sight.page.locator("h1").click()
    sight.page.keyboard.press("Control+z")
    sight.until("n => evenfield.desk.state.revision === n", number)


def test_sizes_air_and_parts_stand_before_anything_is_solved(browser, tmp_path):
    design = tmp_path / "dinghy.yaml"
    design.write_text(TEXT + "\ncost: {woofer: 31.50 EUR, cabinet: 44 EUR, cable: 2 EUR}\n", encoding="utf-8")
    with serving(design) as (line, _):
        sight = Sight(browser, line)
        sight.ask("facts")
        facts = sight.card("facts").locator("table")
        facts.wait_for()
        words = facts.inner_text()
        assert "220 x 320 x 220 mm" in words and "free-standing" in words and "20 degC" in words
        sight.ask("cost")
        parts = sight.card("cost").locator("table")
        parts.wait_for()
        words = parts.inner_text()
        assert "31.50 EUR" in words and "77.50 EUR" in words and "3 of" in words and "Waveguide of the tweeter" in words
        assert sight.wrong == []
        sight.close()


def test_a_shape_is_cut_searched_stopped_gone_on_with_and_offered(browser, tmp_path):
    design = write_design(tmp_path)
    with serving(design) as (line, _):
        sight = Sight(browser, line)
        sight.picture("polar")
        sight.ask("search")
        card = sight.card("search")
        assert card.locator("input[name=horizontal]").input_value() == "110 deg"
        card.get_by_role("button", name="First cut", exact=True).click()
        offer = card.locator(".offer")
        offer.get_by_text("First cut by rule").wait_for(timeout=60_000)
        assert "mouth" in offer.inner_text() and design.read_text(encoding="utf-8") == TEXT
        card.locator("input[name=starts]").fill("1")
        card.locator("input[name=minutes]").fill("3")
        assert card.locator("input[name=rounds]").input_value() == "3"
        card.get_by_role("button", name="Search", exact=True).click()
        card.locator(".found tbody tr").first.wait_for(timeout=120_000)
        assert sight.until("() => evenfield.desk.jobs[0].left_s !== undefined && evenfield.desk.jobs[0].what")
        card.get_by_role("button", name="Stop", exact=True).click()
        sight.until("() => evenfield.desk.jobs[0].state === 'stopped'")
        assert not list(tmp_path.glob(".*search*")) and design.read_text(encoding="utf-8") == TEXT
        sight.page.reload()
        card.get_by_role("button", name="Go on", exact=True).wait_for()
        assert card.locator(".found tbody tr").count() >= 1
        assert violations(sight) == []
        number = sight.see(REVISION)
        card.get_by_role("button", name="Take the best so far", exact=True).click()
        offer.get_by_text("Found", exact=True).wait_for(timeout=120_000)
        assert design.read_text(encoding="utf-8") == TEXT
        offer.get_by_role("button", name="Take it over as a revision").click()
        sight.until("n => evenfield.desk.state.revision > n", number)
        text = design.read_text(encoding="utf-8")
        assert "profile: free" in text and "# spaces kept" in text
        sight.page.locator("h1").click()
        sight.page.keyboard.press("Control+z")
        sight.until("n => evenfield.desk.state.revision === n", number)
        assert design.read_text(encoding="utf-8") == TEXT
        assert sight.wrong == []
        sight.close()
