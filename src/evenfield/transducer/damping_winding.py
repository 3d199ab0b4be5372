"""The worth of a shorted damping winding: the same driver with it and with it cut open."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base import DesignError, message
from evenfield.transducer.distortion import SoundDistortion, SoundPath
from evenfield.transducer.large_signal import LargeSignalSystem
from evenfield.transducer.signals import Burst
from evenfield.transducer.steady_state import harmonic_sweep

Real = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class WindingWorth:
    """With the winding, and without; every pair in that order.

    Parameters
        time : (T,) s; displacement : two of (T,) m in the burst (NaN after the coil left its range)
        overshoot : m, largest displacement in the burst
        tail : m, RMS displacement after the burst's end
        damping : N s/m, of small signals: Rms + Bl^2 / Re + Bl_s^2 / Rs
        frequency, level : of the distortion: Hz, V RMS
        distortion : two of (F,) total harmonic distortion
        winding_current : A, peak in the burst
        reasons : in words, where a burst was not whole
    """

    time: Real
    displacement: tuple[Real, Real]
    overshoot: tuple[float, float]
    tail: tuple[float, float]
    damping: tuple[float, float]
    frequency: Real
    level: float
    distortion: tuple[Real, Real]
    winding_current: float
    reasons: tuple[str, str]


def winding_worth(
    system: LargeSignalSystem, path: SoundPath, *, burst_hz: float, burst_peak: float, frequency_hz: ArrayLike, level: float
) -> WindingWorth:
    """Compare. Raises DesignError when there is no winding."""
    if system.driver.motor.winding is None:
        raise DesignError(message("damping winding", "there to be compared", "a motor without one"))
    pair = (system, replace(system, driver=system.driver.without_winding()))
    burst = Burst(burst_hz, burst_peak, pause=3 / burst_hz)
    runs = [s.run(burst, accuracy=1e-4) for s in pair]
    count = round(len(burst.voltage(96e3)) / 2)
    moved = []
    for run in runs:
        x = np.full(count, math.nan)
        x[: min(count, len(run.displacement))] = run.displacement[:count]
        moved.append(x)
    end = round(burst.cycles / burst_hz * runs[0].rate)
    frequency = np.atleast_1d(np.asarray(frequency_hz, float))
    distortion = [SoundDistortion.of(harmonic_sweep(s, frequency, [level]), path).total[0] for s in pair]
    d, w = system.driver, system.driver.motor.winding
    own = d.rms + float(d.motor.force_factor(0.0)) ** 2 / system.resistance
    more = float(w.force_factor(0.0)) ** 2 / w.resistance
    return WindingWorth(
        np.arange(count) / runs[0].rate,
        (moved[0], moved[1]),
        (_peak(moved[0]), _peak(moved[1])),
        (_rms(moved[0][end:]), _rms(moved[1][end:])),
        (own + more, own),
        frequency,
        level,
        (distortion[0], distortion[1]),
        float(np.max(np.abs(runs[0].winding_current), initial=0.0)),
        (runs[0].reason, runs[1].reason),
    )


def burst_to(system: LargeSignalSystem, burst_hz: float, share: float = 0.9, most: float = 1000.0) -> float:
    """V peak of the shaped burst that brings the driver without its winding to `share` of its range; at most `most`."""
    plain = replace(system, driver=system.driver.without_winding())
    low, high = plain.driver.reach
    wanted, below, above = share * min(-low, high), 0.0, most
    for _ in range(14):
        peak = (below + above) / 2
        run = plain.run(Burst(burst_hz, peak, pause=1 / burst_hz), accuracy=1e-4)
        if run.status or float(np.max(np.abs(run.displacement))) > wanted:
            above = peak
        else:
            below = peak
    return below


def _peak(x: Real) -> float:
    return float(np.nanmax(np.abs(x))) if np.any(np.isfinite(x)) else math.nan


def _rms(x: Real) -> float:
    return float(np.sqrt(np.mean(x**2)))
