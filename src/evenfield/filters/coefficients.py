"""Coefficient tables: written as CSV, JSON, C header or WAV with everything needed to read them; read back.

The convention of every file written here: H(z) = (b0 + b1 z^-1 + b2 z^-2) / (1 + a1 z^-1 + a2 z^-2), so feedback is subtracted:
y = b0 x0 + b1 x1 + b2 x2 - a1 y1 - a2 y2. Others add it, with a1 and a2 of the other sign: reading finds that out, or asks.
"""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from evenfield.base import DataError, DesignError, message
from evenfield.base.files import write_whole
from evenfield.filters.chain import FilterChain
from evenfield.filters.impulse import impulse_response
from evenfield.filters.rows import digital_response

FloatArray = NDArray[np.float64]
Feedback = Literal["subtracted", "added"]

FORMATS = (".csv", ".json", ".h", ".wav")
CONVENTION = {
    "subtracted": "H(z) = (b0 + b1 z^-1 + b2 z^-2) / (1 + a1 z^-1 + a2 z^-2); feedback subtracted",
    "added": "H(z) = (b0 + b1 z^-1 + b2 z^-2) / (1 - a1 z^-1 - a2 z^-2); feedback added",
}
NAMES = ("b0", "b1", "b2", "a1", "a2")
NORMALISATION = "a0 = 1; broadband gain and polarity in the first biquad; delay apart, in seconds"


@dataclass(frozen=True)
class Channel:
    """One way's coefficients: (K, 6) rows b0 b1 b2 1 a1 a2 (feedback subtracted) and the delay, s."""

    biquads: FloatArray
    delay_s: float = 0.0


@dataclass(frozen=True)
class Coefficients:
    """All ways' coefficients at one sample rate, Hz."""

    channels: Mapping[str, Channel]
    sample_rate: float

    @classmethod
    def of(cls, chains: Mapping[str, FilterChain], sample_rate: float) -> Coefficients:
        """From chains. Raises DesignError for a section at or above half the rate, or with FIR sections (export those as WAV)."""
        for name, chain in chains.items():
            if any(s.kind == "fir" for s in chain.sections):
                raise DesignError(message(name, "made of biquads for a coefficient table", "an FIR section", fix="a WAV file"))
        return cls({n: Channel(c.sections_as_biquads(sample_rate), c.delay_s) for n, c in chains.items()}, sample_rate)

    def response(self, name: str, frequency_hz: FloatArray) -> NDArray[np.complex128]:
        """(F,) of one way, delay included."""
        channel = self.channels[name]
        h = digital_response(channel.biquads, np.asarray(frequency_hz, float), self.sample_rate)
        return np.asarray(h * np.exp(-2j * np.pi * np.asarray(frequency_hz) * channel.delay_s))

    def require_rate(self, sample_rate: float) -> None:
        """Raise DataError when the processor runs at another rate."""
        if abs(sample_rate - self.sample_rate) > 1e-6 * sample_rate:
            raise DataError(
                message("the coefficients' sample rate", f"the processor's ({sample_rate:g} Hz)", f"{self.sample_rate:g} Hz",
                        cause="Coefficients hold at one rate only", fix="exporting them anew at that rate"),
            )  # fmt: skip


def write_coefficients(path: str | Path, chains: Mapping[str, FilterChain], sample_rate: float, taps: int = 8192) -> Path:
    """Write chains as CSV, JSON, C header, or (suffix .wav) as impulse responses, one channel a way, float.

    Whole or not at all. Raises DesignError on another suffix, or what does not fit the rate.
    """
    path = Path(path)
    if path.suffix == ".wav":
        return _write_wav(path, chains, sample_rate, taps)
    writers = {".csv": to_csv, ".json": to_json, ".h": to_header}
    if path.suffix not in writers:
        raise DesignError(message("the file's suffix", f"one of {', '.join(FORMATS)}", path.suffix or "none"))
    text = writers[path.suffix](Coefficients.of(chains, sample_rate))
    write_whole(path, lambda part: part.write_text(text, encoding="utf-8"))
    return path


