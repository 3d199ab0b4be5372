"""Building blocks of passive crossovers: ladders per way, and the additions that a fit may try."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

from evenfield.filters.passive_network import PassiveNetwork
from evenfield.filters.passive_parts import Capacitor, Inductor, Load, Part, Resistor


@dataclass(frozen=True)
class Losses:
    """Parasitics that every part of a fitted network carries.

    Parameters
        per_root_henry : ohm / sqrt(H): 9.5 is 0.3 ohm at 1 mH, an air coil of 1 mm wire (common practice, no source)
        dissipation : tan d of film capacitors (common practice, no source)
        lead : ohm in series with every capacitor
    """

    per_root_henry: float = 9.5
    dissipation: float = 0.002
    lead: float = 0.03


@dataclass(frozen=True)
class Ladder:
    """One way's ladder under construction: parts so far and the node that the driver will hang on."""

    way: str
    parts: tuple[Part, ...]
    node: str
    losses: Losses

    def series(self, part: type, value: float) -> Ladder:
        """A part in line."""
        node = f"{self.way}{len(self.parts) + 1}"
        return replace(self, parts=(*self.parts, self._made(part, value, (self.node, node))), node=node)

    def shunt(self, part: type, value: float) -> Ladder:
        """A part to ground."""
        return replace(self, parts=(*self.parts, self._made(part, value, (self.node, "0"))))

    def shunt_chain(self, *chain: tuple[type, float]) -> Ladder:
        """Parts in series with each other to ground."""
        return self._chain(self.node, "0", chain)

    def parallel_in_line(self, *parts: tuple[type, float]) -> Ladder:
        """Parts in parallel with each other, in line."""
        node, ladder = f"{self.way}{len(self.parts) + 1}p", self
        for part, value in parts:
            ladder = replace(ladder, parts=(*ladder.parts, ladder._made(part, value, (self.node, node))))
        return replace(ladder, node=node)

    def _chain(self, start: str, end: str, chain: tuple[tuple[type, float], ...]) -> Ladder:
        ladder, at = self, start
        for k, (part, value) in enumerate(chain):
            to = end if k == len(chain) - 1 else f"{self.way}{len(ladder.parts) + 1}c"
            ladder = replace(ladder, parts=(*ladder.parts, ladder._made(part, value, (at, to))))
            at = to
        return ladder

    def _made(self, part: type, value: float, nodes: tuple[str, str]) -> Part:
        name = f"{part.letter}{len(self.parts) + 1}_{self.way}"  # type: ignore[attr-defined]
        if part is Inductor:
            return Inductor(name, nodes, value, per_root_henry=self.losses.per_root_henry)
        if part is Capacitor:
            return Capacitor(name, nodes, value, resistance=self.losses.lead, dissipation=self.losses.dissipation)
        return Resistor(name, nodes, value)

    def loaded(self, load: Load, inverted: bool) -> tuple[Part, ...]:
        """With the driver at its end."""
        nodes = ("0", self.node) if inverted else (self.node, "0")
        return (*self.parts, replace(load, nodes=nodes))


@dataclass(frozen=True)
class Recipe:
    """Which blocks a two-way's network has; the fit finds the values."""

    low_order: int = 2
    high_order: int = 3
    inverted: bool = False
    crossover: float = 2400.0
    zobel: bool = False
    low_trap: bool = False
    damped: bool = False
    bypass: bool = False
    high_trap: bool = False
    high_notch: bool = False

    def network(self, low: Load, high: Load, ohms: tuple[float, float], losses: Losses, pad: float = 6.0) -> PassiveNetwork:
        """Starting values from the ladder's textbook formulas at `crossover` on `ohms`; the fit goes on from there."""
        parts = (*self._low(low, ohms[0], losses), *self._high(high, ohms[1], losses, pad))
        return PassiveNetwork(parts)

    def _low(self, load: Load, ohms: float, losses: Losses) -> tuple[Part, ...]:
        w = 2 * math.pi * self.crossover
        ladder = Ladder(load.name, (), "in", losses).series(Inductor, 1.4 * ohms / w)
        if self.low_order >= 2:
            chain: list[tuple[type, float]] = [(Capacitor, 0.7 / (ohms * w))]
            ladder = ladder.shunt_chain(*chain, *([(Resistor, 0.3 * ohms)] if self.damped else []))
        if self.low_order >= 3:
            ladder = ladder.series(Inductor, 0.5 * ohms / w)
        if self.low_trap:
            ladder = ladder.parallel_in_line((Inductor, 0.5e-3), (Capacitor, 47e-6), (Resistor, 4.0))
        if self.zobel:
            ladder = ladder.shunt_chain((Resistor, 1.2 * ohms), (Capacitor, 10e-6))
        return ladder.loaded(load, False)

    def _high(self, load: Load, ohms: float, losses: Losses, pad: float) -> tuple[Part, ...]:
        w = 2 * math.pi * self.crossover
        total = ohms * 2.0
        ladder = Ladder(load.name, (), "in", losses).series(Capacitor, 0.7 / (total * w))
        if self.high_order >= 2:
            ladder = ladder.shunt(Inductor, 0.8 * total / w)
        if self.high_order >= 3:
            ladder = ladder.series(Capacitor, 1.5 / (total * w))
        if self.high_notch:
            ladder = ladder.shunt_chain((Inductor, 0.15e-3), (Capacitor, 6.8e-6), (Resistor, 6.0))
        bypassed = ((Resistor, pad), (Capacitor, 2.2e-6))
        ladder = ladder.parallel_in_line(*bypassed) if self.bypass else ladder.series(Resistor, pad)
        if self.high_trap:
            ladder = ladder.parallel_in_line((Inductor, 0.3e-3), (Capacitor, 6.8e-6), (Resistor, 6.0))
        return ladder.shunt(Resistor, 1.5 * ohms).loaded(load, self.inverted)

    def less(self) -> Iterator[Recipe]:
        """With one of its additions taken away."""
        for name in ("zobel", "low_trap", "damped", "bypass", "high_trap", "high_notch"):
            if getattr(self, name):
                yield replace(self, **{name: False})

    def additions(self) -> Iterator[tuple[str, Recipe]]:
        """What may be added, and in words what for."""
        for name, words in (
            ("zobel", "levels the lower driver's rising impedance"),
            ("low_trap", "lowers a bump of the lower way"),
            ("damped", "softens the lower way's knee"),
            ("bypass", "lifts the top of the upper way"),
            ("high_trap", "lowers a band of the upper way, in line"),
            ("high_notch", "lowers a band of the upper way, to ground"),
        ):
            if not getattr(self, name):
                yield words, replace(self, **{name: True})
