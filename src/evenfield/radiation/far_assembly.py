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

from evenfield.radiation.sine_cosine import sine_cosine

Array = np.ndarray[Any, np.dtype[Any]]

PLANES = 10
"""forward re, im; backward re, im; G for the x, y, z components of the curls, re, im each."""


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def point_kernels(wavenumber, coupling, images, block, point, out):  # type: ignore[no-untyped-def]
    """Kernels of one point (13,) against a block of lanes (13, LANES); out (PLANES, LANES)."""
    real = block.dtype.type
    one, zero, quarter = real(1), real(0), real(0.25)
    inverse_4pi, tiny = real(1 / (4 * np.pi)), real(1e-13)
    turns = real(wavenumber / (2 * np.pi))
    k, even = real(wavenumber), real(coupling * wavenumber * wavenumber)
    lanes = block.shape[1]
    for g in range(images.shape[0]):
        sy, sz = images[g, 1], images[g, 2]
        px, py, pz = point[0], sy * point[1], sz * point[2]
        nx, ny, nz, w = point[3], sy * point[4], sz * point[5], point[6]
        # the surface curl is a pseudovector: its mirror image has the opposite sign
        handed = sy * sz
        cx, cy, cz = handed, handed * sy, handed * sz
        for i in range(lanes):
            dx, dy, dz = px - block[0, i], py - block[1, i], pz - block[2, i]
            square = dx * dx + dy * dy + dz * dz
            inverse = one / np.sqrt(square + tiny)
            r = square * inverse
            green = inverse * inverse_4pi if square > tiny else zero
            sn, cs = sine_cosine(turns * r)
            gr, gi = cs * green, -sn * green
            scale = inverse * inverse * quarter
            forward = (dx * nx + dy * ny + dz * nz) * block[6, i] * scale
            backward = -(dx * block[3, i] + dy * block[4, i] + dz * block[5, i]) * w * scale
            facing = even * quarter * (block[3, i] * nx + block[4, i] * ny + block[5, i] * nz)
            kr = k * r
            fi, bi = kr * forward + facing, kr * backward + facing
            if g == 0:
                out[0, i] = gr * forward - gi * fi
                out[1, i] = gr * fi + gi * forward
                out[2, i] = gr * backward - gi * bi
                out[3, i] = gr * bi + gi * backward
                out[4, i] = gr
                out[5, i] = gi
                out[6, i] = gr
                out[7, i] = gi
                out[8, i] = gr
                out[9, i] = gi
            else:
                out[0, i] += gr * forward - gi * fi
                out[1, i] += gr * fi + gi * forward
                out[2, i] += gr * backward - gi * bi
                out[3, i] += gr * bi + gi * backward
                out[4, i] += cx * gr
                out[5, i] += cx * gi
                out[6, i] += cy * gr
                out[7, i] += cy * gi
                out[8, i] += cz * gr
                out[9, i] += cz * gi


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def gather_columns(block, coupling, kernels, count, even_first, even, curl_first, curl, factor, sums, out):  # type: ignore[no-untyped-def]
    """Contract the points of a tile onto its vertices: kernels (points+1, PLANES, L) -> out (vertices, 4, L, 2).

    Of out's four: forward, backward, and -j eta times curl_y . (across_x, along_x) G.
    """
    real = block.dtype.type
    eta = real(coupling)
    lanes = block.shape[1]
    for v in range(count):
        for c in range(PLANES):
            for i in range(lanes):
                sums[c, i] = real(0)
        for p in range(even_first[v], even_first[v + 1], 3):
            a, b, d = kernels[even[p]], kernels[even[p + 1]], kernels[even[p + 2]]
            for c in range(4):
                for i in range(lanes):
                    sums[c, i] += a[c, i] + b[c, i] + d[c, i]
        for p in range(curl_first[v], curl_first[v + 1], 3):
            a, b, d = kernels[curl[p]], kernels[curl[p + 1]], kernels[curl[p + 2]]
            for axis in range(3):
                fa, fb, fd = factor[p, axis], factor[p + 1, axis], factor[p + 2, axis]
                for c in range(4 + 2 * axis, 6 + 2 * axis):
                    for i in range(lanes):
                        sums[c, i] += fa * a[c, i] + fb * b[c, i] + fd * d[c, i]
        row = out[v]
        for i in range(lanes):
            row[0, i, 0] = sums[0, i]
            row[0, i, 1] = sums[1, i]
            row[1, i, 0] = sums[2, i]
            row[1, i, 1] = sums[3, i]
            row[2, i, 0] = eta * (block[7, i] * sums[5, i] + block[8, i] * sums[7, i] + block[9, i] * sums[9, i])
            row[2, i, 1] = -eta * (block[7, i] * sums[4, i] + block[8, i] * sums[6, i] + block[9, i] * sums[8, i])
            row[3, i, 0] = eta * (block[10, i] * sums[5, i] + block[11, i] * sums[7, i] + block[12, i] * sums[9, i])
            row[3, i, 1] = -eta * (block[10, i] * sums[4, i] + block[11, i] * sums[6, i] + block[12, i] * sums[8, i])


@njit(nogil=True, fastmath=True, error_model="numpy", cache=True)
def gather_rows(columns, count, slot, turned, forward, backward, curl):  # type: ignore[no-untyped-def]
    """Contract a block of points onto their tile's vertices: columns (vertices, 4, L, 2) -> rows (., 2 vertices)."""
    for i in range(columns.shape[2]):
        s, e, a, b = slot[i, 0], slot[i, 1], slot[i, 2], slot[i, 3]
        if s < 0:
            continue
        for v in range(count):
            for c in range(4):
                turned[c, 2 * v] = columns[v, c, i, 0]
                turned[c, 2 * v + 1] = columns[v, c, i, 1]
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
    size = lanes.shape[2]
    kernels = np.zeros((most_points + 1, PLANES, size), lanes.dtype)
    sums = np.empty((PLANES, size), lanes.dtype)
    half = np.empty((most_vertices, 4, size, 2), lanes.dtype)
    turned = np.empty((4, 2 * most_vertices), lanes.dtype)
    forward = np.empty((most_vertices, 2 * most_vertices), lanes.dtype)
    backward = np.empty((most_vertices, 2 * most_vertices), lanes.dtype)
    curls = np.empty((most_vertices, 2 * most_vertices), lanes.dtype)
    point = np.empty(lanes.shape[1], lanes.dtype)
    own = vertex_first[tile + 1] - vertex_first[tile]
    for other in range(tile, first.shape[0] - 1):
        points = first[other + 1] - first[other]
        count = vertex_first[other + 1] - vertex_first[other]
        lists = vertex_first[other] + other
        forward[:] = real(0)
        backward[:] = real(0)
        curls[:] = real(0)
        kernels[points] = real(0)  # the idle point that fills up lists of three
        for b in range(first[tile] // size, first[tile + 1] // size):
            block = lanes[b]
            for q in range(points):
                at = first[other] + q
                for c in range(lanes.shape[1]):
                    point[c] = lanes[at // size, c, at % size]
                point_kernels(wavenumber, coupling, images, block, point, kernels[q])
            gather_columns(
                block, coupling, kernels, count, even_first[lists:], even, curl_first[lists:], curl, factor, sums, half
            )
            gather_rows(half, count, slot[b * size :], turned, forward, backward, curls)
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