def to_csv(c: Coefficients) -> str:
    """As CSV with a commented head."""
    out = io.StringIO()
    for line in _head(c):
        out.write(f"# {line}\n")
    rows = csv.writer(out, lineterminator="\n")
    rows.writerow(("way", "biquad", "b0", "b1", "b2", "a1", "a2"))
    for name, channel in c.channels.items():
        for k, row in enumerate(channel.biquads):
            rows.writerow((name, k, *(repr(float(v)) for v in (*row[:3], *row[4:]))))
    return out.getvalue()


def to_json(c: Coefficients) -> str:
    """As JSON."""
    ways = {
        n: {"delay_s": ch.delay_s, "biquads": [dict(zip(NAMES, map(float, (*r[:3], *r[4:])), strict=True)) for r in ch.biquads]}
        for n, ch in c.channels.items()
    }  # fmt: skip
    head = {
        "sample_rate_hz": c.sample_rate,
        "feedback": "subtracted",
        "convention": CONVENTION["subtracted"],
        "normalisation": NORMALISATION,
    }
    return json.dumps({**head, "ways": ways}, indent=1) + "\n"


def to_header(c: Coefficients) -> str:
    """As a C header of doubles."""
    out = ["/*", *(f" * {line}" for line in _head(c)), " */", "#ifndef EVENFIELD_FILTERS_H", "#define EVENFIELD_FILTERS_H", ""]
    out.append(f"#define FILTER_SAMPLE_RATE_HZ {c.sample_rate!r}")
    for name, channel in c.channels.items():
        word = re.sub(r"\W", "_", name)
        out += [f"#define {word.upper()}_BIQUADS {len(channel.biquads)}", f"#define {word.upper()}_DELAY_S {channel.delay_s!r}"]
        out += [f"/* {name}: b0, b1, b2, a1, a2 */", f"static const double {word}_biquads[{len(channel.biquads)}][5] = {{"]
        out += ["    {" + ", ".join(repr(float(v)) for v in (*r[:3], *r[4:])) + "}," for r in channel.biquads] + ["};", ""]
    return "\n".join([*out, "#endif", ""])


def _head(c: Coefficients) -> list[str]:
    delays = "; ".join(f"{n} {ch.delay_s!r} s ({ch.delay_s * c.sample_rate:.6g} samples)" for n, ch in c.channels.items())
    return [
        "evenfield filter coefficients",
        f"sample_rate_hz: {c.sample_rate!r}",
        "feedback: subtracted",
        f"convention: {CONVENTION['subtracted']}",
        f"normalisation: {NORMALISATION}",
        f"delay: {delays}",
    ]


def read_coefficients(path: str | Path, feedback: Feedback | None = None, sample_rate: float | None = None) -> Coefficients:
    """Read coefficients that were written here, or any CSV or JSON with the columns b0 b1 b2 a1 a2 (a0 too, if not 1).

    Parameters
        feedback : the file's sign convention, where it does not say; without it the one that makes every biquad stable is found
        sample_rate : Hz, where the file does not say
    Raises DataError for a file that cannot be read, and (asking) where the convention is not stated and both or neither of them
    is stable, or the stated one is unstable and the other is not.
    """
    path = Path(path)
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise DataError(f"{path.name} must be a text file of coefficients, got: {error}.") from None
    raw = (
        _from_json(text, path) if path.suffix == ".json" else _from_header(text) if path.suffix == ".h" else _from_csv(text, path)
    )
    rate = raw.rate or sample_rate
    if rate is None:
        raise DataError(
            message("sample_rate", "stated in the file or given", "neither", where=path.name, fix="sample_rate=48000")
        )
    if not raw.tables:
        raise DataError(message(path.name, "a table of b0, b1, b2, a1, a2", "no row"))
    tables = {n: _normalised(np.array(t, float), path) for n, t in raw.tables.items()}
    sign = _convention(tables, feedback or raw.feedback, path)
    return Coefficients({n: Channel(_signed(t, sign), raw.delays.get(n, 0.0)) for n, t in tables.items()}, float(rate))


