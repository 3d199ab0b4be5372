"""Voice-coil impedance beside the DC resistance: inductance and eddy-current losses."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Protocol, Self, runtime_checkable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base import DesignError, message


@runtime_checkable
class Coil(Protocol):
    """Anything with the blocked impedance of a coil, less its DC resistance."""

    def impedance(self, frequency_hz: ArrayLike) -> NDArray[np.complex128]:
        """(F,) complex, ohm, e^{+jwt}; its real part is never negative."""

    def scaled(self, factor: float) -> Self:
        """The same model with its impedance times `factor` > 0."""


@dataclass(frozen=True)
class PlainInductance:
    """Z = j w Le. Lossless: above some 1 kHz a coil around steel rises more slowly, so |Z| comes out too high.

    Parameters
        le : float >= 0, H
    """

    le: float

    def __post_init__(self) -> None:
        _check("Le", self.le)

    def impedance(self, frequency_hz: ArrayLike) -> NDArray[np.complex128]:
        """(F,) complex, ohm."""
        return np.asarray(1j * _omega(frequency_hz) * self.le, complex)

    def scaled(self, factor: float) -> Self:
        """The same model with its impedance times `factor`."""
        return replace(self, le=self.le * factor)


@dataclass(frozen=True)
class SemiInductance:
    """Z = K (j w)^n: the power law of a coil on a conducting pole.

    Parameters
        k : float >= 0, ohm s^n
        n : float in 0..1; 1 is a pure inductance, 1/2 ideal eddy currents (Vanderkooy 1989), 0 a resistance
    Sources: W. M. Leach, "Loudspeaker Voice-Coil Inductance Losses: Circuit Models, Parameter Estimation, and Effect on
    Frequency Response", JAES 50 (2002) 442; J. Vanderkooy, JAES 37 (1989) 119 (n = 1/2).
    """

    k: float
    n: float

    def __post_init__(self) -> None:
        _check("semi-inductance K", self.k)
        if not (math.isfinite(self.n) and 0 <= self.n <= 1):
            cause = "Its resistance would be negative" if self.n > 1 else ""
            raise DesignError(message("semi-inductance exponent n", "0 to 1", self.n, cause=cause, fix="0.65"))

    @classmethod
    def from_inductance(cls, le: float, n: float, at_hz: float = 1000.0) -> SemiInductance:
        """The power law whose |Z| at `at_hz` is that of the inductance `le` (H), as data sheets quote it at 1 kHz.

        n of 0.6 to 0.7 is usual without a shorting ring (Leach 2002, his example; from memory).
        Example:
            >>> round(abs(complex(SemiInductance.from_inductance(0.5e-3, 0.7).impedance(1000.0)[0])), 6)
            3.141593
        """
        return cls(le * (2 * math.pi * at_hz) ** (1 - n), n)

    def impedance(self, frequency_hz: ArrayLike) -> NDArray[np.complex128]:
        """(F,) complex, ohm."""
        # the exponential form: (j w)^n by numpy would leave a rounding residue in the real part at n = 1
        phase = complex(max(math.cos(math.pi * self.n / 2), 0.0) if self.n < 1 else 0.0, math.sin(math.pi * self.n / 2))
        return np.asarray(self.k * _omega(frequency_hz) ** self.n * phase)

    def scaled(self, factor: float) -> Self:
        """The same model with its impedance times `factor`."""
        return replace(self, k=self.k * factor)


@dataclass(frozen=True)
class WrightCoil:
    """Z = Kr w^Xr + j Kx w^Xx: resistance and reactance each by its own power law, from a fit to measurement.

    Not causal: use it within the band it was fitted in.
    Parameters
        kr, kx : float >= 0, ohm s^Xr and ohm s^Xx
        xr, xx : float, 0..2 and 0..1
    Source: J. R. Wright, "An Empirical Model for Loudspeaker Motor Impedance", JAES 38 (1990) 749.
    """

    kr: float
    xr: float
    kx: float
    xx: float

    def __post_init__(self) -> None:
        _check("Kr", self.kr)
        _check("Kx", self.kx)
        for name, value, high in (("Xr", self.xr, 2.0), ("Xx", self.xx, 1.0)):
            if not (math.isfinite(value) and 0 <= value <= high):
                raise DesignError(message(name, f"0 to {high:g}", value))

    def impedance(self, frequency_hz: ArrayLike) -> NDArray[np.complex128]:
        """(F,) complex, ohm."""
        w = _omega(frequency_hz)
        return np.asarray(self.kr * w**self.xr + 1j * self.kx * w**self.xx)

    def scaled(self, factor: float) -> Self:
        """The same model with its impedance times `factor`."""
        return replace(self, kr=self.kr * factor, kx=self.kx * factor)


@dataclass(frozen=True)
class LR2:
    """Z = j w Le + (R2 parallel to j w L2): one lossy loop beside the coil.

    Parameters
        le, l2 : float >= 0, H
        r2 : float >= 0, ohm
    Source: common practice of driver measurement; the circuit is the first rung of the ladder in J. Vanderkooy,
    JAES 37 (1989) 119 (from memory).
    """

    le: float
    l2: float
    r2: float

    def __post_init__(self) -> None:
        for name, value in (("Le", self.le), ("L2", self.l2), ("R2", self.r2)):
            _check(name, value)

    def impedance(self, frequency_hz: ArrayLike) -> NDArray[np.complex128]:
        """(F,) complex, ohm."""
        w = _omega(frequency_hz)
        loop = 1j * w * self.l2
        shared = np.where(loop + self.r2 == 0, 1.0, loop + self.r2)
        return np.asarray(1j * w * self.le + loop * self.r2 / shared)

    def scaled(self, factor: float) -> Self:
        """The same model with its impedance times `factor`."""
        return replace(self, le=self.le * factor, l2=self.l2 * factor, r2=self.r2 * factor)


def _omega(frequency_hz: ArrayLike) -> NDArray[np.float64]:
    return 2 * np.pi * np.atleast_1d(np.asarray(frequency_hz, float))


def _check(name: str, value: float) -> None:
    if not (math.isfinite(value) and value >= 0):
        raise DesignError(message(name, "finite and not negative", value))
