"""Plane polygons of a meridian section: area, volume of revolution, where two meet."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Points = NDArray[np.float64]


def rectangle(inner: float, outer: float, bottom: float, top: float) -> Points:
    """(4, 2) corners r, z, counter-clockwise, m."""
    return np.array([[inner, bottom], [outer, bottom], [outer, top], [inner, top]], float)


def signed_area(p: Points) -> float:
    """m2, positive when counter-clockwise."""
    r, z = p[:, 0], p[:, 1]
    return float(0.5 * np.sum(r * np.roll(z, -1) - np.roll(r, -1) * z))


def volume(p: Points) -> float:
    """m3 of the body of revolution (exact: 2 pi times the first moment of the area)."""
    r, z = p[:, 0], p[:, 1]
    r1, z1 = np.roll(r, -1), np.roll(z, -1)
    return float(abs(2 * np.pi * np.sum((r + r1) * (r * z1 - r1 * z)) / 6))


def perimeter(p: Points) -> float:
    """m."""
    return float(np.sum(np.linalg.norm(np.roll(p, -1, axis=0) - p, axis=1)))


def contains(p: Points, q: Points, slack: float = 0.0) -> NDArray[np.bool_]:
    """(N,) whether points q (N, 2) lie inside p, and farther than `slack` from its edge."""
    q = np.atleast_2d(q)
    a, b = p, np.roll(p, -1, axis=0)
    up = (a[None, :, 1] > q[:, None, 1]) != (b[None, :, 1] > q[:, None, 1])
    with np.errstate(divide="ignore", invalid="ignore"):
        cross = a[None, :, 0] + (q[:, None, 1] - a[None, :, 1]) * (b - a)[None, :, 0] / (b - a)[None, :, 1]
    inside = np.sum(up & (q[:, None, 0] < cross), axis=1) % 2 == 1
    if slack > 0:
        inside &= distance(p, q) > slack
    return np.asarray(inside)


def distance(p: Points, q: Points) -> NDArray[np.float64]:
    """(N,) distance of points q from the edge of p, m."""
    q = np.atleast_2d(q)
    a, d = p, np.roll(p, -1, axis=0) - p
    t = np.clip(np.einsum("nek,ek->ne", q[:, None] - a[None], d) / np.sum(d**2, axis=1), 0, 1)
    return np.asarray(np.min(np.linalg.norm(q[:, None] - a[None] - t[..., None] * d[None], axis=2), axis=1))


def gap_between(p: Points, q: Points) -> float:
    """Smallest distance between the edges of two polygons that do not overlap, m."""
    return float(min(distance(p, q).min(), distance(q, p).min()))


def crosses_itself(p: Points) -> Points | None:
    """(2,) a point where two edges of p cross, or None."""
    n = len(p)
    for i in range(n):
        for j in range(i + 2, n):
            if (j + 1) % n != i:
                at = _crossing(p[i], p[(i + 1) % n], p[j], p[(j + 1) % n], 0.0)
                if at is not None:
                    return at
    return None


def overlap(p: Points, q: Points, slack: float = 2e-7) -> Points | None:
    """(2,) a point that lies in both polygons, deeper than `slack` (m), or None where they only touch."""
    if np.any(p.max(axis=0) <= q.min(axis=0) + slack) or np.any(q.max(axis=0) <= p.min(axis=0) + slack):
        return None
    for a, b in ((p, q), (q, p)):
        probes = _probes(b)
        hit = contains(a, probes, slack) & contains(b, probes, slack)
        if hit.any():
            return np.asarray(probes[hit].mean(axis=0))
    for i in range(len(p)):
        for j in range(len(q)):
            at = _crossing(p[i], p[(i + 1) % len(p)], q[j], q[(j + 1) % len(q)], slack)
            if at is not None:
                return at
    return None


def _probes(p: Points, inset: float = 1e-6) -> Points:
    """Points just inside the corners and along the edges, and a coarse grid."""
    d = np.roll(p, -1, axis=0) - p
    length = np.linalg.norm(d, axis=1, keepdims=True)
    normal = np.c_[-d[:, 1], d[:, 0]] / length * np.sign(signed_area(p))
    t = np.r_[1e-3, np.linspace(0.05, 0.95, 13), 1 - 1e-3]
    edge = (p[:, None] + t[None, :, None] * d[:, None] + inset * normal[:, None]).reshape(-1, 2)
    (r0, z0), (r1, z1) = p.min(axis=0), p.max(axis=0)
    u = (np.arange(9) + 0.5) / 9
    grid = np.stack(np.meshgrid(r0 + u * (r1 - r0), z0 + u * (z1 - z0)), axis=-1).reshape(-1, 2)
    return np.concatenate([edge, grid])


def _crossing(a: Points, b: Points, c: Points, d: Points, slack: float) -> Points | None:
    """Where segments ab and cd cross, each end farther than `slack` from the other segment's line."""
    u, v, w = b - a, d - c, c - a
    det = u[0] * v[1] - u[1] * v[0]
    if abs(det) <= 1e-12 * np.linalg.norm(u) * np.linalg.norm(v):
        return None
    s, t = (w[0] * v[1] - w[1] * v[0]) / det, (w[0] * u[1] - w[1] * u[0]) / det
    ls, lt = slack / np.linalg.norm(u), slack / np.linalg.norm(v)
    if ls < s < 1 - ls and lt < t < 1 - lt:
        return np.asarray(a + s * u)
    return None