@dataclass(frozen=True)
class _Raw:
    tables: dict[str, list[list[float]]]
    delays: dict[str, float]
    rate: float | None
    feedback: str | None


def _from_csv(text: str, path: Path) -> _Raw:
    head = {k.strip(): v.strip() for k, _, v in (line[1:].partition(":") for line in text.splitlines() if line.startswith("#"))}
    body = [line for line in text.splitlines() if line.strip() and not line.startswith("#")]
    tables: dict[str, list[list[float]]] = {}
    for number, row in enumerate(csv.DictReader(body), 1):
        low = {(k or "").strip().lower(): v for k, v in row.items()}
        try:
            values = (
                [float(low[n]) for n in ("b0", "b1", "b2")]
                + [float(low.get("a0") or 1.0)]
                + [float(low[n]) for n in ("a1", "a2")]
            )
        except (KeyError, TypeError, ValueError) as error:
            raise DataError(message(f"{path.name}, row {number}", "numbers under b0, b1, b2, a1, a2", error)) from None
        tables.setdefault(low.get("way") or "way", []).append(values)
    delays = dict((m[0], float(m[1])) for m in re.findall(r"(\S+) ([-+.\deE]+) s \(", head.get("delay", "")))
    rate = head.get("sample_rate_hz")
    return _Raw(tables, delays, float(rate) if rate else None, head.get("feedback"))


def _from_json(text: str, path: Path) -> _Raw:
    try:
        tree: dict[str, Any] = json.loads(text)
        tables = {
            n: [[q["b0"], q["b1"], q["b2"], q.get("a0", 1.0), q["a1"], q["a2"]] for q in w["biquads"]]
            for n, w in tree["ways"].items()
        }
        delays = {n: float(w.get("delay_s", 0.0)) for n, w in tree["ways"].items()}
        return _Raw(tables, delays, tree.get("sample_rate_hz"), tree.get("feedback"))
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise DataError(
            message(path.name, "ways with biquads of b0, b1, b2, a1, a2", f"{type(error).__name__} {error}")
        ) from None


def _from_header(text: str) -> _Raw:
    number = r"[-+]?[\d.]+(?:[eE][-+]?\d+)?"
    rate = re.search(rf"FILTER_SAMPLE_RATE_HZ\s+({number})", text)
    feedback = re.search(r"feedback: (\w+)", text)
    tables, delays = {}, {}
    for word, body in re.findall(r"static const double (\w+)_biquads\[\d+\]\[5\] = \{(.*?)\};", text, re.S):
        rows = [[float(v) for v in re.findall(number, line)] for line in re.findall(r"\{([^{}]*)\}", body)]
        tables[word] = [[*r[:3], 1.0, *r[3:]] for r in rows]
        late = re.search(rf"{word.upper()}_DELAY_S\s+({number})", text)
        delays[word] = float(late.group(1)) if late else 0.0
    return _Raw(tables, delays, float(rate.group(1)) if rate else None, feedback.group(1) if feedback else None)


def _normalised(table: FloatArray, path: Path) -> FloatArray:
    if not np.all(np.isfinite(table)) or np.any(table[:, 3] == 0):
        raise DataError(message(path.name, "finite with a0 not zero", "other numbers"))
    return np.asarray(table / table[:, 3:4])


def _signed(table: FloatArray, feedback: str) -> FloatArray:
    return np.asarray(table * np.array([1, 1, 1, 1, -1, -1])) if feedback == "added" else table


def _stable(table: FloatArray) -> bool:
    a1, a2 = table[:, 4], table[:, 5]
    return bool(np.all((np.abs(a2) < 1) & (np.abs(a1) < 1 + a2)))


