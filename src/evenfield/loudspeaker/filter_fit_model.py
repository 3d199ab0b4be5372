"""The filters a fit turns: shapes, numbers, bounds, and what each number does to each way's response."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from evenfield.filters.chain import FilterChain
from evenfield.filters.gradients import GAIN_KINDS, QUALITY_KINDS, Shape, log_gradient
from evenfield.filters.sections import Delay, Gain, Polarity, Section, make_section

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
Owner = NDArray[np.intp]

DELAY_UNIT = 1e-5
"""s: the fit counts delays in steps of 10 us, of a size with its other numbers."""


@dataclass(frozen=True)
class Charges:
    """What a model's own penalties weigh: limits exceeded (per dB), the sections' size (per dB), and the largest boost, dB."""

    limit: float
    size: float
    boost_db: float


class FitModel(Protocol):
    """What an objective needs of filters, active or passive.

    `responses` gives (W, F) responses, (Q, F) rows of d ln H_owner / d number, and (Q,) the way that each row acts on; `gathered`
    adds the rows that belong to one number: (N, Q) -> (N, P).
    """

    def responses(self, axis_hz: FloatArray) -> tuple[ComplexArray, ComplexArray, Owner]: ...  # noqa: D102

    def gathered(self, slopes: FloatArray) -> FloatArray: ...  # noqa: D102

    def penalties(  # noqa: D102
        self, axis_hz: FloatArray, h: ComplexArray, table: ComplexArray, owner: Owner, charges: Charges
    ) -> Iterator[tuple[FloatArray, FloatArray]]: ...


def beyond(over: FloatArray, slope: FloatArray, weight: float) -> tuple[FloatArray, FloatArray]:
    """Only what exceeds, weighted."""
    active = over > 0
    return np.where(active, over, 0.0) * weight, slope * active * weight


@dataclass(frozen=True)
class Tuned:
    """One section in a fit: its shape, its numbers, and how far each may go.

    Parameters
        frequency : Hz; gain_db : dB; q : -
        low_hz, high_hz : bounds of the frequency
        fixed : kept as it is (a protection high-pass, say)
        origin : "design" or "fit", who put it there
    """

    shape: Shape
    frequency: float
    gain_db: float = 0.0
    q: float = math.sqrt(0.5)
    low_hz: float = 20.0
    high_hz: float = 20000.0
    fixed: bool = False
    origin: str = "fit"

    @property
    def kind(self) -> str:
        """The section's name in a design file."""
        return self.shape.kind

    def section(self) -> Section:
        """The section itself."""
        if self.kind in ("low-pass", "high-pass"):
            return make_section(self.kind, order=self.shape.order, family=self.shape.family, frequency=self.frequency)
        gain: dict[str, float] = {"gain_db": self.gain_db} if self.kind in GAIN_KINDS else {}
        return make_section(self.kind, None, frequency=self.frequency, q=self.q, **gain)


@dataclass(frozen=True)
class WayModel:
    """One way's filters in a fit. `delay` in s may be negative until all ways are shifted together."""

    gain_db: float
    delay: float
    inverted: bool
    sections: tuple[Tuned, ...]
    free_gain: bool = True
    free_delay: bool = True

    @property
    def biquads(self) -> int:
        """Second-order factors, first-order ones counted whole."""
        return sum(s.shape.rows for s in self.sections)

    def chain(self, name: str = "filters", delay: float | None = None) -> FilterChain:
        """As a chain."""
        late = self.delay if delay is None else delay
        parts: list[Section] = [Gain(self.gain_db)]
        parts += [Polarity()] if self.inverted else []
        parts += [Delay(late)] if late > 0 else []
        return FilterChain((*parts, *(s.section() for s in self.sections)), name)


@dataclass(frozen=True)
class Limits:
    """Bounds of the fit's numbers."""

    cut_db: float = 12.0
    boost_db: float = 6.0
    lowest_q: float = 0.4
    highest_q: float = 6.0
    gain_db: float = 30.0
    delay: float = 1e-3


