"""Makes `benchmarks/data/flared-box.npz`: a rounded box with an oblique flare, meshed at 9 mm, and its field by ngsolve.bem.

`python -m benchmarks.flares_reference` (the [motor] extra's ngsolve; 25 minutes on two busy cores). A 160 x 240 x 180 mm box,
edges rounded by 20 mm; a flare of revolution whose axis is tilted by 12 degrees, so that its mouth is no circle, and a flat
piston of 12.5 mm radius in its throat; another of 40 mm radius below, in the baffle. The library solves on the same body
with curved elements of third order, 45 to 60 mm long, by the direct equation without its normal derivative: the frequencies lie
apart from the interior resonances. Ours with 5.5 mm edges differs from it as ours with 9 mm does (large piston 0.05 dB in front,
0.08 behind, small 0.08 and 0.45), and the two by 0.03 dB at most: what is left is the library's, whose elements are coarse at the
throat and miss 0.2 % of the large piston's area.
"""

from __future__ import annotations

import sys
from importlib import import_module
from pathlib import Path

import numpy as np

DATA = Path(__file__).parent / "data" / "flared-box.npz"
SIZES = {1000.0: 0.06, 2850.0: 0.045}
TILT, PLACE, BACK, THROAT = np.radians(12), 0.045, -0.035, 0.0125
LOWER, LARGE = -0.05, 0.04
EDGE, ORDER = 0.009, 3


def faces():
    """The outer faces, glued; the large piston is one of them."""
    from netgen.occ import Axis, Box, Cylinder, Face, Glue, Pnt, Segment, SplineApproximation, Wire, X, gp_Dir

    box = Box(Pnt(-0.18, -0.08, -0.12), Pnt(0, 0.08, 0.12))
    box = box.MakeFillet(box.edges, 0.02)
    c, s = np.cos(TILT), np.sin(TILT)

    def at(along, radius):
        return Pnt(along * c - radius * s, 0, PLACE + along * s + radius * c)

    front = 0.015
    wall = [at(a, THROAT + 0.0175 * (1 - a / BACK) ** 1.5) for a in np.linspace(BACK, front, 25)]
    axis = at(BACK, 0), at(front, 0)
    line = [Segment(axis[0], wall[0]), SplineApproximation(wall, tol=1e-7), Segment(wall[-1], axis[1]), Segment(*axis[::-1])]
    body = box - Face(Wire(line)).Revolve(Axis(at(0, 0), gp_Dir(c, 0, s)), 360)
    cut = Cylinder(Pnt(-0.01, 0, LOWER), X, r=LARGE, h=0.01)
    return Glue([f for part in (body * cut, body - cut) for f in part.faces if not _inside(f.center)])


def _inside(centre):
    return abs(centre.z - LOWER) < 1e-6 and abs(centre.y) < 1e-6 and -0.05 < centre.x < -1e-4


def throat():
    """Centre of the small piston."""
    return np.array([BACK * np.cos(TILT), 0, PLACE + BACK * np.sin(TILT)])


def triangles():
    """vertices, triangles, part (1 the large piston, 2 the small); both rims enclose their circles' areas."""
    from netgen.occ import OCCGeometry

    made = OCCGeometry(faces()).GenerateMesh(maxh=EDGE, perfstepsend=5)
    vertices = np.array([p.p for p in made.Points()])
    corner = np.array([[v.nr - 1 for v in e.vertices] for e in made.Elements2D()])
    centre, part = vertices[corner].mean(axis=1), np.zeros(len(corner), int)
    part[(np.abs(centre[:, 0]) < 1e-6) & (np.hypot(centre[:, 1], centre[:, 2] - LOWER) < LARGE)] = 1
    along = (centre - throat()) @ [np.cos(TILT), 0, np.sin(TILT)]
    part[(np.abs(along) < 1e-6) & (np.linalg.norm(centre - throat(), axis=1) < THROAT)] = 2
    for name, middle, radius in ((1, np.array([0, 0, LOWER]), LARGE), (2, throat(), THROAT)):
        a, b, c = (vertices[corner[part == name, i]] for i in range(3))
        area = np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2
        own = np.unique(corner[part == name])
        vertices[own] = middle + (vertices[own] - middle) * np.sqrt(np.pi * radius**2 / area)
    return vertices, corner, part


