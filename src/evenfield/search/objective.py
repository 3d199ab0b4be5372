"""One number for how far a shape's sound is from its aim, and its exact derivative by every far field and impedance.

Each part is a mean of squares, 1 where it just meets its own target (see `Weights`); the number is their weighted sum. All
parts read squared pressures P = |F|^2 of the ways, so dJ = Re sum conj(2 F dJ/dP) dF.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from evenfield.metrics.ripple import STEEPEST_DB_PER_OCTAVE, bounded_slope_fit
from evenfield.search.aim import PLANES, Aim
from evenfield.search.beam import SPARE, dips, first_fall, neck, widths
from evenfield.search.listening import FLOORS, Listening

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

_K = 10 / math.log(10)
_RANGE_DB = 20.0  # of the pattern difference, as metrics.handover has it
FREE, NECK, BEYOND = 0.05, 0.06, 0.02
"""Shares of the wanted beamwidth: off by what does not count, narrower than on both sides by what does not, and what beyond
either counts 1."""
_SHARP = 2.0  # dB; beyond, a level at a coverage angle counts with its fourth power


@dataclass(frozen=True)
class Drive:
    """How the parts move, held while a shape changes: what the network of drivers, box and vents asked at the start.

    Parameters
        motion : way -> (P, F) velocity of each part per volt at that way's terminals
        chain : way -> (F,) filters and amplifier
        upper_part : index of the shaped source; area : m2, of it
        impedance_unit : N s/m, density times speed of sound times that area
    """

    motion: Mapping[str, Complex]
    chain: Mapping[str, Complex]
    upper_part: int
    impedance_unit: float


@dataclass(frozen=True)
class Score:
    """What a shape is worth.

    Parameters
        value : the objective
        parts : its weighted parts by name
        measures : step_db, mismatch_db, pattern_db, coverage_db (rms), worst_coverage_db, width_off (of the beam, share
            of the aim, worst), waist (share, worst), ripple_db, axis_db, reflection
        edge_db : (planes, F) mean level of both sides at the coverage angles, dB re axis
        index_db : way -> (F,) full-sphere directivity index
        far_bar, impedance_bar : (P, D, F), (P, P, F) derivatives, or None
    """

    value: float
    parts: Mapping[str, float]
    measures: Mapping[str, float]
    edge_db: Array
    index_db: Mapping[str, Array]
    far_bar: Complex | None = field(default=None, repr=False)
    impedance_bar: Complex | None = field(default=None, repr=False)


@dataclass(frozen=True)
class Objective:
    """The objective of an aim on a frequency axis.

    Parameters
        aim, listening, drive : Aim, Listening, Drive
        frequency : (F,) Hz, ascending; those within half an octave of fx serve the handover, those in the aim's band the
            coverage
    """

    aim: Aim
    listening: Listening
    drive: Drive
    frequency: Array

    def score(self, far: Complex, impedance: Complex, slopes: bool = True) -> Score:
        """The score of far fields (P, D, F), Pa at 1 m per m/s, and radiation impedances (P, P, F)."""
        work = _Work(self, far)
        _handover(work)
        _coverage(work)
        _beam(work)
        _ripple(work)
        _axis(work)
        impedance_bar = _throat(work, impedance)
        parts = {n: v for n, v in work.parts.items() if v is not None}
        far_bar = work.far_bar(far) if slopes else None
        index = {n: work.index(n)[0] for n in work.power}
        return Score(sum(parts.values()), parts, work.measures, work.edge, index, far_bar, impedance_bar if slopes else None)


class _Work:
    """Squared pressures of the ways, and what has been collected of dJ/dP."""

    def __init__(self, objective: Objective, far: Complex) -> None:
        self.o, self.aim, self.frequency = objective, objective.aim, objective.frequency
        names = [n for n in (self.aim.lower, self.aim.upper) if n is not None]
        self.field = {n: np.einsum("pf,pdf->df", objective.drive.motion[n], far) for n in names}
        self.power = {n: np.maximum(np.abs(f) ** 2, 1e-300) for n, f in self.field.items()}
        self.slope = {n: np.zeros_like(p) for n, p in self.power.items()}
        self.parts: dict[str, float] = {}
        self.measures: dict[str, float] = {}
        self.edge: Array = np.zeros((0, 0))

    @property
    def octave(self) -> NDArray[np.bool_]:
        """Frequencies of the handover."""
        if self.aim.lower is None:
            return np.zeros(len(self.frequency), bool)
        return np.asarray(np.abs(np.log2(self.frequency / self.aim.handover)) <= 0.5 + 1e-6)

    @property
    def band(self) -> NDArray[np.bool_]:
        """Frequencies of the coverage."""
        return np.asarray((self.frequency >= self.aim.low / 1.0001) & (self.frequency <= self.aim.high * 1.0001))

    def index(self, name: str, power: Array | None = None) -> tuple[Array, Array]:
        """Directivity index (F,), dB, and the sound power's mean square (F,)."""
        p = self.power[name] if power is None else power
        mean = self.o.listening.weights @ p / (4 * math.pi)
        return 10 * np.log10(p[self.o.listening.axis] / mean), mean

    def push_index(self, name: str, g: Array) -> None:
        """Collect dJ/dDI (F,) of one way."""
        _, mean = self.index(name)
        p = self.power[name]
        axis = self.o.listening.axis
        self.slope[name][axis] += g * _K / p[axis]
        self.slope[name] -= np.outer(self.o.listening.weights / (4 * math.pi), g * _K / mean)

    def push_level(self, name: str, where: NDArray[np.int64], g: Array) -> None:
        """Collect dJ/dL (N, F) of levels at directions (N,)."""
        np.add.at(self.slope[name], where, g * _K / self.power[name][where])

    def add(self, name: str, weight: float, value: float) -> None:
        """Add a weighted part."""
        self.parts[name] = self.parts.get(name, 0.0) + weight * value

    def far_bar(self, far: Complex) -> Complex:
        """(P, D, F) of all that was collected."""
        found = np.zeros(far.shape, complex)
        for name, slope in self.slope.items():
            found += np.conj(self.o.drive.motion[name])[:, None, :] * (2 * self.field[name] * slope)[None]
        return found


