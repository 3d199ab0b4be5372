"""Straight lines through triangles: what they meet, by the embree kernel."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenfield.shape.printing import missing

Array = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Caster:
    """Triangles that lines can be cast at; build it once."""

    vertices: Array
    triangles: Ints
    kernel: Any

    @classmethod
    def of(cls, vertices: Array, triangles: Ints) -> Caster:
        """Prepare triangles (T, 3) on vertices (V, 3), mm."""
        try:
            import trimesh
            from trimesh.ray.ray_pyembree import RayMeshIntersector
        except ImportError as error:
            missing(error)
        return cls(vertices, triangles, RayMeshIntersector(trimesh.Trimesh(vertices, triangles, process=False)))

    def first(self, origins: Array, directions: Array) -> tuple[Array, Ints]:
        """(N,) distance to the first triangle ahead, mm, inf where there is none, and its index, -1."""
        hit = np.asarray(self.kernel.intersects_first(origins, directions), np.int64)
        distance = np.full(len(origins), np.inf)
        met = hit >= 0
        if np.any(met):
            corner = self.vertices[self.triangles[hit[met]]]
            normal = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
            down = np.einsum("ij,ij->i", normal, directions[met])
            gap = np.einsum("ij,ij->i", normal, corner[:, 0] - origins[met])
            distance[met] = gap / np.where(np.abs(down) < 1e-300, 1e-300, down)
        return distance, hit

    def all(self, origins: Array, direction: Array) -> tuple[Array, Ints, Ints]:
        """Every meeting of parallel lines: distance (K,) mm, line (K,) and triangle (K,), by line, then distance."""
        lines = np.arange(len(origins))
        travelled = np.zeros(len(origins))
        found: list[tuple[Array, Ints, Ints]] = []
        for _ in range(64):
            start = origins[lines] + travelled[lines, None] * direction
            distance, hit = self.first(start, np.broadcast_to(direction, start.shape))
            met = (hit >= 0) & np.isfinite(distance)
            if not np.any(met):
                break
            lines, distance, hit = lines[met], distance[met], hit[met]
            travelled[lines] += np.maximum(distance, 0.0)
            found.append((travelled[lines].copy(), lines.copy(), hit))
            travelled[lines] += 1e-3
        if not found:
            return np.zeros(0), np.zeros(0, np.int64), np.zeros(0, np.int64)
        depth, line, triangle = (np.concatenate([f[k] for f in found]) for k in range(3))
        order = np.lexsort((depth, line))
        return depth[order], line[order], triangle[order]


def normals_of(vertices: Array, triangles: Ints) -> tuple[Array, Array]:
    """(T, 3) unit normals and (T,) areas, mm2."""
    cross = np.cross(vertices[triangles[:, 1]] - vertices[triangles[:, 0]], vertices[triangles[:, 2]] - vertices[triangles[:, 0]])
    double = np.linalg.norm(cross, axis=1)
    return cross / np.maximum(double, 1e-300)[:, None], double / 2
