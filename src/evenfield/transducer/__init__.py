"""Drivers, boxes and amplifiers as small-signal circuits."""

from evenfield.transducer.box import ClosedBox, Vent, VentedBox
from evenfield.transducer.coil import LR2, Coil, PlainInductance, SemiInductance, WrightCoil
from evenfield.transducer.driver import CompressionDriver, Driver
from evenfield.transducer.network import solve_network
from evenfield.transducer.profile import VelocityProfile
from evenfield.transducer.solution import DriverPart, NetworkSolution, Part, VentPart
from evenfield.transducer.spread import Spread, spread_band, vary_driver

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
    "Spread",
    "VelocityProfile",
    "Vent",
    "VentPart",
    "VentedBox",
    "WrightCoil",
    "solve_network",
    "spread_band",
    "vary_driver",
]
