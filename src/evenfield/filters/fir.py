"""FIR filters: linear, minimum and mixed phase from a wanted magnitude; fractional delay; pre-ringing."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base import DesignError, message
from evenfield.filters.sections import Section

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
Phase = Literal["linear", "minimum", "mixed"]


@dataclass(frozen=True)
class Fir(Section):
    """An FIR filter at its own sample rate.

    Parameters
        taps : coefficients; sample_rate : Hz
    `response` of a chain at another rate raises DesignError: taps hold at one rate only. Causal by construction.
    """

    taps: tuple[float, ...]
    sample_rate: float
    kind: ClassVar[str] = "fir"

    def __post_init__(self) -> None:
        object.__setattr__(self, "taps", tuple(float(t) for t in self.taps))
        if not self.taps or not np.all(np.isfinite(self.taps)):
            raise DesignError(message("fir.taps", "finite, one at least", f"{len(self.taps)} taps"))
        if not (math.isfinite(self.sample_rate) and self.sample_rate > 0):
            raise DesignError(message("fir.sample_rate", "positive", f"{self.sample_rate} Hz"))

    def direct(self, frequency_hz: FloatArray, sample_rate: float | None) -> ComplexArray:
        """(F,) sum of taps e^{-jwn}. Raises DesignError on a sample-rate mismatch or beyond half the rate."""
        if sample_rate is not None and abs(sample_rate - self.sample_rate) > 1e-6 * self.sample_rate:
            raise DesignError(
                message("sample_rate", f"{self.sample_rate:g} Hz, the rate of the FIR filter", f"{sample_rate:g} Hz",
                        cause="Taps hold at one rate only", fix="designing the filter anew at the other rate"),
            )  # fmt: skip
        if len(frequency_hz) and frequency_hz.max() >= self.sample_rate / 2:
            raise DesignError(
                message("frequency", f"below half the sample rate ({self.sample_rate / 2:g} Hz)", f"{frequency_hz.max():g} Hz")
            )
        from scipy.signal import freqz

        return np.asarray(freqz(self.taps, worN=frequency_hz, fs=self.sample_rate)[1], complex)


def fir_from_magnitude(
    frequency_hz: ArrayLike, magnitude: ArrayLike, sample_rate: float, taps: int, phase: Phase = "linear", share: float = 0.5
) -> Fir:
    """An FIR filter of a wanted magnitude.

    Parameters
        frequency_hz, magnitude : (F,) Hz ascending and linear magnitude > 0; log-log interpolated, level beyond the ends
        sample_rate : Hz; taps : length, at least 8
        phase : "linear" (delay of (taps - 1)/2 samples, odd lengths), "minimum", or "mixed": minimum phase below, linear in part:
            the phase is `share` of minimum phase plus 1 - share of a pure delay of half the length
        share : 0 ... 1, of the minimum phase in "mixed"
    Windowed frequency sampling (Hann edges); the minimum phase is the Hilbert transform of the log magnitude, by the cepstrum.
    Source: A. V. Oppenheim, R. W. Schafer, Discrete-Time Signal Processing, ch. 7 and 13 (from memory).
    Raises DesignError on a length, share or magnitude out of range.
    """
    if not isinstance(taps, int) or taps < 8:
        raise DesignError(message("taps", "a whole number from 8 up", taps))
    if phase not in ("linear", "minimum", "mixed") or not 0 <= share <= 1:
        raise DesignError(message("phase", "linear, minimum or mixed with a share from 0 to 1", f"{phase}, {share}"))
    size = 1 << max(13, math.ceil(math.log2(16 * taps)))
    level = _log_magnitude(frequency_hz, magnitude, sample_rate, size)
    lowest = minimum_phase(level, size)
    grid = np.arange(size // 2 + 1)
    late = {"linear": (taps - 1) / 2, "minimum": 0.0, "mixed": (1 - share) * (taps - 1) / 2}[phase]
    turn = {"linear": 0.0, "minimum": 1.0, "mixed": share}[phase] * lowest - 2 * np.pi * grid * late / size
    whole = np.fft.irfft(np.exp(level + 1j * turn), size)
    return Fir(tuple(whole[:taps] * _edges(taps, late)), sample_rate)


def minimum_phase(log_magnitude: FloatArray, size: int) -> FloatArray:
    """(size/2 + 1,) phase, rad, of the minimum-phase system with this natural-log magnitude on the grid of an FFT of `size`."""
    cepstrum = np.fft.irfft(log_magnitude, size)
    fold = np.zeros(size)
    fold[0] = fold[size // 2] = 1.0
    fold[1 : size // 2] = 2.0
    return np.asarray(np.fft.rfft(cepstrum * fold).imag)


def fractional_delay(delay_samples: float, taps: int = 16, sample_rate: float = 48000.0) -> Fir:
    """Lagrange interpolator for a delay that is no whole number of samples; flat at 0 Hz to order taps - 1.

    The delay should lie within half a sample of the middle, (taps - 1)/2, where the magnitude errs least.
    Source: T. I. Laakso et al., IEEE Signal Process. Mag. 13(1) (1996) 30, eq. 42 (from memory).
    Raises DesignError for a delay outside 0 ... taps - 1.
    """
    if not (math.isfinite(delay_samples) and 0 <= delay_samples <= taps - 1):
        raise DesignError(message("delay", f"0 to {taps - 1} samples for {taps} taps", delay_samples))
    n = np.arange(taps)
    difference = n[:, None] - n[None]
    np.fill_diagonal(difference, 1)
    distance = np.where(np.eye(taps, dtype=bool), 1.0, delay_samples - n[None])
    return Fir(tuple(np.prod(distance / difference, axis=1)), sample_rate)


def thiran(delay_samples: float, order: int) -> FloatArray:
    """(1, 6)-free all-pass denominators: (order + 1,) a of the all-pass z^-N A(1/z)/A(z) with that delay at 0 Hz; a[0] = 1.

    Stable for delay > order - 1. Source: J.-P. Thiran, IEEE Trans. Circuit Theory 18 (1971) 659 (from memory).
    Raises DesignError for a shorter delay.
    """
    if not delay_samples > order - 1:
        raise DesignError(
            message("delay", f"above {order - 1} samples for order {order}", delay_samples, cause="It would be unstable")
        )
    k = np.arange(order + 1)
    a = np.array([(-1.0) ** i * math.comb(order, i) for i in k])
    for i in k:
        a[i] *= np.prod([(delay_samples - order + n) / (delay_samples - order + i + n) for n in range(order + 1)])
    return np.asarray(a)


@dataclass(frozen=True)
class PreRinging:
    """What comes before the main arrival, beyond what a minimum-phase filter of the same magnitude needs to rise.

    Parameters
        energy_db : energy before that rise, re the whole
        longest_s : by how much earlier than that the response first exceeds -40 dB of its greatest
    """

    energy_db: float
    longest_s: float


def pre_ringing(taps: ArrayLike, sample_rate: float) -> PreRinging:
    """Pre-ringing of an impulse response: evenfield's own measure. A minimum-phase filter has close to none.

    Longer linear-phase filters are steeper and straighter in phase, and ring longer before the sound: the trade-off is read by
    comparing this measure between lengths and phase shares.
    """
    h = np.asarray(taps, float)
    size = 1 << max(12, math.ceil(math.log2(8 * len(h))))
    level = np.log(np.maximum(np.abs(np.fft.rfft(h, size)), 1e-6 * np.abs(np.fft.rfft(h, size)).max()))
    least = np.fft.irfft(np.exp(level + 1j * minimum_phase(level, size)), size)[: len(h)]
    rise = _rise(least)
    top = int(np.argmax(np.abs(h)))
    energy = float(np.sum(h[: max(0, top - rise)] ** 2)) / max(float(np.sum(h**2)), 1e-300)
    return PreRinging(10 * math.log10(max(energy, 1e-30)), max(0, _rise(h) - rise) / sample_rate)


def _rise(h: FloatArray) -> int:
    """Samples from the first above -40 dB of the greatest to the greatest."""
    top = int(np.argmax(np.abs(h)))
    return top - int(np.flatnonzero(np.abs(h) > 0.01 * abs(h[top]))[0])


def _log_magnitude(frequency_hz: ArrayLike, magnitude: ArrayLike, sample_rate: float, size: int) -> FloatArray:
    f, m = np.atleast_1d(np.asarray(frequency_hz, float)), np.atleast_1d(np.asarray(magnitude, float))
    if f.shape != m.shape or np.any(np.diff(f) <= 0) or np.any(f <= 0) or not np.all(np.isfinite(m)) or np.any(m <= 0):
        raise DesignError(message("magnitude", "positive, one per ascending positive frequency", f"{f.shape}, {m.shape}"))
    grid = np.fft.rfftfreq(size, 1 / sample_rate)
    return np.asarray(np.interp(np.log(np.maximum(grid, grid[1])), np.log(f), np.log(m)))


def _edges(taps: int, late: float) -> FloatArray:
    """Hann halves on both sides of the main tap, so that the cut ends do no harm."""
    n = np.arange(taps)
    left, right = max(late, 1e-9), max(taps - 1 - late, 1e-9)
    before = 0.5 * (1 + np.cos(np.pi * (late - n) / left)) if late > 1 else np.ones(taps)
    after = 0.5 * (1 + np.cos(np.pi * np.maximum(n - late, 0) / right))
    return np.asarray(np.where(n < late, before, after))
