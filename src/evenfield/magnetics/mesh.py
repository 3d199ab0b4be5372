"""The meridian section as a finite-element mesh: thin layers under every steel surface, for eddy currents.

Coordinates of the mesh are millimetres. A skin depth of steel at 20 kHz is 0.03 to 0.2 mm; layers of quadrilaterals that
double in thickness from there resolve it at any frequency below, with few unknowns.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from evenfield.base import EvenfieldError, MeshError, message
from evenfield.magnetics.polygons import perimeter, signed_area

if TYPE_CHECKING:
    from evenfield.magnetics.motor import Coil, Motor

MM = 1e-3
"""m; the mesh's unit of length."""

FAR = 7.0
"""Radius of the computed region, in half sizes of the motor; beyond it the field is taken to be a dipole's."""

NEAR = 0.25
"""Share of that radius within which the air is meshed finely."""


def need_ngsolve() -> Any:
    """The finite-element library. Raises EvenfieldError with one line when it is not installed.

    It runs on one thread: at 10 000 unknowns its task manager gains little on quiet cores and loses much on busy ones.
    """
    try:
        import ngsolve
    except ImportError:
        raise EvenfieldError(
            "Computing a motor from its drawing needs the finite-element library: pip install 'evenfield[motor]'. "
            "Typed-in driver parameters work without it."
        ) from None
    return ngsolve


@dataclass(frozen=True)
class MotorMesh:
    """A mesh of a motor.

    Parameters
        mesh : ngsolve Mesh, mm
        radius, centre : of the outer half circle, mm
        regions : part name -> material name in the mesh
    """

    mesh: Any
    radius: float
    centre: float
    regions: dict[str, str]
    elements: int


def lanes(motor: Motor, low: float, high: float) -> list[tuple[float, float, float, float]]:
    """Disjoint rectangles (r0, r1, z0, z1), m, that the windings sweep from displacement `low` to `high`."""
    swept = [
        (c.inner_radius, c.outer_radius, c.bottom + (low if c.moving else 0), c.top + (high if c.moving else 0))
        for c in motor.coils
    ]
    radii = sorted({round(r, 9) for s in swept for r in s[:2]})
    out = []
    for r0, r1 in pairwise(radii):
        spans = sorted((s[2], s[3]) for s in swept if s[0] <= r0 + 1e-9 and s[1] >= r1 - 1e-9)
        merged: list[list[float]] = []
        for z0, z1 in spans:
            if merged and z0 <= merged[-1][1] + 1e-6:
                merged[-1][1] = max(merged[-1][1], z1)
            else:
                merged.append([z0, z1])
        out += [(r0, r1, a, b) for a, b in merged]
    return out


def build_mesh(motor: Motor, low: float, high: float, scale: float = 1.0, layers: bool = True) -> MotorMesh:
    """Mesh a motor whose coils move from `low` to `high` (m).

    Parameters
        scale : factor on every edge length and layer thickness; 0.5 is the mesh that judges the usual one
        layers : thin layers under steel surfaces (needed for impedance, not for the static field)
    Raises MeshError when the mesher fails or loses area.
    """
    need_ngsolve()
    from netgen.meshing import BoundaryLayerParameters, NgException
    from netgen.occ import OCCGeometry
    from ngsolve import Mesh

    outer, bottom, top = motor.extent
    centre = (bottom + top) / 2 / MM
    radius = FAR * max(outer, (top - bottom) / 2) / MM
    shape = _shape(motor, lanes(motor, low, high), radius, centre, scale)
    geometry = OCCGeometry(shape, dim=2)
    steel = [(i, p) for i, p in enumerate(motor.parts) if p.kind == "steel"]
    thick = [p for p in steel if _thickness(p[1].polygon) > 0.8e-3] if layers else []
    borders = [
        BoundaryLayerParameters(
            boundary="inside", thickness=_layers(_thickness(p.polygon), scale), domain=f"^part{i}$", outside=False
        )
        for i, p in thick
    ]
    try:
        raw = geometry.GenerateMesh(maxh=radius / 8, grading=0.4, boundary_layers=borders)
    except NgException as error:
        raise MeshError(message("motor's mesh", "made", str(error)[:120], where=motor.name)) from None
    mesh = Mesh(raw)
    _check_areas(mesh, motor)
    mesh.Curve(3)
    return MotorMesh(mesh, radius, centre, {p.name: f"part{i}" for i, p in enumerate(motor.parts)}, mesh.ne)


def _thickness(polygon: Any) -> float:
    """m; of a plate, the smaller dimension."""
    return 2 * abs(signed_area(polygon)) / perimeter(polygon)


def _layers(thickness: float, scale: float) -> list[float]:
    """Thicknesses of the layers, mm, outermost first; together below a fifth of the part."""
    steps = [0.015, 0.015, 0.045, 0.045, 0.135, 0.135] if scale < 0.75 else [0.03, 0.09, 0.27]
    limit = 0.2 * thickness / MM
    return [s * min(1.0, limit / sum(steps)) for s in steps]


