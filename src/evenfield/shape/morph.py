"""A surface whose dimensions change while its triangles stay: positions of all vertices for a changed cabinet.

Element surfaces are evaluated anew from the station and angle of each vertex; the rounded box follows its dimensions exactly;
what lies between slides along the box by a discrete harmonic function, which leaves the box, and so the sound, as they were.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from evenfield.base.errors import MeshError, message
from evenfield.data.mesh import SurfaceMesh
from evenfield.shape.box import Box
from evenfield.shape.build import build_boxed
from evenfield.shape.elements import Cabinet, Coaxial, Element
from evenfield.shape.ring_table import TabledRings, spread_ring
from evenfield.shape.rings import HALF, Half, RingPlace, pole_of
from evenfield.shape.sizes import EdgeLengths
from evenfield.shape.strips import Strip, strips_of

Array = NDArray[np.float64]
Index = NDArray[np.int64]

LEAST_QUALITY = 0.12
"""4 sqrt 3 area over the sum of squared edges, 1 for an equilateral triangle; a morphed triangle may not fall below this, nor
below a third of what it was."""
LONGEST = 1.35
"""How much longer than in the mesh's own cabinet an edge may become."""


class Stretched(MeshError):
    """The changed body needs triangles of its own: build it anew."""


@dataclass(frozen=True)
class _Seat:
    """An element's vertices: where each lies in the mesh, the right half's and the left half's."""

    number: int
    side: int
    half: Half
    right: Index
    left: Index

    @cached_property
    def table(self) -> TabledRings:
        """Its rings, to be read from tables."""
        return TabledRings(self.half.rings)


