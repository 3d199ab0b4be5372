"""The report as a whole: what it holds, how it is written, what it refuses."""

import re

import numpy as np
import pytest
from pypdf import PdfReader
from report_fixture import Line, Part, Verdict, two_way, verdict

from evenfield.base import DataError, EvenfieldError, Refusal
from evenfield.data.directions import orbit_directions
from evenfield.report import write_report
from evenfield.report.draw import picture
from evenfield.report.html import inline_svg
from evenfield.report.pdf import quote

QUESTIONS = (
    "Does it meet the brief?",
    "What goes out in every direction?",
    "How does the handover go?",
    "What do the drivers have to do?",
    "How does it move in time?",
    "What is it?",
    "How do we know?",
)


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    folder = tmp_path_factory.mktemp("report")
    return write_report(two_way(), verdict(), folder)


def test_both_files_are_named_after_the_loudspeaker(written):
    assert [p.name for p in written] == ["lugger.html", "lugger.pdf"]


def test_html_holds_every_question_and_every_verdict_line(written):
    text = written[0].read_text(encoding="utf-8")
    for question in QUESTIONS:
        assert f"<h2>{question}</h2>" in text
    for line in verdict().lines:
        assert line.name in text
    for word in ("✓ met", "✗ not met", "– not judged", "tweeter: waveguide mouth, edge diffraction", "Caution"):
        assert word in text


def test_html_loads_nothing(written):
    text = written[0].read_text(encoding="utf-8")
    assert "http" not in text.replace("http-equiv", "")
    assert "<script" not in text and "@import" not in text and "//" not in re.sub(r"base64,[^\"]*", "", text)
    assert set(re.findall(r'(?:src|href)="([^"#]{5})', text)) <= {"data:"}
    assert "default-src &#x27;none&#x27;" in text or "default-src 'none'" in text


def test_html_ids_are_unique_and_references_resolve(written):
    text = written[0].read_text(encoding="utf-8")
    ids = re.findall(r'\bid="([^"]+)"', text)
    assert len(ids) == len(set(ids))
    used = set(re.findall(r'href="#([^"]+)"', text)) | set(re.findall(r"url\(#([^)]+)\)", text))
    assert used and used <= set(ids)


def test_pictures_are_drawn_where_the_data_suffice(written):
    text = written[0].read_text(encoding="utf-8")
    drawn = [
        "band",
        "curves",
        "beamwidth",
        "polar-horizontal",
        "polar-vertical",
        "polar-diagonal",
        "handover-woofer-tweeter",
        "ripple",
    ]
    drawn += ["loudness", "excursion", "vent", "impedance", "step", "decay", "geometry"]
    for key in drawn:
        figure = text[text.index(f'id="fig-{key}"') :]
        assert "<svg" in figure[: figure.index("</figure>")], key


def test_every_drawn_picture_has_a_caption_and_words_for_the_blind(written):
    text = written[0].read_text(encoding="utf-8")
    for figure in re.findall(r"<figure.*?</figure>", text, flags=re.S):
        if "Refused" not in figure:
            assert re.search(r"<figcaption>.{30,}</figcaption>", figure)
            assert re.search(r'role="img" aria-label=".{20,}?"', figure)


def test_pdf_has_pages_with_numbers_and_the_text(written):
    pages = [page.extract_text() for page in PdfReader(written[1]).pages]
    assert len(pages) >= 3
    whole = "\n".join(pages)
    for question in QUESTIONS:
        assert question in whole
    assert "Maximum level" in whole and "not met" in whole and "Caution" in whole
    for i, page in enumerate(pages, 1):
        assert f"{i} / {len(pages)}" in page


def test_files_stay_small(written):
    assert all(path.stat().st_size < 4e6 for path in written)


def test_a_directivity_alone_gives_a_reduced_report(tmp_path):
    (path,) = write_report(two_way().system, None, tmp_path / "alone.html", formats=("html",))
    assert path == tmp_path / "alone.html"
    text = path.read_text(encoding="utf-8")
    assert "Brief not judged" in text
    assert "Not judged: this data does not keep its ways apart" in text
    assert "Not judged: this data holds no drivers" in text
    assert 'id="fig-polar-horizontal"' in text and 'id="fig-impedance"' not in text


