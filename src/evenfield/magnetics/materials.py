"""What a motor is made of. Every number says where it comes from; the prices are invented: set your own."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from evenfield.base import DesignError, message
from evenfield.magnetics.bh_curve import MU0, BHCurve


@dataclass(frozen=True)
class Steel:
    """Soft magnetic steel or iron, isotropic and without hysteresis.

    Parameters: resistivity ohm m at 20 degC (0 switches eddy currents off); density kg/m3; price EUR/kg, machined.
    """

    name: str
    curve: BHCurve
    resistivity: float
    density: float = 7870.0
    price: float = 3.0
    source: str = ""


@dataclass(frozen=True)
class Magnet:
    """A magnet on its straight recoil line B = Br + mu_rec mu0 H, down to the knee.

    Parameters
        remanence : T at 20 degC
        recoil : relative recoil permeability
        coercivity : intrinsic coercivity HcJ, A/m at 20 degC
        remanence_slope, coercivity_slope : 1/K, relative to 20 degC
        knee : the recoil line is taken to hold down to this share of HcJ (a squareness; common practice, no source)
        resistivity : ohm m, 0 for an insulator; density kg/m3; price EUR/kg
        hottest : degC, the maker's usual limit
    """

    name: str
    remanence: float
    recoil: float
    coercivity: float
    remanence_slope: float
    coercivity_slope: float
    knee: float
    resistivity: float
    density: float
    price: float
    hottest: float
    source: str = ""

    def __post_init__(self) -> None:
        if not 0.05 <= self.remanence <= 1.6:
            slip = " The number looks like mT" if self.remanence > 50 else ""
            raise DesignError(
                message("magnet's remanence", "0.05 to 1.6 T", f"{self.remanence:g} T", where=self.name,
                        cause="No permanent magnet has that." + slip, fix=f"{self.remanence / 1e3:g} T" if slip else "0.39 T")
            )  # fmt: skip
        if not 1e4 <= self.coercivity <= 4e6:
            raise DesignError(
                message("magnet's coercivity", "10 to 4000 kA/m", f"{self.coercivity / 1e3:g} kA/m", where=self.name,
                        cause="It may be in another unit", fix="240 kA/m for ferrite, 955 kA/m for neodymium")
            )  # fmt: skip

    def remanence_at(self, temperature_c: float) -> float:
        """Br, T."""
        return self.remanence * (1 + self.remanence_slope * (temperature_c - 20))

    def knee_at(self, temperature_c: float) -> float:
        """The opposing H beyond which magnetisation is lost for good, A/m."""
        return self.knee * self.coercivity * (1 + self.coercivity_slope * (temperature_c - 20))


@dataclass(frozen=True)
class Conductor:
    """A non-magnetic metal. Resistivity ohm m at 20 degC, its slope 1/K, density kg/m3, price EUR/kg."""

    name: str
    resistivity: float
    slope: float
    density: float
    price: float
    source: str = ""

    def resistivity_at(self, temperature_c: float) -> float:
        """ohm m."""
        return self.resistivity * (1 + self.slope * (temperature_c - 20))


@dataclass(frozen=True)
class Filler:
    """Anything that the field does not notice: plastic, glue, air."""

    name: str
    density: float = 1200.0
    price: float = 5.0
    source: str = ""


Material = Steel | Magnet | Conductor | Filler

_LOW_CARBON = (
    (0.2503, 238.7), (0.925, 795.8), (1.25, 1591.6), (1.39, 2387.3), (1.525, 3978.9), (1.71, 7957.8), (1.87, 15916.0),
    (1.955, 23873.0), (2.02, 39789.0), (2.11, 79578.0), (2.225, 159155.0), (2.43, 318310.0),
)  # fmt: skip
_ARMCO_MU = (
    (0.4, 4000), (0.6, 4840), (0.8, 5340), (0.9, 5420), (1.04, 5250), (1.16, 4800), (1.26, 4060), (1.36, 3100), (1.44, 2300),
)  # fmt: skip
_TEAM13 = (
    (0.0025, 16), (0.005, 30), (0.0125, 54), (0.025, 93), (0.05, 143), (0.1, 191), (0.2, 210), (0.3, 222), (0.4, 233),
    (0.5, 247), (0.6, 258), (0.7, 272), (0.8, 289), (0.9, 313), (1.0, 342), (1.1, 377), (1.2, 433), (1.3, 509), (1.4, 648),
    (1.5, 933), (1.55, 1228), (1.6, 1934), (1.65, 2913), (1.7, 4993), (1.75, 7189), (1.8, 9423),
)  # fmt: skip


def _curve(points: tuple[tuple[float, float], ...], source: str) -> BHCurve:
    return BHCurve(tuple(float(b) for b, _ in points), tuple(float(h) for _, h in points), source)


def _armco() -> BHCurve:
    """The published points up to 1.44 T; above, Froehlich's law to the published saturation of 2.12 T."""
    b = [float(p[0]) for p in _ARMCO_MU]
    h = [p[0] / (MU0 * p[1]) for p in _ARMCO_MU]
    # J = Js H / (a + H), with a such that the law meets the last point
    a = h[-1] * (2.12 / (b[-1] - MU0 * h[-1]) - 1)
    for field in np.geomspace(1000, 2e5, 14):
        if field > 1.3 * h[-1]:
            b.append(float(2.12 * field / (a + field) + MU0 * field))
            h.append(float(field))
    source = "Armco iron: public table of a field-solver publisher to 1.44 T (read in secondary text), Froehlich's law above"
    return BHCurve(tuple(b), tuple(h), source)


