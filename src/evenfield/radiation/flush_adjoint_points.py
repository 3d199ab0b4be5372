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

STRIP = 256
"""Points handled by one vector loop."""
POINTS_PER_TASK = 64
PLACE, PRODUCTS, SUMS, ONTO, FIELDS = 0, 7 * STRIP, 13 * STRIP, 17 * STRIP, 24 * STRIP
"""Rows of a strip's work space: position, normal and weight (7); s1 apart and s2 (6); sums over images (4); derivatives (7); then
the fields of each part and the cotangents of its strengths."""


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
    # one flat array of rows, so that the compiler sees that they do not overlap
    sides, rows, pull = inner.shape[0], outer.shape[1], np.zeros(3)
    work = np.empty(FIELDS + (rows + 2) * sides * STRIP, place.dtype)
    for begin in range(0, place.shape[1], STRIP):
        size = min(STRIP, place.shape[1] - begin)
        work[:] = 0
        for c in range(7):
            for i in range(size):
                work[PLACE + c * STRIP + i] = place[c, begin + i]
        for m in range(sides):
            for c in range(rows):
                for i in range(size):
                    work[FIELDS + (m * rows + c) * STRIP + i] = outer[m, c, begin + i]
        for e in range(test.shape[0]):
            combine_fields(bare, sides, inner[:, :, e], size, work)
            pull[:] = 0.0
            for g in range(images.shape[0]):
                if bare:
                    add_strengths(wavenumber, test[e], images[g], size, work, pull)
                else:
                    add_image(wavenumber, coupling, test[e], images[g], size, work, pull)
            for i in range(3):
                onto[e, i] += pull[i]
            if not bare:
                for i in range(size):
                    share = work[PRODUCTS + i] * work[SUMS + i] - work[PRODUCTS + STRIP + i] * work[SUMS + STRIP + i]
                    work[ONTO + 6 * STRIP + i] += share
            field_sums(coupling, bare, sides, inner[:, :, e], size, work, onto[e])
        for c in range(7):
            for i in range(size):
                over[c, begin + i] += work[ONTO + c * STRIP + i]
        for c in range(2 * sides):
            for i in range(size):
                over[7 + c, begin + i] += work[FIELDS + (rows * sides + c) * STRIP + i]


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def combine_fields(bare, sides, inner, size, work):  # type: ignore[no-untyped-def]
    """The products s1 apart (Q u, L v) and s2 (-L p) of one point of the plane with the strip; the sums set to zero."""
    rows = 2 if bare else 6
    for i in range(10 * STRIP):
        work[PRODUCTS + i] = 0
    for m in range(sides):
        qr, qi, lr, li = inner[m, 0], inner[m, 1], inner[m, 2], inner[m, 3]
        u = FIELDS + m * rows * STRIP
        v = u + (rows - 2) * STRIP
        for i in range(size):
            vr, vi = work[v + i], work[v + STRIP + i]
            work[PRODUCTS + 2 * STRIP + i] += lr * vr - li * vi
            work[PRODUCTS + 3 * STRIP + i] += lr * vi + li * vr
        if not bare:
            for i in range(size):
                ur, ui, pr, pi = work[u + i], work[u + STRIP + i], work[u + 2 * STRIP + i], work[u + 3 * STRIP + i]
                work[PRODUCTS + i] += qr * ur - qi * ui
                work[PRODUCTS + STRIP + i] += qr * ui + qi * ur
                work[PRODUCTS + 4 * STRIP + i] -= lr * pr - li * pi
                work[PRODUCTS + 5 * STRIP + i] -= lr * pi + li * pr


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def add_strengths(wavenumber, test, image, size, work, pull):  # type: ignore[no-untyped-def]
    """As `add_image` against strengths in the plane alone."""
    real = work.dtype.type
    one, zero, tiny = real(1), real(0), real(1e-13)
    turns, k, inverse_2pi = real(wavenumber / (2 * np.pi)), real(wavenumber), real(1 / (2 * np.pi))
    x1, x2 = test[1] * image[1], test[2] * image[2]
    t1, t2 = zero, zero
    for i in range(size):
        d1, d2 = work[PLACE + STRIP + i] - x1, work[PLACE + 2 * STRIP + i] - x2
        square = d1 * d1 + d2 * d2
        inverse = one / np.sqrt(square + tiny)
        green = inverse * inverse_2pi if square > tiny else zero
        r, over = square * inverse, inverse * inverse
        sn, cs = sine_cosine(turns * r)
        gr, gi = cs * green, -sn * green
        # H = -(1 + jkR) G/R^2
        hr, hi = (k * r * gi - gr) * over, -(gi + k * r * gr) * over
        slope = work[PRODUCTS + 2 * STRIP + i] * hr - work[PRODUCTS + 3 * STRIP + i] * hi
        e1, e2 = slope * d1, slope * d2
        work[SUMS + i] += gr
        work[SUMS + STRIP + i] += gi
        work[ONTO + STRIP + i] += e1
        work[ONTO + 2 * STRIP + i] += e2
        t1 += e1
        t2 += e2
    pull[1] -= image[1] * t1
    pull[2] -= image[2] * t2


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def add_image(wavenumber, coupling, test, image, size, work, pull):  # type: ignore[no-untyped-def]
    """One image of a point of the plane: the strip's derivatives, the sums of G_h and dG_h/dn, and pull (3,) for the point."""
    real = work.dtype.type
    one, zero, tiny, three = real(1), real(0), real(1e-13), real(3)
    turns, k, inverse_2pi = real(wavenumber / (2 * np.pi)), real(wavenumber), real(1 / (2 * np.pi))
    eta, k2 = real(coupling), real(wavenumber * wavenumber)
    x0, x1, x2 = test[0] * image[0], test[1] * image[1], test[2] * image[2]
    t0, t1, t2 = zero, zero, zero
    for i in range(size):
        d0, d1, d2 = work[PLACE + i] - x0, work[PLACE + STRIP + i] - x1, work[PLACE + 2 * STRIP + i] - x2
        m0, m1, m2 = work[PLACE + 3 * STRIP + i], work[PLACE + 4 * STRIP + i], work[PLACE + 5 * STRIP + i]
        weight = work[PLACE + 6 * STRIP + i]
        square = d0 * d0 + d1 * d1 + d2 * d2
        inverse = one / np.sqrt(square + tiny)
        green = inverse * inverse_2pi if square > tiny else zero
        r, over = square * inverse, inverse * inverse
        sn, cs = sine_cosine(turns * r)
        gr, gi = cs * green, -sn * green
        hr, hi = (k * r * gi - gr) * over, -(gi + k * r * gr) * over
        along = d0 * m0 + d1 * m1 + d2 * m2
        # derivative of H by R over R
        br, bi = -(k2 * gr + three * hr) * over, -(k2 * gi + three * hi) * over
        ur, ui = work[PRODUCTS + i], work[PRODUCTS + STRIP + i]
        ar, ai = weight * ur + work[PRODUCTS + 2 * STRIP + i], weight * ui + work[PRODUCTS + 3 * STRIP + i]
        cr, ci = work[PRODUCTS + 4 * STRIP + i] + eta * ui, work[PRODUCTS + 5 * STRIP + i] - eta * ur
        slope = ar * hr - ai * hi + (cr * br - ci * bi) * along
        turn = cr * hr - ci * hi
        e0, e1, e2 = slope * d0 + turn * m0, slope * d1 + turn * m1, slope * d2 + turn * m2
        work[SUMS + i] += gr
        work[SUMS + STRIP + i] += gi
        work[SUMS + 2 * STRIP + i] += hr * along
        work[SUMS + 3 * STRIP + i] += hi * along
        work[ONTO + i] += e0
        work[ONTO + STRIP + i] += e1
        work[ONTO + 2 * STRIP + i] += e2
        work[ONTO + 3 * STRIP + i] += turn * d0
        work[ONTO + 4 * STRIP + i] += turn * d1
        work[ONTO + 5 * STRIP + i] += turn * d2
        t0 += e0
        t1 += e1
        t2 += e2
    pull[0] -= image[0] * t0
    pull[1] -= image[1] * t1
    pull[2] -= image[2] * t2


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def field_sums(coupling, bare, sides, inner, size, work, onto):  # type: ignore[no-untyped-def]
    """Cotangents of Q, L at one point of the plane (onto, from 3 on) and of v over the strip."""
    real = work.dtype.type
    zero, eta = real(0), real(coupling)
    rows = 2 if bare else 6
    for m in range(sides):
        lr, li = inner[m, 2], inner[m, 3]
        u, target = FIELDS + m * rows * STRIP, FIELDS + (rows * sides + 2 * m) * STRIP
        v = u + (rows - 2) * STRIP
        a, b = zero, zero
        for i in range(size):
            gr, gi, vr, vi = work[SUMS + i], work[SUMS + STRIP + i], work[v + i], work[v + STRIP + i]
            work[target + i] += lr * gr - li * gi
            work[target + STRIP + i] += lr * gi + li * gr
            a += gr * vr - gi * vi
            b += gr * vi + gi * vr
        if not bare:
            c, d = zero, zero
            for i in range(size):
                ur, ui, pr, pi = work[u + i], work[u + STRIP + i], work[u + 2 * STRIP + i], work[u + 3 * STRIP + i]
                gr, gi, nr, ni = work[SUMS + i], work[SUMS + STRIP + i], work[SUMS + 2 * STRIP + i], work[SUMS + 3 * STRIP + i]
                weight = work[PLACE + 6 * STRIP + i]
                a -= nr * pr - ni * pi
                b -= nr * pi + ni * pr
                # w G - j eta dG/dn
                kr, ki = weight * gr + eta * ni, weight * gi - eta * nr
                c += kr * ur - ki * ui
                d += kr * ui + ki * ur
            onto[3 + 4 * m] += c
            onto[4 + 4 * m] += d
        onto[5 + 4 * m] += a
        onto[6 + 4 * m] += b
