"""Suspension: stiffness over displacement, creep, and a simple model of surround and spider."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base import DesignError, message
from evenfield.transducer.position_curve import PositionCurve

Real = NDArray[np.float64]


@dataclass(frozen=True)
class Creep:
    """Compliance that grows towards low frequencies.

    C(f) = C(f0) (1 - strength log10(j f / f0)): so much of it a decade, and a loss that hardly depends on frequency.
    Parameters
        strength : 0 to 0.5 a decade; 0.1 to 0.2 is usual of rubber (from memory)
        reference_hz : Hz where the compliance is the one stated; None: the driver's resonance
        low_hz : Hz below which it grows no further
        elements : spring-and-dashpot elements that stand for it in time, one per equal step of log frequency
    Source: M. H. Knudsen & J. G. Jensen, "Low-Frequency Loudspeaker Models that Include Suspension Creep", JAES 41 (1993)
    3 (their logarithmic model).
    """

    strength: float
    reference_hz: float | None = None
    low_hz: float = 0.1
    elements: int = 4

    def __post_init__(self) -> None:
        if not 0 <= self.strength <= 0.5:
            raise DesignError(message("suspension.creep", "0 to 0.5 a decade", self.strength, fix="0.12"))
        if not 1 <= self.elements <= 12:
            raise DesignError(message("suspension creep's elements", "1 to 12", self.elements))

    def compliance(self, frequency_hz: ArrayLike, stated: float, reference_hz: float) -> NDArray[np.complex128]:
        """(F,) complex m/N by the published formula; `stated` is the real part at the reference."""
        f = np.atleast_1d(np.asarray(frequency_hz, float))
        f0 = self.reference_hz or reference_hz
        return np.asarray(stated * (1 - self.strength * (np.log10(f / f0) + 0.5j * np.pi / math.log(10))))

    def chain(self, stated: float, reference_hz: float) -> tuple[Real, Real, float]:
        """(compliances m/N, time constants s, share left to the spring at once) of the elements in series with it.

        The step a decade is `strength`; the elements reach from `low_hz` to three octaves above the reference, and the
        spring is stiffened so that the whole has the stated compliance at the reference.
        """
        f0 = self.reference_hz or reference_hz
        high = 8 * f0
        step = math.log10(high / self.low_hz) / self.elements
        corner = self.low_hz * 10 ** (step * (np.arange(self.elements) + 0.5))
        each = np.full(self.elements, self.strength * step * stated)
        tau = 1 / (2 * np.pi * corner)
        moved = float(np.sum((each / (1 + 1j * f0 / corner)).real))
        share = 1 - moved / stated
        if share < 0.2:
            raise DesignError(message("suspension.creep", "small enough to leave a spring", f"{self.strength:g} a decade"))
        return each, tau, share


@dataclass(frozen=True, eq=False)
class Suspension:
    """What holds the diaphragm.

    Parameters
        stiffness : N/m over displacement: force over displacement, not its slope; positive everywhere
        creep : Creep or None
    Raises DesignError when the stiffness is not positive somewhere: such a diaphragm would not come back.
    """

    stiffness: PositionCurve
    creep: Creep | None = None

    def __post_init__(self) -> None:
        k = self.stiffness
        fine = np.linspace(*k.reach, 201)
        value = k(fine)
        if np.any(value <= 0):
            n = int(np.argmin(value))
            raise DesignError(
                message(
                    "suspension.stiffness Kms(x)",
                    "positive everywhere",
                    f"{value[n]:.4g} N/m at {1e3 * fine[n]:.3g} mm",
                    cause="The diaphragm would not come back, or a polynomial was stretched beyond its measurement",
                    fix="points within the measured range",
                )
            )
        if not 1.0 <= float(k(0.0)) <= 1e7:
            raise DesignError(
                message("suspension.stiffness Kms(0)", "1 N/m to 10 N/um", f"{float(k(0.0)):.4g} N/m", cause="Is the unit right?")
            )

    @classmethod
    def linear(cls, compliance: float, reach: float, creep: Creep | None = None) -> Suspension:
        """A constant compliance (m/N) over +-reach (m)."""
        return cls(PositionCurve.constant(1 / compliance, reach, "Kms"), creep)

    @classmethod
    def from_points(cls, displacement: ArrayLike, stiffness: ArrayLike, creep: Creep | None = None) -> Suspension:
        """Measured stiffness (N/m) at displacements (m)."""
        return cls(PositionCurve(np.asarray(displacement, float), np.asarray(stiffness, float), "Kms"), creep)

    @classmethod
    def from_force(cls, displacement: ArrayLike, force: ArrayLike, creep: Creep | None = None) -> Suspension:
        """Measured force (N) at displacements (m), as from weights; the force at rest is taken out."""
        x, f = np.asarray(displacement, float), np.asarray(force, float)
        curve = PositionCurve(x, f, "suspension force")
        rest, slope = float(curve(0.0)), float(curve.slope(0.0))
        near = np.abs(x) < 1e-6
        k = np.where(near, slope, (f - rest) / np.where(near, 1.0, x))
        return cls(PositionCurve(x, k, "Kms"), creep)

    @property
    def compliance(self) -> float:
        """m/N at rest."""
        return 1 / float(self.stiffness(0.0))

    def force(self, displacement: ArrayLike) -> Real:
        """N, against the displacement (m)."""
        x = np.asarray(displacement, float)
        return np.asarray(self.stiffness(x) * x)

    def force_curve(self, share: float = 1.0) -> PositionCurve:
        """Force over displacement as a curve; `share` < 1 stiffens it, for the spring left beside creep elements."""
        low, high = self.stiffness.reach
        x = np.linspace(low, high, 161)
        x = np.sort(np.append(x[np.abs(x) > 1e-9], 0.0))
        return PositionCurve(x, self.force(x) / share, "suspension force")

    def with_rest_compliance(self, compliance: float) -> Suspension:
        """The same shape with another compliance at rest (m/N)."""
        return replace(self, stiffness=self.stiffness.times(self.compliance / compliance))


@dataclass(frozen=True)
class SurroundAndSpider:
    """Stiffness of a half-roll surround and a corrugated spider from a few numbers.

    Each is soft until its material is nearly straight, then rises steeply:
    K = K0 (1 + (x / reach)^2 / (1 - (x / limit)^2)), where `limit` is the travel at which the unrolled length is used up.
    A simple model for first drafts (common practice, no source); replace it by measured points as soon as there are any.
    Parameters
        surround_stiffness, spider_stiffness : N/m at rest
        surround_width : m, radial width of the half roll; its arc of pi/2 widths is straight at about 1.21 widths of travel
        spider_limit : m, travel at which the spider is straight
        surround_offset : m, how far the surround's own middle lies from the coil's rest position: asymmetry
    """

    surround_stiffness: float
    spider_stiffness: float
    surround_width: float
    spider_limit: float
    surround_offset: float = 0.0

    def suspension(self, reach: float, creep: Creep | None = None) -> Suspension:
        """Over +-reach (m). Raises DesignError when the reach is not short of either limit."""
        surround_limit = self.surround_width * math.sqrt((math.pi / 2) ** 2 - 1)
        parts = (
            ("surround", surround_limit, self.surround_stiffness, self.surround_offset),
            ("spider", self.spider_limit, self.spider_stiffness, 0.0),
        )
        x = np.linspace(-reach, reach, 41)
        force = np.zeros(len(x))
        for name, limit, stiffness, offset in parts:
            if not (limit > 0 and stiffness >= 0):
                value = f"{1e3 * limit:.3g} mm, {stiffness:.4g} N/m"
                raise DesignError(message(name, "of positive size and stiffness", value))
            if reach + abs(offset) >= 0.97 * limit:
                rule = f"short of the {name}'s limit ({1e3 * limit:.3g} mm)"
                raise DesignError(message("reach of the suspension", rule, f"{1e3 * reach:.3g} mm"))
            force += _roll(x - offset, limit, stiffness) - _roll(np.array([-offset]), limit, stiffness)
        return Suspension.from_force(x, force, creep)


def _roll(x: Real, limit: float, stiffness: float) -> Real:
    ratio = (x / limit) ** 2
    return np.asarray(stiffness * x * (1 + ratio / (1 - ratio)))


@dataclass(frozen=True)
class SuspensionLoss:
    """Mechanical resistance over velocity: Rms (1 + growth v^2).

    Parameters
        rms : N s/m at small velocity
        growth : s2/m2; 0: constant
    """

    rms: float
    growth: float = field(default=0.0)

    def __post_init__(self) -> None:
        if not (math.isfinite(self.rms) and self.rms >= 0 and math.isfinite(self.growth) and self.growth >= 0):
            raise DesignError(message("suspension loss", "not negative", f"{self.rms} N s/m, growth {self.growth}"))
