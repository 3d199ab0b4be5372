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
    Ring,
    Round,
    RoundedRectangle,
    Superelliptic,
    Throat,
    VentOpening,
    Waveguide,
)
from evenfield.shape.facts import MovingPart, SurfaceFacts, outline, plan, rounded_box_volume, surface_facts
from evenfield.shape.profiles import PROFILES, Profile
from evenfield.shape.sizes import EdgeLengths, edge_lengths_for

PHYSICS_VERSION = 4
"""Raised when results change for the same inputs; part of the key of stored results."""

__all__ = [
    "PROFILES",
    "Cabinet",
    "Coaxial",
    "Cone",
    "Dome",
    "EdgeLengths",
    "Element",
    "Elliptic",
    "MovingPart",
    "Outline",
    "Profile",
    "Ring",
    "Round",
    "RoundedRectangle",
    "Superelliptic",
    "SurfaceFacts",
    "Throat",
    "VentOpening",
    "Waveguide",
    "build_surface",
    "edge_lengths_for",
    "outline",
    "plan",
    "rounded_box_volume",
    "surface_facts",
]
