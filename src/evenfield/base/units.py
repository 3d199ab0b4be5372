"""Quantities as people write them (`25 mm`, `8 ohm`, `4.2 Tm ± 5 %`), turned into SI floats at the edge.

Units are pint's; this module only adds the spellings of the trade and says what was probably meant.
"""

from __future__ import annotations

import difflib
import math
import re
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import TYPE_CHECKING, Any

from evenfield.base.errors import DesignError

if TYPE_CHECKING:
    from pint import UnitRegistry


@dataclass(frozen=True)
class Dimension:
    """A kind of quantity: its SI unit, and units a writer may reach for."""

    name: str
    si: str
    usual: tuple[str, ...]


DIMENSIONS: dict[str, Dimension] = {
    d.name: d
    for d in (
        Dimension("length", "m", ("mm", "cm", "m", "inch")),
        Dimension("area", "m**2", ("cm2", "mm2", "m2")),
        Dimension("volume", "m**3", ("L", "cm3", "m3")),
        Dimension("mass", "kg", ("g", "kg")),
        Dimension("time", "s", ("us", "ms", "s")),
        Dimension("frequency", "Hz", ("Hz", "kHz")),
        Dimension("angle", "radian", ("deg", "rad")),
        Dimension("speed", "m/s", ("m/s",)),
        Dimension("pressure", "Pa", ("kPa", "hPa", "Pa")),
        Dimension("temperature", "degC", ("degC",)),
        Dimension("voltage", "V", ("V", "mV", "uV")),
        Dimension("current", "A", ("A", "mA")),
        Dimension("power", "W", ("W", "mW")),
        Dimension("resistance", "ohm", ("ohm", "mohm", "kohm")),
        Dimension("inductance", "H", ("mH", "uH", "H")),
        Dimension("semi_inductance", "", ("", "mH", "H")),
        Dimension("force_factor", "T*m", ("Tm", "N/A")),
        Dimension("compliance", "m/N", ("mm/N", "um/N", "m/N")),
        Dimension("stiffness", "N/m", ("N/mm", "N/m")),
        Dimension("heat_capacity", "J/K", ("J/K",)),
        Dimension("heat_flow", "W/K", ("W/K",)),
        Dimension("mechanical_resistance", "N*s/m", ("kg/s", "N s/m")),
        Dimension("level", "dB", ("dB",)),
        Dimension("ratio", "", ("%", "")),
        Dimension("number", "", ("",)),
        Dimension("money", "EUR", ("EUR",)),
        Dimension("capacitance", "F", ("uF", "nF", "pF", "F")),
        Dimension("density", "kg/m**3", ("kg/m3", "g/cm3")),
        Dimension("flux_density", "T", ("T", "mT")),
        Dimension("field_strength", "A/m", ("kA/m", "A/m")),
    )
}

_PATTERN = re.compile(
    r"^\s*(?P<value>[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?|[-+]?(?:inf|nan)|\.inf|\.nan)\s*(?P<unit>[^±+]*?)\s*"
    r"(?:(?:±|\+/-)\s*(?P<spread>\d+\.?\d*|\.\d+)\s*(?P<spread_unit>[^±]*?)\s*)?$"
)
_SPELLINGS = {
    "Tm": "T*m", "T m": "T*m", "N s/m": "N*s/m", "Ns/m": "N*s/m", "kg/s": "kg/s", "°": "deg", "°C": "degC", "C": "degC",
    "Ω": "ohm", "Ohm": "ohm", "ohms": "ohm", "kOhm": "kohm", "liter": "L", "litre": "L", "l": "L", "cm2": "cm**2",
    "cm²": "cm**2", "mm2": "mm**2", "mm²": "mm**2", "m2": "m**2", "m²": "m**2", "cm3": "cm**3", "cm³": "cm**3",
    "m3": "m**3", "m³": "m**3", "dm3": "dm**3", "µm/N": "um/N", "µs": "us", "µH": "uH", "µF": "uF", "in": "inch", '"': "inch",
    "kg/m3": "kg/m**3", "g/cm3": "g/cm**3",
}  # fmt: skip


class Amount(float):
    """An SI value that remembers how it was written and its relative tolerance (0.05 for ± 5 %; 0 when none was given)."""

    tolerance: float
    text: str

    def __new__(cls, value: float, tolerance: float = 0.0, text: str = "") -> Amount:
        """A float with its tolerance and its words."""
        self = super().__new__(cls, value)
        self.tolerance = tolerance
        self.text = text or f"{value:g}"
        return self

    def __getnewargs__(self) -> tuple[float, float, str]:  # type: ignore[override]
        return (float(self), self.tolerance, self.text)


@cache
def _registry() -> UnitRegistry[Any]:
    import pint

    registry: UnitRegistry[Any] = pint.UnitRegistry(cache_folder=None, autoconvert_offset_to_baseunit=False)
    registry.define("EUR = [money]")
    return registry


