"""Compiled loops over image paths: one path's amplitude at the nodes, turned by its delay into the fine spectrum.

float32 throughout: a delay of 0.1 s at 20 kHz is turned right to 1e-3 of a cycle. Sines are branch-free polynomials, because the
compiler finds no vector math library.
"""

# mypy: disallow-untyped-defs=False, disallow-untyped-calls=False, check-untyped-defs=False

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numba import njit

F = np.float32


class Field(NamedTuple):
    """What all paths share.

    fine (M,) float32 Hz; index, share (M,) node below and share of the one above; node (J,) float32 Hz; tables (W, rows,
    columns, 2, J) float32; air (N, J) float32 amplitude factors at distances air_step apart, m; c in m/s.
    """

    fine: Any
    index: Any
    share: Any
    node: Any
    tables: Any
    air: Any
    air_step: float
    c: float


class Paths(NamedTuple):
    """Image sources of one loudspeaker for one seat.

    flip (N, 3, 3), shift (N, 3) : the image of a point o is flip o + shift
    turned (N, 3, 3) : a ray that arrives along d left the loudspeaker along turned d
    walls, cosines, counts (N, H), hits (N,) : surfaces met, cosine of incidence, how often; how many of the H are filled
    kind (N,) : 1 mirrored in the console, 2 behind it, 0 neither
    order (N,) : reflections
    """

    flip: Any
    turned: Any
    shift: Any
    walls: Any
    cosines: Any
    counts: Any
    hits: Any
    kind: Any
    order: Any


DESK = 6
"""Index of the console plane among a room's surfaces: x = 0, x = L, y = 0, y = L, floor, ceiling, console."""


@njit(cache=True, fastmath=True)
def turn(cycles):
    """cos and sin of 2 pi `cycles`; error 3e-7."""
    x = cycles - math.floor(cycles + F(0.5))
    y = x * x
    c = F(6.52770596)
    c = c * y - F(25.9668846)
    c = c * y + F(60.1674298)
    c = c * y - F(85.4501134)
    c = c * y + F(64.9391159)
    c = c * y - F(19.7392045)
    c = c * y + F(0.999999989)
    s = F(3.23778009)
    s = s * y - F(14.8995784)
    s = s * y + F(42.0258515)
    s = s * y - F(76.7030056)
    s = s * y + F(81.6051308)
    s = s * y - F(41.3417004)
    s = (s * y + F(6.2831853)) * x
    return c, s


