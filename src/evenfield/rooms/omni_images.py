"""A quick impulse response of an omnidirectional source in a box: what the room does by itself.

Every image is spread over a few samples of the time axis in each octave band, and the bands are joined in frequency; the pulse's
shape is divided out exactly. Walls reflect sqrt(1 - absorption) at every angle.
"""

# mypy: disallow-untyped-defs=False, disallow-untyped-calls=False, check-untyped-defs=False

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
from numba import njit
from numpy.typing import ArrayLike, NDArray

from evenfield.base.errors import DataError, message
from evenfield.rooms.room import BoxRoom, check_seats

FloatArray = NDArray[np.float64]

WIDTH = 12
"""Samples over which an arrival is spread."""
FINE = 512
"""Tabulated positions between two samples, linear between."""
BETA = 0.98 * math.pi * WIDTH * 0.58
"""Kaiser-Bessel parameter for a pass band of 0.42 of the sample rate."""
BANDS = (125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)
"""Octaves in which walls and air are told apart, held beyond."""


@dataclass(frozen=True)
class OmniResponse:
    """Response to an omnidirectional source of 1 Pa at 1 m: (N,) samples, their rate, and the number of images."""

    value: FloatArray
    sample_rate: float
    images: int


def omni_response(
    room: BoxRoom,
    position: ArrayLike,
    seat: ArrayLike,
    sample_rate: float = 48000.0,
    early_s: float | None = 0.1,
    order: int | None = None,
    bands: bool = True,
) -> OmniResponse:
    """Image-source response of a box room to an omnidirectional source.

    Parameters
        early_s : complete to this time behind the direct sound; or
        order : all images of up to this many reflections
        bands : absorption by octaves and air absorption; False takes the absorption at 1 kHz and no air, and is quicker
    Valid to 0.42 of the sample rate; zero above 0.46. Error 1e-4 of the largest arrival.
    Source: Allen & Berkley, JASA 65 (1979) 943; spreading as in the non-uniform FFT (Kaiser-Bessel window, from memory).
    """
    from scipy import fft

    p, s = np.asarray(position, float), check_seats(seat)[0]
    room.check_inside(np.stack([p, s]), "point")
    if early_s is None and order is None:
        raise DataError(message("early_s or order", "given", "neither"))
    centre = np.asarray([b for b in BANDS if b < 0.42 * sample_rate] if bands else [1000.0])
    factor = np.sqrt(1 - np.stack([w.absorption_at(centre) for w in room.surfaces]))
    air = room.air.absorption_db_per_m(centre) / 20 * np.log(10) if bands else np.zeros(1)
    c = room.air.speed_of_sound
    straight = float(np.linalg.norm(p - s))
    longest = straight + c * early_s if order is None and early_s is not None else _reach(room, int(order or 0))
    length = fft.next_fast_len(int(longest / c * sample_rate) + WIDTH + 64, real=True)
    sums = np.zeros((length, len(centre)), np.float32)
    most = order if order is not None else 10**6
    count = _spread(np.asarray(room.length), p, s, factor.astype(np.float32), longest, most, c, sample_rate, _window(), air, sums)
    weight = _weights(length, sample_rate, tuple(float(v) for v in centre))
    joined = np.einsum("fb,fb->f", fft.rfft(sums, axis=0), weight)
    return OmniResponse(fft.irfft(joined, length), sample_rate, int(count))


def _reach(room: BoxRoom, order: int) -> float:
    """m: the farthest image of an order."""
    return float(max(room.length) * (order + 1)) + float(np.linalg.norm(room.length))


@cache
def _window() -> NDArray[np.float32]:
    """(FINE + 2, WIDTH) Kaiser-Bessel window at sub-sample positions."""
    from scipy.special import i0

    place = np.arange(FINE + 2)[:, None] / FINE
    x = (np.arange(WIDTH)[None] - (WIDTH / 2 - 1) - place) / (WIDTH / 2)
    inside = np.clip(1 - x**2, 0, None)
    return np.asarray(np.where(np.abs(x) < 1, i0(BETA * np.sqrt(inside)) / i0(BETA), 0.0), np.float32)


