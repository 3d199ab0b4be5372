"""A winding's flux linkage as a linear function of the potential's coefficients, integrated exactly.

A coil at any displacement covers some elements of its lane wholly and cuts others: those are clipped to the coil's section
and integrated over what is left, so that neither force nor inductance knows where the mesh lines are.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenfield.magnetics.mesh import MM
from evenfield.magnetics.motor import Coil

_Point = tuple[float, float]


class LaneElements:
    """The triangles of the lanes and the polynomials of the basis functions on them.

    Parameters
        mesh : ngsolve Mesh with straight triangles in the region "lane"
        space : H1 of degree `order`
    """

    def __init__(self, mesh: Any, space: Any, order: int) -> None:
        exponents = [(i, j) for i in range(order + 1) for j in range(order + 1 - i)]
        self.powers = np.array(exponents)
        nodes = np.array(exponents) / order
        solve = np.linalg.inv(self._monomials(nodes))
        corners, coefficients, dofs = [], [], []
        where = mesh.Materials("^lane$")
        for element in where.Elements():
            fe = space.GetFE(element)
            shapes = np.array([np.asarray(fe.CalcShape(float(u), float(v), 0.0)) for u, v in nodes])
            corners.append([mesh[v].point for v in element.vertices])
            coefficients.append(solve @ shapes)
            dofs.append(list(space.GetDofNrs(element)))
        self.size = space.ndof
        self.corners = np.array(corners, float)
        self.coefficients = np.array(coefficients)
        self.dofs = np.array(dofs)
        x, w = np.polynomial.legendre.leggauss(4)
        u, v = np.meshgrid((x + 1) / 2, (x + 1) / 2, indexing="ij")
        # the unit square collapsed to a triangle
        self.rule = np.c_[u.ravel(), (v * (1 - u)).ravel()]
        self.weights = (np.outer(w, w) / 4 * (1 - u)).ravel()
        whole = [self._integral(i, [tuple(p) for p in c]) for i, c in enumerate(self.corners)]
        self.whole = np.array(whole).reshape(len(whole), -1)

    def _monomials(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(points[:, :1] ** self.powers[:, 0] * points[:, 1:] ** self.powers[:, 1])

    def _integral(self, i: int, polygon: list[_Point]) -> NDArray[np.float64]:
        """(M,) integral of 2 pi r times each basis function of element i over a convex polygon inside it, mm2 times m."""
        p = np.array(polygon)
        total = np.zeros(self.coefficients.shape[2])
        a, b, c = self.corners[i]
        to_unit = np.linalg.inv(np.column_stack([a - c, b - c]))
        for k in range(1, len(p) - 1):
            u, v = p[k] - p[0], p[k + 1] - p[0]
            area = abs(u[0] * v[1] - u[1] * v[0])
            if area < 1e-12:
                continue
            at = p[0] + self.rule[:, :1] * u + self.rule[:, 1:] * v
            shape = self._monomials((at - c) @ to_unit.T) @ self.coefficients[i]
            total += (area * self.weights * 2 * np.pi * at[:, 0] * MM) @ shape
        return total

    def linkage(self, coil: Coil, displacement: NDArray[np.float64]) -> NDArray[np.float64]:
        """(X, N) flux linkage (Wb) per coefficient of the potential, for a winding at each displacement (m)."""
        out = np.zeros((len(displacement), self.size))
        r0, r1 = coil.inner_radius / MM, coil.outer_radius / MM
        low, high = self.corners.min(axis=1), self.corners.max(axis=1)
        for row, x in enumerate(displacement):
            shift = x if coil.moving else 0.0
            z0, z1 = (coil.bottom + shift) / MM, (coil.top + shift) / MM
            slack = 1e-9
            inside = (
                (low[:, 0] >= r0 - slack) & (high[:, 0] <= r1 + slack) & (low[:, 1] >= z0 - slack) & (high[:, 1] <= z1 + slack)
            )
            touched = (low[:, 0] < r1) & (high[:, 0] > r0) & (low[:, 1] < z1) & (high[:, 1] > z0) & ~inside
            np.add.at(out[row], self.dofs[inside].ravel(), self.whole[inside].ravel())
            for i in np.flatnonzero(touched):
                cut = _clip([tuple(p) for p in self.corners[i]], r0, r1, z0, z1)
                if len(cut) > 2:
                    np.add.at(out[row], self.dofs[i], self._integral(int(i), cut))
            out[row] *= coil.sense * coil.turns / ((z1 - z0) * (r1 - r0))
        return out


def _clip(polygon: list[_Point], r0: float, r1: float, z0: float, z1: float) -> list[_Point]:
    """A convex polygon cut to a rectangle (Sutherland & Hodgman 1974)."""
    for axis, sign, bound in ((0, 1, r0), (0, -1, r1), (1, 1, z0), (1, -1, z1)):
        kept: list[_Point] = []
        for k, here in enumerate(polygon):
            there = polygon[(k + 1) % len(polygon)]
            d0, d1 = sign * (here[axis] - bound), sign * (there[axis] - bound)
            if d0 >= 0:
                kept.append(here)
            if (d0 > 0 > d1) or (d0 < 0 < d1):
                t = d0 / (d0 - d1)
                kept.append((here[0] + t * (there[0] - here[0]), here[1] + t * (there[1] - here[1])))
        polygon = kept
        if not polygon:
            return []
    return polygon