def _handover(work: _Work) -> None:
    octave = work.octave
    lower, upper, w = work.aim.lower, work.aim.upper, work.aim.weights
    if lower is None or not np.any(octave):
        return
    difference = work.index(upper)[0] - work.index(lower)[0]
    count = int(octave.sum())
    middle = _at(work.frequency, work.aim.handover)
    step = float(middle @ difference)
    work.add("step", w.step, (step / 0.5) ** 2)
    work.add("mismatch", w.mismatch, float(np.mean(difference[octave] ** 2)))
    g = 2 * w.step * step / 0.25 * middle + 2 * w.mismatch * difference * octave / count
    work.push_index(upper, g)
    work.push_index(lower, -g)
    work.measures |= {"step_db": step, "mismatch_db": float(np.sqrt(np.mean(difference[octave] ** 2)))}
    _pattern(work, octave)


def _at(frequency: Array, wanted: float) -> Array:
    """(F,) weights that read a value at `wanted`, linear in log frequency; the ends hold outside."""
    x, place = np.log(frequency), math.log(wanted)
    if len(x) == 1:
        return np.ones(1)
    right = int(np.clip(np.searchsorted(x, place), 1, len(x) - 1))
    share = float(np.clip((place - x[right - 1]) / (x[right] - x[right - 1]), 0, 1))
    weight = np.zeros(len(x))
    weight[right - 1], weight[right] = 1 - share, share
    return weight


def _pattern(work: _Work, octave: NDArray[np.bool_]) -> None:
    """Difference of the ways' levels, each over its own sound power, in front within 20 dB of the greatest of both."""
    assert work.aim.lower is not None
    names = (work.aim.upper, work.aim.lower)
    front = work.o.listening.front
    heard = np.flatnonzero(front > 0)
    level = [10 * np.log10(work.power[n] / work.index(n)[1])[heard][:, octave] for n in names]
    greatest = np.maximum(*level)
    floor = greatest.max(axis=0) - _RANGE_DB
    share = front[heard][:, None] * (greatest >= floor)
    share = share / share.sum(axis=0)
    difference = np.maximum(level[0], floor) - np.maximum(level[1], floor)
    by_frequency = (share * difference**2).sum(axis=0)
    weight = work.aim.weights.pattern
    work.add("pattern", weight, float(by_frequency.mean()))
    work.measures["pattern_db"] = float(np.sqrt(by_frequency.mean()))
    g = 2 * weight * share * difference / by_frequency.size
    top = greatest.argmax(axis=0)
    column = np.arange(len(top))
    owner = level[1][top, column] > level[0][top, column]
    for n, (name, sign) in enumerate(zip(names, (1.0, -1.0), strict=True)):
        mine = np.where(level[n] > floor, sign * g, 0.0)
        by_floor = sum((s * g * (lev <= floor)).sum(axis=0) for s, lev in zip((1.0, -1.0), level, strict=True))
        mine[top, column] += np.where(owner == bool(n), by_floor, 0.0)
        whole = np.zeros((len(front), len(octave)))
        whole[np.ix_(heard, np.flatnonzero(octave))] = mine
        # level over own sound power: L - 10 lg mean
        work.slope[name] += whole * _K / work.power[name]
        mean = work.index(name)[1]
        work.slope[name] -= np.outer(work.o.listening.weights / (4 * math.pi), whole.sum(axis=0) * _K / mean)


