"""A picture's data as CSV: every digit that was computed, a heading with units, nothing drawn."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterator
from itertools import zip_longest
from typing import Any

from evenfield.workbench.pictures.picture import Picture


def csv_of(picture: Picture) -> str:
    """The text of a CSV file.

    Panels: a column for each x axis, followed by those of its curves and bands. Maps: the first row holds x, the first column y.
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    family = picture.header["family"]
    rows = {"panels": _panels, "map": _map, "table": _table}[family](picture)
    writer.writerows(rows)
    return text.getvalue()


def _panels(picture: Picture) -> Iterator[list[str]]:
    unit = picture.header["x"]["unit"]
    columns: dict[str, list[tuple[str, str]]] = {}
    for panel in picture.header["panels"]:
        for s in panel["series"]:
            columns.setdefault(s["x"], []).append((f"{panel['label']}, {s['label']} [{panel['unit']}]", s["y"]))
        for b in panel["bands"]:
            head = f"{panel['label']}, {b['label']}"
            columns.setdefault(b["x"], []).append((f"{head}, low [{panel['unit']}]", b["low"]))
            columns[b["x"]].append((f"{head}, high [{panel['unit']}]", b["high"]))
    heads, arrays = [], []
    for x, found in columns.items():
        heads.append(f"{picture.header['x']['label']} [{unit}]")
        arrays.append(picture.arrays[x])
        for head, name in found:
            heads.append(head)
            arrays.append(picture.arrays[name])
    yield heads
    for row in zip_longest(*arrays, fillvalue=math.nan):
        yield [_cell(v) for v in row]


def _map(picture: Picture) -> Iterator[list[str]]:
    x, y = picture.header["x"], picture.header["y"]
    yield [f"{y['label']} [{y['unit']}] \\ {x['label']} [{x['unit']}], level [dB]", *(_cell(v) for v in picture.arrays["x"])]
    for angle, row in zip(picture.arrays["y"], picture.arrays["level"], strict=True):
        yield [_cell(angle), *(_cell(v) for v in row)]


def _table(picture: Picture) -> Iterator[list[str]]:
    yield [c["label"] or c["key"] for c in picture.header["columns"]]
    for row in picture.header["rows"]:
        yield [_safe(str(cell)) for cell in row]


def _safe(cell: str) -> str:
    """Text that a spreadsheet does not take for a formula."""
    return f"'{cell}" if cell[:1] in "=@" else cell


def _cell(value: Any) -> str:
    number = float(value)
    return "" if math.isnan(number) else repr(number)
