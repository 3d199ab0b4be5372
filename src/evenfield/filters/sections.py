"""Sections: gain, polarity, delay, high- and low-pass, shelves, peaks, notches and all-passes.

Each is frozen and gives its analogue rows; the digital form follows from them by one bilinear transform.
Shelving, peaking, notch and all-pass prototypes: R. Bristow-Johnson, "Audio EQ Cookbook" (W3C Note, 2021).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from evenfield.base import DesignError, message
from evenfield.filters.prototypes import Family, check_order, prototype_rows
from evenfield.filters.rows import Rows

_NONE = Rows.build([], [], 1.0)


@dataclass(frozen=True)
class Section:
    """What every section offers; by itself it does nothing."""

    kind: ClassVar[str] = "none"

    @property
    def factor(self) -> float:
        """Frequency-independent real factor, sign included."""
        return 1.0

    @property
    def delay_s(self) -> float:
        """Pure delay, s."""
        return 0.0

    def rows(self) -> Rows:
        """Analogue first- and second-order factors."""
        return _NONE

    def direct(self, frequency_hz: NDArray[np.float64], sample_rate: float | None) -> NDArray[np.complex128] | None:
        """(F,) response of what is no biquad, gain or delay (an FIR filter); None where there is none."""
        return None


@dataclass(frozen=True)
class Gain(Section):
    """Broadband gain, dB. Raises DesignError when it is not finite or beyond +-120 dB."""

    gain_db: float
    kind: ClassVar[str] = "gain"

    def __post_init__(self) -> None:
        _check_gain(self.kind, self.gain_db, 120.0)

    @property
    def factor(self) -> float:
        """10^(gain/20)."""
        return float(10 ** (self.gain_db / 20))


@dataclass(frozen=True)
class Polarity(Section):
    """Polarity: inverted multiplies by -1."""

    inverted: bool = True
    kind: ClassVar[str] = "polarity"

    @property
    def factor(self) -> float:
        """-1 or 1."""
        return -1.0 if self.inverted else 1.0


@dataclass(frozen=True)
class Delay(Section):
    """Pure delay, s, at least 0. At a sample rate too it is taken as exact (an ideal fractional delay)."""

    delay: float
    kind: ClassVar[str] = "delay"

    def __post_init__(self) -> None:
        if not (math.isfinite(self.delay) and 0 <= self.delay <= 1):
            cause = "A negative delay would need to know the future" if self.delay < 0 else ""
            raise DesignError(message("delay", "0 to 1 s", f"{self.delay} s", cause=cause, fix="delaying the other way instead"))

    @property
    def delay_s(self) -> float:
        """The delay, s."""
        return self.delay


@dataclass(frozen=True)
class LowPass(Section):
    """Low-pass of any order.

    Parameters
        frequency : float > 0, Hz; -3.01 dB there (butterworth, bessel) or -6.02 dB (linkwitz-riley)
        order : int >= 1; even for linkwitz-riley, which is two butterworth filters of half the order
        family : "butterworth", "linkwitz-riley" or "bessel" (maximally flat delay, magnitude-normalised)
    Raises DesignError when a value breaks these rules.
    Example:
        >>> import numpy as np
        >>> half = LowPass(1000.0, 4, "linkwitz-riley").rows().response(np.array([1000.0]))
        >>> round(20 * math.log10(abs(half[0])), 4)
        -6.0206
    """

    frequency: float
    order: int = 4
    family: Family = "linkwitz-riley"
    kind: ClassVar[str] = "low-pass"

    def __post_init__(self) -> None:
        _check_frequency(self.kind, self.frequency)
        check_order(self.kind, self.family, self.order)

    def rows(self) -> Rows:
        """One factor per pole pair and one for a single real pole."""
        a = list(prototype_rows(self.family, self.order))
        return Rows.build([(1.0, 0.0, 0.0)] * len(a), a, self.frequency)


@dataclass(frozen=True)
class HighPass(Section):
    """High-pass of any order: the low-pass with s replaced by 1/s (so a bessel high-pass has no flat delay).

    Parameters, raises: as LowPass.
    Linkwitz-Riley of order 2, 6, 10 ... sums to an all-pass only with one branch inverted.
    """

    frequency: float
    order: int = 4
    family: Family = "linkwitz-riley"
    kind: ClassVar[str] = "high-pass"

    def __post_init__(self) -> None:
        _check_frequency(self.kind, self.frequency)
        check_order(self.kind, self.family, self.order)

    def rows(self) -> Rows:
        """One factor per pole pair and one for a single real pole."""
        low = prototype_rows(self.family, self.order)
        a = [(a2, a1, a0) if a2 else (a1, a0, 0.0) for a0, a1, a2 in low]
        b = [(0.0, 0.0, 1.0) if a2 else (0.0, 1.0, 0.0) for _, _, a2 in low]
        return Rows.build(b, a, self.frequency)


@dataclass(frozen=True)
class Peaking(Section):
    """Peaking equaliser: (x2 + x A/Q + 1) / (x2 + x/(A Q) + 1), A = 10^(gain/40).

    Parameters
        frequency : float > 0, Hz
        gain_db : float, -40 to 40
        q : float > 0; bandwidth between the half-gain (dB) points is frequency / q, to first order
    Raises DesignError when a value breaks these rules.
    """

    frequency: float
    gain_db: float
    q: float
    kind: ClassVar[str] = "peaking"

    def __post_init__(self) -> None:
        _check_frequency(self.kind, self.frequency)
        _check_gain(self.kind, self.gain_db, 40.0)
        _check_q(self.kind, self.q)

    def rows(self) -> Rows:
        """One factor."""
        root = 10 ** (self.gain_db / 40)
        return Rows.build([(1.0, root / self.q, 1.0)], [(1.0, 1 / (root * self.q), 1.0)], self.frequency)


@dataclass(frozen=True)
class _Shelf(Section):
    frequency: float
    gain_db: float
    q: float = math.sqrt(0.5)

    def __post_init__(self) -> None:
        _check_frequency(self.kind, self.frequency)
        _check_gain(self.kind, self.gain_db, 40.0)
        _check_q(self.kind, self.q)


@dataclass(frozen=True)
class LowShelf(_Shelf):
    """Second-order low shelf: `gain_db` far below `frequency`, half of it (dB) there, 0 dB far above.

    Parameters
        frequency : float > 0, Hz
        gain_db : float, -40 to 40
        q : float > 0; 1/sqrt(2) is the steepest without overshoot
    Raises DesignError when a value breaks these rules.
    """

    kind: ClassVar[str] = "low-shelf"

    def rows(self) -> Rows:
        """One factor: A (x2 + sqrt(A)/Q x + A) / (A x2 + sqrt(A)/Q x + 1)."""
        root = 10 ** (self.gain_db / 40)
        slope = math.sqrt(root) / self.q
        return Rows.build([(root * root, root * slope, root)], [(1.0, slope, root)], self.frequency)


@dataclass(frozen=True)
class HighShelf(_Shelf):
    """Second-order high shelf: 0 dB far below `frequency`, half of `gain_db` there, `gain_db` far above.

    Parameters, raises: as LowShelf.
    """

    kind: ClassVar[str] = "high-shelf"

    def rows(self) -> Rows:
        """One factor: A (A x2 + sqrt(A)/Q x + 1) / (x2 + sqrt(A)/Q x + A)."""
        root = 10 ** (self.gain_db / 40)
        slope = math.sqrt(root) / self.q
        return Rows.build([(root, root * slope, root * root)], [(root, slope, 1.0)], self.frequency)


@dataclass(frozen=True)
class Notch(Section):
    """Notch: (x2 + 1) / (x2 + x/Q + 1). Raises DesignError unless frequency and q are positive."""

    frequency: float
    q: float
    kind: ClassVar[str] = "notch"

    def __post_init__(self) -> None:
        _check_frequency(self.kind, self.frequency)
        _check_q(self.kind, self.q)

    def rows(self) -> Rows:
        """One factor."""
        return Rows.build([(1.0, 0.0, 1.0)], [(1.0, 1 / self.q, 1.0)], self.frequency)


@dataclass(frozen=True)
class AllPass(Section):
    """All-pass of first ((1 - x)/(1 + x)) or second order ((x2 - x/Q + 1)/(x2 + x/Q + 1)).

    Parameters
        frequency : float > 0, Hz; -90 deg there (order 1) or -180 deg (order 2)
        q : float > 0; used by order 2 only
        order : 1 or 2
    Raises DesignError when a value breaks these rules.
    """

    frequency: float
    q: float = math.sqrt(0.5)
    order: int = 2
    kind: ClassVar[str] = "all-pass"

    def __post_init__(self) -> None:
        _check_frequency(self.kind, self.frequency)
        _check_q(self.kind, self.q)
        if self.order not in (1, 2):
            raise DesignError(message("all-pass.order", "1 or 2", self.order, fix="several sections"))

    def rows(self) -> Rows:
        """One factor."""
        if self.order == 1:
            return Rows.build([(1.0, -1.0, 0.0)], [(1.0, 1.0, 0.0)], self.frequency)
        return Rows.build([(1.0, -1 / self.q, 1.0)], [(1.0, 1 / self.q, 1.0)], self.frequency)


@dataclass(frozen=True)
class IntegratorShelf(Section):
    """Integrator-limited low shelf of first order: (s + w) / (s + w_limit).

    Rises by 6 dB/octave below `frequency`, as an integrator does, and stops rising at `limit`: frequency / limit far below it,
    1 far above.

    Parameters
        frequency, limit : float > 0, Hz; limit below frequency (above it, the shelf cuts)
    Raises DesignError when a value breaks these rules.
    Example:
        >>> shelf = IntegratorShelf(200.0, 50.0).rows().response(np.array([1e-3]))
        >>> round(float(abs(shelf[0])), 6)
        4.0
    """

    frequency: float
    limit: float
    kind: ClassVar[str] = "integrator-shelf"

    def __post_init__(self) -> None:
        _check_frequency(self.kind, self.frequency)
        _check_frequency(f"{self.kind}.limit", self.limit)

    def rows(self) -> Rows:
        """One first-order factor."""
        return Rows.build([(1.0, 1.0, 0.0)], [(self.limit / self.frequency, 1.0, 0.0)], self.frequency)


SECTIONS: dict[str, type[Section]] = {
    c.kind: c for c in (Gain, Polarity, Delay, LowPass, HighPass, Peaking, LowShelf, HighShelf, IntegratorShelf, Notch, AllPass)
}
"""Every section by the name a design file calls it."""


def make_section(kind: str, key: str | None = None, **values: object) -> Section:
    """A section by its name in a design file, e.g. make_section("peaking", frequency=2000.0, gain_db=-2.0, q=3.0).

    Raises DesignError (carrying `key`) for an unknown name, an unknown or missing value, or a value out of range.
    """
    from dataclasses import MISSING, fields

    if kind not in SECTIONS:
        raise DesignError(message("filter section", f"one of {', '.join(SECTIONS)}", repr(kind)), key)
    members = {f.name: f.default is MISSING for f in fields(SECTIONS[kind])}
    for name in values:
        if name not in members:
            raise DesignError(message(f"{kind}", f"given {', '.join(members)} only", f"{name!r}"), key)
    missing = [name for name, needed in members.items() if needed and name not in values]
    if missing:
        raise DesignError(message(kind, f"given {', '.join(missing)}", "nothing"), key)
    try:
        return SECTIONS[kind](**values)
    except DesignError as error:
        raise DesignError(str(error), key) from None


def _check_frequency(name: str, value: float) -> None:
    if not (math.isfinite(value) and 0.1 <= value <= 1e6):
        raise DesignError(message(f"{name}.frequency", "0.1 Hz to 1 MHz", f"{value} Hz"))


def _check_gain(name: str, value: float, limit: float) -> None:
    if not (math.isfinite(value) and abs(value) <= limit):
        raise DesignError(message(f"{name}.gain_db", f"-{limit:g} to {limit:g} dB", f"{value} dB"))


def _check_q(name: str, value: float) -> None:
    if not (math.isfinite(value) and 0.05 <= value <= 100):
        raise DesignError(message(f"{name}.q", "0.05 to 100", value))
