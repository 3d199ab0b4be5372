"""Low frequencies of a box room: the modal sum, exact for locally reacting walls of one impedance each.

The modes of two axes are summed, the third axis is closed in its own exact form (the sum of that axis' modes), so the series
converges exponentially with the distance along that axis, and the direct sound is part of it. Wave numbers are the complex roots
for the walls' impedance, tracked over frequency: damping is not a perturbation added to rigid modes.
A directive source excites each of the eight plane waves of a mode by its pressure in that wave's direction; waves that do not
propagate along the closed axis take the direction in its plane.
Source: Morse & Ingard, Theoretical Acoustics (1968), section 9.4 (rectangular room, impedance walls; from memory).
"""

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
    Oblique modes of walls 1/zeta decay at 2 c/V sum(S/zeta), which for stiff walls is up to a third faster than Eyring's rate with
    the same walls' random-incidence absorption, because a box without scatterers never refills grazing directions. Absorption is
    given as measured in diffuse fields, so one factor a room and frequency, the same for all its walls, gives both the same
    reverberation time, and the level has no step where they meet.
    Source: the decay of oblique modes from Morse & Ingard, section 9.4 (from memory).
    """
    walls = np.einsum("...w,...wl->...l", areas, admittance)
    own = 2 * c * walls / np.asarray(volume)[..., None]
    return np.asarray(admittance * (rate / np.maximum(own, 1e-9))[..., None, :])


@njit(cache=True)
def _root(q, k, b0, b1, length):  # type: ignore[no-untyped-def]
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
def axis_roots(q, k, b0, b1, length, fresh):  # type: ignore[no-untyped-def]
    """Roots of one axis in place: from perturbation when `fresh`, else from the last frequency's."""
    for n in range(len(q)):
        start = q[n]
        if fresh:
            eps = 1.0 if n == 0 else 2.0
            start = cmath.sqrt((n * math.pi / length) ** 2 + eps * 1j * k * (b0 + b1) / length)
        q[n] = _root(start, k, b0, b1, length)


@njit(cache=True)
def _towards(coarse, ux, uy, uz):  # type: ignore[no-untyped-def]
    """Bilinear value of a (19, 36) table of plain values at 10 degrees."""
    row = (math.asin(min(1.0, max(-1.0, uz))) / math.pi + 0.5) * 18
    column = math.atan2(uy, ux) / (2 * math.pi) * 36
    r0 = min(int(row), 17)
    c0 = int(math.floor(column))
    t, s = row - r0, column - c0
    i, j = c0 % 36, (c0 + 1) % 36
    low = coarse[r0, i] * (1 - s) + coarse[r0, j] * s
    high = coarse[r0 + 1, i] * (1 - s) + coarse[r0 + 1, j] * s
    return low * (1 - t) + high * t


@njit(cache=True)
def _framed(coarse, frame, vx, vy, vz):  # type: ignore[no-untyped-def]
    n = math.sqrt(vx * vx + vy * vy + vz * vz)
    if n < 1e-12:
        return np.complex128(coarse[9, 0])
    vx, vy, vz = vx / n, vy / n, vz / n
    return np.complex128(
        _towards(
            coarse,
            frame[0, 0] * vx + frame[0, 1] * vy + frame[0, 2] * vz,
            frame[1, 0] * vx + frame[1, 1] * vy + frame[1, 2] * vz,
            frame[2, 0] * vx + frame[2, 1] * vy + frame[2, 2] * vz,
        )
    )


@njit(cache=True)
def _shape(q, k, b0, length):  # type: ignore[no-untyped-def]
    """A, B of psi = A e^{jqx} + B e^{-jqx}, and the integral of psi^2."""
    a, b = 0.5 * (1 + k * b0 / q), 0.5 * (1 - k * b0 / q)
    e = cmath.exp(2j * q * length)
    norm = a * a * (e - 1) / (2j * q) + b * b * (1 - 1 / e) / (2j * q) + 2 * a * b * length
    return a, b, norm