@cache
def _weights(length: int, sample_rate: float, centre: tuple[float, ...]) -> NDArray[np.complex64]:
    """(F, B) share of each octave, linear over frequency between centres, over the window's own spectrum."""
    from scipy.special import i0

    f = np.fft.rfftfreq(length, 1 / sample_rate)
    w = f / sample_rate
    root = np.sqrt((BETA**2 - (np.pi * WIDTH * w) ** 2).astype(complex))
    own = np.real(WIDTH * np.sinh(root) / (i0(BETA) * np.where(np.abs(root) < 1e-9, 1, root)))
    shift = np.exp(2j * np.pi * w * (WIDTH / 2 - 1))
    taper = np.cos(np.pi / 2 * np.clip((w - 0.42) / 0.04, 0, 1)) ** 2
    share = np.stack([np.interp(f, centre, row) for row in np.eye(len(centre))])
    return np.ascontiguousarray((share * (taper / own * shift)).T, np.complex64)


@njit(cache=True, fastmath=True)
def _spread(length, source, seat, factor, longest, order, c, rate, window, air, sums):
    """Add every image's pulse; returns the number of images."""
    bands = factor.shape[1]
    top = np.zeros(3, np.int64)
    for a in range(3):
        top[a] = min(int(longest / length[a]) + 2, order)
    most = max(top[0], top[1], top[2])
    gap = np.zeros((3, 2 * most + 1))
    gain = np.zeros((3, 2 * most + 1, bands), np.float32)
    for a in range(3):
        for i in range(-top[a], top[a] + 1):
            odd = i % 2
            d = seat[a] - ((i + odd) * length[a] + (-source[a] if odd else source[a]))
            gap[a, i + most] = d * d
            low = abs(i) // 2 + (1 if odd and i < 0 else 0)
            high = abs(i) // 2 + (1 if odd and i > 0 else 0)
            for b in range(bands):
                gain[a, i + most, b] = factor[2 * a, b] ** low * factor[2 * a + 1, b] ** high
    limit = longest * longest
    # air: exp(-m r) by its value at steps of 0.25 m and the first two terms of the rest
    step = 0.25
    rows = int(longest / step) + 2
    table = np.zeros((rows, bands), np.float32)
    for r in range(rows):
        for b in range(bands):
            table[r, b] = math.exp(-air[b] * r * step)
    slope = np.zeros(bands, np.float32)
    for b in range(bands):
        slope[b] = air[b]
    amplitude, edge, pulse = np.zeros(bands, np.float32), np.zeros(bands, np.float32), np.zeros(WIDTH, np.float32)
    per_metre = rate / c
    count = 0
    for i in range(-top[0], top[0] + 1):
        for j in range(-top[1], top[1] + 1):
            left = order - abs(i) - abs(j)
            plane = gap[0, i + most] + gap[1, j + most]
            if left < 0 or plane > limit:
                continue
            for b in range(bands):
                edge[b] = gain[0, i + most, b] * gain[1, j + most, b]
            last = min(top[2], left)
            for k in range(-last, last + 1):
                square = plane + gap[2, k + most]
                if square > limit:
                    continue
                r = math.sqrt(square)
                count += 1
                row = int(r / step)
                rest = np.float32(r - row * step)
                inverse = np.float32(1.0 / r)
                own = gain[2, k + most]
                for b in range(bands):
                    x = slope[b] * rest
                    amplitude[b] = edge[b] * own[b] * table[row, b] * (np.float32(1.0) - x + np.float32(0.5) * x * x) * inverse
                place = r * per_metre
                base = int(place)
                fine = (place - base) * FINE
                cell = int(fine)
                t = np.float32(fine - cell)
                lower, upper = window[cell], window[cell + 1]
                for n in range(WIDTH):
                    pulse[n] = lower[n] + t * (upper[n] - lower[n])
                if bands == 8:
                    for n in range(WIDTH):
                        target = sums[base + n]
                        for b in range(8):
                            target[b] += amplitude[b] * pulse[n]
                else:
                    for n in range(WIDTH):
                        for b in range(bands):
                            sums[base + n, b] += amplitude[b] * pulse[n]
    return count
