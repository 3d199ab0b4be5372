"""Low frequencies of a box room: the modal sum, exact for locally reacting walls of one impedance each.

The modes of two axes are summed, the third axis is closed in its own exact form (the sum of that axis' modes), so the series
converges exponentially with the distance along that axis, and the direct sound is part of it. Wave numbers are the complex roots
for the walls' impedance, tracked over frequency: damping is not a perturbation added to rigid modes.
A directive source excites each of the eight plane waves of a mode by its pressure in that wave's direction; waves that do not
propagate along the closed axis take the direction in its plane.
Source: Morse & Ingard, Theoretical Acoustics (1968), section 9.4 (rectangular room, impedance walls; from memory).
"""

# mypy: disallow-untyped-defs=False, disallow-untyped-calls=False, check-untyped-defs=False

from __future__ import annotations

import cmath
import math

import numpy as np
from numba import njit
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

LARGEST_IMPEDANCE = 1e6
DEPTH = 7.0
"""Waves that fall by more than e^-7 (61 dB) between source and seat are left out."""


def rigid_mode_frequencies(length: ArrayLike, speed_of_sound: float, high_hz: float) -> FloatArray:
    """(N,) Hz, ascending: c/2 sqrt((l/Lx)^2 + (m/Ly)^2 + (n/Lz)^2) of a rigid box, the zero mode left out.

    Source: Kuttruff, Room Acoustics, section 3.2 (from memory).
    """
    lengths = np.asarray(length, float)
    top = np.floor(2 * high_hz * lengths / speed_of_sound).astype(int)
    index = np.stack(np.meshgrid(*(np.arange(t + 1) for t in top), indexing="ij"), -1).reshape(-1, 3)
    f = speed_of_sound / 2 * np.linalg.norm(index / lengths, axis=1)
    return np.sort(f[(f > 0) & (f <= high_hz)])


def modal_admittance(admittance: FloatArray, areas: FloatArray, volume: ArrayLike, rate: FloatArray, c: float) -> FloatArray:
    """Wall admittances whose oblique modes decay as the room's reverberation time says: (..., 6, L).

    Parameters
        admittance : (..., 6, L) 1/zeta of the walls; areas (..., 6) m^2; volume (...,) m^3
        rate : (..., L) energy decay rate of the statistical field, 1/s
    Oblique modes of walls 1/zeta decay at 2 c/V sum(S/zeta), which for stiff walls is up to a third faster than Eyring's rate
    with the same walls' random-incidence absorption, because a box without scatterers never refills grazing directions.
    Absorption is given as measured in diffuse fields, so one factor a room and frequency, the same for all its walls, gives
    both the same reverberation time, and the level has no step where they meet.
    Source: the decay of oblique modes from Morse & Ingard, section 9.4 (from memory).
    """
    walls = np.einsum("...w,...wl->...l", areas, admittance)
    own = 2 * c * walls / np.asarray(volume)[..., None]
    return np.asarray(admittance * (rate / np.maximum(own, 1e-9))[..., None, :])


@njit(cache=True)
def _root(q, k, b0, b1, length):
    """Newton on (q + k^2 b0 b1/q) sin qL - j k (b0 + b1) cos qL = 0."""
    bb = k * k * b0 * b1
    kb = 1j * k * (b0 + b1)
    for _ in range(12):
        s, c = cmath.sin(q * length), cmath.cos(q * length)
        f = (q + bb / q) * s - kb * c
        d = (1 - bb / (q * q)) * s + (q + bb / q) * length * c + kb * length * s
        step = f / d
        limit = 0.5 / length
        if abs(step) > limit:
            step *= limit / abs(step)
        q -= step
        if abs(step) < 1e-10 * abs(q):
            break
    return q


@njit(cache=True)
def axis_roots(q, k, b0, b1, length, fresh):
    """Roots of one axis in place: from perturbation when `fresh`, else from the last frequency's."""
    for n in range(len(q)):
        start = q[n]
        if fresh:
            eps = 1.0 if n == 0 else 2.0
            start = cmath.sqrt((n * math.pi / length) ** 2 + eps * 1j * k * (b0 + b1) / length)
        q[n] = _root(start, k, b0, b1, length)