class Morph:
    """A cabinet's surface that can follow changes of its dimensions.

    Parameters
        cabinet, edge_lengths : as for `build_surface`
    Attributes
        mesh : SurfaceMesh of the cabinet itself
    """

    def __init__(self, cabinet: Cabinet, edge_lengths: EdgeLengths) -> None:
        self.cabinet, self.edge_lengths = cabinet, edge_lengths
        self.mesh, box = build_boxed(cabinet, edge_lengths)
        self._tree = _tree(self.mesh.vertices)
        self._image = self._images()
        self._seats = [s for side in (1, -1) for s in self._find_seats(box, side)]
        owned = np.zeros(len(self.mesh.vertices), bool)
        for seat in self._seats:
            owned[seat.right] = owned[seat.left] = True
        size = (cabinet.depth, cabinet.width, cabinet.height)
        self._slides = [_Slide(self.mesh, owned, n, size[n] / 2 - cabinet.edge_radius) for n in (1, 2)]
        self._rest = np.flatnonzero(~np.all(owned[self.mesh.triangles], axis=1))
        self._quality = quality(self.mesh)
        self._edge = self.mesh.longest_edge

    def vertices(self, cabinet: Cabinet) -> Array:
        """(V, 3) m, of the same triangles on `cabinet`, whose elements must be of the same kinds in the same order.

        Raises Stretched where an element has other strips than before (a gap that opens or closes).
        """
        return self._positions(cabinet, False)

    def _positions(self, cabinet: Cabinet, tabled: bool) -> Array:
        start = self.mesh.vertices
        moved = _box_map(start, self.cabinet, cabinet)
        box_only = moved.copy()
        placed = cabinet.placed
        if len(placed) != len(self.cabinet.placed):
            raise Stretched(message("the changed cabinet", "of the same elements", f"{len(placed)} elements"))
        for seat in self._seats:
            self._seat(moved, seat, placed[seat.number], cabinet, tabled)
        for slide in self._slides:
            slide.blend(moved, box_only)
        if self._image is not None:
            left = start[:, 1] < 0
            moved[left] = moved[self._image[left]] * [1, -1, 1]
            moved[start[:, 1] == 0, 1] = 0.0
        return moved

    def surface(self, cabinet: Cabinet) -> SurfaceMesh:
        """The morphed mesh. Raises Stretched where triangles would be inverted, thin, or too long."""
        mesh = SurfaceMesh(self.vertices(cabinet), self.mesh.triangles, self.mesh.part, self.mesh.mirror)
        found = quality(mesh)
        bad = (found < LEAST_QUALITY) & (found < 0.9 * self._quality) | (found < self._quality / 3)
        turned = np.zeros(len(found), bool)
        turned[self._rest] = np.sum(mesh.normal[self._rest] * self.mesh.normal[self._rest], axis=1) < 0.5
        long = mesh.longest_edge > LONGEST * np.maximum(self._edge, 0.5 * float(np.median(self._edge)))
        for what, which in (("thin", bad), ("inverted", turned), ("long", long)):
            if np.any(which):
                raise Stretched(message("the changed surface", "of sound triangles", f"{int(which.sum())} {what} ones"))
        return mesh

    def derivative(self, before: Cabinet, after: Cabinet, step: float) -> Array:
        """(V, 3) of the vertices by a number that changes by `step` from one cabinet to a near one.

        Element surfaces are read from tables, shared by all meshes: their interpolation error is nearly the same in both.
        """
        return (self._positions(after, True) - self._positions(before, True)) / step

    # elements

    def _images(self) -> Index | None:
        if self.mesh.mirror is None:
            return None
        found: Index = np.asarray(self._tree.query(self.mesh.vertices * [1, -1, 1])[1], np.int64)
        return found

    def _find_seats(self, box: Box, side: int) -> list[_Seat]:
        numbers = {id(e): n for n, e in enumerate(self.cabinet.placed)}
        by_place = {(e.face, e.y, e.z): n for n, e in enumerate(self.cabinet.placed)}
        seats = []
        for seat in box.seats[side]:
            half = box.half_of(seat)
            e = seat.element
            number = numbers.get(id(e), by_place[(e.face, e.y, e.z)])
            right = self._find(_placed(half.points, e, self.cabinet, side))
            left = self._find(_placed(half.points * [1, -1, 1], e, self.cabinet, side))
            seats.append(_Seat(number, side, half, right, left))
        return seats

    def _find(self, points: Array) -> Index:
        distance, index = self._tree.query(points)
        if np.max(distance) > 1e-8:
            raise MeshError(message("the surface", "made of its own patches", f"a point {np.max(distance):.2g} m off"))
        return np.asarray(index, np.int64)

    def _seat(self, moved: Array, seat: _Seat, after: Element, cabinet: Cabinet, tabled: bool) -> None:
        before = self.cabinet.placed[seat.number]
        if seat.half.rings:
            strips = strips_of(after)
            if [s.part for s in strips] != [s.part for s in strips_of(before)]:
                raise Stretched(message(f"the surface of {after.name!r}", "of the same strips", f"{len(strips)} strips"))
            points = seat.table.vertices(_centred(after)) if tabled else ring_vertices(strips, seat.half.rings)
        else:
            points = seat.half.points
            if getattr(after, "outline", None) != getattr(before, "outline", None):
                raise Stretched(message(f"the opening {after.name!r}", "of the same outline", "another"))
        moved[seat.right] = _placed(points, after, cabinet, seat.side)
        moved[seat.left] = _placed(points * [1, -1, 1], after, cabinet, seat.side)


def _centred(element: Element) -> Element:
    """The element at the middle of its face: its own surface is the same anywhere."""
    return element if isinstance(element, Coaxial) else replace(element, y=0.0, z=0.0)


def ring_vertices(strips: list[Strip], rings: tuple[RingPlace, ...]) -> Array:
    """(P, 3) m, vertices of rings and pole on an element's strips, in its own axes; each ring as `ring_points` has it."""
    points: list[Array] = []
    for k, strip in enumerate(strips):
        mine = [r for r in rings if r.strip == k]
        if not mine:
            continue
        angles, index = np.unique(np.concatenate([HALF, *(r.theta for r in mine)]), return_inverse=True)
        x, radius = strip.surface(np.array([r.station for r in mine]), angles)
        dense, *places = np.split(index, np.cumsum([len(HALF), *(len(r.theta) for r in mine)])[:-1])
        area = np.asarray(np.trapezoid(radius[:, dense] ** 2, HALF, axis=1))
        for n, (ring, where) in enumerate(zip(mine, places, strict=True)):
            points.append(spread_ring(ring.theta, x[n, where], radius[n, where], float(area[n])))
    return np.vstack([*points, [[pole_of(strips), 0.0, 0.0]]])


