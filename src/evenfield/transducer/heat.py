"""Heat: coil, steel and magnet as a network of heat capacities; what it does to resistance, force and level.

Sources: D. J. Button, "Heat Dissipation and Power Compression in Loudspeakers", JAES 40 (1992) 32 (the network of coil, steel
and magnet; its constants are of single drivers, so here they follow from the parts); W. H. McAdams, Heat Transmission (1954)
(plate in moving air, h = 5.7 + 3.8 v W/(m2 K), from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base import DesignError, message

Real = NDArray[np.float64]

NODES = ("coil", "steel", "magnet")
"""Nodes of the network: the coil; the steel around the gap with its rings; the magnet with the rest of the motor."""

AIR_CONDUCTIVITY = 0.029
"""W/(m K), air at some 70 degC (handbook value; from memory)."""

STEEL_HEAT, FERRITE_HEAT, NEODYMIUM_HEAT = 470.0, 750.0, 450.0
"""J/(kg K) (handbook values; from memory)."""

STILL_AIR = 10.0
"""W/(m2 K) of a warm dark surface in still air, convection and radiation (common practice, no source)."""

FIELD_LOSS = {"ferrite": -0.0020, "neodymium": -0.0012}
"""1/K, change of remanence (IEC 60404-8-1; from memory)."""

HOTTEST = {"polyimide": 250.0, "glass fibre": 200.0, "aluminium": 200.0, "titanium": 200.0, "paper": 130.0}
"""degC that coils on these formers are usually kept below (common practice, no source)."""


@dataclass(frozen=True)
class HeatNetwork:
    """Three heat capacities and the ways between them.

    Parameters
        capacity : (coil, steel, magnet) J/K > 0
        coil_steel, steel_magnet, magnet_air : W/K
        coil_air : W/K that the coil gives to air at rest
        per_velocity : W/K per m/s RMS of coil velocity: forced convection
        ambient : degC
        field_loss : 1/K, of the force factor with the magnet's temperature
        hottest : degC the coil may reach
    """

    capacity: tuple[float, float, float]
    coil_steel: float
    steel_magnet: float
    magnet_air: float
    coil_air: float = 0.0
    per_velocity: float = 0.0
    ambient: float = 20.0
    field_loss: float = -0.0020
    hottest: float = 200.0

    def __post_init__(self) -> None:
        for name, value in (*((f"heat capacity of the {n}", c) for n, c in zip(NODES, self.capacity, strict=True)),
                            ("heat from coil to steel", self.coil_steel), ("heat from steel to magnet", self.steel_magnet),
                            ("heat from magnet to air", self.magnet_air)):  # fmt: skip
            if not (math.isfinite(value) and value > 0):
                raise DesignError(message(name, "finite and positive", value))
        if self.hottest <= self.ambient:
            raise DesignError(message("hottest coil", f"above ambient ({self.ambient:g} degC)", f"{self.hottest:g} degC"))

    @classmethod
    def from_parts(
        cls,
        *,
        coil_heat: float,
        coil_diameter: float,
        coil_depth: float,
        plate_height: float,
        clearance: tuple[float, float],
        steel_mass: float,
        magnet_mass: float,
        outer_area: float,
        magnet: str = "ferrite",
        ambient: float = 20.0,
        hottest: float = 200.0,
    ) -> HeatNetwork:
        """The network from sizes.

        Parameters
            coil_heat : J/K; coil_diameter, coil_depth : m
            plate_height : m of coil that faces the gap
            clearance : m of air inside and outside of the coil (the former counted as air)
            steel_mass, magnet_mass : kg; outer_area : m2 of the motor's outside
            magnet : "ferrite" or "neodymium"
        Conduction through the gap's air, still and moving air elsewhere, some 20 W/K through the joint to the magnet.
        """
        if magnet not in FIELD_LOSS:
            raise DesignError(message("magnet", f"one of {', '.join(FIELD_LOSS)}", repr(magnet)))
        # inside, the coil looks at the pole over its whole depth; outside, at the plate
        inside = math.pi * coil_diameter * coil_depth
        facing = math.pi * coil_diameter * min(coil_depth, plate_height)
        free = inside - facing
        gap = AIR_CONDUCTIVITY * (inside / clearance[0] + facing / clearance[1])
        heat = FERRITE_HEAT if magnet == "ferrite" else NEODYMIUM_HEAT
        # a third of the steel sits round the gap; the rest follows the magnet (common practice, no source)
        capacity = (coil_heat, STEEL_HEAT * steel_mass / 3, STEEL_HEAT * steel_mass * 2 / 3 + heat * magnet_mass)
        still, moving = 5.7 * free, 3.8 * 2 * inside
        return cls(capacity, gap, 20.0, STILL_AIR * outer_area, still, moving, ambient, FIELD_LOSS[magnet], hottest)

    def conductance(self, velocity: float = 0.0) -> Real:
        """(3, 3) W/K: heat leaving each node per kelvin above ambient, at a coil velocity (m/s RMS).

        Half of what moving air takes from the coil is given to the steel beside it, half leaves (common practice, no source).
        """
        stirred = self.per_velocity * velocity
        a, b, g = self.coil_steel + stirred / 2, self.steel_magnet, self.coil_air + stirred / 2
        return np.array([[a + g, -a, 0.0], [-a, a + b, -b], [0.0, -b, b + self.magnet_air]])

    def steady(self, power: ArrayLike, velocity: float = 0.0) -> Real:
        """(3,) degC reached under constant powers (3,), W."""
        return np.asarray(self.ambient + np.linalg.solve(self.conductance(velocity), np.asarray(power, float)))

    def advance(self, temperature: Real, power: ArrayLike, seconds: float, velocity: float = 0.0) -> Real:
        """(3,) degC after so long under constant powers; exact."""
        g, c = self.conductance(velocity), np.asarray(self.capacity)
        root = np.sqrt(c)
        rate, shape = np.linalg.eigh(g / np.outer(root, root))
        end = np.linalg.solve(g, np.asarray(power, float))
        away = shape.T @ (root * (np.asarray(temperature) - self.ambient - end))
        return np.asarray(self.ambient + end + shape @ (np.exp(-rate * seconds) * away) / root)

    def time_constants(self, velocity: float = 0.0) -> Real:
        """(3,) s, shortest first."""
        root = np.sqrt(np.asarray(self.capacity))
        return np.sort(1 / np.linalg.eigvalsh(self.conductance(velocity) / np.outer(root, root)))

    def field_share(self, magnet_temperature: float) -> float:
        """Force factor over that at 20 degC."""
        return 1 + self.field_loss * (magnet_temperature - 20)


Load = Callable[[float, float], tuple[float, float, float]]
"""(coil degC, field share) -> (W into the coil, W into the steel, m/s RMS of the coil) of a steady drive."""


@dataclass(frozen=True, eq=False)
class HeatRun:
    """Temperatures under a drive.

    Parameters
        time : (T,) s; temperature : (T, 3) degC of coil, steel, magnet
        power : (T,) W into the coil
    """

    time: Real
    temperature: Real
    power: Real


def heat_up(network: HeatNetwork, load: Load, seconds: float, steps: int = 200, first: float = 0.05) -> HeatRun:
    """Warm up from ambient under a drive whose powers follow the temperatures (constant voltage).

    Steps grow with time; in each the powers at its own middle hold (second order).
    """
    time = np.concatenate([[0.0], np.geomspace(first, seconds, steps)])
    at = np.full(3, network.ambient)
    found, powers = [at], []
    for h in np.diff(time):
        coil, steel, speed = load(float(at[0]), network.field_share(float(at[2])))
        powers.append(coil)
        middle = network.advance(at, (coil, steel, 0.0), h / 2, speed)
        coil, steel, speed = load(float(middle[0]), network.field_share(float(middle[2])))
        at = network.advance(at, (coil, steel, 0.0), h, speed)
        found.append(at)
    powers.append(load(float(at[0]), network.field_share(float(at[2])))[0])
    return HeatRun(time, np.array(found), np.array(powers))


def heat_balance(network: HeatNetwork, load: Load) -> tuple[Real, float]:
    """((3,) degC, W into the coil) at which heat in and out balance under a drive; found by repeated substitution, damped."""
    at = np.full(3, network.ambient)
    coil = 0.0
    for _ in range(200):
        coil, steel, speed = load(float(at[0]), network.field_share(float(at[2])))
        new = network.steady((coil, steel, 0.0), speed)
        if np.max(np.abs(new - at)) < 1e-3:
            return new, coil
        at = at + 0.5 * (new - at)
        if at[0] > 2000:
            break
    return at, coil


def largest_drive(network: HeatNetwork, load_at: Callable[[float], Load], seconds: float | None, most: float) -> float:
    """Largest drive (in the unit of `load_at`, up to `most`) that keeps the coil below its hottest.

    Parameters
        load_at : drive -> Load
        seconds : of playing from cold; None: for ever
    """
    from scipy.optimize import brentq

    def excess(drive: float) -> float:
        load = load_at(drive)
        if seconds is None:
            return float(heat_balance(network, load)[0][0]) - network.hottest
        return float(heat_up(network, load, seconds, 40, min(0.05, seconds / 10)).temperature[-1, 0]) - network.hottest

    if excess(most) <= 0:
        return most
    return float(brentq(excess, 1e-3 * most, most, rtol=1e-4))


def with_ambient(network: HeatNetwork, ambient: float) -> HeatNetwork:
    """The same at another ambient temperature, degC."""
    return replace(network, ambient=ambient)


def compression_db(cold_resistance: float, hot_resistance: float, cold_impedance: ArrayLike, field_share: float = 1.0) -> Real:
    """dB of level lost far above resonance at constant voltage: |Z cold| / |Z hot|, times the field left.

    Parameters
        cold_impedance : (F,) complex ohm, whole
    """
    z = np.atleast_1d(np.asarray(cold_impedance, complex))
    hot = z + (hot_resistance - cold_resistance)
    return np.asarray(20 * np.log10(np.abs(hot) / np.abs(z)) - 20 * math.log10(field_share))
