"""Time behaviour from frequency points: group delay, impulse and step response, decay.

The points of a sweep rarely stand on the linear grid that a Fourier transform needs. So the common delay is taken out, the rest
interpolated in log frequency, and what each point would be had it been left out says whether the points suffice.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import xarray as xr
from numpy.typing import ArrayLike, NDArray

from evenfield.base.errors import DataError, Refusal, message
from evenfield.data.directivity import Directivity
from evenfield.data.response import Response

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
Source = Directivity | Response | Sequence[Response]

LARGEST_ERROR = 0.10
"""Leave-one-out error, relative, above which a time figure is refused. Leaving a point out doubles the step, so that the
interpolation itself errs about sixteen times less."""

_LONGEST_DELAY = 0.05
_COUNTED_DB = 30.0
_LEAD = 0.005
_TAPER = 0.85


@dataclass(frozen=True)
class TimeBasis:
    """A response brought to a linear grid.

    Parameters
        frequency : (N,) Hz, 0 ... sample_rate / 2
        value : (N,) complex, the delay `delay` taken out
        delay : s, the common delay (the earliest, of several responses)
        error : leave-one-out error, relative RMS over points within 30 dB of the maximum
        sample_rate : Hz
        low_hz, high_hz : range of the data; continued below by a power of frequency, tapered to zero above 0.85 high_hz
    """

    frequency: FloatArray
    value: ComplexArray
    delay: float
    error: float
    sample_rate: float
    low_hz: float
    high_hz: float

    @property
    def attributes(self) -> dict[str, float | str]:
        """What every figure made from it carries along."""
        return {
            "common_delay_s": self.delay,
            "leave_one_out_error": self.error,
            "grid": f"linear, {self.frequency[1]:.4g} Hz, to {self.frequency[-1]:.6g} Hz",
            "data": f"{self.low_hz:.5g} ... {self.high_hz:.5g} Hz; below by a power of frequency, above tapered to zero",
        }


def time_basis(source: Source, sample_rate: float = 48000.0, samples: int = 32768) -> TimeBasis:
    """Bring a response to a linear grid, or refuse.

    Parameters
        source : Directivity (its axis), Response, or Responses of several ways, which are added after each has been
            interpolated with its own delay taken out
        sample_rate : Hz; samples : length of the transform
    Raises Refusal, with the reason, where phase is unknown, the data are bands, or the points do not suffice: leave-one-out
    error above 10 % (`LARGEST_ERROR`), fewer than 16 points, or a low end that is neither recorded nor falling.
    """
    parts = _responses(source)
    for part in parts:
        _refuse_unfit(part)
    grid = np.asarray(np.fft.rfftfreq(samples, 1 / sample_rate), float)
    delays = [common_delay(part.frequency, part.value) for part in parts]
    first = min(delays)
    total, error, energy = np.zeros(len(grid), complex), 0.0, 0.0
    for part, delay in zip(parts, delays, strict=True):
        aligned = part.value * np.exp(2j * np.pi * part.frequency * delay)
        scale = float(np.mean(np.abs(aligned) ** 2))
        error += leave_one_out_error(part.frequency, aligned) ** 2 * scale
        energy += scale
        total += _on_grid(part.frequency, aligned, grid) * np.exp(-2j * np.pi * grid * (delay - first))
    error = float(np.sqrt(error / max(energy, 1e-300)))
    low, high = max(p.frequency[0] for p in parts), min(p.frequency[-1] for p in parts)
    if error > LARGEST_ERROR:
        raise Refusal(
            f"Time figures need denser frequency points: leaving one out errs by {100 * error:.0f} %, more than "
            f"{100 * LARGEST_ERROR:.0f} % ({len(parts[0].frequency)} points, {low:.5g} ... {high:.5g} Hz)."
        )
    return TimeBasis(grid, total, first, error, sample_rate, float(low), float(high))


def common_delay(frequency: FloatArray, value: ComplexArray) -> float:
    """The delay that leaves neighbouring points most alike in phase, s, within +-50 ms.

    Every pair of neighbours within 30 dB of the maximum counts the same: the greatest of Re sum exp(j(phase step + 2 pi df tau)),
    found on a 40 us grid and refined. On an axis of equal steps delays repeat with the period 1/step, of which -0.1 to 0.9 is
    searched.
    """
    pair = value[1:] * np.conj(value[:-1])
    size = np.abs(pair)
    keep = size > 10 ** (-_COUNTED_DB / 10) * size.max()
    turn, step = pair[keep] / size[keep], 2 * np.pi * np.diff(frequency)[keep]
    period = 1 / float(np.diff(frequency).min())
    tau = np.arange(max(-_LONGEST_DELAY, -0.1 * period), min(_LONGEST_DELAY, 0.9 * period), 4e-5)
    for width in (4e-5, 2e-6, 1e-7):
        likeness = np.real(np.exp(1j * np.outer(tau, step)) @ turn)
        best = float(tau[np.argmax(likeness)])
        tau = best + np.linspace(-width, width, 41)
    return best


def leave_one_out_error(frequency: FloatArray, value: ComplexArray) -> float:
    """RMS over inner points of |interpolated without it - itself| / |itself|, points within 30 dB of the maximum.

    Each point is foretold by the cubic through its four neighbours in log frequency.
    """
    x, n = np.log(frequency), len(frequency)
    index = np.arange(2, n - 2)
    neighbour = index[:, None] + np.array([-2, -1, 1, 2])
    place, weight = x[neighbour] - x[index][:, None], np.ones((len(index), 4))
    for i in range(4):
        for j in range(4):
            if i != j:
                weight[:, i] *= place[:, j] / (place[:, j] - place[:, i])
    guess = (weight * value[neighbour]).sum(axis=1)
    loud = np.abs(value[index]) > 10 ** (-_COUNTED_DB / 20) * np.abs(value).max()
    relative = np.abs(guess - value[index])[loud] / np.abs(value[index])[loud]
    return float(np.sqrt(np.mean(relative**2))) if relative.size else np.inf


def group_delay(source: Directivity | Response) -> xr.Dataset:
    """Group delay over the data's own frequencies, s.

    Returns
        Dataset over `frequency`: group_delay, whole, and excess, without the common delay.
    -d(phase)/d(omega) of a cubic spline through the complex points in log frequency, the common delay taken out first; no
    phase is unwrapped. Raises Refusal as `time_basis`.
    """
    from scipy.interpolate import CubicSpline

    part = _responses(source)[0]
    basis = time_basis(part)
    aligned = part.value * np.exp(2j * np.pi * part.frequency * basis.delay)
    slope = CubicSpline(np.log(part.frequency), aligned)(np.log(part.frequency), 1) / part.frequency
    safe = np.where(np.abs(aligned) > 0, aligned, 1.0)
    excess = -np.imag(slope / safe) / (2 * np.pi)
    data = {name: ("frequency", v, {"units": "s"}) for name, v in (("group_delay", excess + basis.delay), ("excess", excess))}
    coords = {"frequency": ("frequency", part.frequency, {"units": "Hz"})}
    return xr.Dataset(data, coords=coords, attrs=basis.attributes)


def impulse_response(source: Source, sample_rate: float = 48000.0, duration: float = 0.1) -> xr.DataArray:
    """Impulse response, unit per second, over time in s; zero is the common delay, which the attributes give.

    Raises Refusal as `time_basis`.
    """
    basis = time_basis(source, sample_rate)
    time, value = _impulse(basis)
    return _over_time(time, value, basis, duration, "impulse_response")


def step_response(source: Source, sample_rate: float = 48000.0, duration: float = 0.03) -> xr.DataArray:
    """Response to a step of 1 V, over time in s; zero is the common delay, which the attributes give.

    Raises Refusal as `time_basis`.
    """
    basis = time_basis(source, sample_rate)
    time, value = _impulse(basis)
    return _over_time(time, np.cumsum(value) / sample_rate, basis, duration, "step_response")


def decay_spectrum(
    source: Source, frequency_hz: ArrayLike | None = None, time_s: ArrayLike | None = None, sample_rate: float = 48000.0
) -> xr.DataArray:
    """Decay of each tone after it is switched off at time 0 having sounded for ever; dB re its steady level.

    Parameters
        frequency_hz : (F,) Hz, 1/12 octaves over the data by default; time_s : (T,) s, 0 ... 10 ms in 0.1 ms by default
    Returns
        DataArray (time, frequency): 20 log10 |integral from t of h(s) e^{-jws} ds / H(w)|, t from the common delay.
    Source: cumulative decay, Berman and Fincham, J. Audio Eng. Soc. 25 (1977) 370 (from memory). Raises Refusal as `time_basis`.
    """
    basis = time_basis(source, sample_rate)
    lowest, highest = max(basis.low_hz, 20.0), min(basis.high_hz * _TAPER, 0.45 * sample_rate)
    default = np.geomspace(lowest, highest, int(12 * np.log2(highest / lowest)) + 1)
    tone = default if frequency_hz is None else np.atleast_1d(np.asarray(frequency_hz, float))
    after = np.arange(0, 10.05e-3, 1e-4) if time_s is None else np.atleast_1d(np.asarray(time_s, float))
    level = np.stack([tone_decay(basis, float(f), after) for f in tone], axis=1)
    coords = {"time": ("time", after, {"units": "s"}), "frequency": ("frequency", tone, {"units": "Hz"})}
    return xr.DataArray(level, dims=("time", "frequency"), coords=coords, attrs=basis.attributes, name="decay")


def tone_decay(basis: TimeBasis, frequency_hz: float, after: FloatArray) -> FloatArray:
    """(T,) level of a tone at times after it is switched off, dB re its steady level; see `decay_spectrum`."""
    time, value = _impulse(basis)
    keep = time < time[0] + 0.6 * (time[-1] - time[0])
    time, value = time[keep], value[keep]
    tail = np.append(np.cumsum((value * np.exp(-2j * np.pi * frequency_hz * time))[::-1])[::-1], 0.0)
    steady = max(float(np.abs(tail[0])), 1e-300)
    left = np.abs(tail[np.searchsorted(time, after)])
    return np.asarray(20 * np.log10(np.maximum(left / steady, 1e-12)))


def _responses(source: Source) -> list[Response]:
    if isinstance(source, Response):
        return [source]
    if isinstance(source, Directivity):
        return [
            Response(
                source.frequency,
                source.on_axis(),
                phase_known=source.phase_known,
                level_absolute=source.level_absolute,
                bandwidth=source.bandwidth,
            )
        ]
    if len(source) == 0:
        raise DataError(message("responses", "at least one", "none"))
    return list(source)


def _refuse_unfit(part: Response) -> None:
    """Raise Refusal where no density of points could help."""
    if not part.phase_known:
        raise Refusal("Time figures need phase; this data was recorded without.")
    if part.bandwidth is not None:
        raise Refusal(f"Time figures need discrete frequencies; this data holds 1/{part.bandwidth}-octave bands.")
    if len(part.frequency) < 16:
        raise Refusal(f"Time figures need at least 16 frequency points; this data holds {len(part.frequency)}.")
    if part.frequency[0] > 40.0 and _low_slope(part.frequency, part.value) < 0.5:
        raise Refusal(
            f"Time figures need the low end; this data begins at {part.frequency[0]:.5g} Hz, where the level does not fall yet."
        )


def _low_slope(frequency: FloatArray, value: ComplexArray) -> float:
    """Order of the power of frequency that |p| follows over the lowest third of an octave; 0 ... 8."""
    last = max(1, int(np.searchsorted(frequency, frequency[0] * 2 ** (1 / 3))))
    last = min(last, len(frequency) - 1)
    size = np.abs(value[[0, last]])
    if size.min() == 0:
        return 0.0
    return float(np.clip(np.log(size[1] / size[0]) / np.log(frequency[last] / frequency[0]), 0.0, 8.0))


def _on_grid(frequency: FloatArray, value: ComplexArray, grid: FloatArray) -> ComplexArray:
    """Cubic spline in log frequency; a power of frequency with the phase going to its asymptote below; a half cosine above."""
    from scipy.interpolate import CubicSpline

    out = np.zeros(len(grid), complex)
    inside = (grid >= frequency[0]) & (grid <= frequency[-1])
    out[inside] = CubicSpline(np.log(frequency), value)(np.log(grid[inside]))
    below = (grid < frequency[0]) & (grid > 0)
    slope, phase = _low_slope(frequency, value), float(np.angle(value[0]))
    rest = np.round(phase / (np.pi / 2)) * np.pi / 2
    ratio = grid[below] / frequency[0]
    out[below] = np.abs(value[0]) * ratio**slope * np.exp(1j * (rest + (phase - rest) * ratio))
    if slope < 0.5:
        out[0] = np.abs(value[0]) * np.cos(rest)
    edge = _TAPER * frequency[-1]
    high = (grid > edge) & inside
    out[high] *= 0.5 * (1 + np.cos(np.pi * (grid[high] - edge) / (frequency[-1] - edge)))
    return out


def _impulse(basis: TimeBasis) -> tuple[FloatArray, FloatArray]:
    """Time from 5 ms before the common delay, s, and the impulse response, unit per second."""
    samples = 2 * (len(basis.frequency) - 1)
    lead = round(_LEAD * basis.sample_rate)
    shift = np.exp(-2j * np.pi * basis.frequency * lead / basis.sample_rate)
    value = np.fft.irfft(basis.value * shift, samples) * basis.sample_rate
    return (np.arange(samples) - lead) / basis.sample_rate, np.asarray(value)


def _over_time(time: FloatArray, value: FloatArray, basis: TimeBasis, duration: float, name: str) -> xr.DataArray:
    keep = time <= duration
    coords = {"time": ("time", time[keep], {"units": "s"})}
    return xr.DataArray(value[keep], dims=("time",), coords=coords, attrs=basis.attributes, name=name)
