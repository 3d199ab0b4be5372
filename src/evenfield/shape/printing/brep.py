"""The part as an exact solid for CAD: spline faces through the acoustic grid, planes, cylinders; by build123d's kernel."""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenfield.base.errors import MeshError, message
from evenfield.shape.printing import missing
from evenfield.shape.printing.grid import wall_grid
from evenfield.shape.printing.plan import Hole, PartPlan
from evenfield.shape.printing.splines import SplineSurface, through_rings

Array = NDArray[np.float64]

_SECTORS = 16
_CHORD_MM = 0.08
"""Grid of the spline faces: cubic splines through points this far apart in facets lie within a hundredth of it."""


def build_solid(plan: PartPlan) -> Any:
    """The part as a build123d Solid, mm, in the part's frame. Raises MeshError when the kernel returns none that is valid."""
    try:
        import build123d  # noqa: F401
    except ImportError as error:
        missing(error)
    solid = _sewn(_faces(plan))
    if not solid.is_valid or solid.volume <= 0:
        raise MeshError(message("the STEP solid", "one valid body", "one that its kernel calls invalid"))
    return solid


def _faces(plan: PartPlan) -> list[Any]:
    """Every face of the part; no boolean is needed, since each pocket is straight and none meets another."""
    import build123d as bd

    front, behind, seat = 0.0, -plan.flange_thickness, -plan.depth
    rings = wall_grid(plan.guide, _CHORD_MM)
    acoustic = through_rings(rings.points, rings.theta, rings.t)
    back = through_rings(plan.back, plan.back_theta, np.linspace(0, 1, len(plan.back)))
    rims = [_flange_wire(plan, x) for x in (front, behind)]
    seats = [_circle(plan.seat_radius, x) for x in (seat + plan.seat_thickness, seat)]
    raised = through_rings(rings.rim, rings.theta, rings.rim_t) if len(rings.rim) else None
    planes: dict[float, list[Any]] = {front: [_ring(raised or acoustic, 0)], behind: [], seat: [_ring(acoustic, -1)]}
    faces = [*_face(acoustic), *_face(back), *_band(*rims), *_band(*seats), bd.Face(seats[0], [_ring(back, -1)])]
    if raised is not None:
        faces += _face(raised)
    for hole in plan.holes:
        _add_hole(hole, behind, planes, faces)
    for outer, inner in _nested(list(plan.lettering.outlines) if plan.lettering else []):
        _add_pocket([_polygon(o, behind) for o in (outer, *inner)], plan.making.lettering_depth, planes[behind], faces)
        faces += [bd.Face(_polygon(o, behind)) for o in inner]
    neck = _ring(back, 0)
    if plan.groove is not None:
        inside, outside = (_closed_curve(o, behind) for o in plan.groove)
        _add_pocket([outside, inside], plan.groove_depth, planes[behind], faces)
        faces.append(bd.Face(inside, [neck]))
    else:
        planes[behind].append(neck)
    outer_wires = ((rims[0], front), (rims[1], behind), (seats[1], seat))
    return faces + [bd.Face(wire, planes[x]) for wire, x in outer_wires]


def _add_pocket(wires: list[Any], depth: float, plane: list[Any], faces: list[Any]) -> None:
    """A pocket with its bottom `depth` towards +x: its walls and bottom; its outer outline becomes a hole of the plane."""
    import build123d as bd

    move = bd.Vector(depth, 0, 0)
    for wire in wires:
        faces += [bd.Face.extrude(edge, move) for edge in wire.edges()]
    bottom = [wire.moved(bd.Location(move)) for wire in wires]
    faces.append(bd.Face(bottom[0], bottom[1:]))
    plane.append(wires[0])


def _add_hole(hole: Hole, behind: float, planes: dict[float, list[Any]], faces: list[Any]) -> None:
    """A blind hole as a pocket, or a screw's hole from the front plane to the flange's back."""
    if hole.kind == "insert":
        x = min(planes, key=lambda p: abs(p - hole.x))
        _add_pocket([_circle(hole.radius, x, hole.y, hole.z)], hole.depth, planes[x], faces)
        return
    import build123d as bd

    narrow = -(hole.head - hole.radius) if hole.head > 0 else 0.0
    rim, neck, end = (
        _circle(r, x, hole.y, hole.z) for r, x in ((hole.head or hole.radius, 0.0), (hole.radius, narrow), (hole.radius, behind))
    )
    if hole.head > 0:
        faces.append(bd.Face.make_surface_from_curves(rim.edges()[0], neck.edges()[0]))
    faces += _band(neck, end)
    planes[0.0].append(rim)
    planes[behind].append(end)


def _sewn(faces: list[Any]) -> Any:
    import build123d as bd
    from OCP.BRep import BRep_Tool
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeSolid, BRepBuilderAPI_Sewing
    from OCP.BRepLib import BRepLib
    from OCP.TopAbs import TopAbs_SHELL
    from OCP.TopExp import TopExp_Explorer
    from OCP.TopoDS import TopoDS

    sewing = BRepBuilderAPI_Sewing(1e-3)
    for face in faces:
        sewing.Add(face.wrapped)
    sewing.Perform()
    found = TopExp_Explorer(sewing.SewedShape(), TopAbs_SHELL)
    if not found.More():
        raise MeshError(message("the STEP solid", "a closed shell", "loose faces"))
    shell = TopoDS.Shell_s(found.Current()) if hasattr(TopoDS, "Shell_s") else TopoDS.Shell(found.Current())
    if not BRep_Tool.IsClosed_s(shell):
        raise MeshError(message("the STEP solid", "a closed shell", "an open one"))
    solid = BRepBuilderAPI_MakeSolid(shell).Solid()
    BRepLib.OrientClosedSolid_s(solid)
    return bd.Solid(solid)


