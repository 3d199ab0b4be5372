"""The numbers of a design file that a search may change, between bounds; and designs with other values of them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel

from evenfield.base.errors import DesignError, message
from evenfield.base.units import Amount
from evenfield.loudspeaker.design import Design

Array = NDArray[np.float64]

_SHOWN = {"mm": 1e3, "deg": 180 / math.pi, "": 1.0}
_DIGITS = {"mm": 2, "deg": 2, "": 3}


@dataclass(frozen=True)
class Dimension:
    """One number that may change.

    Parameters
        key : dotted path in the design file; members of lists by number, e.g. "ways.tweeter.waveguide.wall.horizontal.0"
        low, high : SI, bounds
        unit : "mm", "deg" or "": how the file shows it
    Raises DesignError when the bounds are not in order.
    """

    key: str
    low: float
    high: float
    unit: str = "mm"

    def __post_init__(self) -> None:
        if not (math.isfinite(self.low) and math.isfinite(self.high) and self.low < self.high):
            raise DesignError(message(f"bounds of {self.key}", "two finite values, the lower first", (self.low, self.high)))

    @property
    def name(self) -> str:
        """The last words of the key, as tables show it."""
        words = self.key.split(".")
        start = words.index("waveguide") + 1 if "waveguide" in words else max(len(words) - 2, 0)
        words = [str(int(w) + 1) if w.isdigit() else w.replace("_", " ") for w in words[start:]]
        return " ".join(words)

    @property
    def small(self) -> float:
        """A drawing's unit of tolerance: 0.1 mm, 0.1 degree, or 0.01."""
        return {"mm": 1e-4, "deg": math.radians(0.1), "": 0.01}[self.unit]

    def text(self, value: float) -> str:
        """The value as the design file writes it."""
        return f"{round(value * _SHOWN[self.unit], _DIGITS[self.unit]):g} {self.unit}".strip()

    def snapped(self, value: float) -> float:
        """The value that `text` stands for."""
        return round(value * _SHOWN[self.unit], _DIGITS[self.unit]) / _SHOWN[self.unit]


def read(design: Design, key: str) -> float:
    """The number at a dotted path. Raises DesignError where there is none."""
    node: Any = design
    for step in key.split("."):
        try:
            node = node[int(step)] if step.isdigit() else node[step] if isinstance(node, Mapping) else getattr(node, step)
        except (AttributeError, KeyError, IndexError, TypeError):
            node = None
        if node is None:
            raise DesignError(message(key, "given in the design file, to be changed", "nothing"), key)
    return float(node)


def changed(design: Design, values: Mapping[str, float], dimensions: Sequence[Dimension] = ()) -> Design:
    """The design with other numbers at these dotted paths, SI."""
    known = {d.key: d for d in dimensions}
    for key, value in values.items():
        text = known[key].text(value) if key in known else f"{value:g}"
        design = _with(design, key.split("."), Amount(value, 0.0, text))
    return design


def _with(node: Any, path: list[str], value: Amount) -> Any:
    if not path:
        return value
    step = path[0]
    if isinstance(node, tuple):
        n = int(step)
        return (*node[:n], _with(node[n], path[1:], value), *node[n + 1 :])
    if isinstance(node, Mapping):
        return {**node, step: _with(node[step], path[1:], value)}
    assert isinstance(node, BaseModel)
    return node.model_copy(update={step: _with(getattr(node, step), path[1:], value)})


@dataclass(frozen=True)
class Space:
    """The dimensions of one design that are searched, each mapped to 0 ... 1 between its bounds.

    Parameters
        design : where the other numbers come from
        dimensions : what changes
    """

    design: Design
    dimensions: tuple[Dimension, ...]

    def __len__(self) -> int:
        return len(self.dimensions)

    @property
    def low(self) -> Array:
        """(N,) SI."""
        return np.array([d.low for d in self.dimensions])

    @property
    def span(self) -> Array:
        """(N,) SI, high less low."""
        return np.array([d.high - d.low for d in self.dimensions])

    def share(self, design: Design) -> Array:
        """(N,) of a design, 0 at the lower bounds, 1 at the upper; outside where the design is."""
        return (np.array([read(design, d.key) for d in self.dimensions]) - self.low) / self.span

    def values(self, share: Array) -> dict[str, float]:
        """SI values by key."""
        return dict(zip((d.key for d in self.dimensions), (self.low + share * self.span).tolist(), strict=True))

    def texts(self, share: Array) -> dict[str, str]:
        """The values as the design file writes them, by key."""
        return {d.key: d.text(v) for d, v in zip(self.dimensions, self.low + share * self.span, strict=True)}

    def at(self, share: Array) -> Design:
        """The design there."""
        return changed(self.design, self.values(share), self.dimensions)

    def snapped(self, share: Array) -> Array:
        """Shares of the values as the design file writes them."""
        value = [d.snapped(v) for d, v in zip(self.dimensions, self.low + share * self.span, strict=True)]
        return (np.array(value) - self.low) / self.span


__all__ = ["Dimension", "Space", "changed", "read"]
