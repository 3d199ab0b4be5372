"""Laying a scan onto the part as designed: coarse by principal axes, then point to plane, closest points matched anew."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenfield.base.errors import DataError, message

Array = NDArray[np.float64]

TRIM = 0.9
"""Share of the matched points kept, the closest ones: what lies off (a burr, a hole) does not pull."""


@dataclass(frozen=True)
class Cloud:
    """Points (N, 3) mm with unit normals (N, 3), about evenly spread over a surface."""

    points: Array
    normals: Array

    def moved(self, move: Array) -> Cloud:
        """Under a (3, 4) rigid transform."""
        return Cloud(self.points @ move[:, :3].T + move[:, 3], self.normals @ move[:, :3].T)

    def thinned(self, count: int, seed: int = 1) -> Cloud:
        """At most `count` of the points."""
        if len(self.points) <= count:
            return self
        chosen = np.random.default_rng(seed).choice(len(self.points), count, replace=False)
        return Cloud(self.points[chosen], self.normals[chosen])


def cloud_of(vertices: Array, triangles: NDArray[np.int64], count: int, seed: int = 1) -> Cloud:
    """Points spread over a surface by area."""
    from evenfield.shape.printing.rays import normals_of

    normals, area = normals_of(vertices, triangles)
    rng = np.random.default_rng(seed)
    chosen = rng.choice(len(triangles), count, p=area / area.sum())
    share = rng.dirichlet((1.0, 1.0, 1.0), count)
    return Cloud(np.einsum("ij,ijk->ik", share, vertices[triangles[chosen]]), normals[chosen])


IDENTITY = np.column_stack([np.eye(3), np.zeros(3)])


def then(first: Array, second: Array) -> Array:
    """The (3, 4) transform `first` followed by `second`."""
    return np.column_stack([second[:, :3] @ first[:, :3], second[:, :3] @ first[:, 3] + second[:, 3]])


def coarse(scan: Cloud, wanted: list[Cloud]) -> list[Array]:
    """Rigid transforms worth refining: none at all, and all ways of laying the scan's axes onto those of each wanted cloud."""
    found = [IDENTITY]
    middle, axes = _axes(scan)
    for cloud in wanted:
        to_middle, to_axes = _axes(cloud)
        for order in itertools.permutations(range(3)):
            for signs in itertools.product((1.0, -1.0), repeat=2):
                turn = to_axes[:, order] * np.array([*signs, 1.0])
                if np.linalg.det(turn @ axes.T) < 0:
                    turn[:, 2] *= -1
                rotation = turn @ axes.T
                found.append(np.column_stack([rotation, to_middle - rotation @ middle]))
    return found


def _axes(cloud: Cloud) -> tuple[Array, Array]:
    """Middle (3,) and principal axes (3, 3) in columns."""
    middle = cloud.points.mean(axis=0)
    return middle, np.linalg.svd(cloud.points - middle, full_matrices=False)[2].T


@dataclass(frozen=True)
class Alignment:
    """The rigid transform (3, 4) that lays a scan onto the part, the RMS distance left (mm, to the closest nine tenths), and
    whether the part turned about its axis would have fitted as well.
    """

    move: Array
    rms_mm: float
    ambiguous: bool


def align(scan: Cloud, target: Cloud, whole: Cloud | None = None) -> Alignment:
    """Lay a scan onto a target.

    Parameters
        scan : of the part or a piece of it, anywhere; where it lies already counts as good as any other way
        target : the acoustic wall, in the part's frame
        whole : the whole part, for scans of all of it
    Raises DataError when no way of laying it comes near.
    """
    wanted = [target] + ([whole] if whole is not None else [])
    few, small = target.thinned(500), scan.thinned(12_000)
    scored = []
    for n, start in enumerate(coarse(scan.thinned(6000), wanted)):
        move, cost, _ = _icp(small.moved(start), few, 8)
        scored.append((cost, n, then(start, move)))
    chosen = sorted(scored, key=lambda s: s[:2])[:4]
    if scored[0] not in chosen:
        chosen.append(scored[0])
    found = []
    for _, n, start in chosen:
        move, cost, rms = _icp(scan.moved(start), target, 40)
        found.append((cost, n, then(start, move), rms))
    cost, n, move, rms = min(found, key=lambda s: s[:2])
    as_it_lies = [f for f in found if f[1] == 0 and f[0] < 1.1 * cost + 0.01]
    if as_it_lies:
        cost, n, move, rms = as_it_lies[0]
    size = float(np.ptp(target.points, axis=0).max())
    if cost > 0.02 * size:
        raise DataError(
            message(
                "the scan", "of this part", f"a surface that stays {cost:.1f} mm away however it is laid",
                fix='another scan, or its unit: "mm" or "m"',
            )
        )  # fmt: skip
    others = [f for f in found if f[0] < 1.1 * cost + 0.01 and _angle_between(f[2], move) > 0.1]
    return Alignment(move, rms, bool(others) and n != 0)


def _angle_between(first: Array, second: Array) -> float:
    cosine = (np.trace(first[:, :3].T @ second[:, :3]) - 1) / 2
    return float(np.arccos(np.clip(cosine, -1, 1)))


def _icp(scan: Cloud, target: Cloud, rounds: int) -> tuple[Array, float, float]:
    """Refine: each target point against the plane of its closest scan point with a like normal; trimmed least squares.

    Returns the transform, what it costs (unmatched points weigh) and the RMS distance, mm.
    """
    from scipy.spatial import cKDTree

    tree = cKDTree(scan.points)
    move, cost, rms = IDENTITY, np.inf, np.inf
    for _ in range(rounds):
        # the target moves against the scan, whose tree is built once
        back = _inverse(move)
        moved = target.moved(back)
        found: Any = tree.query(moved.points)
        distance, index = np.asarray(found[0], float), np.asarray(found[1], np.int64)
        facing = np.asarray(np.einsum("ij,ij->i", moved.normals, scan.normals[index]) > 0.5)
        limit = np.quantile(distance[facing], TRIM) if np.any(facing) else np.inf
        keep = facing & (distance <= limit)
        if keep.sum() < 20:
            return move, np.inf, np.inf
        step = _plane_step(scan.points[index[keep]], scan.normals[index[keep]], moved.points[keep])
        gap = np.einsum("ij,ij->i", scan.points[index[keep]] - moved.points[keep], scan.normals[index[keep]])
        unmatched = 1 - facing.mean()
        rms = float(np.sqrt(np.mean(gap**2)))
        now = rms + 0.05 * float(distance[keep].mean()) + 5 * float(unmatched)
        move = _compose(move, step)
        if abs(cost - now) < 1e-6:
            break
        cost = now
    return move, cost, rms


def _compose(move: Array, step: Array) -> Array:
    """The scan's transform after the target took one more `step` in the scan's own frame."""
    return _inverse(then(_inverse(move), step))


def _inverse(move: Array) -> Array:
    rotation = move[:, :3].T
    return np.column_stack([rotation, -rotation @ move[:, 3]])


def _plane_step(onto: Array, normals: Array, points: Array) -> Array:
    """The small rigid step of `points` that brings them nearest to planes, least squares (Chen & Medioni 1992)."""
    middle = points.mean(axis=0)
    arm = points - middle
    matrix = np.column_stack([np.cross(arm, normals), normals])
    right = np.einsum("ij,ij->i", onto - points, normals)
    turn = np.linalg.lstsq(matrix, right, rcond=1e-8)[0]
    from scipy.spatial.transform import Rotation

    rotation = Rotation.from_rotvec(turn[:3]).as_matrix()
    return np.column_stack([rotation, middle + turn[3:] - rotation @ middle])
