"""Magnetic motors: geometry and materials, the magnets' field, force factor, blocked impedance, search.

The finite-element library loads on the first solve; drawing and checking a motor needs numpy alone.
"""

from __future__ import annotations

from importlib import import_module as _import_module
from typing import TYPE_CHECKING, Any

_WHERE = {
    "MotorAnalysis": "analysis",
    "analyse_motor": "analysis",
    "BHCurve": "bh_curve",
    "read_bh_curve": "bh_curve",
    "read_dxf": "dxf",
    "FerriteRing": "families",
    "Holes": "families",
    "NeodymiumCup": "families",
    "Ring": "families",
    "TwoGap": "families",
    "free_drawing": "families",
    "InductanceFit": "fits",
    "fit_inductance": "fits",
    "blocked_impedance": "harmonic",
    "LIBRARY": "materials",
    "Magnet": "materials",
    "Steel": "materials",
    "material": "materials",
    "with_holes": "materials",
    "Coil": "motor",
    "Motor": "motor",
    "Outline": "motor",
    "Part": "motor",
    "RingWorth": "rings",
    "ring_worth": "rings",
    "GOALS": "search",
    "MotorSearch": "search",
    "search_motor": "search",
    "StaticField": "statics",
    "at_temperature": "statics",
    "solve_static": "statics",
}

__all__ = list(_WHERE)

if TYPE_CHECKING:
    from evenfield.magnetics.analysis import MotorAnalysis as MotorAnalysis
    from evenfield.magnetics.analysis import analyse_motor as analyse_motor
    from evenfield.magnetics.bh_curve import BHCurve as BHCurve
    from evenfield.magnetics.bh_curve import read_bh_curve as read_bh_curve
    from evenfield.magnetics.dxf import read_dxf as read_dxf
    from evenfield.magnetics.families import FerriteRing as FerriteRing
    from evenfield.magnetics.families import Holes as Holes
    from evenfield.magnetics.families import NeodymiumCup as NeodymiumCup
    from evenfield.magnetics.families import Ring as Ring
    from evenfield.magnetics.families import TwoGap as TwoGap
    from evenfield.magnetics.families import free_drawing as free_drawing
    from evenfield.magnetics.fits import InductanceFit as InductanceFit
    from evenfield.magnetics.fits import fit_inductance as fit_inductance
    from evenfield.magnetics.harmonic import blocked_impedance as blocked_impedance
    from evenfield.magnetics.materials import LIBRARY as LIBRARY
    from evenfield.magnetics.materials import Magnet as Magnet
    from evenfield.magnetics.materials import Steel as Steel
    from evenfield.magnetics.materials import material as material
    from evenfield.magnetics.materials import with_holes as with_holes
    from evenfield.magnetics.motor import Coil as Coil
    from evenfield.magnetics.motor import Motor as Motor
    from evenfield.magnetics.motor import Outline as Outline
    from evenfield.magnetics.motor import Part as Part
    from evenfield.magnetics.rings import RingWorth as RingWorth
    from evenfield.magnetics.rings import ring_worth as ring_worth
    from evenfield.magnetics.search import GOALS as GOALS
    from evenfield.magnetics.search import MotorSearch as MotorSearch
    from evenfield.magnetics.search import search_motor as search_motor
    from evenfield.magnetics.statics import StaticField as StaticField
    from evenfield.magnetics.statics import at_temperature as at_temperature
    from evenfield.magnetics.statics import solve_static as solve_static


def __getattr__(name: str) -> Any:
    if name in _WHERE:
        return getattr(_import_module(f"evenfield.magnetics.{_WHERE[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
