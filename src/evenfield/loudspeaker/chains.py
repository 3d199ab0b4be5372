"""From the design file's filter sections to each way's electrical chain."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from evenfield.base.errors import DesignError, message
from evenfield.data.impedance import Impedance
from evenfield.filters.chain import FilterChain
from evenfield.filters.sections import Delay, Gain, Polarity, Section, make_section
from evenfield.loudspeaker.design import Design, FilterSection
from evenfield.loudspeaker.passive import passive_responses


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


def responses(
    design: Design, frequency: NDArray[np.float64], impedance: Mapping[str, Impedance] | None = None
) -> dict[str, NDArray[np.complex128]]:
    """(F,) complex response of every way's chain, volts at the terminals per volt at the loudspeaker's input.

    Parameters
        impedance : of every way, on the same frequencies; a passive network needs it
    Raises DesignError when a design has both a passive network and sections in its ways, which would filter twice.
    """
    if design.passive is not None:
        _refuse_both(design)
        if impedance is None:
            raise DesignError(message("a passive network", "solved with the drivers' impedances", "none"), "passive")
        return passive_responses(design, impedance)[0]
    found = {}
    for name, way in design.ways.items():
        rate = None if way.filters.sample_rate is None else float(way.filters.sample_rate)
        found[name] = chain_of(design, name).response(frequency, rate)
    return found


def has_filters(design: Design) -> bool:
    """True when any way has a filter section, or the ways share a passive network."""
    return design.passive is not None or is_active(design)


def is_active(design: Design) -> bool:
    """True when the filters stand before the amplifiers."""
    return any(way.filters.sections for way in design.ways.values())


def _refuse_both(design: Design) -> None:
    for name, way in design.ways.items():
        if way.filters.sections or any(map(float, (way.filters.gain, way.filters.delay, way.amplifier.gain))):
            cause = "A passive loudspeaker has one amplifier and no filters before it"
            key = f"ways.{name}.filters"
            raise DesignError(message(key, "empty beside a passive network", "sections, gain or delay", cause=cause), key)


def _section(s: FilterSection, key: str) -> Section:
    values: dict[str, object] = {"frequency": float(s.frequency)}
    if s.kind in ("low-pass", "high-pass"):
        values |= {"order": s.order, "family": s.family}
    elif s.kind == "integrator-shelf":
        if s.limit is None:
            raise DesignError(message(f"{key}.limit", "given for an integrator-shelf", "nothing", fix="half the frequency"), key)
        values["limit"] = float(s.limit)
    elif s.kind != "notch" and s.kind != "all-pass":
        values |= {"gain_db": float(s.gain), "q": float(s.q)}
    else:
        values |= {"q": float(s.q)}
    return make_section(s.kind, key, **values)
