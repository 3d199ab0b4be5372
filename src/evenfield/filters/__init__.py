"""Crossover and equalisation sections, analogue and digital."""

from evenfield.filters.chain import FilterChain
from evenfield.filters.sections import (
    SECTIONS,
    AllPass,
    Delay,
    Gain,
    HighPass,
    HighShelf,
    LowPass,
    LowShelf,
    Notch,
    Peaking,
    Polarity,
    Section,
    make_section,
)

__all__ = [
    "SECTIONS",
    "AllPass",
    "Delay",
    "FilterChain",
    "Gain",
    "HighPass",
    "HighShelf",
    "LowPass",
    "LowShelf",
    "Notch",
    "Peaking",
    "Polarity",
    "Section",
    "make_section",
]
