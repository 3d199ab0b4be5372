"""Directivity as a plain table.

Long: one row per direction and frequency, with a header: azimuth_deg, elevation_deg, frequency_hz and either re, im or
level_db[, phase_deg]; weight_sr may stand beside them. Wide: azimuth_deg, elevation_deg, then one column of levels in dB per
frequency, its header the frequency in Hz. Lines that begin with # are comments; "# level: absolute" says that levels are
re 20 uPa (re and im: Pa) at 1 m per volt, otherwise they are relative.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from evenfield.base.constants import REFERENCE_PRESSURE
from evenfield.base.errors import DataError, message
from evenfield.data.directions import spherical_to_vectors
from evenfield.data.directivity import Directivity
from evenfield.data.recognise import Record, assemble, read_record, record_text

FloatArray = NDArray[np.float64]
_ANGLES = ("azimuth_deg", "elevation_deg")


def write_csv(d: Directivity, path: Path) -> None:
    """Write the long table, numbers in full, flags and provenance in comment lines."""
    weights = d.directions.weights
    names = [*_ANGLES, "frequency_hz", "re", "im"] + (["weight_sr"] if weights is not None else [])
    azimuth, elevation = d.directions.azimuth_deg, d.directions.elevation_deg
    with path.open("w", newline="", encoding="utf-8") as file:
        file.write(f"# level: {'absolute' if d.level_absolute else 'relative'}\n# evenfield: {record_text(d)}\n")
        table = csv.writer(file)
        table.writerow(names)
        for i in range(len(d.directions)):
            last = [] if weights is None else [repr(float(weights[i]))]
            head = [repr(float(azimuth[i])), repr(float(elevation[i]))]
            for f, p in zip(d.frequency, d.pressure[i], strict=True):
                table.writerow([*head, repr(float(f)), repr(float(p.real)), repr(float(p.imag)), *last])


def read_csv(path: Path) -> Directivity:
    """Read the long or the wide table. Raises DataError naming the line of a bad number or the rows that lack."""
    comments, header, rows = read_table(path)
    missing = [name for name in _ANGLES if name not in header]
    if missing:
        raise DataError(message("the header", f"one with {', '.join(_ANGLES)}", ", ".join(header) or "empty"))
    absolute = comments.get("level", "relative") == "absolute"
    record = read_record(comments["evenfield"]) if "evenfield" in comments else Record({}, {"file": path.name})
    if "frequency_hz" in header:
        return _long(header, rows, record, absolute)
    return _wide(header, rows, record, absolute)


def read_table(path: Path) -> tuple[dict[str, str], list[str], FloatArray]:
    """Comments by key, column names and numbers of a table whose every column is a number."""
    comments, header, rows = read_rows(path)
    try:
        table = np.array([cells for _, cells in rows], dtype=float)
        if np.all(np.isfinite(table)):
            return comments, header, table
    except ValueError:
        pass
    table = np.empty((len(rows), len(header)))
    for i, (line, cells) in enumerate(rows):
        for j, cell in enumerate(cells):
            try:
                table[i, j] = float(cell)
            except ValueError:
                raise DataError(message(header[j], "a number", repr(cell), where=f"{path}, line {line}")) from None
            if not np.isfinite(table[i, j]):
                raise DataError(message(header[j], "finite", cell.strip(), where=f"{path}, line {line}"))
    return comments, header, table


def read_rows(path: Path) -> tuple[dict[str, str], list[str], list[tuple[int, list[str]]]]:
    """Comments by key, column names, and (line number, cells) of each row. Raises DataError naming a row of other width."""
    comments: dict[str, str] = {}
    header: list[str] = []
    rows: list[tuple[int, list[str]]] = []
    with path.open(newline="", encoding="utf-8-sig") as file:
        for line, text in enumerate(file, start=1):
            if text.startswith("#"):
                key, _, value = text[1:].partition(":")
                comments[key.strip()] = value.strip()
            elif text.strip():
                cells = next(csv.reader([text])) if '"' in text else text.rstrip("\r\n").split(",")
                if not header:
                    header = [cell.strip() for cell in cells]
                elif len(cells) != len(header):
                    raise DataError(message("a row", f"{len(header)} cells wide", len(cells), where=f"{path}, line {line}"))
                else:
                    rows.append((line, cells))
    if not rows:
        raise DataError(message(f"{path}", "a header and at least one row", "none"))
    return comments, header, rows


def complex_columns(header: list[str], rows: FloatArray, absolute: bool) -> NDArray[np.complex128]:
    """(rows,) complex pressure from the columns re, im or level_db[, phase_deg]."""
    column = {name: rows[:, i] for i, name in enumerate(header)}
    if "re" in column and "im" in column:
        return np.asarray(column["re"] + 1j * column["im"])
    if "level_db" not in column:
        raise DataError(message("the header", "one with re and im, or level_db", ", ".join(header)))
    magnitude = (REFERENCE_PRESSURE if absolute else 1.0) * 10 ** (column["level_db"] / 20)
    phase = np.radians(column["phase_deg"]) if "phase_deg" in column else np.zeros(len(rows))
    return np.asarray(magnitude * np.exp(1j * phase))


def _long(header: list[str], rows: FloatArray, record: Record, absolute: bool) -> Directivity:
    column = {name: rows[:, i] for i, name in enumerate(header)}
    values = complex_columns(header, rows, absolute)
    frequency, at = np.unique(column["frequency_hz"], return_inverse=True)
    pairs = np.stack([column[name] for name in _ANGLES], axis=1)
    _, first, which = np.unique(pairs @ [1.0, 1j], return_index=True, return_inverse=True)
    angles = pairs[first]
    order = np.argsort(first)
    place = np.argsort(order)[which.ravel()]
    count = np.zeros((len(angles), len(frequency)), int)
    np.add.at(count, (place, at.ravel()), 1)
    if np.any(count != 1):
        d, f = np.argwhere(count != 1)[0]
        azimuth, elevation = angles[order[d]]
        where = f"azimuth {azimuth:g}, elevation {elevation:g} deg, {frequency[f]:g} Hz; {int((count != 1).sum())} such"
        raise DataError(message("each direction and frequency", "given once", f"{count[d, f]} rows", where=where))
    pressure = np.empty(count.shape, complex)
    pressure[place, at.ravel()] = values
    weights = column["weight_sr"][first[order]] if "weight_sr" in column else None
    vectors = spherical_to_vectors(*angles[order].T)
    return assemble(pressure, vectors, frequency, record, weights, level_absolute=absolute)


def _wide(header: list[str], rows: FloatArray, record: Record, absolute: bool) -> Directivity:
    frequency, columns = [], []
    for j, name in enumerate(header):
        if name in _ANGLES:
            continue
        try:
            frequency.append(float(name))
        except ValueError:
            fix = "frequency_hz with re, im or level_db; or frequencies in Hz as headers"
            raise DataError(message("a column", "a frequency in Hz or a known name", repr(name), fix=fix)) from None
        columns.append(j)
    order = np.argsort(frequency)
    level = rows[:, np.array(columns, int)[order]]
    magnitude = (REFERENCE_PRESSURE if absolute else 1.0) * 10 ** (level / 20)
    vectors = spherical_to_vectors(*(rows[:, header.index(name)] for name in _ANGLES))
    return assemble(magnitude, vectors, np.asarray(frequency)[order], record, level_absolute=absolute)