def _sizes(motor: Motor, scale: float) -> dict[str, float]:
    """Largest edge in each region, mm."""
    unit = max(motor.extent[0] / MM / 16, 0.5) * scale
    thin = min(c.outer_radius - c.inner_radius for c in motor.coils) / MM
    sizes = {"lane": max(min(1.2 * thin, 0.7 * unit), 0.25 * unit), "air": 1e3, "near": 6 * unit}
    for i, p in enumerate(motor.parts):
        if p.kind == "conductor":
            # the skin depth of copper at 20 kHz is 0.46 mm, of aluminium 0.58 mm; cubic elements span two of them
            sizes[f"part{i}"] = max(min(1.0 * scale, 1.2 * _thickness(p.polygon) / MM), 0.2 * scale)
        else:
            sizes[f"part{i}"] = unit
    return sizes


def _shape(motor: Motor, swept: list[tuple[float, float, float, float]], radius: float, centre: float, scale: float) -> Any:
    from netgen.occ import Glue, MoveTo, WorkPlane

    faces = []
    for i, part in enumerate(motor.parts):
        faces.append(_face(part.polygon / MM, f"part{i}"))
    for r0, r1, z0, z1 in swept:
        face = MoveTo(r0 / MM, z0 / MM).Rectangle((r1 - r0) / MM, (z1 - z0) / MM).Face()
        face.faces.name = "lane"
        faces.append(face)
    plane = WorkPlane()
    air = plane.MoveTo(0, centre - radius).Direction(1, 0).Arc(radius, 180).LineTo(0, centre - radius).Face()
    near = WorkPlane().MoveTo(0, centre - NEAR * radius).Direction(1, 0).Arc(NEAR * radius, 180)
    near = near.LineTo(0, centre - NEAR * radius).Face()
    air = air - near
    for face in faces:
        near = near - face
    air.faces.name, near.faces.name = "air", "near"
    shape = Glue([air, near, *faces])
    sizes = _sizes(motor, scale)
    for face in shape.faces:
        face.maxh = sizes.get(face.name, 1e3)
    for edge in shape.edges:
        at = edge.center
        if abs(at.x) < 1e-7:
            edge.name = "axis"
        elif math.hypot(at.x, at.y - centre) > 0.5 * radius:  # the edge's middle of the half circle, not of the motor
            edge.name = "outer"
        else:
            edge.name = "inside"
    # the field is singular at corners; those beside a coil's way matter most
    for vertex in shape.vertices:
        near_coil = min((_outside(vertex.p, lane) for lane in swept), default=math.inf)
        if near_coil < 3 * sizes["lane"] / scale:
            vertex.maxh = 0.3 * sizes["lane"]
    return shape


def _outside(point: Any, lane: tuple[float, float, float, float]) -> float:
    """Distance of a point (mm) from a lane (m), mm."""
    r0, r1, z0, z1 = (v / MM for v in lane)
    return math.hypot(max(r0 - point[0], 0, point[0] - r1), max(z0 - point[1], 0, point[1] - z1))


def _face(corners: Any, name: str) -> Any:
    from netgen.occ import MoveTo

    line = MoveTo(*corners[0])
    for p in corners[1:]:
        line = line.LineTo(*p)
    face = line.Close().Face()
    face.faces.name = name
    return face


def _check_areas(mesh: Any, motor: Motor) -> None:
    """Every part keeps its area: layers that fold over themselves would lose some."""
    from ngsolve import CF, Integrate

    area = np.array(list(Integrate(CF(1), mesh, region_wise=True)))
    found = {name: float(area[i]) for i, name in enumerate(mesh.GetMaterials())}
    for i, part in enumerate(motor.parts):
        wanted = abs(signed_area(part.polygon)) / MM**2
        have = sum(v for k, v in found.items() if k == f"part{i}")
        if abs(have - wanted) > 1e-6 * wanted + 1e-9:
            raise MeshError(
                message(f"part {part.name}'s mesh", f"of area {wanted:.4g} mm2", f"{have:.4g} mm2", where=motor.name,
                        cause="A corner may be sharper than the mesher can layer", fix="a blunter corner")
            )  # fmt: skip


def coil_points(coil: Coil, low: float, high: float, step: float = 1.5e-4) -> tuple[Any, Any, Any]:
    """Where a winding's flux is sampled: radii (Q,), weights (Q,) that sum to one, heights (Z,), m."""
    x, w = np.polynomial.legendre.leggauss(8)
    radii = coil.inner_radius + (coil.outer_radius - coil.inner_radius) * (x + 1) / 2
    z0, z1 = coil.bottom + (low if coil.moving else 0), coil.top + (high if coil.moving else 0)
    count = max(math.ceil((z1 - z0) / step), 24) + 1
    return radii, w / 2, np.linspace(z0, z1, count)