def _coverage(work: _Work) -> None:
    name, band, w = work.aim.upper, work.band, work.aim.weights
    where = work.o.listening
    planes = len(where.edges)
    p = work.power[name]
    axis = 10 * np.log10(p[where.axis])
    off = 10 * np.log10(p[where.edges]) - axis + 6.0  # (planes, 2, F)
    work.edge = off.mean(axis=1) - 6.0
    if not np.any(band):
        return
    count = planes * int(band.sum())
    both = off.mean(axis=1)
    value, slope = _sharp(both)
    alone = off**2 / 8  # each side for itself, an eighth
    work.add("coverage", w.coverage, float((value[:, band].sum() + alone[..., band].sum()) / count))
    g = w.coverage * band / count * (slope[:, None] / 2 + off / 4)
    bend, bend_slope = _waist(np.log2(work.frequency), both, band)
    work.add("waist", w.waist, bend)
    g += w.waist * bend_slope[:, None] / 2
    _push_relative(work, name, where.edges, g)
    edges = 10 * np.log10(p[where.window]) - axis  # (planes, sides, inner and outer, F)
    late = np.stack([np.minimum(edges[:, :, 0] + 5.5, 0.0), np.maximum(edges[:, :, 1] + 6.5, 0.0)], axis=2)
    work.add("window", w.window, float(np.sum(late**2 * band)) / (4 * count))
    _push_relative(work, name, where.window, w.window * late * band / (2 * count))
    within = 10 * np.log10(p[where.inside]) - axis
    low = np.minimum(within - np.array(FLOORS)[:, None], 0.0)
    high = np.maximum(within - 1.5, 0.0)
    scale = band / (count * 2 * where.inside.shape[2])
    work.add("inside", w.inside, float(np.sum((low**2 + high**2) * scale)))
    _push_relative(work, name, where.inside, 2 * w.inside * (low + high) * scale)
    work.measures |= {
        "coverage_db": float(np.sqrt(np.mean(both[:, band] ** 2))),
        "worst_coverage_db": float(np.abs(both[:, band]).max()),
    }


def _beam(work: _Work) -> None:
    """The beam's width beyond a free share of the aim, its necks over frequency, and the dips that would end it."""
    name, band, w = work.aim.upper, np.flatnonzero(work.band), work.aim.weights.beam
    if len(band) == 0:
        return
    where = work.o.listening
    level = 10 * np.log10(work.power[name][where.orbit] / work.power[name][where.axis])  # (planes, sides, angles, F)
    half = np.array([work.aim.coverage[p] for p in PLANES]) / 2
    wanted = np.degrees(2 * half)[:, None]
    counted = first_fall(level[..., band]).sum(axis=1)
    off = counted / wanted - 1
    work.measures |= {"width_off": float(off.flat[np.abs(off).argmax()]), "waist": float(neck(counted, 0.0)[0].max())}
    if w == 0:
        return
    scale = 1 / (len(PLANES) * len(band))
    width, soft = widths(level[..., band], half)
    beyond = _outside(width / wanted - 1, FREE)
    narrow, by_width = neck(width, NECK)
    dip = dips(level[..., band], half)
    value = np.sum((beyond / BEYOND) ** 2) + np.sum((narrow / BEYOND) ** 2) + np.sum((dip / SPARE) ** 2)
    work.add("beam", w, scale * float(value))
    by = 2 * scale / BEYOND**2 * (beyond / wanted + np.einsum("pf,pfg->pg", narrow, by_width))
    g = np.zeros(level.shape)
    g[..., band] = w * (by[:, None, None] * soft + 2 * scale * dip / SPARE**2)
    _push_relative(work, name, where.orbit, g)


