"""Units at the edge, air, constants, frequency axes and errors."""

from evenfield.base.air import Air
from evenfield.base.bands import band_edges, octave_axis
from evenfield.base.errors import DataError, DesignError, EvenfieldError, MeshError, Refusal, message

__all__ = [
    "Air",
    "DataError",
    "DesignError",
    "EvenfieldError",
    "MeshError",
    "Refusal",
    "band_edges",
    "message",
    "octave_axis",
]
