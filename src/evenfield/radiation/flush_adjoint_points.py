"""Contraction of the regular rule between the baffle's plane and a surface with two fields on either side.

With x a midpoint in the plane and y one of the surface, R from an image of x to y, the sum
    s1 G_h + s2 dG_h/dn_y,   s1 = Q_x w_y u_y + L_x v_y,   s2 = -(L_x p_y + j eta Q_x u_y), summed over the parts
changes as either point, y's area-weighted normal and weight, or any of the fields change. One pass serves all of that.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from evenfield.radiation.sine_cosine import sine_cosine
from evenfield.radiation.workers import in_order

Complex = NDArray[np.complexfloating[Any, Any]]
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

STRIP = 512
"""Points handled by one vector loop."""
POINTS_PER_TASK = 64


@dataclass
class PointDerivatives:
    """Of a contraction: by the plane's points, position (E, 3), q and weight (K, E) complex cotangents, dJ = Re(q dq);
    by the surface's, outer_position, outer_normal (P, 3), outer_weight (P,), strength (K, P) complex.
    """

    position: Floats
    q: Complex
    adjoint: Complex
    outer_position: Floats
    outer_normal: Floats
    outer_weight: Floats
    strength: Complex


def contract(
    wavenumber: float,
    coupling: float,
    images: Floats,
    plane: tuple[Floats, Complex, Complex],
    surface: tuple[Floats, Floats, Floats],
    fields: tuple[Complex, Complex, Complex],
    real: type[np.floating[Any]],
    threads: int,
) -> PointDerivatives:
    """Derivatives of the sum over all pairs and images.

    plane : positions (E, 3), Q and L (K, E), with the area's weight; images act on them
    surface : positions (P, 3), area-weighted normals (P, 3) and weights (P,)
    fields : u, p (K, P) and v (K, P), v with the area's weight; no u and p (0 rows): a surface in the plane, strengths only
    """
    position, q, adjoint = plane
    sides, bare = len(q), len(fields[0]) == 0
    count, outer = len(position), len(surface[0])
    place = np.ascontiguousarray(np.concatenate([surface[0], surface[1], surface[2][:, None]], axis=1).T.astype(real))
    outer_fields = np.concatenate([_planes(f) for f in fields if len(f)], axis=1).astype(real)
    inner_fields = np.concatenate([_planes(f) for f in (q, adjoint)], axis=1).astype(real)
    mirror = np.ascontiguousarray(images.astype(real))
    result = PointDerivatives(
        np.zeros((count, 3)), np.zeros((sides, count), complex), np.zeros((sides, count), complex), np.zeros((outer, 3)),
        np.zeros((outer, 3)), np.zeros(outer), np.zeros((sides, outer), complex),
    )  # fmt: skip

    def work(begin: int) -> tuple[int, Floats, Any]:
        part = slice(begin, begin + POINTS_PER_TASK)
        there = np.ascontiguousarray(position[part].astype(real))
        inside = np.ascontiguousarray(inner_fields[:, :, part])
        onto, over = np.zeros((len(there), 3 + 4 * sides)), np.zeros((7 + 2 * sides, outer), real)
        contract_rows(wavenumber, coupling, bare, mirror, there, inside, place, outer_fields, onto, over)
        return begin, onto, over

    total = np.zeros((7 + 2 * sides, outer))
    for begin, onto, over in in_order(work, range(0, count, POINTS_PER_TASK), threads):
        part = slice(begin, begin + POINTS_PER_TASK)
        result.position[part] = onto[:, :3]
        by = onto[:, 3:].reshape(-1, sides, 4).transpose(1, 2, 0)
        result.q[:, part], result.adjoint[:, part] = by[:, 0] + 1j * by[:, 1], by[:, 2] + 1j * by[:, 3]
        total += over
    result.outer_position, result.outer_normal, result.outer_weight = total[:3].T, total[3:6].T, total[6]
    by = total[7:].reshape(sides, 2, outer)
    result.strength = by[:, 0] + 1j * by[:, 1]
    return result


def _planes(field: Complex) -> Floats:
    """(K, 2, P) real and imaginary parts of (K, P)."""
    return np.asarray(np.stack([field.real, field.imag], axis=1), np.float64)


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def contract_rows(wavenumber, coupling, bare, images, test, inner, place, outer, onto, over):  # type: ignore[no-untyped-def]
    """Some points of the plane, test (E, 3), against all of a surface.

    inner (K, 4, E) : Q, L re, im; outer (K, 6, P) : u, p, v re, im, or (K, 2, P) v alone where `bare`; place (7, P)
    onto (E, 3 + 4 K), over (7 + 2 K, P) : added to, see PointDerivatives
    """
    real = place.dtype.type
    zero, sides = real(0), inner.shape[0]
    first = 0 if bare else 4
    work = np.empty((10, STRIP), place.dtype)
    s = np.empty((6, STRIP), place.dtype)
    for e in range(test.shape[0]):
        for begin in range(0, place.shape[1], STRIP):
            size = min(STRIP, place.shape[1] - begin)
            here = slice(begin, begin + size)
            s[:] = zero
            work[:] = zero
            for m in range(sides):
                qr, qi, lr, li = inner[m, 0, e], inner[m, 1, e], inner[m, 2, e], inner[m, 3, e]
                vr, vi = outer[m, first, here], outer[m, first + 1, here]
                for i in range(size):
                    s[2, i] += lr * vr[i] - li * vi[i]
                    s[3, i] += lr * vi[i] + li * vr[i]
                if not bare:
                    ur, ui, pr, pi = outer[m, 0, here], outer[m, 1, here], outer[m, 2, here], outer[m, 3, here]
                    for i in range(size):
                        s[0, i] += qr * ur[i] - qi * ui[i]
                        s[1, i] += qr * ui[i] + qi * ur[i]
                        s[4, i] -= lr * pr[i] - li * pi[i]
                        s[5, i] -= lr * pi[i] + li * pr[i]
            pull = np.zeros(3)
            for g in range(images.shape[0]):
                g0, g1, g2 = images[g, 0], images[g, 1], images[g, 2]
                x0, x1, x2 = test[e, 0] * g0, test[e, 1] * g1, test[e, 2] * g2
                if bare:
                    t0, t1, t2 = strip_strengths(wavenumber, x0, x1, x2, place[:, here], s[:, :size], work[:, :size])
                else:
                    t0, t1, t2 = strip_slopes(wavenumber, coupling, x0, x1, x2, place[:, here], s[:, :size], work[:, :size])
                pull[0] -= g0 * t0
                pull[1] -= g1 * t1
                pull[2] -= g2 * t2
            for i in range(3):
                onto[e, i] += pull[i]
            # rows of work: derivatives by position and normal; sums over images of G and of dG/dn
            for c in range(0, 3 if bare else 6):
                target, w = over[c, here], work[c]
                for i in range(size):
                    target[i] += w[i]
            if not bare:
                target = over[6, here]
                for i in range(size):
                    target[i] += s[0, i] * work[6, i] - s[1, i] * work[7, i]
            field_sums(coupling, bare, inner[:, :, e], place[6, here], outer[:, :, here], work[:, :size], onto[e], over[7:, here])


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def field_sums(coupling, bare, inner, weight, outer, work, onto, over):  # type: ignore[no-untyped-def]
    """Cotangents of Q, L at one point of the plane (onto, from 3 on) and of v at a strip of the surface's (over (2 K, n))."""
    real = work.dtype.type
    zero, eta = real(0), real(coupling)
    first = 0 if bare else 4
    gr, gi, nr, ni = work[6], work[7], work[8], work[9]
    for m in range(inner.shape[0]):
        lr, li = inner[m, 2], inner[m, 3]
        vr, vi = outer[m, first], outer[m, first + 1]
        over_r, over_i = over[2 * m], over[2 * m + 1]
        a, b = zero, zero
        for i in range(gr.size):
            over_r[i] += lr * gr[i] - li * gi[i]
            over_i[i] += lr * gi[i] + li * gr[i]
            a += gr[i] * vr[i] - gi[i] * vi[i]
            b += gr[i] * vi[i] + gi[i] * vr[i]
        if not bare:
            ur, ui, pr, pi = outer[m, 0], outer[m, 1], outer[m, 2], outer[m, 3]
            c, d = zero, zero
            for i in range(gr.size):
                a -= nr[i] * pr[i] - ni[i] * pi[i]
                b -= nr[i] * pi[i] + ni[i] * pr[i]
                # w G - j eta dG/dn
                kr, ki = weight[i] * gr[i] + eta * ni[i], weight[i] * gi[i] - eta * nr[i]
                c += kr * ur[i] - ki * ui[i]
                d += kr * ui[i] + ki * ur[i]
            onto[3 + 4 * m] += c
            onto[4 + 4 * m] += d
        onto[5 + 4 * m] += a
        onto[6 + 4 * m] += b


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def strip_strengths(wavenumber, x0, x1, x2, place, s, work):  # type: ignore[no-untyped-def]
    """One image of a point against strengths; adds to work, returns the sum of the derivatives by the surface's positions."""
    real = place.dtype.type
    one, zero, tiny = real(1), real(0), real(1e-13)
    turns, k, inverse_2pi = real(wavenumber / (2 * np.pi)), real(wavenumber), real(1 / (2 * np.pi))
    t1, t2 = zero, zero
    y1, y2, sr, si = place[1], place[2], s[2], s[3]
    w1, w2, w6, w7 = work[1], work[2], work[6], work[7]
    for i in range(y1.size):
        d1, d2 = y1[i] - x1, y2[i] - x2
        square = d1 * d1 + d2 * d2
        inverse = one / np.sqrt(square + tiny)
        r = square * inverse
        green = inverse * inverse_2pi if square > tiny else zero
        sn, cs = sine_cosine(turns * r)
        gr, gi = cs * green, -sn * green
        over = inverse * inverse
        # H = -(1 + jkR) G/R^2
        hr, hi = (k * r * gi - gr) * over, -(gi + k * r * gr) * over
        pull = sr[i] * hr - si[i] * hi
        w1[i] += pull * d1
        w2[i] += pull * d2
        w6[i] += gr
        w7[i] += gi
        t1 += pull * d1
        t2 += pull * d2
    return zero, t1, t2


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def strip_slopes(wavenumber, coupling, x0, x1, x2, place, s, work):  # type: ignore[no-untyped-def]
    """One image of a point against a surface with slopes; adds to work, returns the sum of the derivatives by positions."""
    real = place.dtype.type
    one, zero, tiny, three = real(1), real(0), real(1e-13), real(3)
    turns, k, inverse_2pi = real(wavenumber / (2 * np.pi)), real(wavenumber), real(1 / (2 * np.pi))
    eta = real(coupling)
    t0, t1, t2 = zero, zero, zero
    y0, y1, y2, m0, m1, m2, weight = place[0], place[1], place[2], place[3], place[4], place[5], place[6]
    s0, s1, s2, s3, s4, s5 = s[0], s[1], s[2], s[3], s[4], s[5]
    w0, w1, w2, w3, w4, w5 = work[0], work[1], work[2], work[3], work[4], work[5]
    w6, w7, w8, w9 = work[6], work[7], work[8], work[9]
    for i in range(y0.size):
        d0, d1, d2 = y0[i] - x0, y1[i] - x1, y2[i] - x2
        square = d0 * d0 + d1 * d1 + d2 * d2
        inverse = one / np.sqrt(square + tiny)
        r = square * inverse
        green = inverse * inverse_2pi if square > tiny else zero
        sn, cs = sine_cosine(turns * r)
        gr, gi = cs * green, -sn * green
        over = inverse * inverse
        hr, hi = (k * r * gi - gr) * over, -(gi + k * r * gr) * over
        along = d0 * m0[i] + d1 * m1[i] + d2 * m2[i]
        # derivative of H by R over R
        br, bi = -(k * k * gr + three * hr) * over, -(k * k * gi + three * hi) * over
        ar, ai = weight[i] * s0[i] + s2[i], weight[i] * s1[i] + s3[i]
        cr, ci = s4[i] + eta * s1[i], s5[i] - eta * s0[i]
        pull = ar * hr - ai * hi + (cr * br - ci * bi) * along
        turn = cr * hr - ci * hi
        e0, e1, e2 = pull * d0 + turn * m0[i], pull * d1 + turn * m1[i], pull * d2 + turn * m2[i]
        w0[i] += e0
        w1[i] += e1
        w2[i] += e2
        w3[i] += turn * d0
        w4[i] += turn * d1
        w5[i] += turn * d2
        w6[i] += gr
        w7[i] += gi
        w8[i] += hr * along
        w9[i] += hi * along
        t0 += e0
        t1 += e1
        t2 += e2
    return t0, t1, t2
