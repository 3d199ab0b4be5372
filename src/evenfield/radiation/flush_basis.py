"""Velocities in the baffle's plane: linear and continuous in a mouth, constant on each element of a moving flat part."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from evenfield.radiation.flush_body import PlaneElements

Complex = NDArray[np.complexfloating[Any, Any]]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class PlaneBasis:
    """node : (T, 3) functions at each element's corners, the element's own thrice on a flat part

    first : (R + 1,) where each recess's functions begin, then the flat parts', one for each element in their order
    count : functions
    """

    node: Ints
    first: Ints
    count: int

    @property
    def mouths(self) -> int:
        """Unknown functions; those of flat parts follow."""
        return int(self.first[-1])

    def of_recess(self, number: int) -> slice:
        """A recess's functions."""
        return slice(int(self.first[number]), int(self.first[number + 1]))

    @property
    def flat(self) -> int:
        """Functions of flat elements."""
        return self.count - self.mouths

    def on_elements(self, values: Complex) -> Complex:
        """(K, T) means over the elements of values (K, count)."""
        return np.asarray(values[:, self.node].mean(axis=2))


@dataclass(frozen=True)
class PlanePoints:
    """Midpoints of the plane's elements, shared by neighbours.

    position : (P, 3) m; weight : (P, count) area weight times each function there; member : (T, 3) each element's midpoints
    """

    position: NDArray[np.float64]
    weight: csr_array
    member: Ints


def plane_points(plane: PlaneElements, basis: PlaneBasis) -> PlanePoints:
    """The midpoints in the elements' order."""
    corner = plane.corners
    middle = ((corner + np.roll(corner, -1, axis=1)) / 2).reshape(-1, 3)
    names = np.column_stack([(middle * 1e10).round().astype(np.int64), np.repeat(plane.recess, 3)])
    _, first, which = np.unique(names, axis=0, return_index=True, return_inverse=True)
    rank = np.empty(len(first), np.int64)
    order = np.argsort(first)
    rank[order] = np.arange(len(order))
    member = rank[np.asarray(which).ravel()].reshape(-1, 3)
    # at the midpoint of corners a and b the functions of both are 1/2; a flat element's own counts twice and is 1
    half = np.repeat(plane.area / 6, 6)
    ends = np.stack([basis.node, np.roll(basis.node, -1, axis=1)], axis=2).ravel()
    weight = csr_array((half, (np.repeat(member.ravel(), 2), ends)), shape=(len(first), basis.count))
    return PlanePoints(middle[first[order]], weight, member)


def plane_basis(plane: PlaneElements, recesses: int) -> PlaneBasis:
    """Number the corners recess by recess, then the flat elements."""
    node = np.empty((len(plane), 3), np.int64)
    first = [0]
    for number in range(recesses):
        own = np.flatnonzero(plane.recess == number)
        corner = (plane.corners[own].reshape(-1, 3) * 1e10).round().astype(np.int64)
        _, start, which = np.unique(corner, axis=0, return_index=True, return_inverse=True)
        # in the order in which the elements, neighbours together, come to them
        rank = np.empty(len(start), np.int64)
        rank[np.argsort(start)] = np.arange(len(start))
        node[own] = first[-1] + rank[np.asarray(which).ravel()].reshape(-1, 3)
        first.append(first[-1] + len(start))
    flat = np.flatnonzero(plane.recess < 0)
    node[flat] = (first[-1] + np.arange(len(flat)))[:, None]
    return PlaneBasis(node, np.asarray(first, np.int64), first[-1] + len(flat))
