"""SurfaceMesh: a closed triangulated surface with named moving parts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from evenfield.base.errors import MeshError, message

Mirror = Literal["y"] | tuple[Literal["y"], Literal["z"]] | None
PartName = int | str


@dataclass(frozen=True)
class SurfaceMesh:
    """The whole body as triangles.

    Parameters
        vertices : (V, 3) float, m
        triangles : (T, 3) int, counter-clockwise seen from outside (outward normals)
        part : (T,) int or str; 0 or "rigid" is a rigid wall
        mirror : None, "y" or ("y", "z"): declared symmetry planes y = 0, z = 0, verified by `check_mirror`
        balanced : its facets lie evenly about the curved surface that they stand for (see `facets.balanced`), rather than
            with their corners on it
    Raises MeshError when shapes or indices disagree, or values are not finite.
    """

    vertices: NDArray[np.float64]
    triangles: NDArray[np.int64]
    part: NDArray[np.generic]
    mirror: Mirror = None
    balanced: bool = False

    def __post_init__(self) -> None:
        v, t = np.asarray(self.vertices, float), np.asarray(self.triangles, np.int64)
        p = np.asarray(self.part)
        if v.ndim != 2 or v.shape[1] != 3:
            raise MeshError(message("mesh.vertices", "(V, 3)", v.shape))
        if not np.all(np.isfinite(v)):
            bad = int(np.argwhere(~np.isfinite(v))[0, 0])
            raise MeshError(message("mesh.vertices", "finite", v[bad].tolist(), where=f"vertex {bad}"))
        if t.ndim != 2 or t.shape[1] != 3 or len(t) == 0:
            raise MeshError(message("mesh.triangles", "(T, 3), T > 0", t.shape))
        if t.min() < 0 or t.max() >= len(v):
            raise MeshError(message("mesh.triangles", f"indices 0..{len(v) - 1}", f"{t.min()}..{t.max()}"))
        if p.shape != (len(t),):
            raise MeshError(message("mesh.part", f"one per triangle ({len(t)})", p.shape))
        object.__setattr__(self, "vertices", v)
        object.__setattr__(self, "triangles", t)
        object.__setattr__(self, "part", p)

    @cached_property
    def parts(self) -> tuple[PartName, ...]:
        """Moving parts: integers ascending, strings by first appearance; rigid left out. The order of every part axis."""
        values, first = np.unique(self.part, return_index=True)
        if np.issubdtype(self.part.dtype, np.number):
            return tuple(int(v) for v in values if v != 0)
        order = np.argsort(first)
        return tuple(str(values[i]) for i in order if str(values[i]) not in ("rigid", "0", ""))

    def of_part(self, name: PartName) -> NDArray[np.bool_]:
        """(T,) True on the triangles of one part."""
        found: NDArray[np.bool_] = np.asarray(self.part == name)
        return found

    @cached_property
    def cross(self) -> NDArray[np.float64]:
        """(T, 3) outward normal times twice the area, m2."""
        a, b, c = (self.vertices[self.triangles[:, i]] for i in range(3))
        return np.cross(b - a, c - a)

    @cached_property
    def area(self) -> NDArray[np.float64]:
        """(T,) m2."""
        return np.asarray(np.linalg.norm(self.cross, axis=1) / 2)

    @cached_property
    def normal(self) -> NDArray[np.float64]:
        """(T, 3) outward unit normals."""
        return self.cross / np.maximum(2 * self.area, 1e-300)[:, None]

    @cached_property
    def centroid(self) -> NDArray[np.float64]:
        """(T, 3) m."""
        return np.asarray(self.vertices[self.triangles].mean(axis=1))

    @property
    def volume(self) -> float:
        """Enclosed volume, m3 (positive when normals point outwards)."""
        return float(np.einsum("ij,ij->", self.vertices[self.triangles[:, 0]], self.cross) / 6)

    @cached_property
    def longest_edge(self) -> NDArray[np.float64]:
        """(T,) longest edge of each triangle, m."""
        p = self.vertices[self.triangles]
        return np.asarray(np.linalg.norm(p - np.roll(p, 1, axis=1), axis=2).max(axis=1))

    def check_closed(self) -> None:
        """Raise MeshError, naming the first triangles, when the surface is open, non-manifold, inside out or degenerate."""
        thin = np.flatnonzero(self.area < 1e-6 * np.maximum(self.longest_edge, 1e-300) ** 2)
        if len(thin):
            raise MeshError(
                message("mesh", "free of slivers", f"{len(thin)} flat triangles", where=f"triangles {thin[:5].tolist()}"),
                thin.tolist(),
            )
        t = self.triangles
        start, end = t.ravel(), np.roll(t, -1, axis=1).ravel()
        n = np.int64(len(self.vertices))
        forward, backward = start * n + end, end * n + start
        values, count = np.unique(forward, return_counts=True)
        if np.any(count > 1):
            where = np.flatnonzero(forward == values[count > 1][0]) // 3
            raise MeshError(
                message(
                    "mesh",
                    "manifold and consistently oriented",
                    f"{int(np.sum(count > 1))} doubly used edges",
                    where=f"triangles {where.tolist()}",
                    fix="flipping the triangles that run the wrong way round",
                ),
                np.unique(np.flatnonzero(np.isin(forward, values[count > 1])) // 3).tolist(),
            )
        lonely = np.flatnonzero(~np.isin(forward, backward))
        if len(lonely):
            raise MeshError(
                message(
                    "mesh",
                    "closed",
                    f"{len(lonely)} free edges",
                    where=f"triangles {sorted(set((lonely // 3)[:5].tolist()))}",
                    cause="An exterior solve needs a body with an inside",
                    fix="closing the hole or merging doubled vertices",
                ),
                np.unique(lonely // 3).tolist(),
            )
        if self.volume <= 0:
            raise MeshError(message("mesh", "outward oriented", f"volume {self.volume:.4g} m3", fix="reversing each triangle"))

    def check_mirror(self, mirror: Mirror, tolerance: float = 1e-6) -> None:
        """Raise MeshError unless the mesh, parts included, maps onto itself under each plane of `mirror`.

        `tolerance` is relative to the body's size.
        """
        for axis in mirror_axes(mirror):
            flipped = self.centroid.copy()
            flipped[:, axis] *= -1
            from scipy.spatial import cKDTree

            size = float(np.ptp(self.vertices, axis=0).max())
            found: Any = cKDTree(self.centroid).query(flipped)
            distance, index = np.asarray(found[0]), np.asarray(found[1])
            worst = int(np.argmax(distance))
            if distance[worst] > tolerance * size or np.any(self.part[index] != self.part):
                where = worst if distance[worst] > tolerance * size else int(np.flatnonzero(self.part[index] != self.part)[0])
                raise MeshError(
                    message(
                        "mesh",
                        f"symmetric about {'xyz'[axis]} = 0",
                        f"a triangle without its image, {distance[where]:.3g} m away",
                        where=f"triangle {where}, part {self.part[where]!r}",
                        fix="mirror=(), which solves the whole body",
                    )
                )


def mirror_axes(mirror: Mirror | Sequence[str]) -> tuple[int, ...]:
    """Axis numbers of the symmetry planes named by `mirror`. Raises MeshError on any other name."""
    names = () if mirror is None else (mirror,) if isinstance(mirror, str) else tuple(mirror)
    if any(n not in ("y", "z") for n in names):
        raise MeshError(message("mirror", 'None, "y" or ("y", "z")', mirror))
    return tuple("xyz".index(n) for n in names)
