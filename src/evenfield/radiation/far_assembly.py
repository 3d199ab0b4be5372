"""The matrix by the regular rule: every pair of edge midpoints once, both ways round.

The kernel from a point y (area-weighted normal N_y) of an image of the body to x (N_x), d = y - x, R = |d|,
G = e^{-jkR}/(4 pi R):
    forward  (1 + jkR) (d.N_y) w_x / R^2 G + j eta k^2 (N_x.N_y) G      minus the double layer, plus the even hypersingular part
    backward the same with -(d.N_x) w_y                                 row and column exchanged
    curl     -j eta (curl_x . curl_y) G                                 symmetric
Both ways share distance, sine and cosine. One call works on one tile against itself and all later tiles; its rows and columns
come back in private buffers, which the caller adds to the matrix in a fixed order.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit

from evenfield.radiation.midpoint_grid import LANES
from evenfield.radiation.sine_cosine import sine_cosine
from evenfield.radiation.transpose import SIDE, transpose_block

Array = np.ndarray[Any, np.dtype[Any]]

PLANES = 10
"""forward re, im; backward re, im; G for the x, y, z components of the curls, re, im each."""


# Blocks are flat rows of lanes, [column * LANES + lane]: the compiler makes vector code only where offsets within an array
# are known to it.
X, Y, Z, NX, NY, NZ, W = (i * LANES for i in range(7))
ACROSS, ALONG = 7 * LANES, 10 * LANES
ROW = 8 * LANES + 16
"""Of a vertex in a block's sums: eight planes, and a little more, as rows a power of two apart share the same few cache lines."""


