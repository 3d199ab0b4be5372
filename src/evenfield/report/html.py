"""The report as one HTML file: inline drawings, inline style, no script, nothing loaded from anywhere."""

from __future__ import annotations

import re
from html import escape
from itertools import groupby

from evenfield.report.document import SIGNS, Document, Note, Part, Picture, Section, Table, VerdictRow

STYLE = """
:root{--ink:#17222b;--muted:#56636b;--rule:#d5dadc;--wash:#f7f4ec;--sea:#1b6f8a}
*{box-sizing:border-box}
body{margin:0;color:var(--ink);background:#fff;font:16px/1.5 "DejaVu Sans",Verdana,system-ui,sans-serif}
main,header,nav,footer{max-width:1060px;margin:0 auto;padding:0 28px}
header{padding-top:34px}
h1{font-size:1.9rem;line-height:1.2;margin:0}
.sub{color:var(--muted);margin:.3rem 0 0}
.state{display:inline-block;margin:1.1rem 0 .2rem;padding:.3rem .9rem;
  border:2px solid var(--ink);font-weight:700;font-size:1.1rem}
.state.not-met{background:var(--ink);color:#fff}
.state.not-judged{border-style:dashed}
nav ol{list-style:none;padding:0;margin:1.2rem 0 0;display:flex;flex-wrap:wrap;gap:.2rem 1.4rem;font-size:.9rem}
a{color:var(--sea)}
section{border-top:1px solid var(--rule);margin-top:2.4rem;padding-top:.4rem}
h2{font-size:1.35rem;margin:.9rem 0 .6rem}
h3{font-size:1rem;margin:1.6rem 0 .2rem}
table{border-collapse:collapse;width:100%;font-size:.84rem;line-height:1.35}
.wide{overflow-x:auto}
th,td{text-align:left;vertical-align:top;padding:.38rem .6rem .38rem 0;border-bottom:1px solid var(--rule)}
thead th{border-bottom:1.5px solid var(--ink);font-size:.78rem;color:var(--muted)}
tbody th{font-weight:600}
tr.group th{padding-top:1rem;color:var(--sea);font-size:.9rem}
td.mark{white-space:nowrap;font-weight:700}
tr.not-met td.mark span{background:var(--ink);color:#fff;padding:.1rem .4rem}
tr.not-judged{color:var(--muted)}
figure{margin:1.8rem 0 0;break-inside:avoid}
figure svg{width:100%;height:auto;display:block}
figure .title{font-weight:600;display:block;margin-bottom:.3rem}
figcaption{color:var(--muted);font-size:.82rem;margin-top:.25rem}
.refused{border:1.5px dashed var(--muted);padding:.9rem 1.1rem;background:#fafbfb}
.caution{border-left:5px solid var(--ink);background:var(--wash);padding:.6rem 1rem;margin:1rem 0;font-size:.92rem}
.note{font-size:.92rem}
footer{color:var(--muted);font-size:.82rem;border-top:1px solid var(--rule);margin-top:3rem;padding-top:1rem;padding-bottom:3rem}
@media (max-width:760px){
  main,header,nav,footer{padding:0 16px}
  .verdict thead{display:none}
  .verdict tr,.verdict th,.verdict td{display:block;border:0;padding:.1rem 0}
  .verdict tr{border-bottom:1px solid var(--rule);padding:.6rem 0}
  .verdict td:empty{display:none}
  .verdict td[data-name]::before{content:attr(data-name) ": ";color:var(--muted)}
}
@media print{body{font-size:11px}nav{display:none}section{break-before:auto}}
"""

_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:"


_COLUMNS = ("Result", "Line", "Target", "Found", "Margin", "Where", "Cause", "How sure")


def render_html(document: Document) -> str:
    """The document as HTML text."""
    links = "".join(f'<li><a href="#{s.key}">{escape(s.question)}</a></li>' for s in document.sections)
    body = "".join(_section(section, document) for section in document.sections)
    slug = document.state.replace(" ", "-")
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">'
        '<meta name="viewport" content="width=device-width,initial-scale=1">'
        f"<title>{escape(document.title)}: {escape(document.state)}</title><style>{STYLE}</style></head><body>"
        f'<header><h1>{escape(document.title)}</h1><p class="sub">{escape(document.subtitle)}</p>'
        f'<p class="state {slug}">{SIGNS[document.state]} {document.judged} {escape(document.state)}</p>'
        f"<p>{escape(document.summary)}</p></header>"
        f'<nav aria-label="Questions"><ol>{links}</ol></nav><main>{body}</main>'
        f"<footer>{escape(document.colophon)}</footer></body></html>\n"
    )


