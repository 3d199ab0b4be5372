"""From the design file's filter sections to each way's electrical chain."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from evenfield.filters.chain import FilterChain
from evenfield.filters.sections import Delay, Gain, Polarity, Section, make_section
from evenfield.loudspeaker.design import Design, FilterSection


def chain_of(design: Design, name: str) -> FilterChain:
    """Filters and amplifier gain of one way. Raises DesignError with the key."""
    way = design.ways[name]
    sections: list[Section] = [Gain(float(way.filters.gain) + float(way.amplifier.gain))]
    if way.filters.invert:
        sections.append(Polarity())
    if float(way.filters.delay) != 0.0:
        sections.append(Delay(float(way.filters.delay)))
    for i, section in enumerate(way.filters.sections):
        sections.append(_section(section, f"ways.{name}.filters.sections.{i}"))
    return FilterChain(tuple(sections), f"ways.{name}.filters.sections")


def responses(design: Design, frequency: NDArray[np.float64]) -> dict[str, NDArray[np.complex128]]:
    """(F,) complex response of every way's chain, volts at the terminals per volt at the loudspeaker's input."""
    found = {}
    for name, way in design.ways.items():
        rate = None if way.filters.sample_rate is None else float(way.filters.sample_rate)
        found[name] = chain_of(design, name).response(frequency, rate)
    return found


def has_filters(design: Design) -> bool:
    """True when any way has a filter section."""
    return any(way.filters.sections for way in design.ways.values())


def _section(s: FilterSection, key: str) -> Section:
    values: dict[str, object] = {"frequency": float(s.frequency)}
    if s.kind in ("low-pass", "high-pass"):
        values |= {"order": s.order, "family": s.family}
    elif s.kind != "notch" and s.kind != "all-pass":
        values |= {"gain_db": float(s.gain), "q": float(s.q)}
    else:
        values |= {"q": float(s.q)}
    return make_section(s.kind, key, **values)
