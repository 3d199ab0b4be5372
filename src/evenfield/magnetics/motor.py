"""Motor: the parts of a magnet system and its windings, in the meridian half-plane (r, z), z positive outwards."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from evenfield.base import DesignError, message
from evenfield.magnetics.materials import Conductor, Filler, Magnet, Material, Steel, material
from evenfield.magnetics.polygons import Points, rectangle, signed_area, volume


@dataclass(frozen=True)
class Part:
    """A body of revolution of one material.

    Parameters
        name : as the drawing calls it
        polygon : (N, 2) corners r, z, m
        material : see `materials`
        magnetisation : (r, z) direction, magnets only
    """

    name: str
    polygon: Points
    material: Material
    magnetisation: tuple[float, float] = (0.0, 1.0)

    def __post_init__(self) -> None:
        p = np.asarray(self.polygon, float)
        if p.ndim != 2 or p.shape[1] != 2 or len(p) < 3 or not np.all(np.isfinite(p)):
            raise DesignError(message(f"part {self.name}", "a polygon of at least 3 finite corners", p.shape))
        if signed_area(p) < 0:
            p = p[::-1]
        size = math.hypot(*self.magnetisation)
        if size == 0:
            raise DesignError(message(f"part {self.name}'s magnetisation", "a direction", self.magnetisation))
        object.__setattr__(self, "polygon", p)
        object.__setattr__(self, "magnetisation", tuple(m / size for m in self.magnetisation))

    @property
    def volume(self) -> float:
        """m3."""
        return volume(self.polygon)

    @property
    def mass(self) -> float:
        """kg."""
        return self.volume * self.material.density

    @property
    def cost(self) -> float:
        """EUR, material price times mass."""
        return self.mass * self.material.price

    @property
    def kind(self) -> str:
        """steel, magnet, conductor or filler."""
        return {Steel: "steel", Magnet: "magnet", Conductor: "conductor", Filler: "filler"}[type(self.material)]


@dataclass(frozen=True)
class Coil:
    """A winding of rectangular section, its current spread evenly (eddy currents inside the wire are left out).

    Parameters
        name : of the winding
        inner_radius, outer_radius, bottom, top : m, at rest
        turns : number
        resistance : ohm at 20 degC
        sense : +1 or -1, the way it is wound
        shorted : closed on itself; it carries no signal current from outside
        moving : rides on the former; False for a winding fixed to the motor
        mass : kg of the wire
    """

    name: str
    inner_radius: float
    outer_radius: float
    bottom: float
    top: float
    turns: float
    resistance: float
    sense: int = 1
    shorted: bool = False
    moving: bool = True
    mass: float = 0.0

    def __post_init__(self) -> None:
        numbers = (self.inner_radius, self.outer_radius, self.bottom, self.top, self.turns, self.resistance)
        if not all(math.isfinite(v) for v in numbers):
            raise DesignError(message(f"coil {self.name}", "finite", numbers))
        if not (0 < self.inner_radius < self.outer_radius and self.bottom < self.top):
            raise DesignError(
                message(f"coil {self.name}", "a ring with inner_radius < outer_radius and bottom < top",
                        f"r {1e3 * self.inner_radius:g}..{1e3 * self.outer_radius:g} mm, "
                        f"z {1e3 * self.bottom:g}..{1e3 * self.top:g} mm")
            )  # fmt: skip
        if not (self.turns > 0 and self.resistance >= 0 and self.sense in (-1, 1)):
            raise DesignError(
                message(f"coil {self.name}", "turns > 0, resistance >= 0 and sense +1 or -1",
                        (self.turns, self.resistance, self.sense))
            )  # fmt: skip

    @classmethod
    def wound(
        cls, name: str, inner_radius: float, outer_radius: float, bottom: float, top: float, turns: float, *,
        fill: float = 0.6, conductor: str = "copper", sense: int = 1, shorted: bool = False, moving: bool = True,
    ) -> Coil:  # fmt: skip
        """A coil whose resistance and mass follow from the metal's share `fill` of its section.

        Round wire close-packed in layers reaches about 0.6 with enamel, flat wire 0.8 (common practice, no source).
        """
        if not 0 < fill <= 0.95:
            raise DesignError(message(f"coil {name}'s fill", "in 0..0.95", fill, fix="0.6"))
        metal = material(conductor)
        if not isinstance(metal, Conductor):
            raise DesignError(message(f"coil {name}'s conductor", "copper or aluminium", conductor))
        section = (outer_radius - inner_radius) * (top - bottom) * fill
        length = 2 * math.pi * (outer_radius + inner_radius) / 2
        resistance = metal.resistivity * turns**2 * length / section if section > 0 else math.inf
        return cls(name, inner_radius, outer_radius, bottom, top, turns, resistance, sense, shorted, moving,
                   section * length * metal.density)  # fmt: skip

    @property
    def height(self) -> float:
        """m."""
        return self.top - self.bottom

    @property
    def section(self) -> Points:
        """(4, 2) its corners at rest, m."""
        return rectangle(self.inner_radius, self.outer_radius, self.bottom, self.top)


@dataclass(frozen=True)
class Outline:
    """One closed line of the drawing, to scale: corners (N, 2) r, z in m, and what is inside."""

    name: str
    kind: str
    material: str
    corners: Points


@dataclass(frozen=True)
class Motor:
    """A magnet system with its windings at rest.

    Parameters
        name : of the motor
        parts : bodies that stand still
        coils : windings; those in series carry the same current, each in its own sense
        stroke : m; the motor is analysed from -stroke to +stroke, less where a coil would meet a part
        passive : no magnet is asked for (coils, rings and steel alone, as in the checks against closed forms)
    Raises DesignError, with the place in the drawing, when parts overlap or a coil at rest meets one.
    """

    name: str
    parts: tuple[Part, ...]
    coils: tuple[Coil, ...]
    stroke: float
    notes: tuple[str, ...] = field(default=())
    passive: bool = False

    def __post_init__(self) -> None:
        from evenfield.magnetics.checks import check_motor

        check_motor(self)

    @property
    def driven(self) -> tuple[Coil, ...]:
        """The coils that carry the signal, in series."""
        return tuple(c for c in self.coils if not c.shorted)

    @property
    def shorted(self) -> tuple[Coil, ...]:
        """The windings closed on themselves."""
        return tuple(c for c in self.coils if c.shorted)

    @property
    def resistance(self) -> float:
        """ohm at 20 degC of the driven coils in series."""
        return sum(c.resistance for c in self.driven)

    @cached_property
    def travel(self) -> tuple[float, float]:
        """(inwards, outwards) free way of the moving coils before one meets a part, m; at most 1 m."""
        from evenfield.magnetics.checks import free_travel

        return free_travel(self)

    @property
    def rings(self) -> tuple[str, ...]:
        """Names of the conducting parts that are not steel or magnet."""
        return tuple(p.name for p in self.parts if p.kind == "conductor")

    @property
    def extent(self) -> tuple[float, float, float]:
        """(largest radius, lowest z, highest z), m."""
        p = np.concatenate([x.polygon for x in self.parts] + [c.section for c in self.coils])
        return float(p[:, 0].max()), float(p[:, 1].min()), float(p[:, 1].max())

    def positions(self, count: int = 21) -> NDArray[np.float64]:
        """(count,) displacements from -stroke to +stroke, kept 0.1 mm off the parts a coil would meet, m."""
        into, out = self.travel
        low, high = -min(self.stroke, max(into - 1e-4, 0)), min(self.stroke, max(out - 1e-4, 0))
        return np.linspace(low, high, count)

    def outline(self, displacement: float = 0.0) -> tuple[Outline, ...]:
        """Closed polylines to scale for drawings, parts first, then coils at a displacement (m)."""
        lines = [Outline(p.name, p.kind, p.material.name, p.polygon) for p in self.parts]
        for c in self.coils:
            shift = np.array([0.0, displacement if c.moving else 0.0])
            lines.append(Outline(c.name, "shorted coil" if c.shorted else "coil", "winding", c.section + shift))
        return tuple(lines)

    def without(self, name: str) -> Motor:
        """The same motor with one part taken out. Raises DesignError when there is none of that name."""
        rest = tuple(p for p in self.parts if p.name != name)
        if len(rest) == len(self.parts):
            raise DesignError(message("part", "one of " + ", ".join(p.name for p in self.parts), name))
        return replace(self, parts=rest)