def _convention(tables: Mapping[str, FloatArray], stated: str | None, path: Path) -> str:
    """The file's convention: as stated if that is stable; else the question is put."""
    rows = np.concatenate(list(tables.values()))
    can = {f: _stable(_signed(rows, f)) for f in CONVENTION}
    ask = f"Try feedback='added' (y = b x + a y) or feedback='subtracted' (y = b x - a y), as {path.name}'s maker has it."
    if stated is not None:
        if stated not in CONVENTION:
            raise DataError(message("feedback", "'subtracted' or 'added'", repr(stated), where=path.name))
        if can[stated]:
            return stated
        other = "added" if stated == "subtracted" else "subtracted"
        hint = f" With feedback {other} they would be stable: the file has the other sign convention. {ask}" if can[other] else ""
        raise DataError(
            f"The biquads of {path.name} must be stable with feedback {stated}, got poles outside the unit circle.{hint}"
        )
    fits = [f for f, ok in can.items() if ok]
    if len(fits) == 1:
        if fits[0] == "added":
            raise DataError(
                f"The sign convention of {path.name} must be known, got none stated; only feedback added makes it stable, "
                f"which is not this package's own. {ask}"
            )
        return fits[0]
    state = "both would be stable" if fits else "neither is stable"
    raise DataError(f"The sign convention of {path.name} must be known, got none stated, and {state}. {ask}")


def _write_wav(path: Path, chains: Mapping[str, FilterChain], sample_rate: float, taps: int) -> Path:
    import soundfile

    if sample_rate != round(sample_rate):
        raise DesignError(message("sample_rate", "a whole number of Hz for a WAV file", f"{sample_rate} Hz"))
    table = np.stack([impulse_response(c, sample_rate, taps) for c in chains.values()], axis=1)
    peak = float(np.abs(table).max())
    words = f"impulse responses, one channel a way: {', '.join(chains)}; gain 1 = 1.0, not normalised; largest {peak:.6g}"

    def fill(part: Path) -> None:
        with soundfile.SoundFile(part, "w", int(sample_rate), table.shape[1], subtype="DOUBLE", format="WAV") as file:
            file.title, file.comment = "evenfield filters", words
            file.write(table)

    write_whole(path, fill)
    return path


def read_wav(path: str | Path, sample_rate: float | None = None) -> tuple[FloatArray, float]:
    """(channel, samples) impulse responses and their rate, Hz. Raises DataError on a damaged file or another rate than asked."""
    import soundfile

    try:
        table, rate = soundfile.read(str(path), always_2d=True)
    except (RuntimeError, OSError) as error:
        raise DataError(f"{Path(path).name} must be a WAV file, got: {error}.") from None
    Coefficients({}, float(rate)).require_rate(rate if sample_rate is None else sample_rate)
    return np.asarray(table.T, float), float(rate)


def read_measured_filter(path: str | Path) -> tuple[FloatArray, NDArray[np.complex128]]:
    """A measured filter's response from CSV: frequency in Hz, level in dB, phase in degrees (e^{+jwt}).

    Returns (F,) Hz and (F,) complex. Raises DataError for a missing column, or frequencies that do not ascend.
    """
    body = [line for line in Path(path).read_text(encoding="utf-8").splitlines() if line.strip() and not line.startswith("#")]
    rows = list(csv.DictReader(body))
    names = [n.strip().lower() for n in (rows[0] if rows else {})]
    found = [next((n for n in names if n.startswith(start)), None) for start in ("freq", "level", "phase")]
    if None in found:
        raise DataError(message(Path(path).name, "given columns frequency, level, phase", ", ".join(names) or "none"))
    try:
        table = np.array([[float({k.strip().lower(): v for k, v in r.items()}[n]) for n in found if n] for r in rows])
    except ValueError as error:
        raise DataError(message(Path(path).name, "numbers", error)) from None
    if np.any(np.diff(table[:, 0]) <= 0) or np.any(table[:, 0] <= 0):
        raise DataError(message(f"{Path(path).name}'s frequencies", "positive and ascending", "others"))
    return np.asarray(table[:, 0]), np.asarray(10 ** (table[:, 1] / 20) * np.exp(1j * np.radians(table[:, 2])))
