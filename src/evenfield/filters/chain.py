"""FilterChain: sections one after the other, analogue or at a sample rate."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base import DesignError, message
from evenfield.filters.rows import Rows, digital_response
from evenfield.filters.sections import Section


@dataclass(frozen=True)
class FilterChain:
    """Sections in series; an empty chain passes everything.

    Parameters
        sections : any number of Section
        name : where it stands in the design ("ways.woofer.filters"), for messages and the key of errors
    Example:
        >>> from evenfield.filters.sections import Gain, Polarity
        >>> FilterChain((Gain(20.0), Polarity())).response([100.0])
        array([-10.+0.j])
    """

    sections: tuple[Section, ...] = ()
    name: str = "filters"

    def __post_init__(self) -> None:
        object.__setattr__(self, "sections", tuple(self.sections))
        for i, section in enumerate(self.sections):
            if not isinstance(section, Section):
                raise DesignError(message(f"{self.name}[{i}]", "a filter section", type(section).__name__), self.name)

    @classmethod
    def of(cls, sections: Iterable[Section], name: str = "filters") -> FilterChain:
        """A chain from any iterable."""
        return cls(tuple(sections), name)

    @cached_property
    def rows(self) -> Rows:
        """Every analogue factor of every section, in order."""
        return Rows.join([r for s in self.sections if len((r := s.rows()).b)])

    @cached_property
    def factor(self) -> float:
        """Product of gains and polarities."""
        return float(np.prod([s.factor for s in self.sections])) if self.sections else 1.0

    @cached_property
    def delay_s(self) -> float:
        """Sum of the pure delays, s."""
        return float(sum(s.delay_s for s in self.sections))

    def response(self, frequency_hz: ArrayLike, sample_rate: float | None = None) -> NDArray[np.complex128]:
        """Complex response, e^{+jwt}.

        Parameters
            frequency_hz : (F,) float, 0 or more
            sample_rate : Hz, or None for the exact analogue response
        Returns (F,) complex.   Cost: O(K F), about 0.2 ms for 40 sections at 200 frequencies.
        Raises DesignError when a frequency, of the axis or of a section, is not below half the sample rate.
        """
        f = np.atleast_1d(np.asarray(frequency_hz, float))
        if f.ndim != 1 or not np.all(np.isfinite(f)) or np.any(f < 0):
            raise DesignError(message("frequency", "a list of finite numbers from 0 up", f"shape {f.shape}"))
        if sample_rate is None:
            product = self.rows.response(f)
        else:
            biquads = self.rows_at(sample_rate)
            if len(f) and f.max() >= sample_rate / 2:
                raise DesignError(
                    message(
                        "frequency",
                        f"below half the sample rate ({sample_rate / 2:g} Hz)",
                        f"{f.max():g} Hz",
                        fix="a higher sample rate",
                    ),
                    self.name,
                )
            product = digital_response(biquads, f, sample_rate)
        return np.asarray(product * self.factor * np.exp(-2j * np.pi * self.delay_s * f))

    def rows_at(self, sample_rate: float) -> NDArray[np.float64]:
        """(K, 6) digital factors without the broadband gain; see `sections_as_biquads`."""
        if not (np.isfinite(sample_rate) and sample_rate > 0):
            raise DesignError(message("sample_rate", "positive", f"{sample_rate} Hz", fix="96 kHz"), self.name)
        if self.rows.frequency.max(initial=0.0) >= sample_rate / 2:
            self._refuse_above_nyquist(sample_rate)
        biquads = self.rows.biquads(sample_rate)
        check_stable(biquads, self.name, sample_rate)
        return biquads

    def sections_as_biquads(self, sample_rate: float) -> NDArray[np.float64]:
        """(K, 6) rows b0 b1 b2 a0 a1 a2 with a0 = 1, ready for a second-order-section filter; gain in the first row.

        The pure delay is not in them: see `delay_s`. A chain of gains alone gives one row.
        Raises DesignError when a section's frequency is not below half the sample rate, or a pole is not inside the
        unit circle.
        """
        biquads = self.rows_at(sample_rate)
        if not len(biquads):
            biquads = np.array([[1.0, 0, 0, 1.0, 0, 0]])
        biquads = biquads.copy()
        biquads[0, :3] *= self.factor
        return biquads

    def _refuse_above_nyquist(self, sample_rate: float) -> None:
        for i, section in enumerate(self.sections):
            highest = float(section.rows().frequency.max(initial=0.0))
            if highest >= sample_rate / 2:
                rule = f"below half the sample rate ({sample_rate / 2:g} Hz)"
                name = f"{self.name}[{i}].frequency ({section.kind})"
                fix = "a higher sample rate or leaving the section out"
                raise DesignError(message(name, rule, f"{highest:g} Hz", fix=fix), self.name)

    def then(self, *more: Section) -> FilterChain:
        """A new chain with `more` behind this one."""
        return FilterChain(self.sections + more, self.name)


def check_stable(biquads: NDArray[np.float64], name: str, sample_rate: float) -> None:
    """Raise DesignError unless all poles are inside the unit circle: the triangle |a2| < 1, |a1| < 1 + a2."""
    a1, a2 = biquads[:, 4], biquads[:, 5]
    bad = np.flatnonzero(~((np.abs(a2) < 1) & (np.abs(a1) < 1 + a2)))
    if len(bad):
        cause = "Its frequency is too low for the sample rate, in double precision"
        raise DesignError(message(f"{name}, biquad {bad[0]}", "stable", biquads[bad[0], 3:].tolist(), cause=cause), name)
