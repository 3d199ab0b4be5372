"""Boxes behind drivers: a lumped volume with losses, closed or vented."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from evenfield.base import Air, DesignError, message

HEAT_RATIO = 1.4
"""Ratio of specific heats of air."""

FLANGED_END = 8 / (3 * math.pi)
"""End correction of a uniform piston in a flange, in radii (closed form; Beranek & Mellow, Acoustics, 2012)."""

UNFLANGED_END = 0.6133
"""End correction of an unflanged thin tube, in radii (Levine & Schwinger, Phys. Rev. 73 (1948) 383; from memory)."""


@dataclass(frozen=True)
class Vent:
    """A straight tube, or several equal ones, between a box and the outside.

    Parameters
        area : m2 > 0, one opening
        length : m > 0, of the tube, without end corrections
        number : int >= 1, equal tubes
        inner_end : end correction inside, in radii of the circle of equal area (common practice for slots, no source);
            the outer end's air comes from the acoustic solve
    """

    area: float
    length: float
    number: int = 1
    inner_end: float = UNFLANGED_END

    def __post_init__(self) -> None:
        for name in ("area", "length"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value > 0):
                raise DesignError(message(f"vent.{name}", "finite and positive", value))
        if isinstance(self.number, bool) or not isinstance(self.number, int) or self.number < 1:
            raise DesignError(message("vent.number", "a whole number from 1", self.number))
        if not 0 <= self.inner_end <= 1.5:
            raise DesignError(message("vent.inner_end", "0 to 1.5 radii", self.inner_end, fix="0.61"))

    @property
    def radius(self) -> float:
        """m, of the circle of equal area."""
        return math.sqrt(self.area / math.pi)

    def plug_mass(self, air: Air) -> float:
        """kg, air in one tube and its inner end."""
        return air.density * self.area * (self.length + self.inner_end * self.radius)

    def pipe_resonance_hz(self, air: Air) -> float:
        """Hz, first half-wave resonance of the tube; well below it the plug moves as one."""
        return air.speed_of_sound / (2 * (self.length + (self.inner_end + UNFLANGED_END) * self.radius))


@dataclass(frozen=True)
class ClosedBox:
    """A closed volume of air, small against the wavelength.

    Parameters
        volume : m3 > 0, net
        q_leakage : > 0, R_leak w C at the reference frequency (resistance across the compliance); inf: tight
        q_absorption : > 0, 1 / (R_abs w C) there (resistance in series with the compliance); inf: lossless
        fill : 0 ... 1, share of the air kept isothermal by damping material; the compliance grows by 1 + fill (1.4 - 1)
        longest : m, largest inner dimension, or None when unknown
        reference_hz : Hz where the Q hold; None: the box's resonance with its drivers (closed) or its tuning (vented)
    The losses are constant resistances, as in Small's circuit. Leaking air is not radiated.
    Sources: R. H. Small, JAES 20 (1972) 798 (closed), JAES 21 (1973) 363 (vented).
    """

    volume: float
    q_leakage: float = math.inf
    q_absorption: float = math.inf
    fill: float = 0.0
    longest: float | None = None
    reference_hz: float | None = None

    def __post_init__(self) -> None:
        if not (math.isfinite(self.volume) and self.volume > 0):
            raise DesignError(message("box.volume", "finite and positive", self.volume))
        for name in ("q_leakage", "q_absorption"):
            if not getattr(self, name) > 0:
                raise DesignError(message(f"box.{name}", "positive (inf: no loss)", getattr(self, name)))
        if not 0 <= self.fill <= 1:
            raise DesignError(message("box.fill", "0 to 1", self.fill, cause="Isothermal air cannot do more"))
        for name in ("longest", "reference_hz"):
            value = getattr(self, name)
            if value is not None and not (math.isfinite(value) and value > 0):
                raise DesignError(message(f"box.{name}", "positive, or left out", value))

    def compliance(self, air: Air) -> float:
        """m5/N, acoustic: V / (rho c2), times 1 + fill (gamma - 1)."""
        adiabatic = self.volume / (air.density * air.speed_of_sound**2)
        return adiabatic * (1 + self.fill * (HEAT_RATIO - 1))

    def lumped_limit_hz(self, air: Air) -> float:
        """Hz, first standing wave, c / (2 longest): above it the box is not one compliance. inf when `longest` is unknown.

        Below it the stiffness of a box driven at one end is off by about (kL)^2/3, where the moving mass already rules; at
        it the pressure on the diaphragm is without bound.
        """
        return math.inf if self.longest is None else air.speed_of_sound / (2 * self.longest)

    def impedance(self, frequency_hz: NDArray[np.float64], air: Air, reference_hz: float) -> NDArray[np.complex128]:
        """(F,) acoustic impedance, Pa s/m3, of the compliance with its losses, the vent left out."""
        w, compliance = 2 * np.pi * frequency_hz, self.compliance(air)
        reference = 2 * np.pi * (self.reference_hz or reference_hz)
        series = 1 / (reference * compliance * self.q_absorption)
        leak = 1 / (self.q_leakage / (reference * compliance))
        return np.asarray(1 / (1 / (series + 1 / (1j * w * compliance)) + leak))


@dataclass(frozen=True)
class VentedBox(ClosedBox):
    """A volume with a vent, or several equal ones.

    Parameters
        volume ... reference_hz : as ClosedBox
        vent : the tubes
        q_vent : > 0, w M / R of the air in the vent at the reference frequency (friction); inf: none
    """

    vent: Vent = field(kw_only=True)
    q_vent: float = math.inf

    def __post_init__(self) -> None:
        super().__post_init__()
        if not self.q_vent > 0:
            raise DesignError(message("box.q_vent", "positive (inf: no loss)", self.q_vent))

    def tuning_hz(self, air: Air, outer_end: float = FLANGED_END) -> float:
        """Hz, Helmholtz resonance with an outer end correction in radii; the solved network has its own, true one.

        Example:
            >>> box = VentedBox(4.2e-3, vent=Vent(math.pi * 0.017**2, 0.12))
            >>> round(box.tuning_hz(Air()), 1)
            66.7
        """
        mass = (self.vent.plug_mass(air) + outer_end * air.density * self.vent.area * self.vent.radius) / (
            self.vent.number * self.vent.area**2
        )
        return 1 / (2 * math.pi * math.sqrt(mass * self.compliance(air)))

    def vent_resistance(self, air: Air) -> float:
        """Pa s/m3, friction of all tubes together: 1 / (w C Q) at the reference."""
        reference = 2 * math.pi * (self.reference_hz or self.tuning_hz(air))
        return 1 / (reference * self.compliance(air) * self.q_vent)
