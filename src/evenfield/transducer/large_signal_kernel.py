"""The inner loop of the large-signal model: slopes of the state, Runge-Kutta steps, steady states by shooting.

The state: x, v, coil current i, shorted winding's current s, then one variable a rung, one a creep element, the volume W
drawn from the box, the vent's air velocity. `large_signal.py` says what the equations are and where they come from.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit

# places in the row of constants
(X0, XN, PER_CELL, K0, KN, K_PER_CELL, R_COIL, R_WINDING, C1, C2, SD, SV, INV_CC, INV_CV, INV_VV, R_MS, R_MS2, BOX_SERIES,
 BOX_LEAK, BOX_SHARE, BOX_LIMIT, PER_VOLUME, R_VENT, VENT_LOSS, VENT_SMOOTH, HAS_WINDING, HAS_BOX, HAS_VENT, STATIC,
 SERIES) = range(30)  # fmt: skip
CONSTANTS = SERIES + 12

RECORD = 6
"""Columns kept of every recorded instant: x, s, i, vent acceleration, cone acceleration, vent velocity."""

FINE, TOO_FAR, BOX_EMPTY, NOT_SETTLED = 0, 1, 2, 3
"""Status of a run."""

_MATH: Any = {"contract", "nsz", "arcp", "reassoc"}


@njit(cache=True, nogil=True, fastmath=_MATH, error_model="numpy")
def box_pressure(w: Any, c: Any) -> Any:
    """Suction, Pa, of a volume of gas when the share w of it is drawn: P0 (1 - (1 + w)^-g), by its series to w^12."""
    # two short chains in w^2 instead of one long one: the loop waits for results, not for arithmetic
    v = w * w
    odd, even = c[SERIES + 10], c[SERIES + 11]
    for n in range(8, -1, -2):
        odd = odd * v + c[SERIES + n]
        even = even * v + c[SERIES + n + 1]
    return (odd + even * w) * w


@njit(cache=True, inline="always", nogil=True, fastmath=_MATH, error_model="numpy")
def slope(y: Any, u: Any, c: Any, table: Any, k_table: Any, rungs: Any, creep: Any, out: Any, val: Any, der: Any) -> Any:
    """Time derivative of the state at voltage u, into `out`. Returns a status."""
    count, creeps = rungs.shape[1], creep.shape[1]
    x, v, i, s = y[0], y[1], y[2], y[3]
    # no early way out: it would keep the compiler from overlapping what follows
    status = FINE
    if not (x >= c[X0] and x <= c[XN]):
        status = TOO_FAR
    place = (x - c[X0]) * c[PER_CELL]
    cell = max(0, min(int(place), table.shape[0] - 1))
    t = place - cell
    row = table[cell]
    for f in range(table.shape[2]):
        a1, a2, a3 = row[1, f], row[2, f], row[3, f]
        val[f] = row[0, f] + t * (a1 + t * (a2 + t * a3))
        der[f] = (a1 + t * (2 * a2 + 3 * t * a3)) * c[PER_CELL]
    bl, le = val[0], val[1]
    flux = i * (1 + i * (c[C1] + i * c[C2]))
    emf = u - c[R_COIL] * i - bl * v - der[1] * v * flux
    force = bl * i + der[1] * i * i * (0.5 + i * (c[C1] / 3 + i * c[C2] / 4)) + c[STATIC]
    winding = c[HAS_WINDING] > 0
    bent = c[C1] != 0 or c[C2] != 0
    w0 = 2 + count
    emf_s = 0.0
    if winding:
        emf_s = -c[R_WINDING] * s - val[w0] * v - der[w0 + 1] * v * i - der[w0 + 2] * v * s
        emf -= der[w0 + 1] * v * s
        force += val[w0] * s + der[w0 + 1] * i * s + 0.5 * der[w0 + 2] * s * s
    for k in range(count):
        q, tau = y[4 + k], rungs[0, k]
        rc, drc = val[2 + k], der[2 + k]
        g1, g2 = rungs[2, k], rungs[3, k]
        psi = tau * q * (1 + q * (g1 + q * g2))
        flow = rc * i - q
        push = drc * i
        if winding:
            rs, drs = val[w0 + 3 + k], der[w0 + 3 + k]
            flow += rs * s
            push += drs * s
            emf_s -= rs * flow + drs * v * psi
        emf -= rc * flow + drc * v * psi
        force += psi * push
        out[4 + k] = flow * rungs[1, k]
        if bent:
            out[4 + k] /= 1 + q * (2 * g1 + 3 * q * g2)
    stiff = le * (1 + i * (2 * c[C1] + 3 * i * c[C2]))
    if winding:
        m, ls = val[w0 + 1], val[w0 + 2]
        det = 1 / (stiff * ls - m * m)
        out[2] = (ls * emf - m * emf_s) * det
        out[3] = (stiff * emf_s - m * emf) * det
    else:
        out[2] = emf / stiff
        out[3] = 0.0
    # suspension: its creep elements are in series with the spring
    stretch = x
    base = 4 + count
    for j in range(creeps):
        stretch -= y[base + j]
    if not (stretch >= c[K0] and stretch <= c[KN]):
        status = TOO_FAR
    place = (stretch - c[K0]) * c[K_PER_CELL]
    cell = max(0, min(int(place), k_table.shape[0] - 1))
    t = place - cell
    spring = k_table[cell, 0, 0] + t * (k_table[cell, 1, 0] + t * (k_table[cell, 2, 0] + t * k_table[cell, 3, 0]))
    for j in range(creeps):
        out[base + j] = (creep[0, j] * spring - y[base + j]) * creep[1, j]
    force -= spring + (c[R_MS] + c[R_MS2] * v * v) * v
    pull = 0.0
    base += creeps
    if c[HAS_BOX] > 0:
        w, air = y[base], y[base + 1]
        share = w * c[PER_VOLUME]
        if not (share > -c[BOX_LIMIT] and share < c[BOX_LIMIT]):
            status = BOX_EMPTY
        drawn = c[SD] * v + c[SV] * air
        suction = (c[BOX_SERIES] * drawn + box_pressure(share, c)) * c[BOX_SHARE]
        out[base] = drawn - suction * c[BOX_LEAK]
        force -= c[SD] * suction
        if c[HAS_VENT] > 0:
            rough = np.sqrt(air * air + c[VENT_SMOOTH] * c[VENT_SMOOTH]) - c[VENT_SMOOTH]
            pull = -c[SV] * suction - (c[R_VENT] + c[VENT_LOSS] * rough) * air
            out[base + 1] = c[INV_CV] * force + c[INV_VV] * pull
        else:
            out[base + 1] = 0.0
    else:
        out[base] = 0.0
        out[base + 1] = 0.0
    out[0] = v
    out[1] = c[INV_CC] * force + c[INV_CV] * pull
    return status


@njit(cache=True, nogil=True, fastmath=_MATH, error_model="numpy")
def powers(y: Any, u: Any, c: Any, k_table: Any, rungs: Any, creep: Any, val: Any, out: Any) -> None:
    """Watt: taken from the source, lost in coil, winding, rungs, suspension and its creep, box, vent. `val` from `slope`."""
    count, creeps = rungs.shape[1], creep.shape[1]
    v, i, s = y[1], y[2], y[3]
    winding = c[HAS_WINDING] > 0
    out[0] = u * i
    out[1] = c[R_COIL] * i * i
    out[2] = c[R_WINDING] * s * s if winding else 0.0
    out[3] = 0.0
    for k in range(count):
        flow = val[2 + k] * i - y[4 + k]
        if winding:
            flow += val[2 + count + 3 + k] * s
        out[3] += flow * flow
    out[4] = (c[R_MS] + c[R_MS2] * v * v) * v * v
    base = 4 + count
    stretch = y[0]
    for j in range(creeps):
        stretch -= y[base + j]
    place = (stretch - c[K0]) * c[K_PER_CELL]
    cell = max(0, min(int(place), k_table.shape[0] - 1))
    t = place - cell
    spring = k_table[cell, 0, 0] + t * (k_table[cell, 1, 0] + t * (k_table[cell, 2, 0] + t * k_table[cell, 3, 0]))
    for j in range(creeps):
        speed = (creep[0, j] * spring - y[base + j]) * creep[1, j]
        out[4] += speed * speed / (creep[0, j] * creep[1, j])
    base += creeps
    out[5] = 0.0
    out[6] = 0.0
    if c[HAS_BOX] > 0:
        air = y[base + 1]
        drawn = c[SD] * v + c[SV] * air
        inner = box_pressure(y[base] * c[PER_VOLUME], c)
        suction = (c[BOX_SERIES] * drawn + inner) * c[BOX_SHARE]
        leak = suction * c[BOX_LEAK]
        out[5] = suction * leak + (suction - inner) * (drawn - leak)
        rough = np.sqrt(air * air + c[VENT_SMOOTH] * c[VENT_SMOOTH]) - c[VENT_SMOOTH]
        out[6] = (c[R_VENT] + c[VENT_LOSS] * rough) * air * air
    out[7] = c[STATIC] * v


@njit(cache=True, nogil=True, fastmath=_MATH, error_model="numpy")
def run(
    y: Any,
    u2: Any,
    first: Any,
    h: Any,
    steps: Any,
    every: Any,
    c: Any,
    table: Any,
    k_table: Any,
    rungs: Any,
    creep: Any,
    record: Any,
    energy: Any,
) -> Any:
    """Advance `y` in place by `steps` steps of h (s); u2 holds the voltage at every half step, from place `first`, repeated
    when it ends.

    Every `every`-th instant goes into `record`, from the first on; with energy (8,) not empty, the powers are integrated
    into it. Returns (status, steps done). Classical fourth-order Runge-Kutta.
    """
    n = len(y)
    k, at = np.empty((4, n)), np.empty(n)
    val, der = np.empty(table.shape[2]), np.empty(table.shape[2])
    watt = np.empty(8)
    watching = len(energy) > 0
    last, length = n - 1, len(u2)
    place, row = first, 0
    for step in range(steps):
        ua = u2[place]
        ub = u2[place + 1]
        place += 2
        if place >= length:
            place = 0
        uc = u2[place]
        for a in range(n):
            at[a] = y[a]
        # one place for the slope's code: the four stages in a loop are quicker than written out
        for stage in range(4):
            u = ub
            if stage == 0:
                u = ua
            elif stage == 3:
                u = uc
            status = slope(at, u, c, table, k_table, rungs, creep, k[stage], val, der)
            if status != FINE:
                return status, step
            if stage == 0 and step % every == 0 and row < len(record):
                record[row, 0], record[row, 1], record[row, 2] = y[0], y[3], y[2]
                record[row, 3], record[row, 4], record[row, 5] = k[0, last], k[0, 1], y[last]
                row += 1
            if watching:
                powers(at, u, c, k_table, rungs, creep, val, watt)
                for p in range(8):
                    energy[p] += (h / 6 if stage == 0 or stage == 3 else h / 3) * watt[p]
            reach = 0.5 * h if stage < 2 else h
            for a in range(n):
                at[a] = y[a] + reach * k[stage, a]
        for a in range(n):
            y[a] += h / 6 * (k[0, a] + 2 * (k[1, a] + k[2, a]) + k[3, a])
    return FINE, steps


@njit(cache=True, nogil=True, error_model="numpy")
def solve_small(a: Any, b: Any) -> Any:
    """x of a x = b by elimination with pivoting; both are overwritten."""
    n = len(b)
    for p in range(n):
        best = p
        for r in range(p + 1, n):
            if abs(a[r, p]) > abs(a[best, p]):
                best = r
        if best != p:
            for q in range(n):
                a[p, q], a[best, q] = a[best, q], a[p, q]
            b[p], b[best] = b[best], b[p]
        for r in range(p + 1, n):
            factor = a[r, p] / a[p, p]
            for q in range(p, n):
                a[r, q] -= factor * a[p, q]
            b[r] -= factor * b[p]
    for p in range(n - 1, -1, -1):
        for q in range(p + 1, n):
            b[p] -= a[p, q] * b[q]
        b[p] /= a[p, p]
    return b


@njit(cache=True, nogil=True, error_model="numpy")
def settle(
    y: Any,
    u2: Any,
    h: Any,
    steps: Any,
    every: Any,
    active: Any,
    scale: Any,
    tolerance: Any,
    most: Any,
    c: Any,
    table: Any,
    k_table: Any,
    rungs: Any,
    creep: Any,
    record: Any,
) -> Any:
    """The periodic state under the periodic voltage u2 (one period, 2 steps samples): Newton on the map of one period.

    y : start, overwritten by the periodic state; active : places of the states that live; scale : (n,) their sizes.
    Returns (status, periods run). `record` holds the last period.
    """
    n, m = len(y), len(active)
    none = np.empty((0, RECORD))
    quiet = np.empty(0)
    jacobian = np.zeros((m, m))
    have = False
    before = 1e300
    periods = 0
    end = np.empty(n)
    for _ in range(most):
        end[:] = y
        status, _ = run(end, u2, 0, h, steps, every, c, table, k_table, rungs, creep, record, quiet)
        periods += 1
        if status != FINE:
            return status, periods
        worst = 0.0
        for a in range(m):
            worst = max(worst, abs(end[active[a]] - y[active[a]]) / scale[active[a]])
        if worst < tolerance:
            y[:] = end
            return FINE, periods
        if not have or worst > 0.2 * before:
            probe = np.empty(n)
            for a in range(m):
                probe[:] = y
                step = 1e-4 * scale[active[a]]
                probe[active[a]] += step
                status, _ = run(probe, u2, 0, h, steps, every, c, table, k_table, rungs, creep, none, quiet)
                periods += 1
                if status != FINE:
                    return status, periods
                for b in range(m):
                    jacobian[b, a] = (probe[active[b]] - end[active[b]]) / step * scale[active[a]] / scale[active[b]]
            have = True
        before = worst
        left = np.eye(m) - jacobian
        right = np.empty(m)
        for a in range(m):
            right[a] = (end[active[a]] - y[active[a]]) / scale[active[a]]
        change = solve_small(left, right)
        for a in range(m):
            y[active[a]] += change[a] * scale[active[a]]
    return NOT_SETTLED, periods
