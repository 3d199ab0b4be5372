"""Files of the part: STEP (AP214), STL and 3MF in millimetres, the cut-out as SVG and DXF; each written whole or not at all."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenfield.base.errors import MeshError, message
from evenfield.base.files import write_whole
from evenfield.shape.printing import missing
from evenfield.shape.printing.body import Body
from evenfield.shape.printing.drawing import CutOut, svg_drawing, write_dxf
from evenfield.shape.printing.plan import PartPlan

Array = NDArray[np.float64]

HEADER = "evenfield"


@dataclass(frozen=True)
class PartFiles:
    """A part and where its files lie.

    Parameters
        plan : what was drawn
        bodies : what is printed, one or two
        step, three_mf, drawing_svg, drawing_dxf : paths
        stl : a path for each body
        title, revision : as engraved and stored
        step_volume_mm3 : of the CAD solid; beside it the printed body's own
        notes : what was filled in or changed
        seconds : per step of the making
    """

    plan: PartPlan
    bodies: tuple[Body, ...]
    whole: Body
    cut: CutOut
    title: str
    revision: str
    step: Path
    stl: tuple[Path, ...]
    three_mf: Path
    drawing_svg: Path
    drawing_dxf: Path
    step_volume_mm3: float
    notes: tuple[str, ...]
    seconds: dict[str, float]

    @property
    def paths(self) -> tuple[Path, ...]:
        """All files."""
        return (self.step, *self.stl, self.three_mf, self.drawing_svg, self.drawing_dxf)


def write_step(solid: Any, path: Path, title: str) -> None:
    """STEP AP214, mm; the product carries the title."""
    try:
        import build123d as bd
    except ImportError as error:
        missing(error)
    solid.label = title

    def fill(place: Path) -> None:
        bd.export_step(solid, place, unit=bd.Unit.MM, timestamp="")

    write_whole(path, fill)


def write_stl(body: Body, path: Path, title: str) -> None:
    """Binary STL, mm, its header saying so with title and revision."""
    vertices, triangles = body.arrays
    corners = vertices[triangles].astype("<f4")
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.linalg.norm(normal, axis=1, keepdims=True)
    record = np.zeros(len(corners), dtype=[("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("spare", "<u2")])
    record["normal"], record["corners"] = normal / np.maximum(length, 1e-30), corners
    # a header that begins with "solid" would be taken for text
    head = f"{HEADER} mm: {title}".encode("ascii", "replace")[:80].ljust(80)
    write_whole(path, lambda p: p.write_bytes(head + np.uint32(len(corners)).tobytes() + record.tobytes()))


def write_3mf(bodies: Sequence[Body], places: Sequence[Array], path: Path, data: dict[str, str]) -> None:
    """3MF in millimetres.

    Parameters
        places : a (3, 4) transform a body, from the part's frame to the printer's plate
        data : metadata by name: Title, Designer, Description ... as the 3MF core specification lists them
    """
    try:
        import lib3mf
    except ImportError as error:
        missing(error)
    model = lib3mf.get_wrapper().CreateModel()
    model.SetUnit(lib3mf.ModelUnit.MilliMeter)
    group = model.GetMetaDataGroup()
    for name, text in data.items():
        group.AddMetaData("", name, text, "xs:string", True)
    for body, place in zip(bodies, places, strict=True):
        vertices, triangles = body.arrays
        made = model.AddMeshObject()
        made.SetName(f"{data.get('Title', HEADER)}{'' if body.name == 'part' else ', ' + body.name}")
        made.SetGeometry(_positions(lib3mf, vertices), _corners(lib3mf, triangles))
        if not made.IsManifoldAndOriented():
            raise MeshError(message("the 3MF body", "manifold and oriented", "an open or crossed one"))
        model.AddBuildItem(made, _transform(lib3mf, place))
    writer = model.QueryWriter("3mf")
    write_whole(path, lambda p: writer.WriteToFile(str(p)))


def _positions(lib3mf: Any, vertices: Array) -> Any:
    made = (lib3mf.Position * len(vertices))()
    np.frombuffer(made, np.float32).reshape(-1, 3)[:] = vertices
    return made


def _corners(lib3mf: Any, triangles: NDArray[np.int64]) -> Any:
    made = (lib3mf.Triangle * len(triangles))()
    np.frombuffer(made, np.uint32).reshape(-1, 3)[:] = triangles
    return made


def _transform(lib3mf: Any, place: Array) -> Any:
    made = lib3mf.Transform()
    for row in range(4):
        for column in range(3):
            made.Fields[row][column] = float(place[column, row])
    return made


def write_drawings(cut: CutOut, svg: Path, dxf: Path) -> None:
    """The cut-out's two files."""
    text = svg_drawing(cut)
    fill: Callable[[Path], object] = lambda p: p.write_text(text, encoding="utf-8")  # noqa: E731
    write_whole(svg, fill)
    write_whole(dxf, lambda p: write_dxf(cut, p))