def directions():
    """(D, 3) the horizontal and the vertical circle, 5 degrees."""
    angle = np.radians(np.arange(0, 360, 5))
    zero = 0 * angle
    circles = [np.cos(angle), np.sin(angle), zero], [np.cos(angle), zero, np.sin(angle)]
    return np.concatenate([np.stack(c, axis=1) for c in circles])


def fields(frequency_hz, size):
    """(2, D) far fields of the large and the small piston, 1 m/s."""
    import ngsolve as ng
    from netgen.occ import OCCGeometry

    from evenfield.base import Air

    bem, x, y, z = import_module("ngsolve.bem"), ng.x, ng.y, ng.z
    made = OCCGeometry(faces()).GenerateMesh(maxh=size, perfstepsend=5, grading=0.7, curvaturesafety=0.7, segmentsperedge=0.3)
    mesh = ng.Mesh(made).Curve(ORDER)
    space = ng.H1(mesh, order=ORDER, complex=True, definedon=mesh.Boundaries(".*"))
    flux = ng.SurfaceL2(mesh, order=ORDER, complex=True)
    (p, test), q, ds = space.TnT(), flux.TrialFunction(), ng.ds
    k = float(Air().wavenumber(frequency_hz))
    # its time factor is e^{-i omega t}: conjugate in, conjugate out
    derivative = np.conj(-2j * np.pi * frequency_hz * Air().density)
    mass = ng.BilinearForm(0.5 * p * test * ds).Assemble().mat
    preconditioner = ng.BilinearForm(p * test * ds, diagonal=True).Assemble().mat.Inverse()
    double, single = bem.HelmholtzDL(p * ds, k) * test * ds, bem.HelmholtzSL(q * ds, k) * test * ds
    middle = throat()
    along = (x - middle[0]) * np.cos(TILT) + (z - middle[2]) * np.sin(TILT)
    apart = (x - middle[0]) ** 2 + y**2 + (z - middle[2]) ** 2
    large = ng.IfPos(LARGE**2 - y**2 - (z - LOWER) ** 2, 1, 0) * ng.IfPos(x + 1e-6, 1, 0)
    small = ng.IfPos(1e-7 - along, 1, 0) * ng.IfPos(1e-7 + along, 1, 0) * ng.IfPos(1.02 * THROAT**2 - apart, 1, 0)
    found = []
    with ng.TaskManager():
        for moving in (large, small):
            given, pressure = ng.GridFunction(flux), ng.GridFunction(space)
            given.Set(moving * derivative, definedon=mesh.Boundaries(".*"))
            right = (-(single.mat * given.vec)).Evaluate()
            pressure.vec.data = ng.krylovspace.GMRes(
                mass - double.mat, right, pre=preconditioner, tol=1e-6, printrates=False, maxsteps=300
            )
            found.append([_towards(ng, d, k, pressure, given, mesh) for d in directions()])
    return np.conj(np.array(found))


def _towards(ng, direction, k, pressure, given, mesh):
    u = ng.CF(tuple(direction))
    slope = -1j * k * ng.InnerProduct(u, ng.specialcf.normal(3))
    wave = ng.exp(-1j * k * ng.InnerProduct(u, ng.CF((ng.x, ng.y, ng.z)))) * (slope * pressure - given) / (4 * np.pi)
    return ng.Integrate(wave * ng.ds(bonus_intorder=4), mesh)


def main():
    vertices, corner, part = triangles()
    field = np.stack([fields(f, size) for f, size in SIZES.items()], axis=-1)
    np.savez_compressed(
        DATA,
        vertices=vertices.astype(np.float32),
        triangles=corner.astype(np.int32),
        part=part.astype(np.int8),
        frequency=np.array(list(SIZES)),
        directions=directions(),
        field=field.astype(np.complex64),
    )
    print(f"{len(vertices)} vertices, fields {field.shape}", file=sys.stderr)


if __name__ == "__main__":
    main()