def _section(section: Section, document: Document) -> str:
    verdict = _verdict(document) if section.key == "brief" else ""
    parts = "".join(_part(part) for part in section.parts)
    return f'<section id="{section.key}"><h2>{escape(section.question)}</h2>{verdict}{parts}</section>'


def _verdict(document: Document) -> str:
    if not document.verdict:
        rows = '<p class="note">No line of a brief or standard was judged.</p>'
    else:
        head = "".join(f'<th scope="col">{t}</th>' for t in _COLUMNS)
        body = "".join(
            f'<tr class="group"><th colspan="8" scope="rowgroup">{escape(group)}</th></tr>'
            + "".join(_verdict_row(row) for row in rows)
            for group, rows in groupby(document.verdict, key=lambda row: row.group)
        )
        rows = f'<div class="wide"><table class="verdict"><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>'
    notes = "".join(f'<p class="note">{escape(note)}</p>' for note in document.verdict_notes)
    return rows + notes


def _verdict_row(row: VerdictRow) -> str:
    words = (row.target, row.found, row.margin, row.where, row.cause, row.sure)
    cells = "".join(f'<td data-name="{name}">{escape(text)}</td>' for name, text in zip(_COLUMNS[2:], words, strict=True))
    return (
        f'<tr class="{row.state.replace(" ", "-")}"><td class="mark"><span>{SIGNS[row.state]} {row.state}</span></td>'
        f'<th scope="row">{escape(row.name)}</th>{cells}</tr>'
    )


def _part(part: Part) -> str:
    match part:
        case Picture():
            return _picture(part)
        case Table():
            return _table(part)
        case Note():
            return f'<p class="{"caution" if part.caution else "note"}">{escape(part.text)}</p>'


def _picture(picture: Picture) -> str:
    title = f'<span class="title">{escape(picture.title)}</span>'
    if picture.refused:
        return (
            f'<figure class="refused" id="fig-{picture.key}">{title}<p><strong>Refused.</strong> '
            f"{escape(picture.refused)}</p></figure>"
        )
    drawing = inline_svg(picture.svg, picture.key, picture.alt or picture.title)
    return f'<figure id="fig-{picture.key}">{title}{drawing}<figcaption>{escape(picture.caption)}</figcaption></figure>'


def _table(table: Table) -> str:
    head = "".join(f'<th scope="col">{escape(t)}</th>' for t in table.head)
    rows = "".join(
        "<tr>"
        + "".join(f'<th scope="row">{escape(cell)}</th>' if i == 0 else f"<td>{escape(cell)}</td>" for i, cell in enumerate(row))
        + "</tr>"
        for row in table.rows
    )
    note = f'<p class="note">{escape(table.note)}</p>' if table.note else ""
    return (
        f'<h3>{escape(table.title)}</h3><div class="wide"><table><thead><tr>{head}</tr></thead>'
        f"<tbody>{rows}</tbody></table></div>{note}"
    )


def inline_svg(svg: str, key: str, alt: str) -> str:
    """Standalone SVG made fit to stand inside HTML: no prologue, no namespaces, ids of its own."""
    body = svg[svg.index("<svg") :]
    body = re.sub(r"<metadata>.*?</metadata>", "", body, flags=re.S)
    body = re.sub(r"<!--.*?-->", "", body, flags=re.S)
    body = re.sub(r'\s+xmlns(:\w+)?="[^"]*"', "", body)
    body = body.replace("xlink:href=", "href=")
    body = re.sub(r'\bid="', f'id="{key}-', body)
    body = re.sub(r'href="#', f'href="#{key}-', body)
    body = re.sub(r"url\(#", f"url(#{key}-", body)
    body = re.sub(r">\s+<", "><", body)
    return body.replace("<svg", f'<svg role="img" aria-label="{escape(alt)}"', 1)