def parse_amount(text: object, dimension: str) -> Amount:
    """Read one quantity.

    Parameters
        text : str such as "25 mm", "8 ohm ± 5 %", "1.8 kHz +/- 20 Hz"; a plain number only where the dimension has no unit
        dimension : a name in `DIMENSIONS`
    Returns
        Amount : SI (degrees Celsius for temperature, dB for level, fraction for ratio), radians for angles
    Raises DesignError with the rule and the unit probably meant (key and line are the loader's to add).
    Example:
        >>> parse_amount("25 mm ± 2 %", "length")
        0.025
    """
    if isinstance(text, str):
        return _parse_text(text, dimension)
    kind = DIMENSIONS[dimension]
    if isinstance(text, Amount):
        return text
    if isinstance(text, bool) or not isinstance(text, (int, float)):
        raise DesignError(f"must be a quantity such as {_example(kind)}, got {text!r}.")
    if "" not in kind.usual and text != 0:
        raise DesignError(f"must have a unit, got {text!r}. Try {text!r} {kind.usual[0]}.")
    return _finite(Amount(float(text), text=repr(text)), text)


@lru_cache(4096)
def _parse_text(text: str, dimension: str) -> Amount:
    """Kept, because a page reads the same quantities again with every change."""
    kind = DIMENSIONS[dimension]
    match = _PATTERN.match(text)
    if match is None:
        raise DesignError(f"must be a quantity such as {_example(kind)}, got {text!r}.")
    value = float(match["value"].replace(".inf", "inf").replace(".nan", "nan"))
    amount = _convert(value, match["unit"].strip(), kind, text)
    spread = 0.0
    if match["spread"]:
        spread = _spread(float(match["spread"]), match["spread_unit"].strip(), amount, kind, text)
    return _finite(Amount(amount, spread, text.strip()), text)


def _finite(amount: Amount, text: object) -> Amount:
    if not math.isfinite(amount):
        raise DesignError(f"must be a finite number, got {text!r}.")
    return amount


def _example(kind: Dimension) -> str:
    return f"'25 {kind.usual[0]}'".replace(" '", "'")


def _spread(value: float, unit: str, amount: float, kind: Dimension, text: str) -> float:
    if unit == "%":
        return value / 100
    if amount == 0:
        raise DesignError(f"must not have a tolerance around zero, got {text!r}.")
    return abs(_convert(value, unit, kind, text) / amount)


def _convert(value: float, unit: str, kind: Dimension, text: str) -> float:
    if unit == "":
        if "" in kind.usual or value == 0:
            return value
        raise DesignError(f"must have a unit, got {text!r}. Try '{text.strip()} {kind.usual[0]}'.")
    if unit == "%":
        if kind.name in ("ratio", "number"):
            return value / 100
        raise DesignError(f"must be {_article(kind.name)} in {_units(kind)}, got {text!r}.")
    if kind.name == "level":
        if unit == "dB":
            return value
        raise DesignError(f"must be a level in dB, got {text!r}.")
    return _pint_convert(value, _SPELLINGS.get(unit, unit), kind, text)


def _pint_convert(value: float, unit: str, kind: Dimension, text: str) -> float:
    import pint

    registry = _registry()
    try:
        quantity = registry.Quantity(value, unit)
    except (pint.UndefinedUnitError, pint.DefinitionSyntaxError, AttributeError, ValueError, TypeError, AssertionError):
        near = difflib.get_close_matches(unit, [*kind.usual, *_SPELLINGS], n=1, cutoff=0.5) or [kind.usual[0]]
        raise DesignError(
            f"must be {_article(kind.name)} in {_units(kind)}, got {text!r}. Try '{near[0]}' for the unit."
        ) from None
    try:
        return float(quantity.to(kind.si or "dimensionless").magnitude)
    except (pint.DimensionalityError, pint.OffsetUnitCalculusError):
        raise DesignError(
            f"must be {_article(kind.name)} in {_units(kind)}, got {text!r}, which is {_article(_kind_of(quantity))}. "
            f"Try '{_plain(text)} {kind.usual[0]}' if that is what was meant."
        ) from None


def _plain(text: str) -> str:
    match = _PATTERN.match(text)
    return match["value"] if match else text


def _kind_of(quantity: Any) -> str:
    for d in DIMENSIONS.values():
        if d.si and d.si != "dB" and quantity.is_compatible_with(d.si):
            return d.name
    return "quantity of another kind"


def _units(kind: Dimension) -> str:
    return " or ".join(u or "no unit" for u in kind.usual)


def _article(name: str) -> str:
    word = name.replace("_", " ")
    return f"an {word}" if word[0] in "aeiou" else f"a {word}"
