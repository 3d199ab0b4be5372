"""Whether a part can be printed and what that takes: lines with numbers, places, and pass or fail."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenfield.shape.printing import missing
from evenfield.shape.printing.body import Body
from evenfield.shape.printing.files import PartFiles
from evenfield.shape.printing.orientation import Pose, ranked_poses
from evenfield.shape.printing.plan import PartPlan
from evenfield.shape.printing.rays import Caster, normals_of
from evenfield.shape.printing.settings import Machine, Printer
from evenfield.shape.printing.walls import Thickness, wall_thickness

Array = NDArray[np.float64]

SURFACE_MM = 0.05
"""How far the printed file's wall may lie from the wall that was solved, mm."""


@dataclass(frozen=True)
class PrintLine:
    """One line: `passed` None where a number is given but nothing is asked of it."""

    name: str
    passed: bool | None
    found: str
    target: str = ""
    where: str = ""


@dataclass(frozen=True)
class Piece:
    """One printed body: how it lies, its walls, what it takes."""

    body: Body
    poses: tuple[Pose, ...]
    thickness: Thickness
    deposited_mm3: float
    hours: float
    mass_g: float
    support_g: float

    @property
    def pose(self) -> Pose:
        """The way of lying that is proposed."""
        return self.poses[0]


@dataclass(frozen=True)
class PrintReport:
    """The judgement of a part.

    Parameters
        lines : in the order of a report
        pieces : one a body
        assumptions : of time, mass and cost
        cost : money, material and machine
    """

    lines: tuple[PrintLine, ...]
    pieces: tuple[Piece, ...]
    assumptions: tuple[str, ...]
    mass_g: float
    hours: float
    cost: float
    printer: Printer

    @property
    def passed(self) -> bool:
        """Whether no line failed."""
        return all(line.passed is not False for line in self.lines)

    @cached_property
    def failed(self) -> tuple[PrintLine, ...]:
        """The lines that failed."""
        return tuple(line for line in self.lines if line.passed is False)

    def to_dict(self) -> dict[str, Any]:
        """For JSON."""
        keys = ("name", "passed", "found", "target", "where")
        lines = [{k: getattr(line, k) for k in keys} for line in self.lines]
        return {
            "passed": self.passed, "lines": lines, "mass_g": round(self.mass_g, 1), "hours": round(self.hours, 2),
            "cost": round(self.cost, 2), "assumptions": list(self.assumptions),
        }  # fmt: skip


def judge(part: PartFiles, printer: Printer) -> PrintReport:
    """Judge a part for a printer."""
    pieces = tuple(_piece(body, part, printer, k) for k, body in enumerate(part.bodies))
    mass = sum(p.mass_g + p.support_g for p in pieces)
    hours = sum(p.hours for p in pieces)
    cost = mass / 1000 * printer.material.price_per_kg + hours * printer.machine.price_per_hour
    lines = [_surface_line(part), _volume_line(part), *_joint_lines(part)]
    for piece, path in zip(pieces, part.stl, strict=True):
        name = "" if piece.body.name == "part" else f"{piece.body.name}: "
        lines += [_prefixed(name, line) for line in _piece_lines(piece, path, part, printer)]
    lines += [*_hole_lines(part, printer.machine), *_cost_lines(mass, hours, cost, pieces, printer)]
    return PrintReport(tuple(lines), pieces, assumptions(printer), mass, hours, cost, printer)


def _prefixed(name: str, line: PrintLine) -> PrintLine:
    return PrintLine(f"{name}{line.name}", line.passed, line.found, line.target, line.where)


def _piece(body: Body, part: PartFiles, printer: Printer, index: int) -> Piece:
    machine = printer.machine
    vertices, triangles = body.arrays
    caster = Caster.of(vertices, triangles)
    poses = tuple(ranked_poses(body, part.plan, machine, index))
    deposited = deposit(body, machine)
    support = machine.support_density * poses[0].support_volume_mm3
    hours = print_hours(deposited + support, poses[0].size_mm[2], machine)
    grams = printer.material.density_g_cm3 / 1000
    thickness = _without_lettering(wall_thickness(vertices, triangles, caster), part.plan)
    return Piece(body, poses, thickness, deposited, hours, deposited * grams, support * grams)