@njit(forceinline=True, fastmath=True, error_model="numpy")
def wave(block, i, px, py, pz, nx, ny, nz, w, turns, k, even):  # type: ignore[no-untyped-def]
    """G (re, im) and both kernels over G (re, im each) between an image of a point and lane i of a block."""
    real = block.dtype.type
    dx, dy, dz = px - block[X + i], py - block[Y + i], pz - block[Z + i]
    square = dx * dx + dy * dy + dz * dz
    inverse = real(1) / np.sqrt(square + real(1e-13))
    r = square * inverse
    green = inverse * real(1 / (4 * np.pi)) if square > real(1e-13) else real(0)
    sn, cs = sine_cosine(turns * r)
    scale = inverse * inverse * real(0.25)
    forward = (dx * nx + dy * ny + dz * nz) * block[W + i] * scale
    backward = -(dx * block[NX + i] + dy * block[NY + i] + dz * block[NZ + i]) * w * scale
    facing = even * (block[NX + i] * nx + block[NY + i] * ny + block[NZ + i] * nz)
    kr = k * r
    return cs * green, -sn * green, forward, backward, kr * forward + facing, kr * backward + facing


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def point_kernels(wavenumber, coupling, images, block, point, out):  # type: ignore[no-untyped-def]
    """Kernels of all images of one point (13,), two side by side, with a block of lanes; out (PLANES * LANES,) is set."""
    real = block.dtype.type
    turns = real(wavenumber / (2 * np.pi))
    k, even = real(wavenumber), real(coupling * wavenumber * wavenumber) * real(0.25)
    w = point[6]
    for g in range(0, images.shape[0], 2):
        sx, sy, sz = images[g, 0], images[g, 1], images[g, 2]
        px, py, pz = sx * point[0], sy * point[1], sz * point[2]
        nx, ny, nz = sx * point[3], sy * point[4], sz * point[5]
        # the surface curl is a pseudovector: its mirror image has the opposite sign
        cx, cy, cz = sy * sz, sz * sx, sx * sy
        keep = real(0) if g == 0 else real(1)
        if g + 1 == images.shape[0]:
            for i in range(LANES):
                gr, gi, forward, backward, fi, bi = wave(block, i, px, py, pz, nx, ny, nz, w, turns, k, even)
                out[i] = keep * out[i] + (gr * forward - gi * fi)
                out[LANES + i] = keep * out[LANES + i] + (gr * fi + gi * forward)
                out[2 * LANES + i] = keep * out[2 * LANES + i] + (gr * backward - gi * bi)
                out[3 * LANES + i] = keep * out[3 * LANES + i] + (gr * bi + gi * backward)
                out[4 * LANES + i] = keep * out[4 * LANES + i] + cx * gr
                out[5 * LANES + i] = keep * out[5 * LANES + i] + cx * gi
                out[6 * LANES + i] = keep * out[6 * LANES + i] + cy * gr
                out[7 * LANES + i] = keep * out[7 * LANES + i] + cy * gi
                out[8 * LANES + i] = keep * out[8 * LANES + i] + cz * gr
                out[9 * LANES + i] = keep * out[9 * LANES + i] + cz * gi
            continue
        tx, ty, tz = images[g + 1, 0], images[g + 1, 1], images[g + 1, 2]
        qx, qy, qz = tx * point[0], ty * point[1], tz * point[2]
        mx, my, mz = tx * point[3], ty * point[4], tz * point[5]
        ex, ey, ez = ty * tz, tz * tx, tx * ty
        if g == 0:
            for i in range(LANES):
                gr, gi, forward, backward, fi, bi = wave(block, i, px, py, pz, nx, ny, nz, w, turns, k, even)
                hr, hi, ahead, back, ai, ci = wave(block, i, qx, qy, qz, mx, my, mz, w, turns, k, even)
                out[i] = (gr * forward - gi * fi) + (hr * ahead - hi * ai)
                out[LANES + i] = (gr * fi + gi * forward) + (hr * ai + hi * ahead)
                out[2 * LANES + i] = (gr * backward - gi * bi) + (hr * back - hi * ci)
                out[3 * LANES + i] = (gr * bi + gi * backward) + (hr * ci + hi * back)
                out[4 * LANES + i] = cx * gr + ex * hr
                out[5 * LANES + i] = cx * gi + ex * hi
                out[6 * LANES + i] = cy * gr + ey * hr
                out[7 * LANES + i] = cy * gi + ey * hi
                out[8 * LANES + i] = cz * gr + ez * hr
                out[9 * LANES + i] = cz * gi + ez * hi
        else:
            for i in range(LANES):
                gr, gi, forward, backward, fi, bi = wave(block, i, px, py, pz, nx, ny, nz, w, turns, k, even)
                hr, hi, ahead, back, ai, ci = wave(block, i, qx, qy, qz, mx, my, mz, w, turns, k, even)
                out[i] += (gr * forward - gi * fi) + (hr * ahead - hi * ai)
                out[LANES + i] += (gr * fi + gi * forward) + (hr * ai + hi * ahead)
                out[2 * LANES + i] += (gr * backward - gi * bi) + (hr * back - hi * ci)
                out[3 * LANES + i] += (gr * bi + gi * backward) + (hr * ci + hi * back)
                out[4 * LANES + i] += cx * gr + ex * hr
                out[5 * LANES + i] += cx * gi + ex * hi
                out[6 * LANES + i] += cy * gr + ey * hr
                out[7 * LANES + i] += cy * gi + ey * hi
                out[8 * LANES + i] += cz * gr + ez * hr
                out[9 * LANES + i] += cz * gi + ez * hi


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def gather_columns(block, coupling, kernels, count, even_first, even, curl_first, curl, factor, sums, out):  # type: ignore[no-untyped-def]
    """Contract the points of a tile onto its vertices: kernels (points+1, PLANES * L) -> out, flat rows of ROW.

    Of a row's four complex planes (re, im): forward, backward, and -j eta times curl_y . (across_x, along_x) G.
    """
    real = block.dtype.type
    eta = real(coupling)
    for v in range(count):
        for i in range(PLANES * LANES):
            sums[i] = real(0)
        for p in range(even_first[v], even_first[v + 1], 3):
            a, b, c = kernels[even[p]], kernels[even[p + 1]], kernels[even[p + 2]]
            for i in range(4 * LANES):
                sums[i] += a[i] + b[i] + c[i]
        for p in range(curl_first[v], curl_first[v + 1], 3):
            a, b, c = kernels[curl[p]], kernels[curl[p + 1]], kernels[curl[p + 2]]
            fa, fb, fc = factor[p, 0], factor[p + 1, 0], factor[p + 2, 0]
            for i in range(4 * LANES, 6 * LANES):
                sums[i] += fa * a[i] + fb * b[i] + fc * c[i]
            fa, fb, fc = factor[p, 1], factor[p + 1, 1], factor[p + 2, 1]
            for i in range(6 * LANES, 8 * LANES):
                sums[i] += fa * a[i] + fb * b[i] + fc * c[i]
            fa, fb, fc = factor[p, 2], factor[p + 1, 2], factor[p + 2, 2]
            for i in range(8 * LANES, 10 * LANES):
                sums[i] += fa * a[i] + fb * b[i] + fc * c[i]
        row = out[v * ROW : (v + 1) * ROW]
        for i in range(4 * LANES):
            row[i] = sums[i]
        for i in range(LANES):
            ax, ay, az = block[ACROSS + i], block[ACROSS + LANES + i], block[ACROSS + 2 * LANES + i]
            row[4 * LANES + i] = eta * (ax * sums[5 * LANES + i] + ay * sums[7 * LANES + i] + az * sums[9 * LANES + i])
            row[5 * LANES + i] = -eta * (ax * sums[4 * LANES + i] + ay * sums[6 * LANES + i] + az * sums[8 * LANES + i])
        for i in range(LANES):
            ax, ay, az = block[ALONG + i], block[ALONG + LANES + i], block[ALONG + 2 * LANES + i]
            row[6 * LANES + i] = eta * (ax * sums[5 * LANES + i] + ay * sums[7 * LANES + i] + az * sums[9 * LANES + i])
            row[7 * LANES + i] = -eta * (ax * sums[4 * LANES + i] + ay * sums[6 * LANES + i] + az * sums[8 * LANES + i])


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def gather_rows(columns, wide, slot, turned, forward, backward, curl):  # type: ignore[no-untyped-def]
    """Contract a block of points onto their tile's vertices: columns (wide rows of ROW) -> rows (., 2 wide), re then im.

    `wide` is the number of the other tile's vertices, rounded up to whole SIDEs.
    """
    for lane in range(0, LANES, SIDE):
        for plane in range(8):
            for v in range(0, wide, SIDE):
                start, begin = v * ROW + plane * LANES + lane, plane * SIDE * wide + v
                transpose_block(columns, start, ROW, turned, begin, wide)  # type: ignore[call-arg]
        for i in range(SIDE):
            s, e, a, b = slot[lane + i, 0], slot[lane + i, 1], slot[lane + i, 2], slot[lane + i, 3]
            if s < 0:
                continue
            for part in range(2):
                here = part * wide
                add_twice(forward[s, here:], forward[e, here:], turned[(part * SIDE + i) * wide :], wide, False)
                add_twice(backward[s, here:], backward[e, here:], turned[((2 + part) * SIDE + i) * wide :], wide, False)
                add_twice(curl[s, here:], curl[e, here:], turned[((4 + part) * SIDE + i) * wide :], wide, True)
                add_twice(curl[a, here:], curl[b, here:], turned[((6 + part) * SIDE + i) * wide :], wide, True)


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def add_twice(first, second, values, width, opposite):  # type: ignore[no-untyped-def]
    """Add values to first, and to (or, if opposite, from) second."""
    for v in range(width):
        first[v] += values[v]
    if opposite:
        for v in range(width):
            second[v] -= values[v]
    else:
        for v in range(width):
            second[v] += values[v]


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def assemble_tile(  # type: ignore[no-untyped-def]
    tile, wavenumber, coupling, images, lanes, first, slot, vertex_first, even_first, even, curl_first, curl, factor,
    most_points, most_vertices, rows, columns,
):  # fmt: skip
    """Integrals of one tile's vertices with those of itself and all later tiles.

    rows (M n,), columns (M, n) complex; n the tile's vertices, M those of the tiles from this one on, one tile after the other:
    in `rows` a block (n, m) for each, in `columns` their transposes the other way round (but for the tile with itself).
    """
    real = lanes.dtype.type
    kernels = np.zeros((most_points + 1, PLANES * LANES), lanes.dtype)
    sums = np.empty(PLANES * LANES, lanes.dtype)
    most = (most_vertices + SIDE - 1) // SIDE * SIDE
    half = np.zeros(most * ROW, lanes.dtype)
    turned = np.empty(8 * SIDE * most, lanes.dtype)
    forward = np.empty((most_vertices, 2 * most), lanes.dtype)
    backward = np.empty((most_vertices, 2 * most), lanes.dtype)
    curls = np.empty((most_vertices, 2 * most), lanes.dtype)
    point = np.empty(13, lanes.dtype)
    own = vertex_first[tile + 1] - vertex_first[tile]
    for other in range(tile, first.shape[0] - 1):
        points = first[other + 1] - first[other]
        count = vertex_first[other + 1] - vertex_first[other]
        wide = (count + SIDE - 1) // SIDE * SIDE
        lists = vertex_first[other] + other
        forward[:] = real(0)
        backward[:] = real(0)
        curls[:] = real(0)
        kernels[points] = real(0)  # the idle point that fills up lists of three
        for b in range(first[tile] // LANES, first[tile + 1] // LANES):
            block = lanes[b]
            for q in range(points):
                at = first[other] + q
                for c in range(13):
                    point[c] = lanes[at // LANES, c * LANES + at % LANES]
                point_kernels(wavenumber, coupling, images, block, point, kernels[q])
            gather_columns(
                block, coupling, kernels, count, even_first[lists:], even, curl_first[lists:], curl, factor, sums, half
            )
            gather_rows(half, wide, slot[b * LANES :], turned, forward, backward, curls)
        begin = vertex_first[other] - vertex_first[tile]
        for r in range(own):
            target = rows[begin * own + r * count : begin * own + (r + 1) * count]
            for v in range(count):
                target[v] = complex(forward[r, v] + curls[r, v], forward[r, wide + v] + curls[r, wide + v])
                columns[begin + v, r] = complex(backward[r, v] + curls[r, v], backward[r, wide + v] + curls[r, wide + v])


@njit(nogil=True, cache=True)
def add_tile(tile, vertex_first, vertex, rows, columns, matrix):  # type: ignore[no-untyped-def]
    """Add what `assemble_tile` returned to the matrix (V, V)."""
    start, end = vertex_first[tile], vertex_first[tile + 1]
    own = end - start
    for other in range(tile, vertex_first.size - 1):
        begin, count = vertex_first[other], vertex_first[other + 1] - vertex_first[other]
        for r in range(own):
            target = matrix[vertex[start + r]]
            at = (begin - start) * own + r * count
            for v in range(count):
                target[vertex[begin + v]] += rows[at + v]
    for v in range(own, columns.shape[0]):
        target = matrix[vertex[start + v]]
        for r in range(own):
            target[vertex[start + r]] += columns[v, r]
