"""Preferred numbers for resistors and capacitors (IEC 60063), prices, and the parts list."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np

from evenfield.base import DesignError, message
from evenfield.filters.passive_parts import Capacitor, Inductor, Part, Valued

_E24 = (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91)

TOLERANCE = {"E3": 0.40, "E6": 0.20, "E12": 0.10, "E24": 0.05, "E48": 0.02, "E96": 0.01, "E192": 0.005}
"""Usual relative tolerance of each series (IEC 60063; E3 from memory)."""


@cache
def series_values(series: str) -> tuple[float, ...]:
    """One decade of an E series, 1 ... 10.

    E3 to E24 as tabled; E48, E96, E192: 10^(i/n) to three digits, but 9.20 for i = 185 of E192.
    Raises DesignError for another name. Source: IEC 60063:2015 (values from memory, checked by the rules it gives).
    Example:
        >>> series_values("E6")
        (1.0, 1.5, 2.2, 3.3, 4.7, 6.8)
    """
    if series not in TOLERANCE:
        raise DesignError(message("series", f"one of {', '.join(TOLERANCE)}", series))
    count = int(series[1:])
    if count <= 24:
        return tuple(v / 10 for v in _E24[:: 24 // count])
    return tuple(9.20 if (count, i) == (192, 185) else round(10 ** (i / count), 2) for i in range(count))


def nearest(value: float, series: str, offset: int = 0) -> float:
    """Preferred value nearest in ratio; `offset` steps from it.

    Raises DesignError unless the value is positive.
    Example:
        >>> nearest(5.1e-6, "E12")
        4.7e-06
    """
    if not (math.isfinite(value) and value > 0):
        raise DesignError(message("value", "positive", value))
    table = series_values(series)
    decade = math.floor(math.log10(value) + 1e-12)
    around = [(d, i) for d in (decade - 1, decade, decade + 1) for i in range(len(table))]
    ratios = [abs(math.log(table[i] * 10.0**d / value)) for d, i in around]
    d, i = around[int(np.argmin(ratios))]
    i += offset
    d, i = d + i // len(table), i % len(table)
    return float(f"{table[i]:.3g}e{d}")


@dataclass(frozen=True)
class PriceRule:
    """What a part costs where its own price is not given, EUR. Invented figures, for comparing networks with each other only.

    resistor : each; capacitor : base + per_microfarad; inductor : base + per_millihenry; transformer : each
    """

    resistor: float = 0.4
    capacitor: float = 0.3
    per_microfarad: float = 0.15
    inductor: float = 1.2
    per_millihenry: float = 1.6
    transformer: float = 12.0

    def of(self, part: Part) -> float:
        """EUR; 0 for a driver."""
        given = getattr(part, "price", None)
        if given is not None:
            return float(given)
        if isinstance(part, Capacitor):
            return self.capacitor + self.per_microfarad * part.value * 1e6
        if isinstance(part, Inductor):
            return self.inductor + self.per_millihenry * part.value * 1e3
        return {"resistor": self.resistor, "transformer": self.transformer}.get(part.kind, 0.0)


def written(part: Valued) -> str:
    """Value as people write it: 4.7 uF, 0.33 mH, 8.2 ohm.

    Example:
        >>> written(Capacitor("C1", ("a", "0"), 4.7e-6))
        '4.7 uF'
    """
    if isinstance(part, Capacitor):
        return f"{part.value * 1e6:.4g} uF"
    if isinstance(part, Inductor):
        return f"{part.value * 1e3:.4g} mH"
    return f"{part.value:.4g} ohm"
