"""Impulse response of one room at one seat, and its sound file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base.errors import DataError, Refusal, message
from evenfield.rooms.grid import MODAL_TOP_HZ, BandGrid, node_axis
from evenfield.rooms.one_room import Room, SeatSum, Tracer, check_places
from evenfield.rooms.pattern import pattern_table
from evenfield.rooms.playing import Walls
from evenfield.rooms.source import Loudspeaker, Placement, Way, loudspeaker

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

CAUTION = "Start quietly: listening at high level can damage hearing. The file peaks at -12 dB of full scale."
PEAK = 10 ** (-12 / 20)


@dataclass(frozen=True)
class ImpulseResponse:
    """Pressure over time for a unit impulse of 1 V s.

    Parameters
        value : (N,) Pa per V s divided by the sample rate: convolved with volts, it gives Pa
        sample_rate : Hz; time 0 is the moment of emission
        paths : image sources summed
        low_hz, high_hz : the band that the loudspeaker's data fill; outside it the response is zero, tapered over 1/6 octave
    """

    value: FloatArray
    sample_rate: float
    paths: int
    low_hz: float
    high_hz: float
    provenance: dict[str, Any]


def impulse_response(
    room: Room,
    source: Loudspeaker | Way | Sequence[Way],
    placement: Placement,
    seat: ArrayLike,
    sample_rate: float = 48000.0,
    early_s: float = 0.100,
    late: bool = True,
    modes: bool = True,
    seed: int = 1,
    order: int = 6,
    walls: Walls = "impedance",
    orbits: str = "refuse",
) -> ImpulseResponse:
    """Impulse response at one seat: image sources, complete to `early_s` behind the direct sound in a box; modes below the
    splice; behind, noise that decays as the statistical late field does.

    Parameters
        early_s : s; order-complete in a box, limited by `order` in polyhedral rooms
        late : add the decaying noise; modes : take the modal sum below the splice (box rooms)
        seed : of the noise
    Error: path amplitudes run linearly between 1/24-octave points; delays are exact, not rounded to samples.
    Cost: O(paths points); a 50 m^3 box to 100 ms, two ways, some 0.2 s on one core.
    Raises Refusal where the loudspeaker's phase is unknown.
    """
    known = loudspeaker(source)
    if not known.phase_known:
        raise Refusal("An impulse response needs phase, and this directivity holds magnitude only.")
    if not (np.isfinite(sample_rate) and 8000 <= sample_rate <= 384000):
        raise DataError(message("sample rate", "8 to 384 kHz", f"{sample_rate:g} Hz", fix="48 kHz"))
    point = check_places(room, known, placement, np.atleast_2d(seat))
    low, high = max(known.frequency_range[0], 10.0), min(known.frequency_range[1], 0.5 * sample_rate)
    length = _length(room, placement, point[0], early_s, late, sample_rate)
    bins: FloatArray = np.asarray(np.fft.rfftfreq(length, 1 / sample_rate), float)
    use = np.flatnonzero((bins >= low) & (bins <= high))
    grid = BandGrid(np.array([1000.0]), 1, bins[use], np.array([0, len(use)]), _nodes(low, high))
    tops = bins[use][bins[use] < MODAL_TOP_HZ] if modes else np.zeros(0)
    table = pattern_table(known, grid.node, tops if len(tops) else np.array([max(low, 100.0)]), orbits)
    tracer = Tracer(room, known, placement, grid, table, early_s, order, walls)
    summed = tracer.seat(point[0])
    spectrum = np.zeros(len(bins), complex)
    spectrum[use] = summed.spectrum
    if late:
        spectrum[use] += _late_spectrum(tracer, point[0], length, sample_rate, seed)[use]
    if len(tops) and tracer.splice is not None:
        _splice_modes(tracer, spectrum, use[: len(tops)], tops, point)
    spectrum[use] *= _taper(bins[use], low, high)
    value = np.fft.irfft(spectrum, length)
    note = {
        "early_s": early_s,
        "late": late,
        "splice_hz": tracer.splice if len(tops) else None,
        "pattern": table.method,
        "seed": seed,
    }
    return ImpulseResponse(value, sample_rate, summed.count, low, high, note)


def _nodes(low: float, high: float) -> FloatArray:
    node = node_axis(low, high)
    return np.asarray(np.concatenate([[low], node[(node > low * 1.001) & (node < high * 0.999)], [high]]))


def _length(room: Room, placement: Placement, seat: FloatArray, early_s: float, late: bool, sample_rate: float) -> int:
    """A quick FFT length that holds the response: direct path, early part and, with the late field, 1.1 reverberation times."""
    from scipy.fft import next_fast_len

    if not (np.isfinite(early_s) and 0.001 <= early_s <= 2.0):
        raise DataError(message("early_s", "1 ms to 2 s", early_s, fix="0.1 s"))
    travel = float(np.linalg.norm(np.asarray(placement.position) - seat)) / room.air.speed_of_sound
    tail = 1.1 * float(room.reverberation_time(np.array([63.0, 125.0, 500.0])).max()) if late else 0.0
    seconds = travel + max(early_s, tail) + 0.03
    return int(next_fast_len(int(np.ceil(seconds * sample_rate)), real=True))


def _taper(f: FloatArray, low: float, high: float) -> FloatArray:
    """Raised cosine over 1/6 octave at the low end and 1/12 octave at the high one."""
    up = np.clip(np.log2(f / low) * 6, 0, 1)
    down = np.clip(np.log2(high / f) * 12, 0, 1)
    return np.asarray(np.sin(np.pi / 2 * up) ** 2 * np.sin(np.pi / 2 * down) ** 2)


def _late_spectrum(tracer: Tracer, seat: FloatArray, length: int, sample_rate: float, seed: int) -> ComplexArray:
    """Noise whose expected squared spectrum is that of the late field, band by band under its own decay."""
    c, node = tracer.room.air.speed_of_sound, tracer.grid.node
    start = float(np.linalg.norm(np.asarray(tracer.placement.position) - seat)) / c
    time = np.arange(length) / sample_rate
    bins = np.fft.rfftfreq(length, 1 / sample_rate)
    noise = np.fft.rfft(np.random.default_rng(seed).standard_normal(length))
    density = 4 * np.pi * c * tracer.table.power / tracer.room.volume / sample_rate
    level = np.sqrt(np.interp(bins, node, density))
    octave = np.log2(np.maximum(bins, 1.0) / 1000.0)
    total = np.zeros(length)
    for i in range(-6, 5):
        share = np.cos(np.pi / 2 * np.clip(np.abs(octave - i), 0, 1))  # squares add to 1
        if not np.any(share > 0) or 1000 * 2.0**i > sample_rate / 2:
            continue
        centre = np.array([1000 * 2.0**i])
        rate = float(tracer.rates(centre)[0])
        scatter = float(tracer.scatter_rate(centre)[0])
        envelope = np.where(time >= start + tracer.early_s, np.exp(-rate * time), 0.0)
        between = (time >= start) & (time < start + tracer.early_s)
        envelope[between] = np.exp(-rate * time[between]) - np.exp(-(rate + scatter) * time[between])
        total += np.fft.irfft(noise * level * share, length) * np.sqrt(envelope)
    return np.asarray(np.fft.rfft(total))


def _splice_modes(tracer: Tracer, spectrum: ComplexArray, index: NDArray[np.intp], f: FloatArray, seat: FloatArray) -> None:
    from evenfield.rooms.playing import modal_share

    assert tracer.splice is not None
    share = modal_share(f, np.array([tracer.splice]))[0]
    use = share > 0
    modal = tracer.modal(seat, f[use], tracer.table.low[:, : len(f)][:, use])[0]
    spectrum[index[use]] = share[use] * modal + (1 - share[use]) * spectrum[index[use]]


def write_wav(response: ImpulseResponse, path: str | Path) -> str:
    """Write for listening: 24 bit, peak at -12 dB of full scale. Returns the caution to show."""
    import soundfile

    from evenfield.base.files import write_whole

    peak = float(np.abs(response.value).max())
    value = response.value * (PEAK / peak) if peak > 0 else response.value
    rate = round(response.sample_rate)
    write_whole(Path(path), lambda p: soundfile.write(p, value, rate, subtype="PCM_24", format="WAV"))
    return CAUTION


__all__ = ["CAUTION", "ImpulseResponse", "SeatSum", "impulse_response", "write_wav"]
