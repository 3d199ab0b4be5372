"""Compiled search for the visible image sources of a polyhedral room.

Source: Borish, JASA 75 (1984) 1827: images in front of no further wall end a branch; a path counts when every leg meets its
wall inside the polygon and no other wall stands between.
"""

# mypy: disallow-untyped-defs=False, disallow-untyped-calls=False, check-untyped-defs=False

from __future__ import annotations

import math

import numpy as np
from numba import njit

from evenfield.rooms.kernels import empty_paths


@njit(cache=True)
def inside_face(p, corner, count, normal):
    """Whether a point of the plane lies inside the polygon."""
    drop = 0
    for a in range(1, 3):
        if abs(normal[a]) > abs(normal[drop]):
            drop = a
    u, v = (drop + 1) % 3, (drop + 2) % 3
    inside = False
    j = count - 1
    for i in range(count):
        if (corner[i, v] > p[v]) != (corner[j, v] > p[v]):
            x = (corner[j, u] - corner[i, u]) * (p[v] - corner[i, v]) / (corner[j, v] - corner[i, v]) + corner[i, u]
            if p[u] < x:
                inside = not inside
        j = i
    return inside


@njit(cache=True)
def blocked(a, b, skip_a, skip_b, corner, count, normal, offset, hit):
    """Whether a face other than the two named stands between a and b."""
    for w in range(len(offset)):
        if w in (skip_a, skip_b):
            continue
        ha, hb = -offset[w], -offset[w]
        for i in range(3):
            ha += normal[w, i] * a[i]
            hb += normal[w, i] * b[i]
        if ha * hb >= 0 or abs(ha) < 1e-9 or abs(hb) < 1e-9:
            continue
        t = ha / (ha - hb)
        for i in range(3):
            hit[i] = a[i] + t * (b[i] - a[i])
        if inside_face(hit, corner[w], count[w], normal[w]):
            return True
    return False


@njit(cache=True)
def trace_back(depth, walls, images, seat, cosines, corner, count, normal, offset, here, hit, scratch):
    """Follow a path from the seat to the source; False when a leg misses its wall or is blocked. Fills the cosines."""
    for i in range(3):
        here[i] = seat[i]
    last = -1
    for level in range(depth, 0, -1):
        w = walls[level]
        ha, hb, length = -offset[w], -offset[w], 0.0
        for i in range(3):
            ha += normal[w, i] * here[i]
            hb += normal[w, i] * images[level, i]
            length += (images[level, i] - here[i]) ** 2
        if ha <= 0 or hb >= 0:
            return False
        t = ha / (ha - hb)
        for i in range(3):
            hit[i] = here[i] + t * (images[level, i] - here[i])
        if not inside_face(hit, corner[w], count[w], normal[w]):
            return False
        if blocked(here, hit, last, w, corner, count, normal, offset, scratch):
            return False
        cosines[level] = (ha - hb) / math.sqrt(length)
        last = w
        for i in range(3):
            here[i] = hit[i]
    return not blocked(here, images[0], last, -1, corner, count, normal, offset, scratch)


@njit(cache=True)
def visible_paths(corner, count, normal, offset, position, seat, margin, order, room_for):
    """(Paths, number, overfull) of all visible images up to `order` whose path is at most the straight distance + `margin`.

    Stops, overfull, when `room_for` paths are found.
    """
    faces = len(offset)
    paths = empty_paths(room_for, order + 1)
    images, turns, shifts = np.zeros((order + 1, 3)), np.zeros((order + 1, 3, 3)), np.zeros((order + 1, 3))
    walls, tried = np.full(order + 2, -1), np.zeros(order + 2, np.int64)
    cosines = np.zeros(order + 1)
    here, hit, scratch = np.zeros(3), np.zeros(3), np.zeros(3)
    limit = margin
    square = 0.0
    for i in range(3):
        images[0, i] = position[i]
        turns[0, i, i] = 1.0
        square += (seat[i] - position[i]) ** 2
    limit += math.sqrt(square)
    depth, found = 0, 0
    fresh = True
    while depth >= 0:
        if fresh:
            fresh = False
            tried[depth] = 0
            if trace_back(depth, walls, images, seat, cosines, corner, count, normal, offset, here, hit, scratch):
                if found == room_for:
                    return paths, found, True
                for a in range(3):
                    paths.shift[found, a] = shifts[depth, a]
                    for b in range(3):
                        paths.flip[found, a, b] = turns[depth, a, b]
                        paths.turned[found, a, b] = turns[depth, b, a]
                for level in range(1, depth + 1):
                    paths.walls[found, level - 1] = walls[level]
                    paths.cosines[found, level - 1] = cosines[level]
                    paths.counts[found, level - 1] = 1
                paths.hits[found] = depth
                paths.order[found] = depth
                found += 1
        w = tried[depth]
        if depth == order or w >= faces:
            depth -= 1
            continue
        tried[depth] += 1
        if w == walls[depth] and depth > 0:
            continue
        height = -offset[w]
        for i in range(3):
            height += normal[w, i] * images[depth, i]
        if height <= 1e-9:
            continue
        square = 0.0
        for i in range(3):
            images[depth + 1, i] = images[depth, i] - 2 * height * normal[w, i]
            square += (seat[i] - images[depth + 1, i]) ** 2
        if square > limit * limit:
            continue
        for a in range(3):
            shifts[depth + 1, a] = 2 * offset[w] * normal[w, a]
            for k in range(3):
                shifts[depth + 1, a] += ((1.0 if a == k else 0.0) - 2 * normal[w, a] * normal[w, k]) * shifts[depth, k]
            for b in range(3):
                total = 0.0
                for k in range(3):
                    total += ((1.0 if a == k else 0.0) - 2 * normal[w, a] * normal[w, k]) * turns[depth, k, b]
                turns[depth + 1, a, b] = total
        depth += 1
        walls[depth] = w
        fresh = True
    return paths, found, False