def _without_lettering(thickness: Thickness, plan: PartPlan) -> Thickness:
    """Bridges between engraved letters are no walls."""
    words = plan.lettering
    if words is None:
        return thickness
    outlines = np.vstack(words.outlines)
    low, high = np.append(words.x, outlines.min(axis=0)) - 0.01, np.append(words.x + words.depth, outlines.max(axis=0)) + 0.01
    inside = np.all((thickness.points >= low) & (thickness.points <= high), axis=1)
    return Thickness(thickness.points[~inside], thickness.value[~inside])


def deposit(body: Body, machine: Machine) -> float:
    """Material laid down, mm3: walls of the perimeters' thickness on all surfaces, the rest filled sparsely."""
    vertices, triangles = body.arrays
    skin = float(normals_of(vertices, triangles)[1].sum()) * machine.perimeters * machine.line_mm
    solid = min(body.volume, skin)
    return solid + machine.infill * (body.volume - solid)


def print_hours(volume_mm3: float, height_mm: float, machine: Machine) -> float:
    """Hours: material over flow, the overhead on top, and a pause a layer."""
    flow = machine.line_mm * machine.layer_mm * machine.speed_mm_s
    laying = volume_mm3 / flow * (1 + machine.overhead)
    return (laying + height_mm / machine.layer_mm * machine.layer_change_s) / 3600


def assumptions(printer: Printer) -> tuple[str, ...]:
    """What time, mass and cost rest on."""
    m, material = printer.machine, printer.material
    return (
        f"lines {m.line_mm:g} mm wide, layers {m.layer_mm:g} mm, {m.speed_mm_s:g} mm/s, {100 * m.overhead:.0f} % on top for "
        f"travel and slow corners, {m.layer_change_s:g} s a layer",
        f"{m.perimeters} perimeters on every surface, {100 * m.infill:.0f} % infill behind, support "
        f"{100 * m.support_density:.0f} % dense (common practice, no source; a slicer knows better)",
        f"{material.name} of {material.density_g_cm3:g} g/cm3 at {material.price_per_kg:g} EUR a kilogram, the machine "
        f"{m.price_per_hour:g} EUR an hour; no work, no failed prints",
    )


def place_words(point: Array) -> str:
    """A place in the part's frame."""
    x, y, z = (float(v) for v in point)
    return f"x {x:.1f}, y {y:.1f}, z {z:.1f} mm"


def _surface_line(part: PartFiles) -> PrintLine:
    """Distance of the solved wall's own points from the printed wall, along the wall's normal."""
    distance = wall_distance(part.whole, part)
    at = np.unravel_index(int(np.nanargmax(distance)), distance.shape)
    worst = float(distance[at])
    return PrintLine(
        "acoustic wall is the solved one", worst <= SURFACE_MM, f"{worst:.4f} mm", f"within {SURFACE_MM} mm",
        place_words(part.plan.grid.points[at]),
    )  # fmt: skip


def wall_distance(body: Body, part: PartFiles) -> Array:
    """(N - 1, M) mm: from the solved wall, half-way between the grid's rings, to the body along the normal."""
    from evenfield.shape.printing.grid import at, normals_at

    grid = part.plan.grid
    middle = (grid.t[1:] + grid.t[:-1]) / 2
    theta = grid.theta + np.append(np.diff(grid.theta), 2 * np.pi - grid.theta[-1]) / 2
    points, normals = at(grid.strip, middle, theta), normals_at(grid.strip, middle, theta)
    caster = Caster.of(*body.arrays)
    flat, out = points.reshape(-1, 3), normals.reshape(-1, 3)
    distance, _ = caster.first(flat + 0.5 * out, -out)
    return np.asarray(np.abs(distance - 0.5).reshape(points.shape[:2]))


def _volume_line(part: PartFiles) -> PrintLine:
    share = part.step_volume_mm3 / part.whole.volume - 1
    found = f"{part.whole.volume / 1e3:.2f} and {part.step_volume_mm3 / 1e3:.2f} cm3"
    return PrintLine("printed body and CAD solid have one volume", abs(share) < 0.002, found, "within 0.2 %")