def _team13() -> BHCurve:
    """TEAM Workshop problem 13: the table to 1.8 T, its formulas above."""
    points: list[tuple[float, float]] = list(_TEAM13)
    for h in (1.2e4, 1.6e4, 2e4, 2.6e4, 3.2e4, 3.8e4):
        points.append((MU0 * h - 2.822e-10 * h**2 + 2.529e-5 * h + 1.591, h))
    for h in (6e4, 1e5, 2e5):
        points.append((MU0 * h + 2.16, h))
    return _curve(tuple(points), "TEAM Workshop problem 13 (Nakata et al.), from memory")


def _steels() -> list[Steel]:
    read = "public saturation-curve table (AISI 1018), read in source; resistivity 0.16 uohm m and density from memory"
    return [
        Steel("steel-1018", _curve(_LOW_CARBON, "AISI 1018, public table, read in source"), 1.6e-7, source=read),
        Steel("iron-armco", _armco(), 1.0e-7, price=7.0, source="resistivity 0.10 uohm m from memory"),
        Steel("steel-team13", _team13(), 1.4e-7, source="curve and resistivity from memory"),
    ]


def _magnets() -> list[Magnet]:
    ferrite = "IEC 60404-8-1 classes, from memory"
    trade = "trade grades and ASTM A1101-16 scope, from memory; slopes from memory"
    return [
        Magnet("ferrite", 0.39, 1.07, 240e3, -0.0020, 0.0030, 0.9, 0.0, 4900.0, 4.0, 250.0, ferrite),
        Magnet("ferrite-high", 0.42, 1.07, 255e3, -0.0020, 0.0030, 0.9, 0.0, 4950.0, 5.0, 250.0, ferrite),
        Magnet("neodymium-35", 1.19, 1.05, 955e3, -0.0012, -0.0060, 0.9, 1.4e-6, 7500.0, 60.0, 80.0, trade),
        Magnet("neodymium-42", 1.30, 1.05, 955e3, -0.0012, -0.0060, 0.9, 1.4e-6, 7500.0, 70.0, 80.0, trade),
        Magnet("neodymium-42-hot", 1.30, 1.05, 1592e3, -0.0011, -0.0055, 0.9, 1.4e-6, 7550.0, 90.0, 150.0, trade),
        Magnet("neodymium-48", 1.40, 1.05, 955e3, -0.0012, -0.0060, 0.9, 1.4e-6, 7500.0, 85.0, 80.0, trade),
    ]


def _others() -> list[Material]:
    return [
        Conductor("copper", 1.7241e-8, 0.00393, 8890.0, 14.0, "IEC 60028 (annealed copper)"),
        Conductor("aluminium", 2.826e-8, 0.00403, 2703.0, 8.0, "IEC 60889, resistivity and density from memory"),
        Filler("plastic", source="common practice, no source"),
    ]


LIBRARY: dict[str, Material] = {m.name: m for m in (*_steels(), *_magnets(), *_others())}
"""Materials by name."""


def material(name: str) -> Material:
    """A material of the library. Raises DesignError with the nearest name."""
    if name not in LIBRARY:
        import difflib

        near = difflib.get_close_matches(name, LIBRARY, 1)
        raise DesignError(message("material", "one of " + ", ".join(LIBRARY), name, fix=near[0] if near else next(iter(LIBRARY))))
    return LIBRARY[name]


def with_holes(steel: Steel, count: int, hole_diameter: float, at_radius: float) -> Steel:
    """The equivalent of a plate's band drilled with `count` holes of `hole_diameter` on a circle of `at_radius` (m).

    The band is as wide as a hole; its steel share is 1 - count d / (8 r), and conductivity falls with the same share
    (circulating currents pass between the holes; an estimate, no source).
    Raises DesignError when the holes meet.
    """
    if not (count >= 1 and hole_diameter > 0 and count * hole_diameter < 2 * math.pi * at_radius):
        raise DesignError(
            message("vent holes", "apart from one another", f"{count} of {1e3 * hole_diameter:g} mm on radius "
                    f"{1e3 * at_radius:g} mm", fix="fewer or smaller holes")
        )  # fmt: skip
    share = 1 - count * hole_diameter / (8 * at_radius)
    return replace(
        steel,
        name=f"{steel.name}, {count} holes",
        curve=steel.curve.diluted(share),
        resistivity=steel.resistivity / share,
        density=steel.density * share,
    )