def _outside(value: Array, free: float) -> Array:
    return np.asarray(np.sign(value) * np.maximum(np.abs(value) - free, 0.0))


def _push_relative(work: _Work, name: str, where: NDArray[np.int64], g: Array) -> None:
    """Collect dJ/d(level re axis) at an array of directions."""
    flat, slope = where.ravel(), g.reshape(-1, g.shape[-1])
    work.push_level(name, flat, slope)
    work.push_level(name, np.array([work.o.listening.axis]), -slope.sum(axis=0)[None])


def _sharp(off: Array) -> tuple[Array, Array]:
    """off^2 (1 + (off/sharp)^2), and its derivative."""
    square = (off / _SHARP) ** 2
    return off**2 * (1 + square), 2 * off * (1 + 2 * square)


def _waist(x: Array, level: Array, band: NDArray[np.bool_]) -> tuple[float, Array]:
    """Mean square of the second difference over octaves (dB per octave change of slope), within the band."""
    index = np.flatnonzero(band)
    slope = np.zeros_like(level)
    if len(index) < 3:
        return 0.0, slope
    a, b, c = index[:-2], index[1:-1], index[2:]
    before, after = 1 / (x[b] - x[a]), 1 / (x[c] - x[b])
    bend = (level[:, c] - level[:, b]) * after - (level[:, b] - level[:, a]) * before
    scale = 1 / (bend.size * 16.0)  # 4 dB/octave of change counts 1
    g = 2 * scale * bend
    for where, factor in ((a, before), (b, -after - before), (c, after)):
        slope[:, where] += g * factor
    return float(scale * np.sum(bend**2)), slope


def _ripple(work: _Work) -> None:
    w = work.aim.weights.ripple
    chain = work.o.drive.chain
    share = {n: np.abs(chain[n]) ** 2 for n in work.power}
    total = np.sum([share[n] * p for n, p in work.power.items()], axis=0)
    index, mean = work.index("", total)
    if len(index) < 3:
        return
    fit = bounded_slope_fit(np.log2(work.frequency), index, 0.0, STEEPEST_DB_PER_OCTAVE)
    off = index - fit
    n = len(off)
    work.add("ripple", w, float(np.mean(off**2)) / 0.25)
    work.measures["ripple_db"] = float(np.sqrt(np.mean(off**2)))
    g = 2 * w * off / (0.25 * n)  # the fit is the best one, so its own change adds nothing
    axis, weights = work.o.listening.axis, work.o.listening.weights
    for name in work.power:
        work.slope[name][axis] += share[name] * g * _K / total[axis]
        work.slope[name] -= np.outer(weights / (4 * math.pi), share[name] * g * _K / mean)


def _axis(work: _Work) -> None:
    """On-axis level of the shaped way from the handover up, against its own cubic over log frequency."""
    name, w = work.aim.upper, work.aim.weights.axis
    use = np.flatnonzero(work.frequency >= work.aim.handover / 1.0001)
    if len(use) < 6:
        return
    x = np.log2(work.frequency[use])
    q, _ = np.linalg.qr(np.vander((x - x.mean()) / np.ptp(x), 4))
    level = 10 * np.log10(work.power[name][work.o.listening.axis, use])
    off = level - q @ (q.T @ level)
    work.add("axis", w, float(np.mean(off**2)))
    work.measures["axis_db"] = float(np.sqrt(np.mean(off**2)))
    g = np.zeros((1, len(work.frequency)))
    g[0, use] = 2 * w * off / len(off)
    work.push_level(name, np.array([work.o.listening.axis]), g)


def _throat(work: _Work, impedance: Complex) -> Complex:
    """Share of the power that the load sends back into the source, from the handover up: |(Z - Z0)/(Z + Z0)|^2."""
    part, unit, w = work.o.drive.upper_part, work.o.drive.impedance_unit, work.aim.weights.throat
    use = work.frequency >= work.aim.handover / 1.0001
    load = impedance[part, part] / unit
    reflection = (load - 1) / (load + 1)
    count = max(int(use.sum()), 1)
    mean = float(np.sum(np.abs(reflection[use]) ** 2)) / count
    work.add("throat", w, mean)
    work.measures["reflection"] = mean
    bar = np.zeros(impedance.shape, complex)
    bar[part, part] = np.where(use, 2 * reflection * np.conj(2 / (load + 1) ** 2 / unit) * w / count, 0.0)
    return bar


__all__ = ["Drive", "Objective", "Score"]
