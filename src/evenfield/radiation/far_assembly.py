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

Array = np.ndarray[Any, np.dtype[Any]]

PLANES = 10
"""forward re, im; backward re, im; G for the x, y, z components of the curls, re, im each."""


# Blocks are flat rows of lanes, [column * LANES + lane]: the compiler makes vector code only where offsets within an array
# are known to it.
X, Y, Z, NX, NY, NZ, W = (i * LANES for i in range(7))
ACROSS, ALONG = 7 * LANES, 10 * LANES


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def point_kernels(wavenumber, coupling, image, first, block, point, out):  # type: ignore[no-untyped-def]
    """Kernels of an image of one point (13,) with a block of lanes; out (PLANES * LANES,) is set, or added to unless `first`."""
    real = block.dtype.type
    one, zero, quarter = real(1), real(0), real(0.25)
    inverse_4pi, tiny = real(1 / (4 * np.pi)), real(1e-13)
    turns = real(wavenumber / (2 * np.pi))
    k, even = real(wavenumber), real(coupling * wavenumber * wavenumber) * quarter
    sx, sy, sz = image[0], image[1], image[2]
    px, py, pz = sx * point[0], sy * point[1], sz * point[2]
    nx, ny, nz, w = sx * point[3], sy * point[4], sz * point[5], point[6]
    # the surface curl is a pseudovector: its mirror image has the opposite sign
    cx, cy, cz = sy * sz, sx * sz, sx * sy
    keep = zero if first else one
    for i in range(LANES):
        dx, dy, dz = px - block[X + i], py - block[Y + i], pz - block[Z + i]
        square = dx * dx + dy * dy + dz * dz
        inverse = one / np.sqrt(square + tiny)
        r = square * inverse
        green = inverse * inverse_4pi if square > tiny else zero
        sn, cs = sine_cosine(turns * r)
        gr, gi = cs * green, -sn * green
        scale = inverse * inverse * quarter
        forward = (dx * nx + dy * ny + dz * nz) * block[W + i] * scale
        backward = -(dx * block[NX + i] + dy * block[NY + i] + dz * block[NZ + i]) * w * scale
        facing = even * (block[NX + i] * nx + block[NY + i] * ny + block[NZ + i] * nz)
        kr = k * r
        fi, bi = kr * forward + facing, kr * backward + facing
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


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def gather_columns(block, coupling, kernels, count, even_first, even, curl_first, curl, factor, sums, out):  # type: ignore[no-untyped-def]
    """Contract the points of a tile onto its vertices: kernels (points+1, PLANES * L) -> out (vertices, 8 * L).

    Of out's four complex planes: forward, backward, and -j eta times curl_y . (across_x, along_x) G.
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
        row = out[v]
        for i in range(LANES):
            row[2 * i] = sums[i]
            row[2 * i + 1] = sums[LANES + i]
        for i in range(LANES):
            row[2 * LANES + 2 * i] = sums[2 * LANES + i]
            row[2 * LANES + 2 * i + 1] = sums[3 * LANES + i]
        for i in range(LANES):
            ax, ay, az = block[ACROSS + i], block[ACROSS + LANES + i], block[ACROSS + 2 * LANES + i]
            row[4 * LANES + 2 * i] = eta * (ax * sums[5 * LANES + i] + ay * sums[7 * LANES + i] + az * sums[9 * LANES + i])
            row[4 * LANES + 2 * i + 1] = -eta * (ax * sums[4 * LANES + i] + ay * sums[6 * LANES + i] + az * sums[8 * LANES + i])
        for i in range(LANES):
            ax, ay, az = block[ALONG + i], block[ALONG + LANES + i], block[ALONG + 2 * LANES + i]
            row[6 * LANES + 2 * i] = eta * (ax * sums[5 * LANES + i] + ay * sums[7 * LANES + i] + az * sums[9 * LANES + i])
            row[6 * LANES + 2 * i + 1] = -eta * (ax * sums[4 * LANES + i] + ay * sums[6 * LANES + i] + az * sums[8 * LANES + i])


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def gather_rows(columns, count, slot, turned, forward, backward, curl):  # type: ignore[no-untyped-def]
    """Contract a block of points onto their tile's vertices: columns (vertices, 8 * L) -> rows (., 2 vertices)."""
    for i in range(LANES):
        s, e, a, b = slot[i, 0], slot[i, 1], slot[i, 2], slot[i, 3]
        if s < 0:
            continue
        for v in range(count):
            for c in range(4):
                turned[c, 2 * v] = columns[v, 2 * (c * LANES + i)]
                turned[c, 2 * v + 1] = columns[v, 2 * (c * LANES + i) + 1]
        width = 2 * count
        add_twice(forward[s], forward[e], turned[0], width, False)
        add_twice(backward[s], backward[e], turned[1], width, False)
        add_twice(curl[s], curl[e], turned[2], width, True)
        add_twice(curl[a], curl[b], turned[3], width, True)


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

    rows, columns : (n, 2 M) real and imaginary parts in turn; n the tile's vertices, M those of the tiles from this one on,
    one tile after the other. `rows` adds to the matrix as it is, `columns` transposed (but for the tile with itself).
    """
    real = lanes.dtype.type
    kernels = np.zeros((most_points + 1, PLANES * LANES), lanes.dtype)
    sums = np.empty(PLANES * LANES, lanes.dtype)
    half = np.empty((most_vertices, 8 * LANES), lanes.dtype)
    turned = np.empty((4, 2 * most_vertices), lanes.dtype)
    forward = np.empty((most_vertices, 2 * most_vertices), lanes.dtype)
    backward = np.empty((most_vertices, 2 * most_vertices), lanes.dtype)
    curls = np.empty((most_vertices, 2 * most_vertices), lanes.dtype)
    point = np.empty(13, lanes.dtype)
    own = vertex_first[tile + 1] - vertex_first[tile]
    for other in range(tile, first.shape[0] - 1):
        points = first[other + 1] - first[other]
        count = vertex_first[other + 1] - vertex_first[other]
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
                for g in range(images.shape[0]):
                    point_kernels(wavenumber, coupling, images[g], g == 0, block, point, kernels[q])
            gather_columns(
                block, coupling, kernels, count, even_first[lists:], even, curl_first[lists:], curl, factor, sums, half
            )
            gather_rows(half, count, slot[b * LANES :], turned, forward, backward, curls)
        begin = 2 * (vertex_first[other] - vertex_first[tile])
        for r in range(own):
            for v in range(2 * count):
                rows[r, begin + v] = forward[r, v] + curls[r, v]
                columns[r, begin + v] = backward[r, v] + curls[r, v]


@njit(nogil=True, cache=True)
def add_tile(tile, vertex_first, vertex, rows, columns, matrix):  # type: ignore[no-untyped-def]
    """Add what `assemble_tile` returned (rows, columns viewed as complex (n, M)) to the matrix (V, V)."""
    start, end = vertex_first[tile], vertex_first[tile + 1]
    own = end - start
    for r in range(own):
        target = matrix[vertex[start + r]]
        for v in range(rows.shape[1]):
            target[vertex[start + v]] += rows[r, v]
    for v in range(own, columns.shape[1]):
        target = matrix[vertex[start + v]]
        for r in range(own):
            target[vertex[start + r]] += columns[r, v]