def _face(surface: SplineSurface) -> list[Any]:
    """A spline surface as faces, one a sector: the kernel integrates and meshes short spline faces far better than long ones."""
    import build123d as bd
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace

    u = float(surface.along[0]), float(surface.along[-1])
    made = []
    for start, end in itertools.pairwise(_sectors(surface)):
        piece = _geometry(surface)
        piece.Segment(*u, start, end)
        made.append(bd.Face(BRepBuilderAPI_MakeFace(piece, 1e-6).Face()))
    return made


def _sectors(surface: SplineSurface) -> list[float]:
    """Angles that part a surface."""
    return [float(a) for a in np.linspace(surface.around[0], surface.around[-1], _SECTORS + 1)]


def _geometry(surface: SplineSurface) -> Any:
    from OCP.collections import Array2_gp_Pnt
    from OCP.Geom import Geom_BSplineSurface
    from OCP.gp import gp_Pnt

    count_u, count_v = surface.poles.shape[:2]
    poles = Array2_gp_Pnt(1, count_u, 1, count_v)
    for i in range(count_u):
        for j in range(count_v):
            poles.SetValue(i + 1, j + 1, gp_Pnt(*surface.poles[i, j].tolist()))
    return Geom_BSplineSurface(poles, *_knots(surface.along, surface.around), 3, 3, False, False)


def _knots(*vectors: Array) -> list[Any]:
    """Knot values of all vectors, then their multiplicities."""
    from OCP.collections import Array1_double, Array1_int

    values, counts = [], []
    for vector in vectors:
        knots, many = np.unique(vector, return_counts=True)
        value, count = Array1_double(1, len(knots)), Array1_int(1, len(knots))
        for k, (knot, times) in enumerate(zip(knots.tolist(), many.tolist(), strict=True)):
            value.SetValue(k + 1, knot)
            count.SetValue(k + 1, int(times))
        values.append(value)
        counts.append(count)
    return [*values, *counts]


def _ring(surface: SplineSurface, row: int) -> Any:
    """The first or last ring of a surface as a closed wire, the very curve of the face's edge."""
    import build123d as bd
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeEdge, BRepBuilderAPI_MakeWire
    from OCP.collections import Array1_gp_Pnt
    from OCP.Geom import Geom_BSplineCurve
    from OCP.gp import gp_Pnt

    points = surface.poles[row]
    poles = Array1_gp_Pnt(1, len(points))
    for k, point in enumerate(points.tolist()):
        poles.SetValue(k + 1, gp_Pnt(*point))
    wire = BRepBuilderAPI_MakeWire()
    for start, end in itertools.pairwise(_sectors(surface)):
        curve = Geom_BSplineCurve(poles, *_knots(surface.around), 3)
        curve.Segment(start, end)
        wire.Add(BRepBuilderAPI_MakeEdge(curve).Edge())
    return bd.Wire(wire.Wire())


def _circle(radius: float, x: float, y: float = 0.0, z: float = 0.0) -> Any:
    import build123d as bd

    return bd.Wire([bd.Edge.make_circle(radius, bd.Plane(origin=(x, y, z), x_dir=(0, 1, 0), z_dir=(1, 0, 0)))])


def _flange_wire(plan: PartPlan, x: float) -> Any:
    """The flange's outline, exact lines and arcs."""
    import build123d as bd

    half_width, half_height, corner = plan.flange
    if corner >= min(half_width, half_height) - 1e-9 and abs(half_width - half_height) < 1e-9:
        return _circle(corner, x)
    a, b = half_width - corner, half_height - corner
    c = corner * math.sqrt(0.5)
    edges = []
    for sy, sz in ((1, 1), (-1, 1), (-1, -1), (1, -1)):
        ends = [(x, sy * half_width, sz * b), (x, sy * (a + c), sz * (b + c)), (x, sy * a, sz * half_height)]
        edges.append(bd.Edge.make_three_point_arc(*ends))
    for s in (1, -1):
        if a > 1e-9:
            edges.append(bd.Edge.make_line((x, -a, s * half_height), (x, a, s * half_height)))
        if b > 1e-9:
            edges.append(bd.Edge.make_line((x, s * half_width, -b), (x, s * half_width, b)))
    return bd.Wire(edges)


def _band(first: Any, second: Any) -> list[Any]:
    """Faces between two equal outlines in parallel planes."""
    import build123d as bd

    move = second.bounding_box().min.X - first.bounding_box().min.X
    return [bd.Face.extrude(edge, bd.Vector(move, 0, 0)) for edge in first.edges()]


def _polygon(outline: Array, x: float) -> Any:
    import build123d as bd

    return bd.Wire.make_polygon([(x, *p) for p in outline.tolist()], close=True)


def _nested(outlines: list[Array]) -> list[tuple[Array, list[Array]]]:
    """Outlines with the holes that lie in them."""
    from matplotlib.path import Path

    def inside(inner: Array, outer: Array) -> bool:
        return bool(Path(outer).contains_point(inner[0].tolist()))

    level = [sum(inside(o, other) for other in outlines if other is not o) for o in outlines]
    outer = [o for o, n in zip(outlines, level, strict=True) if n % 2 == 0]
    return [(o, [h for h, n in zip(outlines, level, strict=True) if n % 2 == 1 and inside(h, o)]) for o in outer]


def _closed_curve(outline: Array, x: float) -> Any:
    """A smooth closed wire through an outline (N, 2)."""
    import build123d as bd

    few = outline[:: max(1, len(outline) // 96)]
    return bd.Wire([bd.Edge.make_spline([(x, *p) for p in few.tolist()], periodic=True)])
