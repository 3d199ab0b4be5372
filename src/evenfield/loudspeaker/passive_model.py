"""A passive network in a fit: the logarithms of its parts' values."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from evenfield.filters.passive_network import PassiveNetwork
from evenfield.filters.passive_parts import Capacitor, Inductor, Load, Resistor, Valued
from evenfield.filters.passive_series import nearest
from evenfield.loudspeaker.filter_fit_model import Charges, Owner, beyond

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

RANGES: Mapping[type[Valued], tuple[float, float]] = {
    Resistor: (0.47, 100.0),
    Inductor: (0.047e-3, 8.2e-3),
    Capacitor: (0.47e-6, 150e-6),
}
"""Values that a network's parts may take: what is made and affordable."""


@dataclass(frozen=True)
class PassiveModel:
    """A network whose named parts are free.

    Parameters
        network : PassiveNetwork, its drivers in the order of the ways
        free : names of the parts that the fit turns
        lowest : ohm, least input impedance wanted
        watched : Hz, where besides the fit's own axis the impedance counts
    """

    network: PassiveNetwork
    free: tuple[str, ...]
    lowest: float = 0.0
    watched: FloatArray = field(default_factory=lambda: np.zeros(0))

    @classmethod
    def of(cls, network: PassiveNetwork, lowest: float, watched: FloatArray | None = None) -> PassiveModel:
        """Everything with a value free."""
        return cls(network, tuple(p.name for p in network.valued), lowest, np.zeros(0) if watched is None else watched)

    def vector(self) -> FloatArray:
        """(P,) ln values."""
        return np.array([math.log(self._part(n).value) for n in self.free])

    def bounds(self) -> tuple[FloatArray, FloatArray]:
        """(P,) lower and upper."""
        both = [RANGES[type(self._part(n))] for n in self.free]
        return np.log([b[0] for b in both]), np.log([b[1] for b in both])

    def with_vector(self, vector: FloatArray) -> PassiveModel:
        """With other values."""
        values = {n: math.exp(v) for n, v in zip(self.free, vector, strict=True)}
        return replace(self, network=self.network.with_values(values))

    def responses(self, axis_hz: FloatArray) -> tuple[ComplexArray, ComplexArray, Owner]:
        """(W, F) volts per volt, (P W, F) rows and (P W,) ways: every part may act on every way."""
        solved, inside = self.network.solve(np.concatenate([axis_hz, self.watched])), len(axis_hz)
        h = np.array([solved.voltage(load)[:inside] for load in self.network.loads])
        by_voltage, self_input = solved.log_slopes(self.free)
        by_voltage, ways = by_voltage[:, :, :inside], len(h)
        # the input's slopes ride along for `penalties`, which the same objective calls next
        object.__setattr__(self, "_input", (solved.input_impedance, self_input))
        return h, by_voltage.reshape(-1, len(axis_hz)), np.tile(np.arange(ways), len(self.free))

    def gathered(self, slopes: FloatArray) -> FloatArray:
        """(N, P): the rows of all ways added."""
        return np.asarray(slopes.reshape(len(slopes), len(self.free), -1).sum(axis=2))

    def penalties(
        self, axis_hz: FloatArray, h: ComplexArray, table: ComplexArray, owner: Owner, charges: Charges
    ) -> Iterator[tuple[FloatArray, FloatArray]]:
        """dB by which the input impedance falls below the least wanted."""
        impedance, slopes = getattr(self, "_input")  # noqa: B009
        over = 20 * np.log10(max(self.lowest, 1e-6) / np.abs(impedance))
        change = np.zeros((len(table), len(over)))
        if len(table):
            change[:: len(h)] = -20 / math.log(10) * slopes.real
        yield beyond(over, change, charges.limit)

    def least_impedance(self, axis_hz: FloatArray) -> float:
        """Ohm, over the axis and what is watched."""
        return float(np.abs(self.network.solve(np.concatenate([axis_hz, self.watched])).input_impedance).min())

    def moved(self, name: str, series: str, offset: int) -> PassiveModel:
        """One part taken to the preferred value nearest, or `offset` steps from it."""
        part = self._part(name)
        value = nearest(part.value, series, offset)
        low, high = RANGES[type(part)]
        if not low * 0.99 <= value <= high * 1.01:
            value = nearest(part.value, series)
        return replace(self, network=self.network.with_values({name: value}))

    def holding(self, names: tuple[str, ...]) -> PassiveModel:
        """The same, with these parts no longer free."""
        return replace(self, free=tuple(n for n in self.free if n not in names))

    def _part(self, name: str) -> Valued:
        part = self.network.part(name)
        assert isinstance(part, Valued)
        return part


def load_of(network: PassiveNetwork, name: str) -> Load:
    """A driver of the network."""
    part = network.part(name)
    assert isinstance(part, Load)
    return part
