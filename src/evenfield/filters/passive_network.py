"""Passive networks: modified nodal analysis over frequency, all frequencies at once, with derivatives by the adjoint.

Source: C.-W. Ho, A. E. Ruehli, P. A. Brennan, IEEE Trans. Circuits Syst. 22 (1975) 504 (modified nodal analysis);
S. W. Director, R. A. Rohrer, IEEE Trans. Circuit Theory 16 (1969) 318 (adjoint network); both from memory.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from evenfield.base import DesignError, message
from evenfield.filters.passive_parts import GROUND, Load, Part, Transformer, Valued

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

INPUT = "in"
"""Name of the node that the amplifier drives against ground."""


@dataclass(frozen=True)
class PassiveNetwork:
    """A netlist between the amplifier's terminals ("in" and "0") and the drivers.

    Parameters
        parts : Parts; names unique
        source_resistance : the amplifier's, ohm
    Raises DesignError for a name used twice, a floating node, a node that nothing joins to ground, no input or no driver.
    """

    parts: tuple[Part, ...]
    source_resistance: float = 0.0

    def __post_init__(self) -> None:
        object.__setattr__(self, "parts", tuple(self.parts))
        names = [p.name for p in self.parts]
        twice = sorted({n for n in names if names.count(n) > 1})
        if twice:
            raise DesignError(message("passive.parts", "named once each", ", ".join(twice)), "passive.parts")
        if not np.isfinite(self.source_resistance) or self.source_resistance < 0:
            raise DesignError(message("source_resistance", "0 or more", f"{self.source_resistance} ohm"))
        _check_nodes(self.parts)

    @cached_property
    def nodes(self) -> tuple[str, ...]:
        """Every node but ground, "in" first."""
        seen = dict.fromkeys(n for p in self.parts for n in p.nodes)
        return (INPUT, *(n for n in seen if n not in (INPUT, GROUND)))

    @property
    def loads(self) -> tuple[Load, ...]:
        """The drivers, in order."""
        return tuple(p for p in self.parts if isinstance(p, Load))

    @property
    def valued(self) -> tuple[Valued, ...]:
        """Resistors, inductors, capacitors, in order."""
        return tuple(p for p in self.parts if isinstance(p, Valued))

    def part(self, name: str) -> Part:
        """By name. Raises DesignError."""
        for p in self.parts:
            if p.name == name:
                return p
        raise DesignError(message("part", f"one of {', '.join(p.name for p in self.parts)}", name))

    def with_values(self, values: Mapping[str, float]) -> PassiveNetwork:
        """With other values of named parts."""
        parts = [p.with_value(values[p.name]) if isinstance(p, Valued) and p.name in values else p for p in self.parts]
        return replace(self, parts=tuple(parts))

    def without(self, names: Iterable[str]) -> PassiveNetwork:
        """With named parts taken out."""
        gone = set(names)
        return replace(self, parts=tuple(p for p in self.parts if p.name not in gone))

    def solve(self, frequency_hz: FloatArray) -> NetworkResponse:
        """All voltages and currents for 1 V from the amplifier.

        Cost: O(F n^3), about 2 ms for 12 nodes at 200 frequencies.
        Raises DesignError where the network is singular (an ideal loop or cut), naming the frequency.
        """
        f = np.asarray(frequency_hz, float)
        if f.ndim != 1 or not len(f) or np.any(f <= 0):
            raise DesignError(message("frequency", "a list of positive numbers", f"shape {f.shape}"))
        place = {n: i for i, n in enumerate(self.nodes)}
        transformers = [p for p in self.parts if isinstance(p, Transformer)]
        size = len(place) + 1 + len(transformers)
        matrix = np.zeros((len(f), size, size), complex)
        for p in self.parts:
            if not isinstance(p, Transformer):
                _stamp(matrix, place, p.nodes, 1 / p.impedance(f))
        source = len(place)
        matrix[:, 0, source] = matrix[:, source, 0] = 1.0
        matrix[:, source, source] = -self.source_resistance
        for k, t in enumerate(transformers):
            _stamp_transformer(matrix, place, source + 1 + k, t)
        try:
            inverse = np.linalg.inv(matrix)
        except np.linalg.LinAlgError:
            at = next(float(f[i]) for i in range(len(f)) if np.linalg.matrix_rank(matrix[i]) < size)
            raise DesignError(
                f"The network must have a solution, got none at {at:.4g} Hz. Ideal parts form a loop or leave a node open."
            ) from None
        return NetworkResponse(self, f, np.asarray(inverse, complex), place)


@dataclass(frozen=True)
class NetworkResponse:
    """A solved network. The source drives 1 V; its current flows out of the amplifier into "in"."""

    network: PassiveNetwork
    frequency: FloatArray
    inverse: ComplexArray
    place: Mapping[str, int]

    @property
    def _state(self) -> ComplexArray:
        return np.asarray(self.inverse[:, :, len(self.place)])

    def voltage(self, part: Part) -> ComplexArray:
        """(F,) V across a two-terminal part, first node to second, per volt of the amplifier."""
        return self._across(self._state, part.nodes)

    def current(self, part: Part) -> ComplexArray:
        """(F,) A through a two-terminal part, first node to second."""
        return np.asarray(self.voltage(part) / part.impedance(self.frequency))

    @property
    def input_impedance(self) -> ComplexArray:
        """(F,) ohm at "in", the amplifier's own resistance left out."""
        current = -self._state[:, len(self.place)]
        return np.asarray(1 / current - self.network.source_resistance)

    def log_slopes(self, names: tuple[str, ...]) -> tuple[ComplexArray, ComplexArray]:
        """Derivatives by ln(value) of named parts.

        Returns
            (P, W, F) d ln V_load / d ln(value) of every driver's voltage, and (P, F) d ln Z_in / d ln(value)
        """
        loads, f = self.network.loads, self.frequency
        adjoint = [self._rows(load.nodes) for load in loads]
        source = self.inverse[:, len(self.place), :]
        current = self._state[:, len(self.place)]
        whole = self.input_impedance
        by_voltage = np.empty((len(names), len(loads), len(f)), complex)
        by_input = np.empty((len(names), len(f)), complex)
        for i, name in enumerate(names):
            part = self.network.part(name)
            z = part.impedance(f)
            change = -part.slope(f) / z**2 * self._across(self._state, part.nodes)
            for w, load in enumerate(loads):
                by_voltage[i, w] = -self._across(adjoint[w], part.nodes) * change / self.voltage(load)
            by_current = -self._across(source, part.nodes) * change
            by_input[i] = by_current / current**2 / whole
        return by_voltage, by_input

    def _rows(self, nodes: tuple[str, ...]) -> ComplexArray:
        """(F, n) what a current into each node does to the voltage between two nodes."""
        total = np.zeros(self.inverse.shape[:2], complex)
        for sign, node in ((1, nodes[0]), (-1, nodes[1])):
            if node != GROUND:
                total += sign * self.inverse[:, self.place[node], :]
        return total

    def _across(self, state: ComplexArray, nodes: tuple[str, ...]) -> ComplexArray:
        ends = [0 if n == GROUND else state[:, self.place[n]] for n in nodes[:2]]
        return np.asarray(ends[0] - ends[1])


