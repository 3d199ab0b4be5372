"""Drivers, boxes and amplifiers as small-signal circuits."""

from evenfield.transducer.box import ClosedBox, Vent, VentedBox
from evenfield.transducer.coil import LR2, Coil, PlainInductance, SemiInductance, WrightCoil
from evenfield.transducer.driver import CompressionDriver, Driver
from evenfield.transducer.network import solve_network
from evenfield.transducer.solution import DriverPart, NetworkSolution, Part, VentPart

__all__ = [
    "LR2",
    "ClosedBox",
    "Coil",
    "CompressionDriver",
    "Driver",
    "DriverPart",
    "NetworkSolution",
    "Part",
    "PlainInductance",
    "SemiInductance",
    "Vent",
    "VentPart",
    "VentedBox",
    "WrightCoil",
    "solve_network",
]
