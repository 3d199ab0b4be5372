"""Gradients: what every parameter of every section does to a chain's logarithmic response, in closed form.

A digital section is the analogue one at x = j tan(pi f/fs) / tan(pi f0/fs) (bilinear, prewarped), so that one set of formulas
serves both. Parameters of a section: ln(frequency), gain in dB, ln(q); what a kind lacks has gradient zero.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenfield.base import DesignError, message
from evenfield.filters.prototypes import prototype_rows
from evenfield.filters.sections import HighPass, LowPass, Section

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
Triple = tuple[float, float, float]

GAIN_KINDS = ("peaking", "low-shelf", "high-shelf")
"""Kinds with a gain and a quality; the fit may add them."""
QUALITY_KINDS = (*GAIN_KINDS, "all-pass", "notch")


@dataclass(frozen=True)
class Shape:
    """The fixed side of a section, whose numbers a fit turns: kind, and family and order of a high- or low-pass."""

    kind: str
    family: str = "linkwitz-riley"
    order: int = 4

    @classmethod
    def of(cls, section: Section) -> Shape:
        """Shape of an existing section. Raises DesignError for kinds without a gradient."""
        if isinstance(section, (LowPass, HighPass)):
            return cls(section.kind, section.family, section.order)
        if section.kind not in QUALITY_KINDS or (section.kind == "all-pass" and getattr(section, "order", 2) != 2):
            raise DesignError(message("a fitted section", "a pass, shelf, peak, notch or second-order all-pass", section.kind))
        return cls(section.kind)

    @property
    def rows(self) -> int:
        """First- and second-order factors."""
        return len(prototype_rows(self.family, self.order)) if self.kind in ("low-pass", "high-pass") else 1


@dataclass(frozen=True)
class Terms:
    """Numerator and denominator in x with their derivatives: each (R, 3), ascending powers, one row a factor."""

    b: FloatArray
    a: FloatArray
    b_gain: FloatArray
    a_gain: FloatArray
    b_q: FloatArray
    a_q: FloatArray
    section: NDArray[np.intp]


def terms_of(shapes: Sequence[Shape], gain_db: FloatArray, q: FloatArray) -> Terms:
    """Factors of all sections at these numbers."""
    rows: list[tuple[Triple, Triple, Triple, Triple, Triple, Triple]] = []
    owner: list[int] = []
    for i, shape in enumerate(shapes):
        made = _pass_rows(shape) if shape.kind in ("low-pass", "high-pass") else [_resonant(shape.kind, gain_db[i], q[i])]
        rows += made
        owner += [i] * len(made)
    table = np.array(rows, float).reshape(len(rows), 6, 3)
    b, a, b_gain, a_gain, b_q, a_q = np.moveaxis(table, 1, 0)
    return Terms(b, a, b_gain, a_gain, b_q, a_q, np.array(owner, np.intp))


def log_gradient(
    shapes: Sequence[Shape],
    frequency: FloatArray,
    gain_db: FloatArray,
    q: FloatArray,
    axis_hz: FloatArray,
    sample_rate: float | None,
) -> tuple[ComplexArray, ComplexArray]:
    """Response of sections in series and the gradient of its logarithm.

    Parameters
        shapes : K shapes; frequency, gain_db, q : (K,) their numbers, Hz, dB, -
        axis_hz : (F,) Hz; sample_rate : Hz, or None for the analogue response
    Returns
        response : (F,) complex, e^{+jwt}
        gradient : (K, 3, F) complex, d ln H / d (ln frequency, gain dB, ln q)
    Cost: O(K F), about 0.3 ms for 10 sections at 200 frequencies.
    """
    if not shapes:
        return np.ones(len(axis_hz), complex), np.zeros((0, 3, len(axis_hz)), complex)
    t = terms_of(shapes, gain_db, q)
    x, stretch = _variable(frequency, axis_hz, sample_rate)
    x = x[t.section]
    square = x * x
    powers = np.stack([np.ones_like(x), x, square], axis=1)
    slope = np.stack([np.zeros_like(x), x, 2 * square], axis=1)

    def value(c: FloatArray, basis: ComplexArray) -> ComplexArray:
        return np.asarray(np.einsum("rk,rkf->rf", c, basis))

    top, bottom = value(t.b, powers), value(t.a, powers)
    gradient = np.zeros((len(shapes), 3, len(axis_hz)), complex)
    by_frequency = -stretch[t.section][:, None] * (value(t.b, slope) / top - value(t.a, slope) / bottom)
    np.add.at(gradient[:, 0], t.section, by_frequency)
    np.add.at(gradient[:, 1], t.section, value(t.b_gain, powers) / top - value(t.a_gain, powers) / bottom)
    np.add.at(gradient[:, 2], t.section, value(t.b_q, powers) / top - value(t.a_q, powers) / bottom)
    return np.asarray(np.prod(top / bottom, axis=0)), gradient


def _variable(frequency: FloatArray, axis_hz: FloatArray, sample_rate: float | None) -> tuple[ComplexArray, FloatArray]:
    """(K, F) x = s / w0, warped at a sample rate, and (K,) d ln|x| / d ln(1/f0)."""
    if sample_rate is None:
        return np.asarray(1j * axis_hz[None] / frequency[:, None]), np.ones(len(frequency))
    angle = np.pi * frequency / sample_rate
    x = 1j * np.tan(np.pi * axis_hz / sample_rate)[None] / np.tan(angle)[:, None]
    return np.asarray(x), np.asarray(2 * angle / np.sin(2 * angle))


def _pass_rows(shape: Shape) -> list[tuple[Triple, Triple, Triple, Triple, Triple, Triple]]:
    zero = (0.0, 0.0, 0.0)
    made = []
    for a0, a1, a2 in prototype_rows(shape.family, shape.order):
        a: Triple = (a0, a1, a2)
        b: Triple = (1.0, 0.0, 0.0)
        if shape.kind == "high-pass":
            a, b = ((a2, a1, a0), (0.0, 0.0, 1.0)) if a2 else ((a1, a0, 0.0), (0.0, 1.0, 0.0))
        made.append((b, a, zero, zero, zero, zero))
    return made


def _resonant(kind: str, gain_db: float, q: float) -> tuple[Triple, Triple, Triple, Triple, Triple, Triple]:
    """b, a, db/dgain, da/dgain, db/dlnq, da/dlnq of one second-order section (prototypes as in `sections`)."""
    root = 10 ** (gain_db / 40)
    rate = root * math.log(10) / 40
    if kind == "peaking":
        up, down = root / q, 1 / (root * q)
        change = math.log(10) / 40
        return (1, up, 1), (1, down, 1), (0, up * change, 0), (0, -down * change, 0), (0, -up, 0), (0, -down, 0)
    if kind == "all-pass":
        return (1, -1 / q, 1), (1, 1 / q, 1), (0, 0, 0), (0, 0, 0), (0, 1 / q, 0), (0, -1 / q, 0)
    if kind == "notch":
        return (1, 0, 1), (1, 1 / q, 1), (0, 0, 0), (0, 0, 0), (0, 0, 0), (0, -1 / q, 0)
    slope = math.sqrt(root) / q
    grow = slope / (2 * root)
    if kind == "low-shelf":
        b, a = (root * root, root * slope, root), (1.0, slope, root)
        b_gain, a_gain = (2 * root * rate, (slope + root * grow) * rate, rate), (0.0, grow * rate, rate)
    else:
        b, a = (root, root * slope, root * root), (root, slope, 1.0)
        b_gain, a_gain = (rate, (slope + root * grow) * rate, 2 * root * rate), (rate, grow * rate, 0.0)
    return b, a, b_gain, a_gain, (0.0, -root * slope, 0.0), (0.0, -slope, 0.0)