@njit(cache=True, fastmath=True)
def box_modal(length, beta, k, fresh, roots, axis, frame, origins, seats, coarse, omni, out):  # type: ignore[no-untyped-def]
    """Modal pressure of one loudspeaker at one frequency, (S,) complex, Pa per volt; roots are tracked in place.

    beta (6,) specific admittances; axis the closed one; origins (W, 3); seats (S, 3); coarse (W, 19, 36); omni: the pattern is
    the same in every direction.
    """
    first, second = (axis + 1) % 3, (axis + 2) % 3
    lx = length[axis]
    axis_roots(roots[0], k, beta[2 * first], beta[2 * first + 1], length[first], fresh)
    axis_roots(roots[1], k, beta[2 * second], beta[2 * second + 1], length[second], fresh)
    b0, b1 = beta[2 * axis], beta[2 * axis + 1]
    for s in range(len(seats)):
        out[s] = 0.0
    nearest = 1e9
    for s in range(len(seats)):
        for w in range(len(origins)):
            nearest = min(nearest, abs(seats[s, axis] - origins[w, axis]))
    nearest = max(nearest, 0.05)
    v = np.zeros(3)
    for m in range(roots.shape[1]):
        q1 = roots[0, m]
        if q1 == 0:
            break
        a1, c1, n1 = _shape(q1, k, beta[2 * first], length[first])
        for n in range(roots.shape[1]):
            q2 = roots[1, n]
            if q2 == 0:
                break
            qx = cmath.sqrt(k * k - q1 * q1 - q2 * q2)
            if qx.imag > 0:
                qx = -qx
            if -qx.imag * nearest > DEPTH:
                break
            a2, c2, n2 = _shape(q2, k, beta[2 * second], length[second])
            r0, r1 = (qx - k * b0) / (qx + k * b0), (qx - k * b1) / (qx + k * b1)
            ring = 1 / (1 - r0 * r1 * cmath.exp(-2j * qx * lx))
            scale = 4 * math.pi / (n1 * n2 * 2j * qx) * ring
            kx, k1, k2 = abs(qx.real), abs(q1.real), abs(q2.real)
            for w in range(len(origins)):
                x0, y0, z0 = origins[w, axis], origins[w, first], origins[w, second]
                ep1, em1 = a1 * cmath.exp(1j * q1 * y0), c1 * cmath.exp(-1j * q1 * y0)
                ep2, em2 = a2 * cmath.exp(1j * q2 * z0), c2 * cmath.exp(-1j * q2 * z0)
                if omni:
                    up = (ep1 + em1) * (ep2 + em2) * coarse[w, 9, 0]
                    down = up
                else:
                    up, down = 0j, 0j
                    for i in range(2):
                        for j in range(2):
                            v[first] = k1 if i == 0 else -k1
                            v[second] = k2 if j == 0 else -k2
                            weight = (ep1 if i == 0 else em1) * (ep2 if j == 0 else em2)
                            v[axis] = kx
                            ahead = _framed(coarse[w], frame, v[0], v[1], v[2])
                            up += weight * ahead
                            if kx > 1e-3 * k:
                                v[axis] = -kx
                                down += weight * _framed(coarse[w], frame, v[0], v[1], v[2])
                            else:
                                down += weight * ahead
                e0, e1 = cmath.exp(-1j * qx * x0), cmath.exp(-1j * qx * (lx - x0))
                for s in range(len(seats)):
                    x, y, z = seats[s, axis], seats[s, first], seats[s, second]
                    f0, f1 = cmath.exp(-1j * qx * x), cmath.exp(-1j * qx * (lx - x))
                    if x >= x0:
                        line = cmath.exp(-1j * qx * (x - x0)) * (up + down * r0 * e0 * e0)
                        line += f1 * r1 * (up * e1 + down * r0 * e0 * cmath.exp(-1j * qx * lx))
                    else:
                        line = cmath.exp(-1j * qx * (x0 - x)) * (down + up * r1 * e1 * e1)
                        line += f0 * r0 * (down * e0 + up * r1 * e1 * cmath.exp(-1j * qx * lx))
                    psi = a1 * cmath.exp(1j * q1 * y) + c1 * cmath.exp(-1j * q1 * y)
                    psi *= a2 * cmath.exp(1j * q2 * z) + c2 * cmath.exp(-1j * q2 * z)
                    out[s] += scale * psi * line


@njit(cache=True)
def closed_axis(length, origins, seats):  # type: ignore[no-untyped-def]
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
def modal_spectrum(length, beta, wavenumber, frame, origins, seats, coarse, omni, out):  # type: ignore[no-untyped-def]
    """(S, L) modal pressure over ascending wavenumbers; beta (6, L); coarse (W, L, 19, 36)."""
    axis, distance = closed_axis(length, origins, seats)
    reach = math.sqrt(wavenumber[-1] ** 2 + (DEPTH / distance) ** 2)
    count = np.zeros(2, np.int64)
    for i in range(2):
        count[i] = min(60, int(reach * length[(axis + 1 + i) % 3] / math.pi) + 2)
    roots = np.zeros((2, max(count[0], count[1])), np.complex128)
    column = np.zeros(len(seats), np.complex128)
    for i in range(len(wavenumber)):
        box_modal(length, beta[:, i], wavenumber[i], i == 0, roots, axis, frame, origins, seats, coarse[:, i], omni, column)
        for s in range(len(seats)):
            out[s, i] = column[s]


@njit(cache=True, nogil=True)
def modal_places(start, stop, lengths, beta, wavenumber, frames, origins, seats, coarse, omni, first, out):  # type: ignore[no-untyped-def]  # noqa: E501
    """Band means of |p|^2, out (R, P, S, Bl), at the places numbered room * places + place from `start` up to `stop`.

    beta (R, 6, L); first (Bl + 1,) of the points of each band.
    """
    places = out.shape[1]
    for flat in range(start, stop):
        r = flat // places
        p = flat - r * places
        spectrum = np.zeros((out.shape[2], len(wavenumber)), np.complex128)
        modal_spectrum(lengths[r], beta[r], wavenumber, frames[r, p], origins[r, p], seats[r], coarse, omni, spectrum)
        for s in range(out.shape[2]):
            for b in range(out.shape[3]):
                energy = 0.0
                for m in range(first[b], first[b + 1]):
                    value = spectrum[s, m]
                    energy += value.real * value.real + value.imag * value.imag
                out[r, p, s, b] = energy / (first[b + 1] - first[b])