def _joint_lines(part: PartFiles) -> list[PrintLine]:
    """Pieces overlap nowhere, and together lack no more of the whole than the pins' play."""
    if len(part.bodies) == 1:
        return []
    shared = sum(float((a.solid ^ b.solid).volume()) for a, b in itertools.combinations(part.bodies, 2))
    lost = part.whole.volume - sum(b.volume for b in part.bodies)
    found = f"{len(part.bodies)} pieces share {shared:.3f} mm3 and lack {lost:.0f} mm3 of the whole"
    good = shared < 0.01 and 0 <= lost < 0.001 * part.whole.volume
    return [PrintLine("pieces fit each other", good, found, "nothing shared, no more lacking than the pins' play")]


def _piece_lines(piece: Piece, path: Path, part: PartFiles, printer: Printer) -> list[PrintLine]:
    machine, pose = printer.machine, piece.pose
    thin, making = piece.thickness, part.plan.making
    least = machine.least_wall_mm
    size = " x ".join(f"{v:.1f}" for v in pose.size_mm)
    room = " x ".join(f"{v:g}" for v in machine.volume_mm)
    support = f"{pose.support_volume_mm3 / 1e3:.1f} cm3 under {pose.overhang_area_mm2 / 100:.1f} cm2"
    scar = pose.acoustic_area_mm2
    designed = thin.value[np.isfinite(thin.value)]
    return [
        _watertight(path),
        PrintLine("thinnest wall", thin.least >= least, f"{thin.least:.2f} mm", f"at least {least:g} mm (two lines)",
                  place_words(thin.where)),
        PrintLine("walls as drawn", None, f"{float(np.percentile(designed, 5)):.2f} mm or more on 95 % of places",
                  f"{making.wall:g} mm drawn behind the acoustic wall"),
        PrintLine("fits the build volume", pose.fits, f"{size} mm", f"{room} mm", pose.words),
        PrintLine("stands on the plate", pose.propped, pose.stands, "middle of mass over its foot and support", pose.words),
        PrintLine("support", None, support, f"none beyond {machine.overhang_deg:.0f} deg from the vertical", pose.words),
        PrintLine("no support on the acoustic wall", scar < 1.0, f"{scar / 100:.2f} cm2", "none", pose.words),
    ]  # fmt: skip


def _watertight(path: Path) -> PrintLine:
    """The written file itself, read back."""
    try:
        import trimesh
    except ImportError as error:
        missing(error)
    mesh = trimesh.load_mesh(path)
    sound = bool(mesh.is_watertight and mesh.is_winding_consistent and mesh.volume > 0)
    pieces = int(mesh.body_count)
    found = f"{len(mesh.faces)} triangles, {pieces} {'body' if pieces == 1 else 'bodies'}, {mesh.volume / 1e3:.2f} cm3"
    return PrintLine("STL watertight, oriented, one body", sound and pieces == 1, found, "closed", path.name)


def _hole_lines(part: PartFiles, machine: Machine) -> list[PrintLine]:
    if not part.plan.holes:
        return []
    smallest = min(part.plan.holes, key=lambda h: h.radius)
    return [
        PrintLine("smallest hole", 2 * smallest.radius >= machine.least_hole_mm, f"{2 * smallest.radius:.2f} mm",
                  f"at least {machine.least_hole_mm:g} mm (five nozzles)",
                  place_words(np.array([smallest.x, smallest.y, smallest.z])))
    ]  # fmt: skip


def _cost_lines(mass: float, hours: float, cost: float, pieces: tuple[Piece, ...], printer: Printer) -> list[PrintLine]:
    support = sum(p.support_g for p in pieces)
    return [
        PrintLine("mass", None, f"{mass:.0f} g of {printer.material.name}, {support:.0f} g of it support"),
        PrintLine("printing time", None, f"{hours:.1f} h", "an estimate"),
        PrintLine("cost", None, f"{cost:.2f} EUR", "material and machine"),
    ]


__all__ = ["Piece", "PrintLine", "PrintReport", "assumptions", "deposit", "judge", "print_hours", "wall_distance"]