@njit(cache=True, fastmath=True)
def _towards(low, frame, vx, vy, vz):
    """Value of a third-order pattern (16,) towards a direction of the room."""
    n = math.sqrt(vx * vx + vy * vy + vz * vz)
    if n < 1e-12:
        return low[0]
    x = (frame[0, 0] * vx + frame[0, 1] * vy + frame[0, 2] * vz) / n
    y = (frame[1, 0] * vx + frame[1, 1] * vy + frame[1, 2] * vz) / n
    z = (frame[2, 0] * vx + frame[2, 1] * vy + frame[2, 2] * vz) / n
    flat = low[0] + x * (low[1] + x * (low[2] + x * low[3])) + y * (low[4] + y * (low[5] + y * low[6]))
    flat += x * y * (low[7] + x * low[8] + y * low[9])
    return flat + z * (low[10] + x * (low[11] + x * low[12]) + y * (low[13] + y * low[14]) + x * y * low[15])


@njit(cache=True)
def _shape(q, k, b0, length):
    """A, B of psi = A e^{jqx} + B e^{-jqx}, and the integral of psi^2."""
    a, b = 0.5 * (1 + k * b0 / q), 0.5 * (1 - k * b0 / q)
    e = cmath.exp(2j * q * length)
    norm = a * a * (e - 1) / (2j * q) + b * b * (1 - 1 / e) / (2j * q) + 2 * a * b * length
    return a, b, norm


@njit(cache=True, fastmath=True)
def side_factors(q, k, b0, length, places, up, down):
    """The two waves of every mode of one axis at (N,) places, over the root of its norm, into (M, N); number of modes."""
    count = 0
    for m in range(len(q)):
        if q[m] == 0:
            break
        a, b, norm = _shape(q[m], k, b0, length)
        scale = 1 / cmath.sqrt(norm)
        for i in range(len(places)):
            turn = cmath.exp(1j * q[m] * places[i])
            up[m, i] = a * turn * scale
            down[m, i] = b / turn * scale
        count += 1
    return count


@njit(cache=True, fastmath=True)
def excitation(low, frame, omni, up1, down1, up2, down2, k1, k2, kx, k, axis, v):
    """What one way sends along + and - the closed axis into one mode of the other two; v (3,) is scratch."""
    if omni:
        both = (up1 + down1) * (up2 + down2) * low[0]
        return both, both
    first, second = (axis + 1) % 3, (axis + 2) % 3
    ahead, back = 0j, 0j
    for i in range(2):
        for j in range(2):
            v[first] = k1 if i == 0 else -k1
            v[second] = k2 if j == 0 else -k2
            weight = (up1 if i == 0 else down1) * (up2 if j == 0 else down2)
            v[axis] = kx
            there = _towards(low, frame, v[0], v[1], v[2])
            ahead += weight * there
            if kx > 1e-3 * k:
                v[axis] = -kx
                there = _towards(low, frame, v[0], v[1], v[2])
            back += weight * there
    return ahead, back


