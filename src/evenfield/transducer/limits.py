"""Limits of one driver: displacement by its curves, level by distortion, bursts, rising noise."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from evenfield.transducer import large_signal_kernel as kernel
from evenfield.transducer.distortion import SoundDistortion, SoundPath
from evenfield.transducer.large_signal import LargeSignalDriver, LargeSignalSystem
from evenfield.transducer.position_curve import PositionCurve
from evenfield.transducer.signals import Burst, Signal

Real = NDArray[np.float64]

DISPLACEMENT_CRITERIA = {10: (0.82, 0.75, 0.10), 20: (0.70, 0.50, 0.17)}
"""Distortion in % -> least Bl and Cms over their values at rest, largest change of |Z| above resonance.

IEC 62458:2010; 10 %: from memory, medium confidence; 20 %: from memory, low confidence. Unverified."""

BURST_MASK_DB = {2: -10.0, 3: -15.0, 4: -20.0, 5: -20.0, 6: -30.0, 7: -30.0, 8: -30.0, 9: -40.0, 10: -40.0}
"""Largest harmonics of a low-frequency burst, dB re the fundamental (CEA-2010-A, read in secondary text; a second one prints
-10, -20, -25, -35, -45: unverified, get the standard)."""

NOISE_STOP = (3.0, 0.5)
"""Change of magnitude in dB and loss of coherence that end the rising noise (AES75's own numbers are not verified)."""


@dataclass(frozen=True)
class DisplacementLimits:
    """How far the coil may go, m one way; inf where the known range ends before the limit is met.

    Parameters
        force_factor, compliance, inductance : by each criterion
        mechanical : the shorter end of the known range
        binding : which is least
    """

    criterion: int
    force_factor: float
    compliance: float
    inductance: float
    mechanical: float

    @property
    def least(self) -> float:
        """m."""
        return min(self.force_factor, self.compliance, self.inductance, self.mechanical)

    @property
    def binding(self) -> str:
        """The criterion that binds, in words."""
        named = {"force factor": self.force_factor, "suspension": self.compliance, "inductance": self.inductance,
                 "end of travel": self.mechanical}  # fmt: skip
        return min(named, key=lambda n: named[n])


def displacement_limits(driver: LargeSignalDriver, criterion: int = 10) -> DisplacementLimits:
    """Limits by IEC 62458's criteria (from memory, unverified) for 10 or 20 % distortion.

    The inductance criterion: |Z| with the coil blocked, at 8.5 times resonance, differs so much from that at rest.
    """
    bl, cms, z = DISPLACEMENT_CRITERIA[criterion]
    low, high = driver.reach
    reach = min(-low, high)
    x = np.linspace(0.0, reach, 400)
    motor, k = driver.motor, driver.suspension.stiffness
    f = 8.5 * driver.resonance_hz

    def both(value: Callable[[Real], Real]) -> tuple[Real, Real]:
        return value(x), value(-x)

    def impedance(at: Real) -> Real:
        w = 2j * np.pi * f
        tau = motor.time_constant
        r2 = np.stack([c(at) ** 2 for c in motor.coupling], axis=1) if len(tau) else np.zeros((len(at), 0))
        return np.asarray(np.abs(driver.re + w * motor.le(at) + r2 @ (w * tau / (1 + w * tau))))

    bl_ratio = np.min(np.abs(both(motor.force_factor)), axis=0) / abs(float(motor.force_factor(0.0)))
    cms_ratio = float(k(0.0)) / np.max(both(k), axis=0)
    z_change = np.max(np.abs(np.array(both(impedance)) / impedance(np.zeros(1))[0] - 1), axis=0)
    return DisplacementLimits(criterion, _first(x, bl - bl_ratio), _first(x, cms - cms_ratio), _first(x, z_change - z), reach)


def _first(x: Real, excess: Real) -> float:
    """x where `excess` first becomes positive."""
    over = np.flatnonzero(excess > 0)
    if not len(over):
        return math.inf
    n = int(over[0])
    if n == 0:
        return 0.0
    return float(x[n - 1] + (x[n] - x[n - 1]) * -excess[n - 1] / (excess[n] - excess[n - 1]))


def symmetry_point(curve: PositionCurve, amplitude: float) -> float:
    """m, the position about which the curve is equal at +-amplitude; NaN when there is none in range.

    Source: the symmetry point of Bl(x), W. Klippel, JAES 54 (2006) 907 (from memory).
    """
    low, high = curve.reach
    x = np.linspace(low + amplitude, high - amplitude, 401) if high - low > 2 * amplitude else np.zeros(0)
    if not len(x):
        return math.nan
    difference = curve(x + amplitude) - curve(x - amplitude)
    turn = np.flatnonzero(np.diff(np.sign(difference)) != 0)
    if not len(turn):
        return math.nan
    n = int(turn[np.argmin(np.abs(x[turn]))])
    step = difference[n + 1] - difference[n]
    return float(x[n] - difference[n] * (x[n + 1] - x[n]) / step) if step else float(x[n])


def voltage_at(value: Real, level: Real, limit: float) -> Real:
    """(F,) V at which `value` (L, F), known at levels (L,) V, first exceeds `limit`; straight in logarithms.

    inf where it never does within the levels; NaN values (no steady state, the coil left its range) count as exceeding.
    Below the lowest level the value is taken to follow its slope between the first two.
    """
    result = np.full(value.shape[1], math.inf)
    for n in range(value.shape[1]):
        y = np.where(np.isfinite(value[:, n]), value[:, n], math.inf)
        over = np.flatnonzero(y > limit)
        if not len(over):
            continue
        m = max(int(over[0]), 1)
        low, high = max(float(y[m - 1]), 1e-12), float(y[m])
        if not math.isfinite(low):
            result[n] = 0.0
        elif not math.isfinite(high):
            result[n] = level[m - 1]
        else:
            slope = math.log(max(high / low, 1 + 1e-9)) / math.log(level[m] / level[m - 1])
            result[n] = level[m - 1] * math.exp(math.log(limit / low) / slope)
    return result


def distortion_voltage(sound: SoundDistortion, limit: float) -> Real:
    """(F,) V RMS at which total harmonic distortion reaches `limit` (0.03: 3 %)."""
    return voltage_at(sound.total, sound.level, limit)


@dataclass(frozen=True)
class BurstLimit:
    """Largest burst of one frequency.

    Parameters
        peak_voltage : V
        peak_spl_db : dB re 20 uPa, peak pressure over sqrt(2)
        stopped_by : "H2" ... "H10", "travel", "amplifier" or a run's reason
    """

    frequency_hz: float
    peak_voltage: float
    peak_spl_db: float
    stopped_by: str


def burst_limit(
    system: LargeSignalSystem, frequency_hz: float, path: SoundPath, *, most: float, start: float = 1.0
) -> BurstLimit:
    """Raise a shaped burst by 3 dB to failure, go back, go on by 1 dB: the largest that passes.

    `most` : V peak of the amplifier. Limits unverified, see `BURST_MASK_DB`; levels are those of `path`, the standard's are
    referred to 1 m on a ground plane.
    """
    step, voltage, best, stopped = 3.0, start, BurstLimit(frequency_hz, 0.0, -math.inf, "the first level"), ""
    while True:
        if voltage > most:
            stopped, failed = "amplifier", True
            at = best
        else:
            at, stopped_here = _try_burst(system, frequency_hz, path, voltage)
            failed = bool(stopped_here)
            stopped = stopped_here or stopped
        if failed and step == 1.0:
            return BurstLimit(frequency_hz, best.peak_voltage, best.peak_spl_db, stopped)
        if failed:
            step = 1.0
            voltage = (best.peak_voltage or start / 10 ** (3 / 20)) * 10 ** (step / 20)
        else:
            best = at
            voltage *= 10 ** (step / 20)


def _try_burst(system: LargeSignalSystem, f: float, path: SoundPath, voltage: float) -> tuple[BurstLimit, str]:
    run = system.run(Burst(f, voltage, pause=2 / f, start=0.0), accuracy=1e-4)
    if run.status:
        return BurstLimit(f, voltage, math.nan, run.reason), "travel" if run.status == kernel.TOO_FAR else run.reason
    pressure = sound_of(system, run.columns, run.rate, path)
    spectrum = np.abs(np.fft.rfft(pressure * np.hanning(len(pressure)), 1 << 17))
    at = np.fft.rfftfreq(1 << 17, 1 / run.rate)

    def band(n: int) -> float:
        inside = (at > (n - 0.25) * f) & (at < (n + 0.25) * f)
        return float(np.max(spectrum[inside]))

    first = band(1)
    over = {n: 20 * math.log10(band(n) / first) - limit for n, limit in BURST_MASK_DB.items()}
    worst = max(over, key=lambda n: over[n])
    level = 20 * math.log10(float(np.max(np.abs(pressure))) / math.sqrt(2) / 20e-6)
    return BurstLimit(f, voltage, level, ""), f"H{worst}" if over[worst] > 0 else ""


def sound_of(system: LargeSignalSystem, columns: Real, rate: float, path: SoundPath) -> Real:
    """(T,) Pa of a run (not repeating), its delay to the listener left out."""
    volume = system.driver.sd * columns[:, 4] + system.vent_area * columns[:, 3]
    count = 2 * len(volume)
    spectrum = np.fft.rfft(volume, count)
    f = np.fft.rfftfreq(count, 1 / rate)
    return np.asarray(np.fft.irfft(spectrum * np.abs(path(f)), count)[: len(volume)])


@dataclass(frozen=True, eq=False)
class RisingNoise:
    """Noise raised step by step until its transfer function changes or its coherence falls.

    Parameters
        voltage, level_db : at the last step that passed: V RMS, dB re 20 uPa
        stopped_by : in words
        steps : (V RMS, largest change in dB, least coherence) of every step
    """

    voltage: float
    level_db: float
    stopped_by: str
    steps: tuple[tuple[float, float, float], ...]


def rising_noise(
    system_at: Callable[[float], LargeSignalSystem],
    drive: Callable[[float], Signal],
    path: SoundPath,
    band: tuple[float, float],
    *,
    start: float,
    most: float,
    step_db: float = 3.0,
) -> RisingNoise:
    """A procedure after the idea of AES75 (its noise and its numbers not verified).

    Parameters
        system_at : V RMS -> the system as warm as that drive makes it
        drive : V RMS -> a repeating noise
        band : Hz in which the transfer function is held against that of the first step, in third octaves
    """
    first: Real | None = None
    steps: list[tuple[float, float, float]] = []
    passed, voltage, level, stopped = 0.0, start, -math.inf, "the amplifier"
    while voltage <= most * 1.0001:
        system, signal = system_at(voltage), drive(voltage)
        run = system.run(signal, repeat=2, accuracy=1e-4)
        if run.status:
            stopped = run.reason
            break
        gain, coherence, rms = _transfer(system, signal, run.columns, run.rate, path, band)
        first = gain if first is None else first
        change, least = float(np.max(np.abs(gain - first))), float(np.min(coherence))
        steps.append((voltage, change, least))
        if change > NOISE_STOP[0] or least < NOISE_STOP[1]:
            stopped = "its transfer function" if change > NOISE_STOP[0] else "its coherence"
            break
        passed, level = voltage, 20 * math.log10(rms / 20e-6)
        voltage *= 10 ** (step_db / 20)
    return RisingNoise(passed, level, stopped, tuple(steps))


def _transfer(
    system: LargeSignalSystem, signal: Signal, columns: Real, rate: float, path: SoundPath, band: tuple[float, float]
) -> tuple[Real, Real, float]:
    """(dB per third octave, coherence per third octave, Pa RMS) of a whole period."""
    from evenfield.base import band_edges, octave_axis

    u = signal.voltage(rate)[: len(columns)]
    volume = system.driver.sd * columns[:, 4] + system.vent_area * columns[:, 3]
    f = np.fft.rfftfreq(len(volume), 1 / rate)
    into, out = np.fft.rfft(u), np.fft.rfft(volume) * np.abs(path(f))
    out[f > 20e3] = 0.0
    low, high = band_edges(octave_axis(3, *band), 3)
    gain, coherence = [], []
    for a, b in zip(low, high, strict=True):
        # bands a sixth of the third octave wide: inside one the transfer function hardly turns
        inner = np.geomspace(a, b, 7)
        cross = power_in = power_out = 0.0
        for c, d in pairwise(inner):
            at = (f >= c) & (f < d)
            if not np.any(at):
                continue
            cross += abs(np.sum(np.conj(into[at]) * out[at])) ** 2 / max(float(np.sum(np.abs(into[at]) ** 2)), 1e-300)
            power_in += float(np.sum(np.abs(into[at]) ** 2))
            power_out += float(np.sum(np.abs(out[at]) ** 2))
        gain.append(10 * math.log10(max(cross, 1e-300) / power_in))
        coherence.append(cross / power_out)
    pressure = math.sqrt(2 * float(np.sum(np.abs(out) ** 2))) / len(volume)
    return np.array(gain), np.array(coherence), pressure
