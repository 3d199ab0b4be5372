"""Read and write a Directivity; the file's name says the format."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from evenfield.base.errors import DataError, message
from evenfield.data.directivity import Directivity

FORMATS = ".sofa (AES69), .nc (NetCDF), .csv (table), or a folder with angles.csv and impulse responses"


def read_directivity(path: str | os.PathLike[str]) -> Directivity:
    """Read a Directivity, predicted or measured.

    Parameters
        path : a .sofa, .nc or .csv file, or a folder holding angles.csv beside CSV or WAV impulse responses
    What the numbers are is recognised, and said in the flags: no phase anywhere -> `phase_known` False; third-octave
    spacing -> `bandwidth` 3; no calibration stated -> `level_absolute` False; a closed sphere gets quadrature weights, orbits
    get none. Nothing missing is filled in.
    Raises DataError saying what is wrong, where and what to try.
    """
    place = Path(path)
    if not place.exists():
        raise DataError(f"{place} does not exist. Try one of the formats read: {FORMATS}.")
    with plain_errors(place, "reading"):
        return _reader(place)(place)


def write_directivity(d: Directivity, path: str | os.PathLike[str]) -> None:
    """Write a Directivity whole or not at all, as .sofa, .nc or .csv; each reads back without loss.

    Raises DataError on an unknown suffix or when the file cannot be written; a file that stood there stays as it was.
    """
    place = Path(path)
    writer = _writer(place)
    if not place.parent.is_dir():
        raise DataError(f"{place} cannot be written: the folder {place.parent} does not exist. Try an existing folder.")
    with plain_errors(place, "writing"):
        write_whole(place, lambda temporary: writer(d, temporary))


def write_whole(place: Path, write: Callable[[Path], None]) -> None:
    """Let `write` fill a temporary file beside `place`, then put it in place in one step; on failure leave nothing behind."""
    temporary = place.with_name(f".{place.stem}.{os.getpid()}.part{place.suffix}")
    try:
        write(temporary)
        with temporary.open("rb+") as file:
            os.fsync(file.fileno())
        os.replace(temporary, place)
    finally:
        temporary.unlink(missing_ok=True)


@contextmanager
def plain_errors(place: Path, doing: str) -> Iterator[None]:
    """Turn what libraries raise on a bad file into one DataError that names the file."""
    try:
        yield
    except DataError as error:
        text = str(error)
        raise DataError(text if str(place) in text else f"{place}: {text}") from error
    except (OSError, RuntimeError, ValueError, KeyError, IndexError, TypeError, AttributeError) as error:
        reason = " ".join(str(error).split())[:200] or type(error).__name__
        if doing == "writing":
            fix = "making room on the disk, or another folder; nothing was left half-written"
        else:
            fix = "copying it again from its source; it may be cut short, damaged or of another kind than its name says"
        raise DataError(f"{place} failed while {doing}: {reason}. Try {fix}.") from error


def _reader(place: Path) -> Callable[[Path], Directivity]:
    if place.is_dir():
        from evenfield.data.impulse_folder import read_folder

        return read_folder
    if place.suffix == ".sofa":
        from evenfield.data.sofa import read_sofa

        return read_sofa
    if place.suffix == ".nc":
        from evenfield.data.netcdf import read_netcdf

        return read_netcdf
    if place.suffix == ".csv":
        from evenfield.data.csv_table import read_csv

        return read_csv
    raise DataError(message(f"{place}", "of a known format", repr(place.suffix), fix=FORMATS))


def _writer(place: Path) -> Callable[[Directivity, Path], None]:
    if place.suffix == ".sofa":
        from evenfield.data.sofa import write_sofa

        return write_sofa
    if place.suffix == ".nc":
        from evenfield.data.netcdf import write_netcdf

        return write_netcdf
    if place.suffix == ".csv":
        from evenfield.data.csv_table import write_csv

        return write_csv
    raise DataError(message(f"{place}", "of a format that can be written", repr(place.suffix), fix=".sofa, .nc or .csv"))
