"""The design file's passive network: parts as people write them, solved against the drivers' own impedances."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from evenfield.base.errors import DesignError, message
from evenfield.base.units import Amount
from evenfield.data.impedance import Impedance
from evenfield.filters.passive_network import NetworkResponse, PassiveNetwork
from evenfield.filters.passive_parts import KINDS, Load, Part, Transformer
from evenfield.loudspeaker.design import Design, Inductance, Money, Ohms, Quality, Ratio, Resistance, Voltage, _Unit

ComplexArray = NDArray[np.complex128]
Capacitance = Annotated[Amount, _Unit("capacitance", 0.0, 1.0, open_low=True)]


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True)


class PassivePart(_Section):
    """One part of the netlist. `in` is the amplifier's live terminal, `0` its return."""

    kind: Literal["resistor", "inductor", "capacitor", "transformer", "driver"]
    name: str
    nodes: tuple[str, ...] = Field(min_length=2, max_length=4)
    ohms: Ohms | None = None
    henry: Inductance | None = None
    farad: Capacitance | None = None
    ratio: Quality | None = None
    way: str | None = Field(None, description="driver: the way it belongs to")
    resistance: Resistance = Field(Amount(0.0), description="of winding or leads")
    core_loss: Ratio = Amount(0.0)
    dissipation: Ratio = Amount(0.0)
    tolerance: Ratio = Amount(0.0)
    price: Money | None = None


class PassiveSection(_Section):
    """The whole network."""

    parts: tuple[PassivePart, ...] = Field(min_length=1)
    series: Literal["E3", "E6", "E12", "E24", "E48", "E96", "E192"] = "E12"
    source_resistance: Resistance = Amount(0.0)
    voltage: Voltage | None = Field(None, description="amplifier's largest sine, V RMS")
    lowest_impedance: Ohms | None = Field(None, description="least load that the amplifier drives")
    rated_impedance: Ohms | None = None


def passive_section(design: Design) -> PassiveSection | None:
    """The design's passive section, checked; None without one. Raises DesignError naming the key."""
    if design.passive is None:
        return None
    try:
        return PassiveSection.model_validate(design.passive)
    except ValidationError as error:
        first = error.errors()[0]
        key = ".".join(["passive", *(str(k) for k in first["loc"])])
        reason = first.get("ctx", {}).get("reason") or first["msg"].replace("Input should be", "must be")
        text = reason if str(reason).startswith("must") else f"must be right: {reason}"
        raise DesignError(f"{key} {text}", key) from None


def network_of(design: Design, impedance: Mapping[str, Impedance]) -> PassiveNetwork:
    """The netlist with every driver's impedance (others shorted) as its load.

    Raises DesignError, with the key, for a part without its value, a way without a driver in the net or twice in it.
    """
    section = passive_section(design)
    if section is None:
        raise DesignError(message("passive", "given", "nothing"), "passive")
    parts = [_part(p, f"passive.parts.{i}", impedance) for i, p in enumerate(section.parts)]
    ways = [p.way or p.name for p in section.parts if p.kind == "driver"]
    for name in design.ways:
        if ways.count(name) != 1:
            raise DesignError(message("passive.parts", f"given one driver for the way {name}", ways.count(name)), "passive.parts")
    return PassiveNetwork(tuple(parts), float(section.source_resistance))


def _part(p: PassivePart, key: str, impedance: Mapping[str, Impedance]) -> Part:
    if p.kind == "driver":
        way = p.way or p.name
        if way not in impedance:
            raise DesignError(message(f"{key}.way", f"one of {', '.join(impedance)}", way), key)
        z = impedance[way]
        return Load(way, p.nodes, z.frequency, z.value)
    try:
        if p.kind == "transformer":
            if p.ratio is None:
                raise DesignError(message(f"{key}.ratio", "given", "nothing"), key)
            price = None if p.price is None else float(p.price)
            return Transformer(p.name, p.nodes, float(p.ratio), float(p.resistance), price=price)
        value = {"resistor": p.ohms, "inductor": p.henry, "capacitor": p.farad}[p.kind]
        if value is None:
            unit = {"resistor": "ohms", "inductor": "henry", "capacitor": "farad"}[p.kind]
            raise DesignError(message(f"{key}.{unit}", f"given for a {p.kind}", "nothing"), key)
        losses = {
            "inductor": {"resistance": float(p.resistance), "core_loss": float(p.core_loss)},
            "capacitor": {"resistance": float(p.resistance), "dissipation": float(p.dissipation)},
            "resistor": {},
        }[p.kind]
        price = None if p.price is None else float(p.price)
        tolerance = float(p.tolerance) or value.tolerance
        return KINDS[p.kind](p.name, p.nodes, float(value), tolerance=tolerance, price=price, **losses)
    except DesignError as error:
        raise DesignError(str(error), key) from None


def passive_responses(design: Design, impedance: Mapping[str, Impedance]) -> tuple[dict[str, ComplexArray], NetworkResponse]:
    """(F,) volts at every way's terminals per volt of the amplifier, and the solved network.

    Valid for: ways whose mutual impedance is small: each load is the driver's impedance with the other terminals shorted.
    """
    network = network_of(design, impedance)
    solved = network.solve(next(iter(impedance.values())).frequency)
    return {load.name: solved.voltage(load) for load in network.loads}, solved


def placeholder_impedance(design: Design) -> dict[str, Impedance]:
    """8 ohm for every way with a driver: enough to check a netlist without solving anything."""
    axis = np.array([20.0, 20000.0])
    return {n: Impedance(axis, np.full(2, 8.0, complex)) for n, w in design.ways.items() if w.driver is not None}