@njit(cache=True, fastmath=True)
def box_modal(length, beta, k, fresh, roots, axis, frame, origins, seats, low, omni, out):
    """Modal pressure of one loudspeaker at one frequency, (S,) complex, Pa per volt; roots are tracked in place.

    beta (6,) specific admittances; axis the closed one; origins (W, 3); seats (S, 3); low (W, 16) patterns; omni: the pattern is
    the same in every direction.
    """
    first, second = (axis + 1) % 3, (axis + 2) % 3
    lx, ways, listeners = length[axis], len(origins), len(seats)
    b0, b1 = beta[2 * axis], beta[2 * axis + 1]
    axis_roots(roots[0], k, beta[2 * first], beta[2 * first + 1], length[first], fresh)
    axis_roots(roots[1], k, beta[2 * second], beta[2 * second + 1], length[second], fresh)
    most, points = roots.shape[1], ways + listeners
    places = np.zeros((2, points))
    nearest = 1e9
    for w in range(ways):
        places[0, w], places[1, w] = origins[w, first], origins[w, second]
        for s in range(listeners):
            nearest = min(nearest, abs(seats[s, axis] - origins[w, axis]))
    for s in range(listeners):
        places[0, ways + s], places[1, ways + s] = seats[s, first], seats[s, second]
        out[s] = 0.0
    nearest = max(nearest, 0.05)
    up, down = np.zeros((2, most, points), np.complex128), np.zeros((2, most, points), np.complex128)
    rows = side_factors(roots[0], k, beta[2 * first], length[first], places[0], up[0], down[0])
    columns = side_factors(roots[1], k, beta[2 * second], length[second], places[1], up[1], down[1])
    ends, v = np.zeros(listeners, np.complex128), np.zeros(3)
    for m in range(rows):
        q1 = roots[0, m]
        for n in range(columns):
            q2 = roots[1, n]
            qx = cmath.sqrt(k * k - q1 * q1 - q2 * q2)
            if qx.imag > 0:
                qx = -qx
            if -qx.imag * nearest > DEPTH:
                break
            r0, r1 = (qx - k * b0) / (qx + k * b0), (qx - k * b1) / (qx + k * b1)
            across = cmath.exp(-1j * qx * lx)
            scale = 4 * math.pi / (2j * qx * (1 - r0 * r1 * across * across))
            for s in range(listeners):
                ends[s] = cmath.exp(-1j * qx * seats[s, axis])
            for w in range(ways):
                x0 = origins[w, axis]
                ahead, back = excitation(
                    low[w],
                    frame,
                    omni,
                    up[0, m, w],
                    down[0, m, w],
                    up[1, n, w],
                    down[1, n, w],
                    abs(q1.real),
                    abs(q2.real),
                    abs(qx.real),
                    k,
                    axis,
                    v,
                )
                e0, e1 = cmath.exp(-1j * qx * x0), cmath.exp(-1j * qx * (lx - x0))
                for s in range(listeners):
                    x, p = seats[s, axis], ways + s
                    direct = cmath.exp(-1j * qx * abs(x - x0))
                    if x >= x0:
                        line = direct * (ahead + back * r0 * e0 * e0)
                        line += cmath.exp(-1j * qx * (lx - x)) * r1 * (ahead * e1 + back * r0 * e0 * across)
                    else:
                        line = direct * (back + ahead * r1 * e1 * e1)
                        line += ends[s] * r0 * (back * e0 + ahead * r1 * e1 * across)
                    out[s] += scale * (up[0, m, p] + down[0, m, p]) * (up[1, n, p] + down[1, n, p]) * line


@njit(cache=True)
def closed_axis(length, origins, seats):
    """The axis along which source and seats lie farthest apart, and that distance."""
    best, distance = 0, -1.0
    for axis in range(3):
        near = 1e9
        for s in range(len(seats)):
            for w in range(len(origins)):
                near = min(near, abs(seats[s, axis] - origins[w, axis]))
        if near > distance:
            best, distance = axis, near
    return best, max(distance, 0.05)


@njit(cache=True, nogil=True)
def modal_spectrum(length, beta, wavenumber, frame, origins, seats, low, omni, out):
    """(S, L) modal pressure over ascending wavenumbers; beta (6, L); low (W, L, 16)."""
    axis, distance = closed_axis(length, origins, seats)
    reach = math.sqrt(wavenumber[-1] ** 2 + (DEPTH / distance) ** 2)
    count = np.zeros(2, np.int64)
    for i in range(2):
        count[i] = min(60, int(reach * length[(axis + 1 + i) % 3] / math.pi) + 2)
    roots = np.zeros((2, max(count[0], count[1])), np.complex128)
    column = np.zeros(len(seats), np.complex128)
    for i in range(len(wavenumber)):
        box_modal(length, beta[:, i], wavenumber[i], i == 0, roots, axis, frame, origins, seats, low[:, i], omni, column)
        for s in range(len(seats)):
            out[s, i] = column[s]


@njit(cache=True, nogil=True)
def modal_places(start, stop, lengths, beta, wavenumber, stops, frames, origins, seats, low, omni, first, out):
    """Band means of |p|^2, out (R, P, S, Bl), at the places numbered room * places + place from `start` up to `stop`.

    beta (R, 6, L); first (Bl + 1,) of the points of each band; stops (R,) points wanted, ends of bands.
    """
    places = out.shape[1]
    for flat in range(start, stop):
        r = flat // places
        p = flat - r * places
        spectrum = np.zeros((out.shape[2], stops[r]), np.complex128)
        modal_spectrum(lengths[r], beta[r], wavenumber[: stops[r]], frames[r, p], origins[r, p], seats[r], low, omni, spectrum)
        for s in range(out.shape[2]):
            for b in range(out.shape[3]):
                if first[b + 1] > stops[r]:
                    break
                energy = 0.0
                for m in range(first[b], first[b + 1]):
                    value = spectrum[s, m]
                    energy += value.real * value.real + value.imag * value.imag
                out[r, p, s, b] = energy / (first[b + 1] - first[b])
