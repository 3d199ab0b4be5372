"""What a picture is made of: panels of curves, a map, or a table; numbers and words, no drawing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenfield.workbench.frames import finite

FloatArray = NDArray[np.float64]

LOG_HZ = {"kind": "log", "label": "Frequency", "unit": "Hz", "min": 20.0, "max": 20000.0}


@dataclass
class Picture:
    """A picture's words and arrays, as the protocol sends them.

    Parameters
        header : members of the `picture` message that describe it
        arrays : by name
    """

    header: dict[str, Any]
    arrays: dict[str, NDArray[Any]] = field(default_factory=dict)


class Panels:
    """Collects the panels of a curve picture."""

    def __init__(self, title: str, caption: str, x: Mapping[str, Any] = LOG_HZ) -> None:
        self.header: dict[str, Any] = {"family": "panels", "title": title, "caption": caption, "x": dict(x), "panels": []}
        self.arrays: dict[str, NDArray[Any]] = {}

    def axis(self, values: FloatArray, name: str = "frequency") -> str:
        """An x axis that series name."""
        self.arrays[name] = np.asarray(values, float)
        return name

    def panel(
        self, key: str, label: str, unit: str, low: float | None = None, high: float | None = None, height: float = 1.0
    ) -> None:
        """A new panel; series, bands and marks go to the last one."""
        self.header["panels"].append(
            {
                "key": key, "label": label, "unit": unit, "min": low, "max": high, "height": height,
                "series": [], "bands": [], "lines": [], "marks": [],
            }
        )  # fmt: skip

    @property
    def last(self) -> dict[str, Any]:
        """The panel being filled."""
        found: dict[str, Any] = self.header["panels"][-1]
        return found

    def series(
        self, key: str, label: str, values: FloatArray, role: str = "curve", way: int | None = None, x: str = "frequency"
    ) -> None:
        """A curve of the last panel."""
        name = f"{self.last['key']}.{key}"
        self.arrays[name] = np.asarray(values, float)
        self.last["series"].append({"key": key, "label": label, "role": role, "way": way, "x": x, "y": name})

    def band(self, key: str, label: str, low: FloatArray, high: FloatArray, role: str, x: str = "frequency") -> None:
        """A band of the last panel."""
        names = [f"{self.last['key']}.{key}.{side}" for side in ("low", "high")]
        self.arrays[names[0]], self.arrays[names[1]] = np.asarray(low, float), np.asarray(high, float)
        self.last["bands"].append({"key": key, "label": label, "x": x, "low": names[0], "high": names[1], "role": role})

    def line(self, y: float, label: str = "") -> None:
        """A level line of the last panel."""
        self.last["lines"].append({"y": float(y), "label": label})

    def mark(self, x: float, label: str, way: int | None = None) -> None:
        """A mark on the last panel's x axis."""
        self.last["marks"].append({"x": float(x), "label": label, "way": way})

    def number(self, key: str, label: str, text: str, target: str = "", met: bool | None = None) -> None:
        """A figure beside the picture."""
        self.header.setdefault("numbers", []).append({"key": key, "label": label, "text": text, "target": target, "met": met})

    def fit(
        self, floor: float | None = None, least: float = 10.0, step: float = 5.0, within: tuple[float, float] | None = None
    ) -> None:
        """Suggest limits that hold the last panel's curves."""
        low, high = np.inf, -np.inf
        for s in self.last["series"]:
            x, y = self.arrays[s["x"]], self.arrays[s["y"]]
            keep = np.isfinite(y) if within is None else np.isfinite(y) & (x >= within[0]) & (x <= within[1])
            if keep.any():
                low, high = min(low, float(y[keep].min())), max(high, float(y[keep].max()))
        if not np.isfinite(low):
            return
        top = step * np.ceil((high + 0.05 * step) / step)
        foot = step * np.floor(low / step)
        if floor is not None:
            foot = max(foot, top - floor)
        self.last["min"], self.last["max"] = float(min(foot, top - least)), float(top)

    def done(self) -> Picture:
        """The picture."""
        return Picture(self.header, self.arrays)


def map_picture(
    title: str,
    caption: str,
    x: FloatArray,
    y: FloatArray,
    level: FloatArray,
    y_words: Mapping[str, Any],
    range_db: tuple[float, float] = (-30.0, 0.0),
) -> Picture:
    """Level over two axes, (Y, X) dB."""
    header = {
        "family": "map", "title": title, "caption": caption, "x": dict(LOG_HZ), "y": dict(y_words), "range_db": list(range_db),
        "band_db": 3, "line_db": -6,
    }  # fmt: skip
    return Picture(header, {"x": np.asarray(x, float), "y": np.asarray(y, float), "level": np.asarray(level, float)})


def table_picture(
    title: str, caption: str, columns: Sequence[tuple[str, str, str]], rows: Sequence[Sequence[str]], keys: Sequence[str] = (),
    states: Sequence[str] = (), summary: str = "",
) -> Picture:  # fmt: skip
    """Rows of text; columns are (key, label, align)."""
    return Picture(
        {
            "family": "table", "title": title, "caption": caption, "summary": summary,
            "columns": [{"key": k, "label": label, "align": a} for k, label, a in columns],
            "rows": [list(r) for r in rows],
            "row_key": list(keys or (r[0] for r in rows)),
            "row_state": list(states or [""] * len(rows)),
        }
    )  # fmt: skip


def words(value: float, unit: str = "dB", digits: int = 2, sign: bool = False) -> str:
    """A number with its unit, or "not judged"."""
    if finite(float(value)) is None:
        return "not judged"
    return f"{value:{'+' if sign else ''}.{digits}f} {unit}".replace("-", "−").strip()
