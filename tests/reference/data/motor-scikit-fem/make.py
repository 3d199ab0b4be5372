"""Bl(x) and magnet flux of one ferrite motor by independent code: scikit-fem, quadratic quadrilaterals on a tensor grid.

Unknown: the stream function psi = r A_phi (ours: A_phi on triangles); B = (-psi_z, psi_r) / r. The B-H curve is
interpolated linearly in H(B^2) on a fine table of the same published points. Run: python make.py > values.json (a minute).
Generator and values: Apache-2.0, as the package.
"""

from __future__ import annotations

import json
from itertools import pairwise

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.sparse.linalg import splu
from skfem import Basis, BilinearForm, ElementQuad2, LinearForm, MeshQuad

MU0 = 4e-7 * np.pi
MM = 1e-3
# r0, r1, z0, z1 (mm) of each steel part; the motor of test_magnetics_scikit_fem.py
STEEL = [(0, 12, -20, 4), (12, 36, -20, -14), (13.5, 34, -2, 4)]
MAGNET = (18, 36, -14, -2)
BR, RECOIL = 0.39, 1.07
BH = [
    (0.2503, 238.7), (0.925, 795.8), (1.25, 1591.6), (1.39, 2387.3), (1.525, 3978.9), (1.71, 7957.8), (1.87, 15916.0),
    (1.955, 23873.0), (2.02, 39789.0), (2.11, 79578.0), (2.225, 159155.0), (2.43, 318310.0),
]  # fmt: skip
COIL = (12.4, 13.1, 12.0)  # inner and outer radius, height, mm; centred on the plate, z = 1
TURNS = 80


def graded(breaks: list[float], fine: float, end: float, sign: int = 1) -> list[float]:
    """From the last break outwards in steps that grow by a quarter."""
    out, step, x = [], fine, breaks[-1 if sign > 0 else 0]
    while abs(x) < end:
        step *= 1.25
        x += sign * step
        out.append(x)
    return out


def axis_lines(breaks: list[float], fine: float) -> list[float]:
    lines: list[float] = []
    for a, b in pairwise(breaks):
        n = max(2, int(np.ceil((b - a) / fine)))
        t = np.linspace(0, 1, n + 1)[:-1]
        lines += (a + (b - a) * (0.5 - 0.5 * np.cos(np.pi * t))).tolist()  # crowded at corners
    return [*lines, breaks[-1]]


def inside(x: np.ndarray, box: tuple[float, ...]) -> np.ndarray:
    return (x[0] > box[0]) & (x[0] < box[1]) & (x[1] > box[2]) & (x[1] < box[3])


def main(fine: float = 1.0) -> dict[str, object]:
    r_breaks = [0, 12, 13.5, 18, 34, 36]
    z_breaks = [-20, -14, -2, 4]
    r = axis_lines(r_breaks[:2], fine)[:-1] + axis_lines([12, 13.5], 0.15)[:-1] + axis_lines(r_breaks[2:], fine)
    r += graded(r_breaks, fine, 600)
    z = axis_lines([-20, -14, -2], fine)[:-1] + axis_lines([-2, 4], 0.3) + axis_lines([4, 14], 0.5)[1:]
    z = sorted(graded(z_breaks, fine, 600, -1)) + z + graded([14], fine, 600)
    mesh = MeshQuad.init_tensor(np.array(r), np.array(z))
    basis = Basis(mesh, ElementQuad2(), intorder=5)
    x = basis.global_coordinates().value
    rr = np.maximum(x[0], 1e-9) * MM
    steel = np.any([inside(x, s) for s in STEEL], axis=0)
    magnet = inside(x, MAGNET)
    b_table = np.r_[0, [p[0] for p in BH]]
    curve = PchipInterpolator(b_table, np.r_[0, [p[1] for p in BH]])

    def h_of(b: np.ndarray) -> np.ndarray:
        return curve(np.minimum(b, b_table[-1])) + np.maximum(b - b_table[-1], 0) / MU0

    def slope(b: np.ndarray) -> np.ndarray:
        return np.where(b < b_table[-1], curve.derivative()(np.minimum(b, b_table[-1])), 1 / MU0)

    fixed = basis.get_dofs(lambda p: (p[0] < 1e-9) | (p[0] > max(r) - 1e-9) | (abs(p[1]) > max(abs(z[0]), z[-1]) - 60)).all()
    free = np.setdiff1d(np.arange(basis.N), fixed)
    psi = np.zeros(basis.N)

    @BilinearForm
    def tangent(u, v, w):
        return (w.nu * (u.grad[0] * v.grad[0] + u.grad[1] * v.grad[1]) + w.d * (w.g0 * u.grad[0] + w.g1 * u.grad[1])
                * (w.g0 * v.grad[0] + w.g1 * v.grad[1])) / w.r  # fmt: skip

    @LinearForm
    def residual(v, w):
        return w.nu / w.r * (w.g0 * v.grad[0] + w.g1 * v.grad[1]) - w.m * v.grad[0]

    old = np.inf
    for step in range(40):
        g = basis.interpolate(psi).grad / MM
        b = np.sqrt(g[0] ** 2 + g[1] ** 2) / rr + 1e-9
        nu = np.where(steel, h_of(b) / b, np.where(magnet, 1 / (RECOIL * MU0), 1 / MU0))
        d = np.where(steel, (slope(b) - h_of(b) / b) / (b * rr) ** 2, 0.0)
        m = np.where(magnet, BR / (RECOIL * MU0), 0.0)
        # integrals in mm: gradients per mm, so 1/MM twice and MM twice cancel in the tangent
        k = tangent.assemble(basis, nu=nu, d=d, g0=g[0], g1=g[1], r=rr)
        f = residual.assemble(basis, nu=nu, g0=g[0] * MM, g1=g[1] * MM, r=rr, m=m * MM)
        change = np.zeros(basis.N)
        change[free] = splu(k[free][:, free].tocsc()).solve(f[free])
        size = np.abs(change).max() / max(np.abs(psi).max(), 1e-12)
        damp = 1.0 if size < old or step < 3 else 0.5
        psi -= damp * change
        old = size
        if size < 1e-8:
            break
    return {"unknowns": int(basis.N), "steps": step, "values": bl_values(basis, psi)}


def bl_values(basis: Basis, psi: np.ndarray) -> list[list[float]]:
    """Bl at displacements, by the stream function at the coil's ends, averaged over its radii."""
    q, w = np.polynomial.legendre.leggauss(8)
    radii = COIL[0] + (COIL[1] - COIL[0]) * (q + 1) / 2
    out = []
    for x in (-6.0, -3.0, 0.0, 3.0, 6.0):
        ends = []
        for z in (1 + x + COIL[2] / 2, 1 + x - COIL[2] / 2):
            value = basis.probes(np.vstack([radii, np.full(8, z)])) @ psi
            ends.append(2 * np.pi * np.sum(w / 2 * value))
        out.append([x, float(abs(TURNS / (COIL[2] * MM) * (ends[0] - ends[1])))])
    return out


if __name__ == "__main__":
    print(json.dumps(main(), indent=1))
