"""Sound radiation: boundary elements on a closed surface, or on the meridian of a body of revolution."""

from __future__ import annotations

from importlib import import_module as _import_module
from typing import TYPE_CHECKING, Any

_WHERE = {
    "FlushFrequency": "flush_solution",
    "FlushProblem": "flush",
    "FlushSolution": "flush_solution",
    "FrequencySolution": "surface_solution",
    "MeridianFrequency": "meridian_solution",
    "MeridianProblem": "meridian",
    "MeridianSolution": "meridian_solution",
    "MeridianSolver": "meridian_solver",
    "MeridianStatistics": "meridian_solution",
    "RigidPlane": "plane",
    "SurfaceProblem": "surface",
    "SurfaceSolution": "surface_solution",
    "SurfaceSolver": "surface_solver",
    "SurfaceStatistics": "surface_solution",
    "meridian_gradient": "meridian_adjoint",
    "choose_devices": "gpu_device",
    "iterate_flush": "flush",
    "iterate_surface": "surface",
    "solve_flush": "flush",
    "solve_meridian": "meridian",
    "solve_surface": "surface",
    "throat_impedance": "throat",
}

PHYSICS_VERSION = 3
"""Raised when results change for the same inputs; part of the key of stored results."""

FLUSH_VERSION = 1
"""The same for bodies flush in a baffle."""

__all__ = sorted(_WHERE)

if TYPE_CHECKING:
    from evenfield.radiation.flush import FlushProblem as FlushProblem
    from evenfield.radiation.flush import iterate_flush as iterate_flush
    from evenfield.radiation.flush import solve_flush as solve_flush
    from evenfield.radiation.flush_solution import FlushFrequency as FlushFrequency
    from evenfield.radiation.flush_solution import FlushSolution as FlushSolution
    from evenfield.radiation.gpu_device import choose_devices as choose_devices
    from evenfield.radiation.meridian import MeridianProblem as MeridianProblem
    from evenfield.radiation.meridian import solve_meridian as solve_meridian
    from evenfield.radiation.meridian_adjoint import meridian_gradient as meridian_gradient
    from evenfield.radiation.meridian_solution import MeridianFrequency as MeridianFrequency
    from evenfield.radiation.meridian_solution import MeridianSolution as MeridianSolution
    from evenfield.radiation.meridian_solution import MeridianStatistics as MeridianStatistics
    from evenfield.radiation.meridian_solver import MeridianSolver as MeridianSolver
    from evenfield.radiation.plane import RigidPlane as RigidPlane
    from evenfield.radiation.surface import SurfaceProblem as SurfaceProblem
    from evenfield.radiation.surface import iterate_surface as iterate_surface
    from evenfield.radiation.surface import solve_surface as solve_surface
    from evenfield.radiation.surface_solution import FrequencySolution as FrequencySolution
    from evenfield.radiation.surface_solution import SurfaceSolution as SurfaceSolution
    from evenfield.radiation.surface_solution import SurfaceStatistics as SurfaceStatistics
    from evenfield.radiation.surface_solver import SurfaceSolver as SurfaceSolver
    from evenfield.radiation.throat import throat_impedance as throat_impedance


def __getattr__(name: str) -> Any:
    # the compiled solver loads when first asked for
    if name in _WHERE:
        return getattr(_import_module(f"evenfield.radiation.{_WHERE[name]}"), name)
    raise AttributeError(f"module 'evenfield.radiation' has no attribute {name!r}")
