"""Cabinets, drivers, vents and waveguides as surfaces."""

from evenfield.shape.build import build_surface
from evenfield.shape.elements import (
    Cabinet,
    Coaxial,
    Cone,
    Dome,
    Element,
    Elliptic,
    Outline,
    Round,
    RoundedRectangle,
    Throat,
    VentOpening,
    Waveguide,
)
from evenfield.shape.profiles import PROFILES, Profile
from evenfield.shape.sizes import EdgeLengths, edge_lengths_for

__all__ = [
    "PROFILES",
    "Cabinet",
    "Coaxial",
    "Cone",
    "Dome",
    "EdgeLengths",
    "Element",
    "Elliptic",
    "Outline",
    "Profile",
    "Round",
    "RoundedRectangle",
    "Throat",
    "VentOpening",
    "Waveguide",
    "build_surface",
    "edge_lengths_for",
]
