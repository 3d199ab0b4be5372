"""Signals: voltages over time that drive a large-signal model."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from evenfield.base import DataError, DesignError, message, octave_axis

Real = NDArray[np.float64]


class Signal(Protocol):
    """Anything that can be sampled at any rate."""

    @property
    def period(self) -> float | None:
        """s, after which it repeats; None: it does not."""

    @property
    def highest_hz(self) -> float:
        """Hz, above which it holds little."""

    def voltage(self, rate: float) -> Real:
        """(T,) V at `rate` (Hz), from time 0."""


@dataclass(frozen=True)
class Tones:
    """Sines of given frequencies, exact at any rate.

    Parameters
        frequency_hz : ascending, > 0
        rms : V, of each
        phase : rad, of each as a sine; empty: all 0
        duration : s
        fade : s, raised-cosine start; 0: none
    """

    frequency_hz: tuple[float, ...]
    rms: tuple[float, ...]
    phase: tuple[float, ...] = ()
    duration: float = 1.0
    fade: float = 0.0

    def __post_init__(self) -> None:
        f, v = np.asarray(self.frequency_hz, float), np.asarray(self.rms, float)
        if len(f) == 0 or len(f) != len(v) or np.any(f <= 0) or not np.all(np.isfinite(v)):
            raise DesignError(message("tones", "one finite voltage per positive frequency", f"{len(f)} and {len(v)}"))
        if not self.duration > 0:
            raise DesignError(message("signal's duration", "positive", f"{self.duration} s"))

    @classmethod
    def sine(cls, frequency_hz: float, rms: float, duration: float, fade: float = 0.0) -> Tones:
        """One tone."""
        return cls((frequency_hz,), (rms,), (0.0,), duration, fade)

    @classmethod
    def pair(cls, low_hz: float, high_hz: float, rms: float, ratio: float = 4.0, duration: float = 1.0) -> Tones:
        """Two tones for intermodulation, the lower `ratio` times the upper (4:1 as in IEC 60268-5; from memory)."""
        upper = rms / math.sqrt(1 + ratio**2)
        return cls((low_hz, high_hz), (ratio * upper, upper), (0.0, 0.0), duration)

    @classmethod
    def multi(cls, low_hz: float, high_hz: float, rms: float, *, per_octave: int = 3, period: float = 1.0,
              duration: float | None = None, slope_db_per_octave: float = 0.0, seed: int = 1) -> Tones:  # fmt: skip
        """Tones evenly spread in log frequency on lines of 1/`period`, random phases, together `rms` volts.

        Lines are odd multiples where they can be, so that even-order products fall between them.
        """
        count = max(2, round(per_octave * math.log2(high_hz / low_hz)) + 1)
        line = np.round(np.geomspace(low_hz, high_hz, count) * period)
        line = np.unique(np.maximum(1, line // 2 * 2 + 1))
        level = 10 ** (slope_db_per_octave * np.log2(line / line[0]) / 20)
        level *= rms / math.sqrt(float(np.sum(level**2)))
        phase = np.random.default_rng(seed).uniform(0, 2 * np.pi, len(line))
        return cls(tuple((line / period).tolist()), tuple(level.tolist()), tuple(phase.tolist()), duration or period)

    @property
    def period(self) -> float | None:
        """s, the least one on lines of 1/100 Hz; None when there is none or it fades in."""
        lines = [round(100 * f) for f in self.frequency_hz]
        if self.fade or any(abs(100 * f - n) > 1e-6 for f, n in zip(self.frequency_hz, lines, strict=True)):
            return 1 / self.frequency_hz[0] if len(lines) == 1 and not self.fade else None
        return 100 / math.gcd(*lines)

    @property
    def highest_hz(self) -> float:
        """Hz."""
        return max(self.frequency_hz)

    def voltage(self, rate: float) -> Real:
        """(T,) V."""
        count = round(self.duration * rate)
        period = self.period
        one = count if period is None else round(period * rate)
        if period is not None and abs(period * rate - one) < 1e-9 * one and one <= count:
            # one period by inverse transform, then repeated
            spectrum = np.zeros(one // 2 + 1, complex)
            for f, v, p in zip(self.frequency_hz, self.rms, self._phases, strict=True):
                n = round(f * period)
                if n < len(spectrum):
                    spectrum[n] += -1j * one / 2 * math.sqrt(2) * v * np.exp(1j * p)
            return np.resize(np.fft.irfft(spectrum, one), count)
        t = np.arange(count) / rate
        total = np.zeros(count)
        for f, v, p in zip(self.frequency_hz, self.rms, self._phases, strict=True):
            total += math.sqrt(2) * v * np.sin(2 * np.pi * f * t + p)
        if self.fade:
            total *= np.where(t < self.fade, 0.5 - 0.5 * np.cos(np.pi * np.minimum(t / self.fade, 1)), 1.0)
        return total

    @property
    def _phases(self) -> tuple[float, ...]:
        return self.phase or (0.0,) * len(self.frequency_hz)


@dataclass(frozen=True)
class Burst:
    """A shaped tone burst: a sine under a raised-cosine window.

    Parameters
        frequency_hz, peak : Hz and V
        cycles : of the whole burst; 6.5 (the low-frequency burst of CTA-2010, read in secondary text, unverified)
        pause : s of silence after it
        start : s of silence before it
    """

    frequency_hz: float
    peak: float
    cycles: float = 6.5
    pause: float = 0.1
    start: float = 0.0

    @property
    def period(self) -> float | None:
        """None: it does not repeat."""
        return None

    @property
    def highest_hz(self) -> float:
        """Hz."""
        return self.frequency_hz

    def voltage(self, rate: float) -> Real:
        """(T,) V."""
        length = self.cycles / self.frequency_hz
        t = np.arange(round((self.start + length + self.pause) * rate)) / rate - self.start
        inside = (t >= 0) & (t <= length)
        shape = 0.5 - 0.5 * np.cos(2 * np.pi * t / length)
        return np.where(inside, self.peak * shape * np.sin(2 * np.pi * self.frequency_hz * (t - length / 2)), 0.0)


PROGRAMME_DB = np.array([
    -13.5, -10.2, -7.4, -5.2, -3.5, -2.3, -1.4, -0.9, -0.5, -0.2, -0.1, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, -0.1, -0.3, -0.6, -1.0,
    -1.6, -2.5, -3.7, -5.1, -7.0, -9.4, -11.9, -14.8, -18.2, -21.6,
])  # fmt: skip
"""Third-octave levels of the simulated programme, 20 Hz to 20 kHz, dB re the largest (IEC 60268-1; from memory)."""


@dataclass(frozen=True)
class ProgrammeNoise:
    """Noise with the third-octave spectrum of simulated programme (IEC 60268-1, from memory); it repeats.

    Parameters
        rms : V
        duration : s
        repeats_after : s
        crest : largest ratio of peak to RMS, reached by a soft limit; None: as it comes (some 4)
        low_hz, high_hz : band kept
        seed : of the phases
    """

    rms: float
    duration: float
    repeats_after: float = 10.0
    crest: float | None = None
    low_hz: float = 20.0
    high_hz: float = 20e3
    seed: int = 1

    @property
    def period(self) -> float | None:
        """s."""
        return self.repeats_after

    @property
    def highest_hz(self) -> float:
        """Hz."""
        return self.high_hz

    def voltage(self, rate: float) -> Real:
        """(T,) V."""
        count = round(self.repeats_after * rate)
        f = np.arange(1, int(min(self.high_hz, rate / 2 * 0.999) * self.repeats_after)) / self.repeats_after
        # a band's power is spread as in pink noise
        level = np.interp(np.log(f), np.log(octave_axis(3)), PROGRAMME_DB)
        size = np.where(f >= self.low_hz, 10 ** (level / 20) / np.sqrt(f), 0.0)
        # phases drawn line by line: the same noise at every rate
        phase = np.random.default_rng(self.seed).uniform(0, 2 * np.pi, int(20e3 * self.repeats_after) + 2)[: len(f)]
        size *= self.rms / math.sqrt(float(np.sum(size**2)))
        spectrum = np.zeros(count // 2 + 1, complex)
        spectrum[1 : len(f) + 1] = count / math.sqrt(2) * size * np.exp(1j * phase)
        one = np.fft.irfft(spectrum, count)
        if self.crest is not None:
            edge = self.crest * self.rms
            one = edge * np.tanh(one / edge)
            one *= self.rms / float(np.sqrt(np.mean(one**2)))
        return np.resize(one, round(self.duration * rate))


@dataclass(frozen=True, eq=False)
class Recording:
    """Samples at a fixed rate, brought to any other by band-limited interpolation.

    Parameters
        samples : (T,) V
        rate : Hz
    """

    samples: Real
    rate: float

    def __post_init__(self) -> None:
        y = np.asarray(self.samples, float)
        if y.ndim != 1 or len(y) < 2 or not np.all(np.isfinite(y)) or not self.rate > 0:
            value = f"{y.shape} at {self.rate} Hz"
            raise DataError(message("recording", "one channel of finite samples at a positive rate", value))
        object.__setattr__(self, "samples", y)

    @classmethod
    def read(cls, path: str | Path, volts_at_full_scale: float, channel: int = 0) -> Recording:
        """One channel of a WAV or FLAC file. Raises DataError when it cannot be read."""
        import soundfile

        try:
            samples, rate = soundfile.read(str(path), always_2d=True)
        except (RuntimeError, OSError) as error:
            raise DataError(message("recording", "a WAV or FLAC file", str(error), where=str(path))) from None
        if channel >= samples.shape[1]:
            raise DataError(message("recording's channel", f"below {samples.shape[1]}", channel, where=str(path)))
        return cls(volts_at_full_scale * samples[:, channel], float(rate))

    @property
    def period(self) -> float | None:
        """None: it does not repeat."""
        return None

    @property
    def highest_hz(self) -> float:
        """Hz."""
        return self.rate / 2

    def voltage(self, rate: float) -> Real:
        """(T,) V."""
        from fractions import Fraction

        from scipy.signal import resample_poly

        if rate == self.rate:
            return self.samples
        ratio = Fraction(rate / self.rate).limit_denominator(1000)
        return np.asarray(resample_poly(self.samples, ratio.numerator, ratio.denominator, window=("kaiser", 12.0)))


def joined(parts: Sequence[Signal], rate: float) -> Real:
    """(T,) V: one after the other."""
    return np.concatenate([p.voltage(rate) for p in parts])
