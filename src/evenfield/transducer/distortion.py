"""Distortion of the sound: harmonics, difference tones, many tones at once.

Sound pressure is the volume acceleration of cone and vent times one path, Pa per m3/s2, known from small signals: exact where
the wavelength is long against their distance, and for everything the motor and suspension distort.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base import Air, DataError, DesignError, message
from evenfield.transducer.large_signal import LargeSignalSystem
from evenfield.transducer.signals import Tones
from evenfield.transducer.steady_state import HarmonicSweep, steady_state

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]


class SoundPath(Protocol):
    """From volume acceleration to sound pressure."""

    def __call__(self, frequency_hz: ArrayLike) -> Complex:
        """(F,) complex, Pa per m3/s2."""


@dataclass(frozen=True)
class PointPath:
    """A small source on a wall (solid angle 2 pi), in a corner (pi/2) or in the open (4 pi).

    Parameters
        distance : m
        solid_angle : sr
    """

    distance: float = 1.0
    solid_angle: float = 2 * math.pi
    air: Air = field(default_factory=Air)

    def __call__(self, frequency_hz: ArrayLike) -> Complex:
        """(F,) complex, Pa per m3/s2."""
        f = np.atleast_1d(np.asarray(frequency_hz, float))
        k = 2 * np.pi * f / self.air.speed_of_sound
        return np.asarray(self.air.density / (self.solid_angle * self.distance) * np.exp(-1j * k * self.distance))


@dataclass(frozen=True, eq=False)
class SolvedPath:
    """A path read between the frequencies of a solve; beyond its highest frequency nothing is heard of.

    Parameters
        frequency : (F,) Hz, ascending
        value : (F,) complex, Pa per m3/s2
    """

    frequency: Real
    value: Complex

    def __post_init__(self) -> None:
        if np.shape(self.value) != np.shape(self.frequency) or not np.all(np.isfinite(self.value)):
            raise DataError(message("sound path", "one finite value per frequency", np.shape(self.value)))

    def __call__(self, frequency_hz: ArrayLike) -> Complex:
        """(F,) complex, Pa per m3/s2; magnitude and phase straight over log frequency, held below the first."""
        f = np.atleast_1d(np.asarray(frequency_hz, float))
        x, at = np.log(self.frequency), np.log(np.maximum(f, 1e-3))
        level = np.interp(at, x, np.log(np.abs(self.value) + 1e-300))
        phase = np.interp(at, x, np.unwrap(np.angle(self.value)))
        return np.where(f <= self.frequency[-1], np.exp(level + 1j * phase), 0.0)


@dataclass(frozen=True, eq=False)
class SoundDistortion:
    """Harmonics of the sound over frequency and level.

    Parameters
        frequency : (F,) Hz; level : (L,) V RMS
        pressure : (L, F, H) complex, Pa RMS of harmonics 1 to H; NaN where there is no steady state
    """

    frequency: Real
    level: Real
    pressure: Complex

    @classmethod
    def of(cls, sweep: HarmonicSweep, path: SoundPath) -> SoundDistortion:
        """The sound of a sweep."""
        count = sweep.volume_acceleration.shape[2] - 1
        at = sweep.frequency[:, None] * np.arange(1, count + 1)
        gain = np.asarray(path(at.ravel())).reshape(at.shape)
        return cls(sweep.frequency, sweep.level, sweep.volume_acceleration[:, :, 1:] * gain)

    @property
    def total(self) -> Real:
        """(L, F) total harmonic distortion: RMS of harmonics from 2 over RMS of all (as in IEC 60268-5, from memory)."""
        power = np.abs(self.pressure) ** 2
        return np.asarray(np.sqrt(power[:, :, 1:].sum(axis=2) / power.sum(axis=2)))

    def harmonic(self, order: int) -> Real:
        """(L, F) one harmonic over RMS of all."""
        power = np.abs(self.pressure) ** 2
        return np.asarray(np.sqrt(power[:, :, order - 1] / power.sum(axis=2)))

    @property
    def spl_db(self) -> Real:
        """(L, F) dB re 20 uPa, of the fundamental."""
        return np.asarray(20 * np.log10(np.abs(self.pressure[:, :, 0]) / 20e-6))


@dataclass(frozen=True, eq=False)
class Intermodulation:
    """Products of two tones around the upper one.

    Parameters
        low_hz, high_hz : Hz
        second, third : RMS of the products high +- low and high +- 2 low over the pressure of the upper tone
        spectrum : (N,) Pa RMS of the sound on lines of low_hz, from the first
        status, reason : as in `Run`; NaN where it is not 0
    """

    low_hz: float
    high_hz: float
    second: float
    third: float
    spectrum: Real
    status: int = 0
    reason: str = ""


def intermodulation(
    system: LargeSignalSystem, low_hz: float, high_hz: float, rms: float, path: SoundPath, *, ratio: float = 4.0
) -> Intermodulation:
    """Modulation of a high tone by a low one, in steady state.

    The upper tone is moved to the nearest multiple of the lower that is at least 4. `rms` : V of both together, the low one
    `ratio` times the high one. Source: modulation distortion of second and third order, IEC 60268-5 (from memory).
    """
    multiple = max(4, round(high_hz / low_hz))
    high = multiple * low_hz
    steps = 1 << math.ceil(math.log2(max(48e3 * system.oversampling(48e3) / low_hz, 48 * multiple)))
    drive = Tones.pair(low_hz, high, rms, ratio)
    t = np.arange(2 * steps) / (2 * steps)
    u = math.sqrt(2) * (drive.rms[0] * np.sin(2 * np.pi * t) + drive.rms[1] * np.sin(2 * np.pi * multiple * t))
    run = steady_state(system, u, 1 / low_hz)
    if run.status:
        return Intermodulation(low_hz, high, math.nan, math.nan, np.full(multiple + 3, math.nan), run.status, run.reason)
    count = min(2 * multiple + 8, steps // 2)
    sound = sound_spectrum(system, run.columns, low_hz, path, count)
    top = sound[multiple - 1]

    def pair(order: int) -> float:
        return float(np.hypot(sound[multiple - 1 - order], sound[multiple - 1 + order]) / top)

    return Intermodulation(low_hz, high, pair(1), pair(2), sound)


def sound_spectrum(system: LargeSignalSystem, columns: Real, line_hz: float, path: SoundPath, count: int | None = None) -> Real:
    """(N,) Pa RMS on lines line_hz, 2 line_hz, ... of whole periods kept in `columns`."""
    volume = system.driver.sd * columns[:, 4] + system.vent_area * columns[:, 3]
    spectrum = np.abs(np.fft.rfft(volume))[1:] / len(volume) * math.sqrt(2)
    spectrum = spectrum[:count]
    return np.asarray(spectrum * np.abs(path(line_hz * np.arange(1, len(spectrum) + 1))))


@dataclass(frozen=True, eq=False)
class ManyTones:
    """The sound of many tones: what was played and what was added.

    Parameters
        frequency : (N,) Hz of all lines; pressure : (N,) Pa RMS
        played : (N,) bool
        peak_displacement, rms_current : m, A
        status, reason : as in `Run`
    """

    frequency: Real
    pressure: Real
    played: NDArray[np.bool_]
    peak_displacement: float
    rms_current: float
    status: int = 0
    reason: str = ""

    @property
    def added(self) -> float:
        """RMS of what was added over RMS of what was played."""
        return float(np.sqrt(np.sum(self.pressure[~self.played] ** 2) / np.sum(self.pressure[self.played] ** 2)))


def many_tones(system: LargeSignalSystem, drive: Tones, path: SoundPath, *, settle: int = 2) -> ManyTones:
    """Play a periodic set of tones `settle` times, then read one period."""
    period = drive.period
    if period is None:
        raise DesignError(message("tones", "periodic, on lines of 0.01 Hz, without a fade", drive.frequency_hz))
    one = Tones(drive.frequency_hz, drive.rms, drive.phase, period)
    run = system.run(one, repeat=settle + 1)
    if run.status:
        return ManyTones(np.zeros(0), np.zeros(0), np.zeros(0, bool), math.nan, math.nan, run.status, run.reason)
    sound = sound_spectrum(system, run.columns, 1 / period, path)
    frequency = np.arange(1, len(sound) + 1) / period
    played = np.zeros(len(sound), bool)
    played[[round(f * period) - 1 for f in drive.frequency_hz]] = True
    keep = frequency <= 20e3
    return ManyTones(frequency[keep], sound[keep], played[keep], float(np.max(np.abs(run.displacement))),
                     float(np.sqrt(np.mean(run.current**2))))  # fmt: skip