def quality(mesh: SurfaceMesh) -> Array:
    """(T,) 4 sqrt 3 area over the sum of squared edges: 1 equilateral, 0 flat."""
    p = mesh.vertices[mesh.triangles]
    squares = np.sum((p - np.roll(p, 1, axis=1)) ** 2, axis=(1, 2))
    return np.asarray(4 * np.sqrt(3) * mesh.area / squares)


def _tree(points: Array):  # type: ignore[no-untyped-def]
    from scipy.spatial import cKDTree

    return cKDTree(points)


def _placed(points: Array, element: Element, cabinet: Cabinet, side: int) -> Array:
    origin = np.array([0.0 if side > 0 else -cabinet.depth, element.y, element.z])
    return np.asarray(points * [side, 1, 1] + origin)


def _box_map(points: Array, before: Cabinet, after: Cabinet) -> Array:
    """Points of one rounded box on another: flat parts scaled, edges and corners kept round."""
    outer = [np.array([c.depth, c.width, c.height]) / 2 for c in (before, after)]
    radius = [c.edge_radius for c in (before, after)]
    if np.array_equal(outer[0], outer[1]) and radius[0] == radius[1]:
        return points.copy()
    flat = [o - r for o, r in zip(outer, radius, strict=True)]
    local = points + np.array([before.depth / 2, 0, 0])
    core = np.clip(local, -flat[0], flat[0])
    away = local - core
    bent = away * (radius[1] / radius[0]) if radius[0] > 1e-9 else away
    return np.asarray(core * (flat[1] / flat[0]) + bent - np.array([after.depth / 2, 0, 0]))


class _Slide:
    """What is not an element slides along y or z as a harmonic function of the elements' moves, where the box is straight along
    that axis: the flats of its faces and, lengthwise, its rounded edges. Such moves leave the box as it is.
    """

    def __init__(self, mesh: SurfaceMesh, owned: NDArray[np.bool_], axis: int, flat: float) -> None:
        from scipy.sparse import coo_matrix, diags
        from scipy.sparse.linalg import splu

        self.axis = axis
        v, t = mesh.vertices, mesh.triangles
        outside = t[~np.all(owned[t], axis=1)]
        used = np.zeros(len(v), bool)
        used[outside] = True
        straight = used & ~owned & (np.abs(v[:, axis]) < flat - 1e-9)
        self.free, self.fixed = np.flatnonzero(straight), np.flatnonzero(used & ~straight)
        edge = np.vstack([outside[:, [a, (a + 1) % 3]] for a in range(3)])
        weight = 1.0 / np.linalg.norm(v[edge[:, 0]] - v[edge[:, 1]], axis=1)
        a, b = edge.T
        links = coo_matrix((np.r_[weight, weight], (np.r_[a, b], np.r_[b, a])), (len(v), len(v))).tocsr()
        laplace = (diags(np.asarray(links.sum(axis=1)).ravel()) - links).tocsc()
        self._coupling = laplace[self.free][:, self.fixed]
        self._solve = splu(laplace[self.free][:, self.free]).solve if len(self.free) else None

    def blend(self, moved: Array, box_only: Array) -> None:
        """Add to the free vertices the harmonic extension of how far the elements left the box's own map."""
        shift = (moved - box_only)[self.fixed, self.axis]
        if self._solve is not None and np.any(shift):
            moved[self.free, self.axis] += self._solve(-(self._coupling @ shift))


__all__ = ["LEAST_QUALITY", "LONGEST", "Morph", "Stretched", "quality", "ring_vertices"]
