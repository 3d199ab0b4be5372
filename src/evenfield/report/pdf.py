"""The report as a PDF on A4, typeset by Typst; the drawings' text is stored as paths."""

from __future__ import annotations

import tempfile
from itertools import groupby
from pathlib import Path

from evenfield.report.document import SIGNS, Document, Note, Part, Picture, Section, Table, VerdictRow

_PREAMBLE = """
#set document(title: {title}, author: ())
#set page(paper: "a4", margin: (x: 16mm, top: 18mm, bottom: 18mm), numbering: "1 / 1",
  footer: context [#set text(7.5pt, fill: rgb("#56636b")); #{colophon} #h(1fr) #counter(page).display("1 / 1", both: true)],
  header: context if counter(page).get().first() > 1 [
    #set text(7.5pt, fill: rgb("#56636b")); #{title} #h(1fr) #{state}])
#set text(font: "DejaVu Sans", size: 8.5pt, fill: rgb("#17222b"), lang: "en")
#set par(leading: 0.6em)
#show heading.where(level: 1): set text(18pt)
#show heading.where(level: 2): it => block(above: 1.6em, below: 0.8em, sticky: true,
  [#line(length: 100%, stroke: 0.5pt + rgb("#c9d0d3")) #v(0.1em) #text(13pt, it.body)])
#show heading.where(level: 3): it => block(above: 1.3em, below: 0.5em, sticky: true, text(9pt, it.body))
#let muted(body) = text(fill: rgb("#56636b"), body)
#let small(body) = text(7pt, muted(body))
#let picture(title, file, alt, caption) = block(breakable: false, above: 1.2em, width: 100%)[
  #text(9pt, weight: "bold", title) #v(-0.4em)
  #image(file, width: 100%, alt: alt) #v(-0.5em) #small(caption)]
#let refused(title, reason) = block(breakable: false, above: 1.2em, width: 100%, inset: 8pt,
  stroke: (paint: rgb("#56636b"), dash: "dashed", thickness: 0.8pt))[
  #text(9pt, weight: "bold", title) #parbreak() *Refused.* #reason]
#let caution(body) = block(width: 100%, sticky: true, inset: 7pt, fill: rgb("#f7f4ec"),
  stroke: (left: 3pt + rgb("#17222b")), body)
#let mark(state, words) = if state == "not met" {{ box(fill: rgb("#17222b"), inset: (x: 3pt), outset: (y: 2.5pt),
  text(fill: white, weight: "bold", words)) }} else {{ strong(words) }}
#set table(stroke: (x, y) => (bottom: 0.4pt + rgb("#c9d0d3")), inset: (x: 3pt, y: 3.1pt), align: left + top)
#show table: set text(7pt)
#show table: set par(leading: 0.5em, justify: false)
#show table.cell.where(y: 0): set text(fill: rgb("#56636b"))
"""


def render_pdf(document: Document) -> bytes:
    """The document as PDF.

    Needs no system library, no font of the system (matplotlib's own are used) and no network.
    """
    import typst

    with tempfile.TemporaryDirectory(prefix="evenfield-report-") as name:
        folder = Path(name)
        for picture in _pictures(document):
            (folder / f"{picture.key}.svg").write_text(picture.svg, encoding="utf-8")
        source = folder / "report.typ"
        source.write_text(typst_source(document), encoding="utf-8")
        made = typst.compile(str(source), root=str(folder), font_paths=[_fonts()], ignore_system_fonts=True)
    assert isinstance(made, bytes)
    return made


def _fonts() -> str:
    from matplotlib import get_data_path

    return str(Path(get_data_path()) / "fonts" / "ttf")


def _pictures(document: Document) -> list[Picture]:
    return [p for s in document.sections for p in s.parts if isinstance(p, Picture) and not p.refused]


def quote(text: str) -> str:
    """A Typst string literal: no character of it is read as markup."""
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n") + '"'


def typst_source(document: Document) -> str:
    """The document in Typst's language."""
    state = f"{SIGNS[document.state]} {document.judged} {document.state}"
    head = [
        _PREAMBLE.format(title=quote(document.title), state=quote(state), colophon=quote(document.colophon)),
        f"#heading(level: 1, {quote(document.title)})",
        f"#muted({quote(document.subtitle)})\n#v(0.3em)",
        f"#block(below: 1.2em, text(11pt, mark({quote(document.state)}, {quote(state)})))",
        f"#par({quote(document.summary)})",
    ]
    return "\n".join([*head, *(_section(s, document) for s in document.sections)])


def _section(section: Section, document: Document) -> str:
    verdict = _verdict(document) if section.key == "brief" else []
    parts = [_part(part) for part in section.parts]
    return "\n".join([f"#heading(level: 2, {quote(section.question)})", *verdict, *parts])


def _verdict(document: Document) -> list[str]:
    notes = [f"#par({quote(note)})" for note in document.verdict_notes]
    if not document.verdict:
        return ['#par("No line of a brief or standard was judged.")', *notes]
    head = ", ".join(f"[*{t}*]" for t in ("Result", "Line", "Target", "Found", "Margin", "Where, why, how sure"))
    cells = [f"table.header({head})"]
    for group, rows in groupby(document.verdict, key=lambda row: row.group):
        cells.append(f"table.cell(colspan: 6, strong({quote(group)}))")
        cells += [_verdict_row(row) for row in rows]
    columns = "(21mm, 1.2fr, 1.1fr, 0.9fr, 15mm, 2.2fr)"
    return [f"#table(columns: {columns}, {', '.join(cells)})", *notes]


def _verdict_row(row: VerdictRow) -> str:
    why = "; ".join(t.rstrip(".") for t in (row.where, row.cause) if t)
    more = f"[#text({quote(why + ('. ' if why else ''))})#muted({quote(row.sure)})]"
    mark = f"mark({quote(row.state)}, {quote(f'{SIGNS[row.state]} {row.state}')})"
    return ", ".join([mark, f"strong({quote(row.name)})", quote(row.target), quote(row.found), quote(row.margin), more])


def _part(part: Part) -> str:
    match part:
        case Picture() if part.refused:
            return f"#refused({quote(part.title)}, {quote(part.refused)})"
        case Picture():
            words = ", ".join(quote(t) for t in (part.title, f"{part.key}.svg", part.alt or part.title, part.caption))
            return f"#picture({words})"
        case Table():
            return _table(part)
        case Note():
            return f"#{'caution' if part.caution else 'par'}({quote(part.text)})"


def _table(table: Table) -> str:
    head = ", ".join(f"strong({quote(t)})" for t in table.head)
    cells = ", ".join(quote(cell) for row in table.rows for cell in row)
    note = f"\n#small({quote(table.note)})" if table.note else ""
    columns = ", ".join(["auto"] * (len(table.head) - 1) + ["1fr"])
    return f"#heading(level: 3, {quote(table.title)})\n#table(columns: ({columns},), table.header({head}), {cells}){note}"