@njit(cache=True, fastmath=True)
def pattern_at(out, table, ux, uy, uz):
    """Bicubic B-spline of one way's (rows, columns, 2, J) table towards a unit vector in its frame, into (2, J)."""
    rows, columns, nodes = table.shape[0], table.shape[1], table.shape[3]
    row = (math.asin(min(1.0, max(-1.0, uz))) / math.pi + 0.5) * (rows // 2)
    column = math.atan2(uy, ux) / (2 * math.pi) * columns
    r0, c0 = math.floor(row), math.floor(column)
    t, s = row - r0, column - c0
    wr = ((1 - t) ** 3 / 6, (3 * t**3 - 6 * t**2 + 4) / 6, (-3 * t**3 + 3 * t**2 + 3 * t + 1) / 6, t**3 / 6)
    wc = ((1 - s) ** 3 / 6, (3 * s**3 - 6 * s**2 + 4) / 6, (-3 * s**3 + 3 * s**2 + 3 * s + 1) / 6, s**3 / 6)
    i = ((r0 - 1) % rows, r0 % rows, (r0 + 1) % rows, (r0 + 2) % rows)
    j = ((c0 - 1) % columns, c0 % columns, (c0 + 1) % columns, (c0 + 2) % columns)
    for part in range(2):
        for m in range(nodes):
            out[part, m] = F(0.0)
        for a in range(4):
            w0, w1, w2, w3 = F(wr[a] * wc[0]), F(wr[a] * wc[1]), F(wr[a] * wc[2]), F(wr[a] * wc[3])
            k0, k1, k2, k3 = table[i[a], j[0], part], table[i[a], j[1], part], table[i[a], j[2], part], table[i[a], j[3], part]
            for m in range(nodes):
                out[part, m] += w0 * k0[m] + w1 * k1[m] + w2 * k2[m] + w3 * k3[m]


@njit(cache=True, fastmath=True)
def wall_gain(gain, wall, specular, cosine, count, constant):
    """Multiply (J,) gain by `count` reflections at a wall: (J,) impedance (or factor, when constant), specular share."""
    if constant:
        for _ in range(count):
            for m in range(len(gain)):
                gain[m] *= wall[m] * specular[m]
    else:
        for _ in range(count):
            for m in range(len(gain)):
                x = wall[m] * cosine
                gain[m] *= (x - F(1.0)) / (x + F(1.0)) * specular[m]


@njit(cache=True, fastmath=True)
def air_gain(gain, air, distance, step):
    """Multiply (J,) gain by the air's amplitude factor at `distance`, from rows `step` apart, and by 1/distance."""
    place = distance / step
    row = min(int(place), air.shape[0] - 2)
    s = F(place - row)
    low, high, inverse = air[row], air[row + 1], F(1.0 / distance)
    for m in range(len(gain)):
        gain[m] *= (low[m] + s * (high[m] - low[m])) * inverse


@njit(cache=True, fastmath=True)
def add_fine(accumulator, spread, amplitude, delay, fine, index, share):
    """Add amplitude e^{-j 2 pi f delay} to the (2, M) fine spectrum, amplitude linear between its (2, J) nodes."""
    real, imaginary = amplitude[0], amplitude[1]
    out_r, out_i = accumulator[0], accumulator[1]
    spread_r, spread_i = spread[0], spread[1]
    # gathered in a loop of its own: the turning loop then stays free of indirection and is vectorised
    for m in range(len(fine)):
        k = np.uint32(index[m])
        t = share[m]
        spread_r[m] = real[k] + t * (real[k + np.uint32(1)] - real[k])
        spread_i[m] = imaginary[k] + t * (imaginary[k + np.uint32(1)] - imaginary[k])
    for m in range(len(fine)):
        c, s = turn(fine[m] * delay)
        out_r[m] += spread_r[m] * c + spread_i[m] * s
        out_i[m] += spread_i[m] * c - spread_r[m] * s


@njit(cache=True, fastmath=True)
def add_nodes(accumulator, amplitude, delay, node):
    """Add amplitude e^{-j 2 pi f delay} at the nodes, (2, J)."""
    for m in range(len(node)):
        c, s = turn(node[m] * delay)
        a, b = amplitude[0, m], amplitude[1, m]
        accumulator[0, m] += a * c + b * s
        accumulator[1, m] += b * c - a * s


@njit(cache=True)
def fresnel(v):
    """Fresnel integrals C and S of real v; error 2e-3 (Abramowitz & Stegun 7.3.32 and 7.3.33)."""
    x = abs(v)
    f = (1 + 0.926 * x) / (2 + 1.792 * x + 3.104 * x * x)
    g = 1 / (2 + 4.142 * x + 3.492 * x * x + 6.670 * x * x * x)
    phase = 0.5 * math.pi * x * x
    c, s = math.cos(phase), math.sin(phase)
    cc, ss = 0.5 + f * s - g * c, 0.5 - f * c - g * s
    return (cc, ss) if v >= 0 else (-cc, -ss)


@njit(cache=True)
def strip_factor(low, high, d1, d2, slant, wavelength):
    """Complex share of a mirror reflection that a strip from `low` to `high` (m from the mirror point) returns.

    Kirchhoff's approximation with Fresnel integrals: Rindel, Applied Acoustics 19 (1986) 87 (from memory).
    """
    scale = math.sqrt(2.0 / wavelength * (1 / d1 + 1 / d2)) * slant
    c2, s2 = fresnel(high * scale)
    c1, s1 = fresnel(low * scale)
    # stationary phase e^{-j pi v^2 / 2}, whose whole integral is 1 - j
    return complex(c2 - c1, -(s2 - s1)) / complex(1.0, -1.0)


@njit(cache=True)
def desk_share(out, desk, ax, ay, az, bx, by, bz, wavelength):
    """(J,) complex share of a ray a -> b that meets the console plane inside its edges (mirror ray or crossing ray)."""
    if (az - desk[4]) * (bz - desk[4]) >= 0:
        for m in range(len(out)):
            out[m] = 0.0
        return
    t = (desk[4] - az) / (bz - az)
    px, py = ax + t * (bx - ax), ay + t * (by - ay)
    r = math.sqrt((bx - ax) ** 2 + (by - ay) ** 2 + (bz - az) ** 2)
    d1, d2 = max(t * r, 0.02), max((1 - t) * r, 0.02)
    sx = math.sqrt(max(1 - ((bx - ax) / r) ** 2, 1e-4))
    sy = math.sqrt(max(1 - ((by - ay) / r) ** 2, 1e-4))
    for m in range(len(out)):
        x = strip_factor(desk[0] - px, desk[1] - px, d1, d2, sx, wavelength[m])
        y = strip_factor(desk[2] - py, desk[3] - py, d1, d2, sy, wavelength[m])
        out[m] = x * y


@njit(cache=True)
def sector(ux, uy, uz):
    """The sector of a direction, as `sectors.sector_of`."""
    if ux >= 0.8660254037844387:
        return 0
    if ux < -0.6427876096865394:
        return 10
    ring = 0 if ux >= 0.5000000000000001 else (1 if ux >= 0.0 else 2)
    quarter = 0 if abs(uy) >= abs(uz) else (1 if uz > 0 else 2)
    return 1 + 3 * ring + quarter


@njit(cache=True, fastmath=True)
def sum_paths(paths, count, field, centre, origins, frame, seat, wall, specular, constant, desk, sectors, sums, direct, early):
    """Sum the first `count` paths at one seat.

    Parameters
        paths, field : Paths, Field
        centre (3,), origins (W, 3), frame (3, 3) : of the loudspeaker; seat (3,); desk (6,)
        wall, specular : (surfaces, J) float32; constant: `wall` holds factors, not impedances
        sectors : number of sectors told apart, or 1
        sums : (W * sectors, 2, M) float32, receives the fields
        direct, early : (J,) float32, receive the squared amplitudes of the first path and of all others
    """
    nodes, points = len(field.node), len(field.fine)
    path, own = np.zeros((2, nodes), np.float32), np.zeros(nodes, np.float32)
    gain, amplitude = np.zeros(nodes, np.float32), np.zeros((2, nodes), np.float32)
    spread = np.zeros((2, points), np.float32)
    extra, other = np.zeros(nodes, np.complex128), np.zeros(nodes, np.complex128)
    wavelength = field.c / field.node.astype(np.float64)
    u = np.zeros(3)
    for i in range(count):
        flip, turned, shift = paths.flip[i], paths.turned[i], paths.shift[i]
        for m in range(nodes):
            gain[m] = F(1.0)
            path[0, m] = F(0.0)
            path[1, m] = F(0.0)
        for h in range(paths.hits[i]):
            w = paths.walls[i, h]
            wall_gain(gain, wall[w], specular[w], F(paths.cosines[i, h]), paths.counts[i, h], constant)
        kind = paths.kind[i]
        if kind:
            x = flip[0, 0] * centre[0] + flip[0, 1] * centre[1] + flip[0, 2] * centre[2] + shift[0]
            y = flip[1, 0] * centre[0] + flip[1, 1] * centre[1] + flip[1, 2] * centre[2] + shift[1]
            z = flip[2, 0] * centre[0] + flip[2, 1] * centre[1] + flip[2, 2] * centre[2] + shift[2]
            desk_share(extra, desk, x, y, z, seat[0], seat[1], seat[2], wavelength)
            if kind == 2:
                # down to the floor and up again: whatever crosses the console plane is lost
                desk_share(other, desk, centre[0], centre[1], centre[2], seat[0], seat[1], -seat[2], wavelength)
                for m in range(nodes):
                    extra[m] = (1.0 - extra[m]) * (1.0 - other[m])
        for w in range(origins.shape[0]):
            o = origins[w]
            for a in range(3):
                u[a] = seat[a] - (flip[a, 0] * o[0] + flip[a, 1] * o[1] + flip[a, 2] * o[2] + shift[a])
            r = math.sqrt(u[0] * u[0] + u[1] * u[1] + u[2] * u[2])
            vx = (turned[0, 0] * u[0] + turned[0, 1] * u[1] + turned[0, 2] * u[2]) / r
            vy = (turned[1, 0] * u[0] + turned[1, 1] * u[1] + turned[1, 2] * u[2]) / r
            vz = (turned[2, 0] * u[0] + turned[2, 1] * u[1] + turned[2, 2] * u[2]) / r
            ux = frame[0, 0] * vx + frame[0, 1] * vy + frame[0, 2] * vz
            uy = frame[1, 0] * vx + frame[1, 1] * vy + frame[1, 2] * vz
            uz = frame[2, 0] * vx + frame[2, 1] * vy + frame[2, 2] * vz
            pattern_at(amplitude, field.tables[w], ux, uy, uz)
            for m in range(nodes):
                own[m] = gain[m]
            air_gain(own, field.air, r, field.air_step)
            for m in range(nodes):
                amplitude[0, m] *= own[m]
                amplitude[1, m] *= own[m]
            if kind:
                for m in range(nodes):
                    a, b = amplitude[0, m], amplitude[1, m]
                    er, ei = F(extra[m].real), F(extra[m].imag)
                    amplitude[0, m] = a * er - b * ei
                    amplitude[1, m] = a * ei + b * er
            delay = F(r / field.c)
            slot = w if sectors == 1 else w * sectors + sector(ux, uy, uz)
            add_fine(sums[slot], spread, amplitude, delay, field.fine, field.index, field.share)
            add_nodes(path, amplitude, delay, field.node)
        target = direct if paths.order[i] == 0 else early
        for m in range(nodes):
            target[m] += path[0, m] * path[0, m] + path[1, m] * path[1, m]


@njit(cache=True, fastmath=True)
def finish(sums, total, grad, first, by_sector):
    """Band means of |sum|^2 and, by accumulator, of Re(part conj sum)."""
    slots, points = sums.shape[0], sums.shape[2]
    whole = np.zeros((2, points), np.float32)
    for k in range(slots):
        for m in range(points):
            whole[0, m] += sums[k, 0, m]
            whole[1, m] += sums[k, 1, m]
    for b in range(len(first) - 1):
        energy = F(0.0)
        for m in range(first[b], first[b + 1]):
            energy += whole[0, m] * whole[0, m] + whole[1, m] * whole[1, m]
        total[b] = energy / (first[b + 1] - first[b])
        if by_sector:
            for k in range(slots):
                energy = F(0.0)
                for m in range(first[b], first[b + 1]):
                    energy += whole[0, m] * sums[k, 0, m] + whole[1, m] * sums[k, 1, m]
                grad[k, b] = energy / (first[b + 1] - first[b])


@njit(cache=True, fastmath=True)
def node_bands(out, power, first, index, share):
    """Band means of a (J,) power, linear between nodes."""
    for b in range(len(first) - 1):
        energy = F(0.0)
        for m in range(first[b], first[b + 1]):
            k = index[m]
            energy += power[k] + share[m] * (power[k + 1] - power[k])
        out[b] = energy / (first[b + 1] - first[b])


@njit(cache=True)
def empty_paths(count, walls):
    """Room for `count` paths that meet up to `walls` surfaces."""
    return Paths(
        np.zeros((count, 3, 3)),
        np.zeros((count, 3, 3)),
        np.zeros((count, 3)),
        np.zeros((count, walls), np.int64),
        np.zeros((count, walls)),
        np.zeros((count, walls), np.int64),
        np.zeros(count, np.int64),
        np.zeros(count, np.int64),
        np.zeros(count, np.int64),
    )


@njit(cache=True)
def box_paths(length, centre, seat, desk, early_s, c):
    """All image sources of a box that arrive within `early_s` of the direct sound: (Paths, count), and the console's.

    Source: Allen & Berkley, JASA 65 (1979) 943.
    """
    d = math.sqrt((seat[0] - centre[0]) ** 2 + (seat[1] - centre[1]) ** 2 + (seat[2] - centre[2]) ** 2)
    radius = d + c * early_s
    walls = DESK + 1
    top = (int(radius / length[0]) + 2, int(radius / length[1]) + 2, int(radius / length[2]) + 2)
    # offsets of the seat from the images along each axis, so that the innermost loop only adds squares
    gap = np.zeros((3, 2 * max(top[0], top[1], top[2]) + 1))
    for axis in range(3):
        for i in range(-top[axis], top[axis] + 1):
            odd = i % 2
            gap[axis, i + top[axis]] = seat[axis] - ((i + odd) * length[axis] + (-centre[axis] if odd else centre[axis]))
    limit = radius * radius * (1 + 1e-12)
    found = 0
    for ix in range(2 * top[0] + 1):
        for iy in range(2 * top[1] + 1):
            plane = gap[0, ix] ** 2 + gap[1, iy] ** 2
            if plane <= limit:
                for iz in range(2 * top[2] + 1):
                    if plane + gap[2, iz] ** 2 <= limit:
                        found += 1
    spare = 8 if desk[5] > 0 else 0
    paths = empty_paths(found + spare, walls)
    n = 0
    for ix in range(-top[0], top[0] + 1):
        for iy in range(-top[1], top[1] + 1):
            plane = gap[0, ix + top[0]] ** 2 + gap[1, iy + top[1]] ** 2
            if plane > limit:
                continue
            for iz in range(-top[2], top[2] + 1):
                square = plane + gap[2, iz + top[2]] ** 2
                if square > limit:
                    continue
                r = math.sqrt(square)
                h = 0
                for axis in range(3):
                    i = ix if axis == 0 else (iy if axis == 1 else iz)
                    odd = i % 2
                    sign = -1.0 if odd else 1.0
                    paths.flip[n, axis, axis] = sign
                    paths.turned[n, axis, axis] = sign
                    paths.shift[n, axis] = (i + odd) * length[axis]
                    for end in range(2):
                        here = abs(i) // 2 + (1 if odd and (i > 0) == (end == 1) else 0)
                        if here:
                            paths.walls[n, h] = 2 * axis + end
                            paths.cosines[n, h] = abs(gap[axis, i + top[axis]]) / r
                            paths.counts[n, h] = here
                            h += 1
                paths.hits[n] = h
                paths.order[n] = abs(ix) + abs(iy) + abs(iz)
                if desk[5] > 0 and iz == -1 and ix == 0 and iy == 0:
                    paths.kind[n] = 2
                n += 1
    if desk[5] > 0:
        for i in range(found):
            n = desk_path(paths, i, n, centre, seat, desk, radius)
    return paths, n


@njit(cache=True)
def desk_path(paths, i, n, centre, seat, desk, radius):
    """Append path `i`'s mirror image in the console plane where it has one; the new count."""
    z = paths.flip[i, 2, 2] * centre[2] + paths.shift[i, 2]
    if paths.order[i] > 1 or z <= desk[4] or seat[2] <= desk[4] or n >= len(paths.hits):
        return n
    x = paths.flip[i, 0, 0] * centre[0] + paths.shift[i, 0]
    y = paths.flip[i, 1, 1] * centre[1] + paths.shift[i, 1]
    below = 2 * desk[4] - z
    r = math.sqrt((seat[0] - x) ** 2 + (seat[1] - y) ** 2 + (seat[2] - below) ** 2)
    if r > radius:
        return n
    for a in range(3):
        sign = -1.0 if a == 2 else 1.0
        paths.flip[n, a, a] = sign * paths.flip[i, a, a]
        paths.turned[n, a, a] = sign * paths.turned[i, a, a]
        paths.shift[n, a] = paths.shift[i, a]
    paths.shift[n, 2] = 2 * desk[4] - paths.shift[i, 2]
    h = paths.hits[i]
    for a in range(h):
        paths.walls[n, a] = paths.walls[i, a]
        paths.cosines[n, a] = paths.cosines[i, a]
        paths.counts[n, a] = paths.counts[i, a]
    paths.walls[n, h] = DESK
    paths.cosines[n, h] = abs(seat[2] - below) / r
    paths.counts[n, h] = 1
    paths.hits[n] = h + 1
    paths.order[n] = paths.order[i] + 1
    paths.kind[n] = 1
    return n + 1


@njit(cache=True, nogil=True)
def box_places(
    start,
    stop,
    lengths,
    wall,
    specular,
    constant,
    centres,
    origins,
    frames,
    seats,
    desks,
    early_s,
    field,
    first,
    sectors,
    total,
    direct,
    early,
    grad,
    counts,
):
    """All paths at every seat of the places numbered room * places + place, from `start` up to `stop`; band means out.

    lengths (R, 3); wall, specular (R, 7, J); centres (R, P, 3); origins (R, P, W, 3); frames (R, P, 3, 3); seats (R, S, 3);
    desks (R, 6); first (B + 1,); total, direct, early (R, P, S, B); grad (R, P, S, A, B), unused when sectors == 1;
    counts (R, P, S). Threads share the arrays; no two write the same place.
    """
    places = total.shape[1]
    for flat in range(start, stop):
        r = flat // places
        p = flat - r * places
        for s in range(total.shape[2]):
            sums = np.zeros((origins.shape[2] * sectors, 2, len(field.fine)), np.float32)
            near, other = np.zeros(len(field.node), np.float32), np.zeros(len(field.node), np.float32)
            paths, count = box_paths(lengths[r], centres[r, p], seats[r, s], desks[r], early_s, field.c)
            counts[r, p, s] = count
            sum_paths(
                paths,
                count,
                field,
                centres[r, p],
                origins[r, p],
                frames[r, p],
                seats[r, s],
                wall[r],
                specular[r],
                constant,
                desks[r],
                sectors,
                sums,
                near,
                other,
            )
            finish(sums, total[r, p, s], grad[r, p, s], first, sectors > 1)
            node_bands(direct[r, p, s], near, first, field.index, field.share)
            node_bands(early[r, p, s], other, first, field.index, field.share)
