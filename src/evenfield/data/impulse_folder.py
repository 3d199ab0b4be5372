"""A folder of responses with a small table of angles.

angles.csv: file, azimuth_deg, elevation_deg[, distance_m], one row per response. Each file is a mono WAV impulse response, a
CSV impulse response (time_s, value, equal steps) or a CSV transfer function (frequency_hz and re, im or level_db[, phase_deg]).
A comment line "# pa_per_v_full_scale: 0.2" in angles.csv says what pressure per volt a sample value of 1 means, at the
stated distance; without it levels are relative.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenfield.base.errors import DataError, message
from evenfield.data.csv_table import complex_columns, read_rows, read_table
from evenfield.data.directions import spherical_to_vectors
from evenfield.data.directivity import Directivity
from evenfield.data.recognise import Record, assemble
from evenfield.data.transfer import transfer_of

FloatArray = NDArray[np.float64]
_NEEDED = ("file", "azimuth_deg", "elevation_deg")
_SCALE = "pa_per_v_full_scale"


def read_folder(folder: Path) -> Directivity:
    """Read a folder of responses. Raises DataError naming the file and row that is missing, unreadable or unlike the rest."""
    table = folder / "angles.csv"
    if not table.is_file():
        raise DataError(message(f"{folder}", "a folder with angles.csv", "none", fix="a table: file, azimuth_deg, elevation_deg"))
    comments, header, rows = read_rows(table)
    if any(name not in header for name in _NEEDED):
        raise DataError(message("the header of angles.csv", "one with " + ", ".join(_NEEDED), ", ".join(header)))
    names = [cells[header.index("file")].strip() for _, cells in rows]
    lost = [name for name in names if not (folder / name).is_file()]
    if lost:
        raise DataError(f"{table} names {len(lost)} files that do not exist: {', '.join(lost[:8])}. Try the files' exact names.")
    angle = {name: _column(table, header, rows, name) for name in _NEEDED[1:]}
    distance = _column(table, header, rows, "distance_m") if "distance_m" in header else None
    frequency, pressure = _responses(folder, names)
    found: dict[str, Any] = {"level_absolute": _SCALE in comments}
    if _SCALE in comments:
        pressure = pressure * float(comments[_SCALE])
    if distance is not None:
        found["distance"] = float(distance.mean())
        pressure = _refer(pressure, frequency, distance, absolute=_SCALE in comments)
    record = Record({}, {"folder": folder.name, "files": f"{len(names)}"})
    return assemble(pressure, spherical_to_vectors(*angle.values()), frequency, record, **found)


def _column(table: Path, header: list[str], rows: list[tuple[int, list[str]]], name: str) -> FloatArray:
    out = []
    for line, cells in rows:
        cell = cells[header.index(name)]
        try:
            out.append(float(cell))
        except ValueError:
            raise DataError(message(name, "a number", repr(cell), where=f"{table}, line {line}")) from None
    return np.asarray(out)


def _refer(
    pressure: NDArray[np.complex128], frequency: FloatArray, distance: FloatArray, absolute: bool
) -> NDArray[np.complex128]:
    """Refer to 1 m (to the mean distance where level is relative), flight-time differences taken out."""
    if np.any(distance <= 0):
        raise DataError(message("distance_m", "positive", float(distance.min())))
    mean = float(distance.mean())
    wavenumber = 2 * np.pi * frequency / 343.2
    scale = distance / (1.0 if absolute else mean)
    return np.asarray(pressure * scale[:, None] * np.exp(1j * np.outer(distance - mean, wavenumber)))


def _responses(folder: Path, names: list[str]) -> tuple[FloatArray, NDArray[np.complex128]]:
    """Common frequency axis and (D, F) responses of the files."""
    impulses: list[tuple[float, FloatArray]] = []
    transfers: list[tuple[FloatArray, NDArray[np.complex128]]] = []
    for name in names:
        path = folder / name
        if path.suffix.lower() == ".wav":
            impulses.append(_wav(path))
        elif path.suffix.lower() == ".csv":
            _, header, rows = read_table(path)
            if "time_s" in header:
                impulses.append(_csv_impulse(path, header, rows))
            else:
                transfers.append((_frequency(path, header, rows), complex_columns(header, rows, absolute=False)))
        else:
            raise DataError(message(f"{path}", "a .wav or .csv response", path.suffix))
    if transfers and impulses:
        raise DataError(f"{folder} mixes impulse responses and transfer functions. Try one kind for all directions.")
    if transfers:
        return _same_axis(names, transfers)
    return _same_rate(names, impulses)


def _same_axis(
    names: list[str], transfers: list[tuple[FloatArray, NDArray[np.complex128]]]
) -> tuple[FloatArray, NDArray[np.complex128]]:
    first = transfers[0][0]
    for name, (axis, _) in zip(names, transfers, strict=True):
        if axis.shape != first.shape or np.max(np.abs(axis / first - 1)) > 1e-9:
            raise DataError(message(name, f"on the frequencies of {names[0]}", f"{len(axis)} others"))
    return first, np.stack([value for _, value in transfers])


def _same_rate(names: list[str], impulses: list[tuple[float, FloatArray]]) -> tuple[FloatArray, NDArray[np.complex128]]:
    """Transfer functions; shorter responses are followed by silence up to the longest."""
    rate = impulses[0][0]
    for name, (own, _) in zip(names, impulses, strict=True):
        if abs(own / rate - 1) > 1e-6:
            raise DataError(message(name, f"sampled at {rate:g} Hz like {names[0]}", f"{own:g} Hz"))
    length = max(len(samples) for _, samples in impulses)
    block = np.zeros((len(impulses), length))
    for row, (_, samples) in zip(block, impulses, strict=True):
        row[: len(samples)] = samples
    return transfer_of(block, rate)


def _wav(path: Path) -> tuple[float, FloatArray]:
    import soundfile

    samples, rate = soundfile.read(str(path), dtype="float64", always_2d=True)
    if samples.shape[1] != 1:
        raise DataError(message(f"{path}", "mono", f"{samples.shape[1]} channels"))
    return float(rate), np.asarray(samples[:, 0])


def _csv_impulse(path: Path, header: list[str], rows: FloatArray) -> tuple[float, FloatArray]:
    if "value" not in header:
        raise DataError(message(f"{path}", "a table of time_s and value", ", ".join(header)))
    time = rows[:, header.index("time_s")]
    step = np.diff(time)
    if len(step) < 7 or np.any(step <= 0) or np.ptp(step) > 1e-3 * step.mean():
        raise DataError(message(f"{path}: time_s", "ascending in equal steps", f"{len(time)} values"))
    delay = time[0] / step.mean()
    samples = rows[:, header.index("value")]
    if delay < -0.5:
        raise DataError(message(f"{path}: time_s", "0 or later at its first row", f"{time[0]:g} s"))
    return float(1 / step.mean()), np.concatenate([np.zeros(round(delay)), samples])


def _frequency(path: Path, header: list[str], rows: FloatArray) -> FloatArray:
    if "frequency_hz" not in header:
        raise DataError(message(f"{path}", "a table with time_s or frequency_hz", ", ".join(header)))
    return np.asarray(rows[:, header.index("frequency_hz")])
