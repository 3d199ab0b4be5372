"""Wire: conductors, bare and enamelled diameters, resistance and mass of a length."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from evenfield.base import DesignError, message


@dataclass(frozen=True)
class Conductor:
    """A metal that carries current.

    Parameters
        resistivity : ohm m at 20 degC
        temperature_coefficient : 1/K at 20 degC
        density : kg/m3
        heat_capacity : J/(kg K)
    """

    name: str
    resistivity: float
    temperature_coefficient: float
    density: float
    heat_capacity: float

    def resistance_ratio(self, temperature_c: float) -> float:
        """Resistance at a temperature over that at 20 degC.

        Example:
            >>> round(COPPER.resistance_ratio(120.0), 3)
            1.393
        """
        return 1 + self.temperature_coefficient * (temperature_c - 20)

    def temperature(self, resistance_ratio: float) -> float:
        """degC at which the resistance is so many times that at 20 degC."""
        return 20 + (resistance_ratio - 1) / self.temperature_coefficient


COPPER = Conductor("copper", 1.7241e-8, 0.00393, 8890.0, 385.0)
"""IEC 60028 (resistivity, coefficient, density read in secondary text; heat capacity from a handbook, from memory)."""

ALUMINIUM = Conductor("aluminium", 2.826e-8, 0.00403, 2703.0, 897.0)
"""IEC 60889 (from memory); coefficient from a handbook, read in secondary text."""

COPPER_CLAD = Conductor("copper-clad aluminium", 2.68e-8, 0.0040, 3320.0, 770.0)
"""10 % copper by volume: a mean of both metals by area, mass and heat (10 % of the section; closed form)."""

CONDUCTORS = {c.name: c for c in (COPPER, ALUMINIUM, COPPER_CLAD)}

ENAMELLED = {
    0.100: 0.117, 0.112: 0.130, 0.125: 0.144, 0.140: 0.160, 0.160: 0.182, 0.180: 0.204, 0.200: 0.226, 0.224: 0.252, 0.250: 0.281,
    0.280: 0.312, 0.315: 0.349, 0.355: 0.392, 0.400: 0.439, 0.450: 0.491, 0.500: 0.544,
}  # fmt: skip
"""mm: bare diameter of the preferred row -> largest overall diameter, grade 1 (IEC 60317-0-1; from memory)."""

ENAMEL_DENSITY = 1350.0
"""kg/m3 of enamel and bonding coat (common practice, no source)."""


def gauge_diameter(gauge: float) -> float:
    """m, bare diameter of an American wire gauge: 0.127 mm 92^((36 - n) / 39) (ASTM B258, closed form).

    Example:
        >>> round(1e3 * gauge_diameter(30), 4)
        0.2546
    """
    return float(0.127e-3 * 92 ** ((36 - gauge) / 39))


@dataclass(frozen=True)
class Wire:
    """Enamelled wire, round or flat.

    Parameters
        width : m, bare: diameter, or the side along the coil's axis of flat wire
        height : m, bare radial side of flat wire; None: round
        coating : m, one side; None: half the growth of the preferred row's grade 1 at this diameter
        conductor : Conductor
    """

    width: float
    height: float | None = None
    coating: float | None = None
    conductor: Conductor = COPPER

    def __post_init__(self) -> None:
        for name, value in (("wire's width", self.width), ("wire's height", self.height)):
            if value is not None and not 1e-5 <= value <= 5e-3:
                raise DesignError(message(name, "0.01 to 5 mm", f"{1e3 * value:.4g} mm", cause="Is the unit right?"))
        if self.coating is not None and not 0 <= self.coating <= 0.2e-3:
            raise DesignError(message("wire's coating", "0 to 0.2 mm a side", f"{1e3 * self.coating:.4g} mm"))

    @property
    def area(self) -> float:
        """m2, bare section."""
        return math.pi / 4 * self.width**2 if self.height is None else self.width * self.height

    @property
    def side(self) -> float:
        """m of coating, one side."""
        if self.coating is not None:
            return self.coating
        bare = np.array(list(ENAMELLED))
        grown = np.array(list(ENAMELLED.values())) - bare
        thick = self.width if self.height is None else min(self.width, self.height)
        return float(np.interp(1e3 * thick, bare, grown)) * 1e-3 / 2

    @property
    def pitch(self) -> float:
        """m along the axis from turn to turn."""
        return self.width + 2 * self.side

    @property
    def layer(self) -> float:
        """m, radial build of one layer."""
        return (self.width if self.height is None else self.height) + 2 * self.side

    @property
    def resistance_per_length(self) -> float:
        """ohm/m at 20 degC."""
        return self.conductor.resistivity / self.area

    @property
    def mass_per_length(self) -> float:
        """kg/m with its coating."""
        outer = math.pi / 4 * self.pitch**2 if self.height is None else self.pitch * self.layer
        return self.conductor.density * self.area + ENAMEL_DENSITY * (outer - self.area)