def test_refused_figures_show_their_reasons(tmp_path):
    system = two_way().system
    keep = system.find(orbit_directions().vectors)
    held = system.pressure[keep]
    orbits = system.replace(pressure=np.abs(held), directions=orbit_directions(), phase_known=False, bandwidth=3)
    (path,) = write_report(orbits, None, tmp_path, formats=("html",))
    text = path.read_text(encoding="utf-8")
    for key in ("step", "decay", "polar-diagonal"):
        figure = text[text.index(f'id="fig-{key}"') :]
        figure = figure[: figure.index("</figure>")]
        assert "<svg" not in figure and "Refused." in figure
        assert len(re.sub(r"<[^>]+>", " ", figure)) > 60
    assert "Refused figures" in text
    curves = text[text.index('id="fig-curves"') :]
    assert "<svg" in curves[: curves.index("</figure>")]


def test_a_refusal_becomes_the_reason_and_a_fault_passes_on():
    def refuse():
        raise Refusal("The phase is not known.")

    def fault():
        raise ZeroDivisionError

    assert picture("k", "T", "C", refuse).refused == "The phase is not known."
    with pytest.raises(ZeroDivisionError):
        picture("k", "T", "C", fault)


def test_unknown_format_is_an_error_and_nothing_is_written(tmp_path):
    with pytest.raises(DataError, match=r"html, pdf.*docx"):
        write_report(two_way().system, None, tmp_path, formats=("docx",))
    assert list(tmp_path.iterdir()) == []


def test_a_full_disk_leaves_the_old_file(tmp_path, monkeypatch):
    target = tmp_path / "monitor.html"
    target.write_bytes(b"old")

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("evenfield.report.write._render", lambda *_: b"new")
    monkeypatch.setattr("os.replace", full)
    with pytest.raises(EvenfieldError, match="disk is full"):
        write_report(two_way().system, None, target, formats=("html",))
    assert target.read_bytes() == b"old"
    assert [p.name for p in tmp_path.iterdir()] == ["monitor.html"]


def test_a_fault_in_one_format_writes_neither(tmp_path, monkeypatch):
    def broken(_):
        raise RuntimeError("typesetting failed")

    monkeypatch.setattr("evenfield.report.pdf.render_pdf", broken)
    with pytest.raises(RuntimeError):
        write_report(two_way().system, None, tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_titles_from_a_design_cannot_break_the_page(tmp_path):
    source = two_way()
    source.members["design"].members["name"] = 'A "<b>#box</b>" \\ $x$ & co'
    html, pdf = write_report(source, verdict(), tmp_path)
    assert "<b>#box" not in html.read_text(encoding="utf-8")
    assert 'A "<b>#box</b>" \\ $x$ & co' in PdfReader(pdf).pages[0].extract_text()


def test_quote_closes_what_it_opens():
    assert quote('a"b\\') == '"a\\"b\\\\"'


def test_inline_svg_renames_ids_and_drops_namespaces():
    raw = (
        '<?xml version="1.0"?><svg xmlns="http://x" xmlns:xlink="http://y"><metadata>http://z</metadata>'
        '<clipPath id="a"/><g clip-path="url(#a)"><use xlink:href="#a"/></g></svg>'
    )
    text = inline_svg(raw, "k", "words")
    assert text == (
        '<svg role="img" aria-label="words"><clipPath id="k-a"/><g clip-path="url(#k-a)"><use href="#k-a"/></g></svg>'
    )


def test_three_ways_give_two_strips(tmp_path):
    source = two_way()
    members = source.members
    ways, filters = dict(members["ways"]), dict(members["filters"])
    members["ways"] = {"woofer": ways["woofer"], "midrange": ways["woofer"], "tweeter": ways["tweeter"]}
    members["filters"] = {"woofer": filters["woofer"], "midrange": filters["woofer"], "tweeter": filters["tweeter"]}
    (pair,) = members["handovers"]
    lower = Part(pair.members | {"lower": "woofer", "upper": "midrange", "frequency": 400.0, "pattern_db": float("nan")})
    upper = Part(pair.members | {"lower": "midrange", "upper": "tweeter"})
    members["handovers"] = [lower, upper]
    (path,) = write_report(source, verdict(), tmp_path, formats=("html",))
    text = path.read_text(encoding="utf-8")
    for key in ("handover-woofer-midrange", "handover-midrange-tweeter"):
        figure = text[text.index(f'id="fig-{key}"') :]
        assert "<svg" in figure[: figure.index("</figure>")]
    table = text[text.index("Handover in numbers") :]
    assert "not judged" in table[: table.index("</table>")]


def test_without_a_brief_the_headline_speaks_of_the_standard(tmp_path):
    only = Verdict("Measured", False, "EBU Tech 3276", (Line("standard", "directivity index", False, "a", "b", "c"),))
    (path,) = write_report(two_way().system, only, tmp_path, formats=("html",))
    assert "✗ Standard not met" in path.read_text(encoding="utf-8")