@dataclass(frozen=True)
class FilterModel:
    """All ways' filters as one vector of free numbers: per way gain (dB), delay (10 us), then ln f, gain (dB), ln q of its
    sections."""

    ways: tuple[WayModel, ...]
    limits: Limits
    sample_rate: float | None = None

    def vector(self) -> FloatArray:
        """(P,) free numbers."""
        return np.array([v for v, _, _ in self._numbers()])

    def bounds(self) -> tuple[FloatArray, FloatArray]:
        """(P,) lower and upper."""
        numbers = self._numbers()
        return np.array([n[1] for n in numbers]), np.array([n[2] for n in numbers])

    def _numbers(self) -> list[tuple[float, float, float]]:
        found: list[tuple[float, float, float]] = []
        l = self.limits
        for way in self.ways:
            if way.free_gain:
                found.append((way.gain_db, -l.gain_db, l.gain_db))
            if way.free_delay:
                found.append((way.delay / DELAY_UNIT, -l.delay / DELAY_UNIT, l.delay / DELAY_UNIT))
            for s in way.sections:
                if s.fixed:
                    continue
                found.append((math.log(s.frequency), math.log(s.low_hz), math.log(s.high_hz)))
                if s.kind in GAIN_KINDS:
                    found.append((s.gain_db, -l.cut_db, l.boost_db))
                if s.kind in QUALITY_KINDS:
                    # a shelf steeper than q 0.9 overshoots: it would be two filters in one
                    top = 0.9 if s.kind.endswith("shelf") else l.highest_q
                    found.append((math.log(s.q), math.log(l.lowest_q), math.log(top)))
        return found

    def kinds(self) -> list[str]:
        """(P,) what each free number is: "gain", "delay", "frequency", "level" or "q"."""
        found: list[str] = []
        for way in self.ways:
            found += ["gain"] if way.free_gain else []
            found += ["delay"] if way.free_delay else []
            for s in way.sections:
                if not s.fixed:
                    found.append("frequency")
                    found += ["level"] if s.kind in GAIN_KINDS else []
                    found += ["q"] if s.kind in QUALITY_KINDS else []
        return found

    def with_vector(self, vector: FloatArray) -> FilterModel:
        """The same filters with other numbers."""
        rest = iter(float(v) for v in vector)
        ways = []
        for way in self.ways:
            gain = next(rest) if way.free_gain else way.gain_db
            delay = next(rest) * DELAY_UNIT if way.free_delay else way.delay
            sections = []
            for s in way.sections:
                if s.fixed:
                    sections.append(s)
                    continue
                frequency = math.exp(next(rest))
                level = next(rest) if s.kind in GAIN_KINDS else s.gain_db
                q = math.exp(next(rest)) if s.kind in QUALITY_KINDS else s.q
                sections.append(replace(s, frequency=frequency, gain_db=level, q=q))
            ways.append(replace(way, gain_db=gain, delay=delay, sections=tuple(sections)))
        return replace(self, ways=tuple(ways))

    def responses(self, axis_hz: FloatArray) -> tuple[ComplexArray, ComplexArray, Owner]:
        """(W, F) responses, (P, F) gradients of the logarithm of the way each free number belongs to, and (P,) that way."""
        turn = -2j * np.pi * axis_hz
        response, rows, owner = [], [], []
        for i, way in enumerate(self.ways):
            parts = way.sections
            f0, level, q = (np.array([getattr(s, n) for s in parts], float) for n in ("frequency", "gain_db", "q"))
            h, gradient = log_gradient([s.shape for s in parts], f0, level, q, axis_hz, self.sample_rate)
            factor = 10 ** (way.gain_db / 20) * (-1 if way.inverted else 1)
            response.append(h * factor * np.exp(turn * way.delay))
            mine = [np.full(len(axis_hz), math.log(10) / 20, complex)] if way.free_gain else []
            mine += [turn * DELAY_UNIT] if way.free_delay else []
            for k, s in enumerate(parts):
                if not s.fixed:
                    mine.append(gradient[k, 0])
                    mine += [gradient[k, 1]] if s.kind in GAIN_KINDS else []
                    mine += [gradient[k, 2]] if s.kind in QUALITY_KINDS else []
            rows += mine
            owner += [i] * len(mine)
        table = np.array(rows) if rows else np.zeros((0, len(axis_hz)), complex)
        return np.array(response), table, np.array(owner, np.intp)

    def gathered(self, slopes: FloatArray) -> FloatArray:
        """(N, P) as they are: every number acts on one way."""
        return slopes

    def penalties(
        self, axis_hz: FloatArray, h: ComplexArray, table: ComplexArray, owner: Owner, charges: Charges
    ) -> Iterator[tuple[FloatArray, FloatArray]]:
        """dB above the largest boost, broadband gain left out; and the sections' gains, so that no two fight each other for
        nothing."""
        places, sizes, values = self._places()
        gains = np.array([way.gain_db for way in self.ways])
        over = 20 * np.log10(np.maximum(np.abs(h), 1e-300)) - gains[:, None] - charges.boost_db
        slope = np.zeros((len(table), *over.shape))
        slope[np.arange(len(table)), owner] = 20 / math.log(10) * table.real
        for way, place in enumerate(places):
            if place >= 0 and len(table):
                slope[place, way] = 0.0
        yield beyond(over.ravel(), slope.reshape(len(table), over.size), charges.limit)
        change = np.zeros((len(table), len(sizes)))
        if len(table):
            change[sizes, np.arange(len(sizes))] = charges.size
        yield charges.size * np.array(values), change

    def _places(self) -> tuple[list[int], list[int], list[float]]:
        """Where in the vector each way's broadband gain stands (-1: not free), where the sections' gains, and those gains."""
        places, sizes, values, at = [], [], [], 0
        for way in self.ways:
            places.append(at if way.free_gain else -1)
            at += int(way.free_gain) + int(way.free_delay)
            for s in way.sections:
                if s.fixed:
                    continue
                at += 1
                if s.kind in GAIN_KINDS:
                    sizes.append(at)
                    values.append(s.gain_db)
                    at += 1
                at += int(s.kind in QUALITY_KINDS)
        return places, sizes, values

    def adding(self, way: int, section: Tuned) -> FilterModel:
        """With one section more."""
        ways = list(self.ways)
        ways[way] = replace(ways[way], sections=(*ways[way].sections, section))
        return replace(self, ways=tuple(ways))

    def without(self, way: int, index: int) -> FilterModel:
        """With one section less."""
        ways = list(self.ways)
        ways[way] = replace(ways[way], sections=tuple(s for k, s in enumerate(ways[way].sections) if k != index))
        return replace(self, ways=tuple(ways))

    def delays(self) -> tuple[float, ...]:
        """s, shifted together so that the earliest is 0."""
        first = min(w.delay for w in self.ways)
        return tuple(w.delay - first for w in self.ways)
