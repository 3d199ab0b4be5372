"""Steady states: what a periodic drive settles to, found by Newton's method on the map of one period.

Much quicker than waiting: a vented box rings for dozens of periods, creep for seconds.
"""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base import DesignError, message
from evenfield.transducer import large_signal_kernel as kernel
from evenfield.transducer.large_signal import STABLE, LargeSignalSystem, Run

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

KEPT = 128
"""Instants kept of a period; harmonics are read up to half of it."""

MOST_PERIODS = 120
TOLERANCE = 1e-8
"""Largest change of any state over a period, of its size."""


def steady_state(system: LargeSignalSystem, voltage: Real, period: float, start: Real | None = None, every: int = 1) -> Run:
    """The periodic state under a periodic voltage.

    Parameters
        voltage : (2 N,) V, one period at every half step
        period : s
        start : state to start from; None: the linear answer to the largest line of the drive, or rest
        every : one instant in so many is kept
    """
    steps = len(voltage) // 2
    y = np.zeros(system.size) if start is None else np.array(start, float)
    record = np.empty((-(-steps // every), kernel.RECORD))
    status, _ = kernel.settle(y, np.ascontiguousarray(voltage), period / steps, steps, every, system.active,
                              _scales(system, voltage, period), TOLERANCE, MOST_PERIODS, *system.parts, record)  # fmt: skip
    return Run(steps / every / period, status, system.words(status), record, y)


def _scales(system: LargeSignalSystem, voltage: Real, period: float) -> Real:
    """(n,) how large each state gets, from the linear model and the drive's lines."""
    spectrum = np.abs(np.fft.rfft(voltage)) / len(voltage) * 2
    lines = np.flatnonzero(spectrum > 1e-3 * np.max(spectrum))
    lines = lines[lines > 0][:64]
    if not len(lines):
        return np.ones(system.size)
    size = np.sqrt(np.sum(np.abs(system.linear_response(lines / period) * spectrum[lines]) ** 2, axis=1))
    return _grouped(system, size)


def _grouped(system: LargeSignalSystem, size: Real) -> Real:
    """A state's size is at least a thousandth of the largest of its kind, so that an idle one cannot hold up the rest."""
    _, _, _, rungs, creep = system.parts
    base = 4 + rungs.shape[1]
    groups = ([0, *range(base, base + creep.shape[1])], [1], list(range(2, base)), [system.size - 2], [system.size - 1])
    result = size.copy()
    for group in groups:
        result[group] = np.maximum(size[group], 1e-3 * np.max(size[group]))
    return np.maximum(result, 1e-12)


@dataclass(frozen=True, eq=False)
class HarmonicSweep:
    """A driver's steady state over frequency and level of one sine.

    Parameters
        frequency : (F,) Hz
        level : (L,) V RMS at the amplifier
        displacement, current, volume_acceleration : (L, F, H + 1) complex, RMS phasors of harmonic 0 (mean, real) to H
        peak_displacement : (L, F) m, largest distance from rest
        peak_vent_speed : (L, F) m/s
        peak_current, rms_current : (L, F) A
        status : (L, F) int, as in `Run`; where it is not 0 the values are NaN
    """

    frequency: Real
    level: Real
    displacement: Complex
    current: Complex
    volume_acceleration: Complex
    peak_displacement: Real
    peak_vent_speed: Real
    peak_current: Real
    rms_current: Real
    status: NDArray[np.int64]

    @property
    def offset(self) -> Real:
        """(L, F) m, mean displacement."""
        return np.asarray(self.displacement[:, :, 0].real)


def harmonic_sweep(
    system: LargeSignalSystem,
    frequency_hz: ArrayLike,
    level: ArrayLike,
    *,
    harmonics: int = 10,
    rate: float = 48e3,
    threads: int = 2,
) -> HarmonicSweep:
    """Steady states for sines of every frequency (F,) Hz at every level (L,) V RMS, ascending.

    Each frequency starts from the linear answer and climbs level by level; where a step is too long for Newton's method,
    levels between are put in. `rate` is the least rate of steps; every period holds at least 128.
    Cost: about a second for 40 x 6 with a vented box on two quiet cores.
    """
    f, v = np.atleast_1d(np.asarray(frequency_hz, float)), np.atleast_1d(np.asarray(level, float))
    if np.any(f <= 0) or np.any(v <= 0) or np.any(np.diff(v) <= 0) or not 1 <= harmonics <= KEPT // 4:
        raise DesignError(message("sweep", f"of positive frequencies, ascending levels, 1 to {KEPT // 4} harmonics", f"{f}, {v}"))
    rate = max(rate, system.fastest / STABLE)
    linear = system.linear_response(f)

    def column(n: int) -> list[Run]:
        return _climb(system, float(f[n]), v, linear[:, n], rate)

    with ThreadPoolExecutor(threads) as pool:
        runs = list(pool.map(column, range(len(f))))
    return _gathered(system, f, v, runs, harmonics)


def _climb(system: LargeSignalSystem, frequency: float, level: Real, linear: Complex, rate: float) -> list[Run]:
    steps = KEPT * max(1, math.ceil(rate / frequency / KEPT))
    wave = np.sin(2 * np.pi * np.arange(2 * steps) / (2 * steps)) * math.sqrt(2)
    unit = _grouped(system, np.abs(linear)) * math.sqrt(2)
    start, reached = math.sqrt(2) * linear.imag, 0.0
    found: list[Run] = []
    for v in level:
        run, state, at = _reach(system, wave, frequency, steps, unit, start, reached, float(v))
        found.append(run)
        if run.status:
            found += [run] * (len(level) - len(found))
            break
        start, reached = state, at
    return found


def _reach(system: LargeSignalSystem, wave: Real, frequency: float, steps: int, unit: Real, start: Real, reached: float,
           level: float, depth: int = 4) -> tuple[Run, Real, float]:  # fmt: skip
    """The steady state at a level from that at a lower one (0: `start` is per volt)."""
    y = start * (level if reached == 0 else level / reached)
    record = np.empty((KEPT, kernel.RECORD))
    status, _ = kernel.settle(y, wave * level, 1 / frequency / steps, steps, steps // KEPT, system.active, unit * level,
                              TOLERANCE, MOST_PERIODS, *system.parts, record)  # fmt: skip
    if not status or depth == 0:
        return Run(KEPT * frequency, status, system.words(status), record, y), y, level
    half = level / 2 if reached == 0 else math.sqrt(level * reached)
    run, state, at = _reach(system, wave, frequency, steps, unit, start, reached, half, depth - 1)
    if run.status:
        return run, y, level
    return _reach(system, wave, frequency, steps, unit, state, at, level, depth - 1)


def _gathered(system: LargeSignalSystem, f: Real, v: Real, runs: list[list[Run]], harmonics: int) -> HarmonicSweep:
    shape = (len(v), len(f))
    columns = np.full((*shape, KEPT, kernel.RECORD), np.nan)
    status = np.array([[runs[n][m].status for n in range(len(f))] for m in range(len(v))])
    for m, n in np.argwhere(status == 0):
        columns[m, n] = runs[n][m].columns
    vent = system.vent_area
    volume = system.driver.sd * columns[..., 4] + vent * columns[..., 3]
    speed = np.max(np.abs(columns[..., 5]), axis=-1)
    return HarmonicSweep(
        f, v, phasors(columns[..., 0], harmonics), phasors(columns[..., 2], harmonics), phasors(volume, harmonics),
        np.max(np.abs(columns[..., 0]), axis=-1), speed, np.max(np.abs(columns[..., 2]), axis=-1),
        np.sqrt(np.mean(columns[..., 2] ** 2, axis=-1)), status,
    )  # fmt: skip


def phasors(period: Real, harmonics: int) -> Complex:
    """(..., H + 1) complex RMS phasors of the mean and of harmonics 1 to H of one period (..., T), re a sine's e^{+jwt}."""
    spectrum = np.fft.rfft(period, axis=-1)[..., : harmonics + 1] / period.shape[-1]
    # a sine is the imaginary part of e^{jwt}: its transform is -j/2
    spectrum[..., 1:] *= 1j * math.sqrt(2)
    return np.asarray(spectrum)