def _stamp(matrix: ComplexArray, place: Mapping[str, int], nodes: tuple[str, ...], admittance: ComplexArray) -> None:
    a, b = (place.get(n, -1) for n in nodes)
    for i, j, sign in ((a, a, 1), (b, b, 1), (a, b, -1), (b, a, -1)):
        if i >= 0 and j >= 0:
            matrix[:, i, j] += sign * admittance


def _stamp_transformer(matrix: ComplexArray, place: Mapping[str, int], row: int, t: Transformer) -> None:
    """Unknown: primary current i. v1 - n v2 = i (r1 + n^2 r2); the secondary gives n i."""
    for node, factor in zip(t.nodes, (1.0, -1.0, -t.ratio, t.ratio), strict=True):
        if node != GROUND:
            matrix[:, place[node], row] += factor
            matrix[:, row, place[node]] += factor
    matrix[:, row, row] -= t.primary_resistance + t.ratio**2 * t.secondary_resistance


def _check_nodes(parts: tuple[Part, ...]) -> None:
    if not any(isinstance(p, Load) for p in parts):
        raise DesignError(message("passive.parts", "given a driver", "none"), "passive.parts")
    ends: dict[str, list[str]] = {}
    for p in parts:
        for n in p.nodes:
            ends.setdefault(n, []).append(p.name)
    for node in (INPUT, GROUND):
        if node not in ends:
            raise DesignError(message("passive.parts", f"joined to the node '{node}'", ", ".join(ends)), "passive.parts")
    floating = [n for n, who in ends.items() if len(who) < 2 and n not in (INPUT, GROUND)]
    if floating:
        who = ends[floating[0]][0]
        raise DesignError(
            message(
                f"node '{floating[0]}'",
                "joined to two parts at least",
                f"{who} only",
                cause="A floating node carries no current",
                fix="correcting its name",
            ),
            "passive.parts",
        )
    _check_joined(parts)


def _check_joined(parts: tuple[Part, ...]) -> None:
    """Every node must reach ground through parts (a transformer's windings each by themselves)."""
    pairs = [pair for p in parts for pair in ([p.nodes[:2], p.nodes[2:]] if isinstance(p, Transformer) else [p.nodes])]
    reached, grew = {GROUND, INPUT}, True
    while grew:
        new = {n for pair in pairs if reached & set(pair) for n in pair} - reached
        grew = bool(new)
        reached |= new
    lost = sorted({n for p in parts for n in p.nodes} - reached)
    if lost:
        raise DesignError(
            message(
                f"node '{lost[0]}'",
                "joined to ground or the input",
                "an island",
                cause="Its voltage is not determined",
                fix="joining the island to 0",
            ),
            "passive.parts",
        )
