"""Parts of a passive network with what real ones add: series resistance, core and dielectric loss."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from evenfield.base import DesignError, message

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

GROUND = "0"
"""Name of the node that voltages are counted from."""


@dataclass(frozen=True)
class Part:
    """A two-terminal part between `nodes`. `tolerance` is relative; `price` in EUR, None where unknown."""

    name: str
    nodes: tuple[str, ...]
    kind: ClassVar[str] = ""
    letter: ClassVar[str] = ""
    unit: ClassVar[str] = ""

    def __post_init__(self) -> None:
        if len(set(self.nodes)) < len(self.nodes):
            raise DesignError(
                message(f"{self.name}.nodes", "different nodes", list(self.nodes), cause="It would be shorted"), self.name
            )

    def impedance(self, frequency_hz: FloatArray) -> ComplexArray:
        """(F,) ohm."""
        raise TypeError(f"{self.kind} is no two-terminal part")

    def slope(self, frequency_hz: FloatArray) -> ComplexArray:
        """(F,) dZ / d ln(value), ohm."""
        return np.zeros(len(frequency_hz), complex)


@dataclass(frozen=True)
class Valued(Part):
    """A part with one value; negative and zero values are refused."""

    value: float = 0.0
    tolerance: float = 0.0
    price: float | None = None

    def __post_init__(self) -> None:
        super().__post_init__()
        if not (math.isfinite(self.value) and self.value > 0):
            cause = "A passive part cannot be negative" if self.value < 0 else ""
            raise DesignError(message(f"{self.name}.value", "positive", f"{self.value:g} {self.unit}", cause=cause), self.name)
        _check_losses(self)

    def with_value(self, value: float) -> Any:
        """Another of its kind."""
        return replace(self, value=value)


@dataclass(frozen=True)
class Resistor(Valued):
    """Resistor, ohm."""

    kind: ClassVar[str] = "resistor"
    letter: ClassVar[str] = "R"
    unit: ClassVar[str] = "ohm"

    def impedance(self, frequency_hz: FloatArray) -> ComplexArray:
        """(F,) ohm."""
        return np.full(len(frequency_hz), self.value, complex)

    def slope(self, frequency_hz: FloatArray) -> ComplexArray:
        """(F,) dZ / d ln(value), ohm."""
        return self.impedance(frequency_hz)


@dataclass(frozen=True)
class Inductor(Valued):
    """Inductor, H: Z = R + jwL (1 - j tan d).

    Parameters
        resistance : of the winding, ohm; with `per_root_henry` the winding's R = per_root_henry sqrt(L) is added, the rule for
            one wire and one shape (common practice, no source)
        core_loss : tan d of the core
    """

    resistance: float = 0.0
    core_loss: float = 0.0
    per_root_henry: float = 0.0
    kind: ClassVar[str] = "inductor"
    letter: ClassVar[str] = "L"
    unit: ClassVar[str] = "H"

    @property
    def winding(self) -> float:
        """Ohm."""
        return self.resistance + self.per_root_henry * math.sqrt(self.value)

    def impedance(self, frequency_hz: FloatArray) -> ComplexArray:
        """(F,) ohm."""
        return np.asarray(self.winding + 2j * np.pi * frequency_hz * self.value * (1 - 1j * self.core_loss))

    def slope(self, frequency_hz: FloatArray) -> ComplexArray:
        """(F,) dZ / d ln(value), ohm."""
        return np.asarray(self.impedance(frequency_hz) - self.resistance - 0.5 * self.per_root_henry * math.sqrt(self.value))


@dataclass(frozen=True)
class Capacitor(Valued):
    """Capacitor, F: Z = R + 1 / (jwC (1 - j tan d)).

    Parameters
        resistance : of leads and plates, ohm
        dissipation : tan d of the dielectric
    """

    resistance: float = 0.0
    dissipation: float = 0.0
    kind: ClassVar[str] = "capacitor"
    letter: ClassVar[str] = "C"
    unit: ClassVar[str] = "F"

    def impedance(self, frequency_hz: FloatArray) -> ComplexArray:
        """(F,) ohm."""
        return np.asarray(self.resistance + 1 / (2j * np.pi * frequency_hz * self.value * (1 - 1j * self.dissipation)))

    def slope(self, frequency_hz: FloatArray) -> ComplexArray:
        """(F,) dZ / d ln(value), ohm."""
        return np.asarray(self.resistance - self.impedance(frequency_hz))


@dataclass(frozen=True)
class Load(Part):
    """A driver: its impedance over frequency, measured or predicted, between node and node.

    Parameters
        frequency : (G,) Hz; ohms : (G,) complex; interpolated linearly in log frequency, never beyond its ends
        warmer : factor on `re` by temperature, 1 + 0.0039 (T - 20 degC) for copper (IEC 60028, from memory)
        re : ohm, the part of the impedance that warms
    """

    frequency: FloatArray
    ohms: ComplexArray
    re: float = 0.0
    warmer: float = 1.0
    kind: ClassVar[str] = "driver"
    letter: ClassVar[str] = "X"

    def impedance(self, frequency_hz: FloatArray) -> ComplexArray:
        """(F,) ohm."""
        f = np.asarray(self.frequency, float)
        if frequency_hz.min() < f[0] * (1 - 1e-6) or frequency_hz.max() > f[-1] * (1 + 1e-6):
            raise DesignError(
                message(f"{self.name}'s impedance", f"known from {frequency_hz.min():.4g} to {frequency_hz.max():.4g} Hz",
                        f"{f[0]:.4g} to {f[-1]:.4g} Hz", cause="It is not continued beyond its data"), self.name,
            )  # fmt: skip
        x = np.log(frequency_hz)
        value = np.interp(x, np.log(f), self.ohms.real) + 1j * np.interp(x, np.log(f), self.ohms.imag)
        return np.asarray(value + self.re * (self.warmer - 1))

    def heated(self, celsius: float) -> Load:
        """At another coil temperature, from data taken at 20 degC."""
        return replace(self, warmer=1 + 0.0039 * (celsius - 20.0))


@dataclass(frozen=True)
class Transformer(Part):
    """Transformer, nodes (primary +, -, secondary +, -): secondary voltage = primary / ratio; windings' resistance in series.

    An autotransformer shares nodes between the sides: build it from two windings with one node in common.
    """

    ratio: float = 1.0
    primary_resistance: float = 0.0
    secondary_resistance: float = 0.0
    price: float | None = None
    kind: ClassVar[str] = "transformer"
    letter: ClassVar[str] = "T"

    def __post_init__(self) -> None:
        if len(self.nodes) != 4 or self.nodes[0] == self.nodes[1] or self.nodes[2] == self.nodes[3]:
            raise DesignError(message(f"{self.name}.nodes", "two different nodes a winding", list(self.nodes)), self.name)
        if not (math.isfinite(self.ratio) and self.ratio != 0):
            raise DesignError(message(f"{self.name}.ratio", "finite and not zero", self.ratio), self.name)
        if min(self.primary_resistance, self.secondary_resistance) < 0:
            raise DesignError(message(f"{self.name}'s winding resistance", "0 or more", self.primary_resistance), self.name)


KINDS: Mapping[str, type[Valued]] = {c.kind: c for c in (Resistor, Inductor, Capacitor)}
"""Parts with one value, by the name a design file calls them."""


def _check_losses(part: Part) -> None:
    for name in ("resistance", "core_loss", "dissipation", "per_root_henry", "tolerance"):
        value = getattr(part, name, 0.0)
        if not (math.isfinite(value) and value >= 0):
            raise DesignError(
                message(f"{part.name}.{name}", "0 or more", value, cause="A passive part gives no energy"), part.name
            )
