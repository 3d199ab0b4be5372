"""From a waveguide in its cabinet to the part's files, in one call."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from evenfield.base.errors import MeshError, message
from evenfield.shape.elements import Cabinet, Waveguide
from evenfield.shape.printing import need
from evenfield.shape.printing.body import build_body
from evenfield.shape.printing.brep import build_solid
from evenfield.shape.printing.drawing import cut_out
from evenfield.shape.printing.files import HEADER, PartFiles, write_3mf, write_drawings, write_step, write_stl
from evenfield.shape.printing.orientation import best_pose
from evenfield.shape.printing.plan import make_plan
from evenfield.shape.printing.settings import Printer
from evenfield.shape.printing.split import bodies_for

VOLUME_SHARE = 0.002
"""How far the volumes of CAD solid and printed body may be apart: facets within 0.01 mm leave 0.1 %."""


def write_part(
    cabinet: Cabinet,
    guide: Waveguide,
    folder: Path,
    printer: Printer,
    title: str,
    stem: str,
    baffle_mm: float | None = None,
) -> PartFiles:
    """Draw, build and write one part.

    Raises DesignError where something has no room, MeshError where no sound solid results, EvenfieldError when the disk
    refuses or the extra [solid] is missing. Nothing is written unless everything could be built.
    """
    seconds: dict[str, float] = {}
    with _timed(seconds, "import"):
        need()
    with _timed(seconds, "plan"):
        plan = make_plan(cabinet, guide, printer, title, baffle_mm)
    with _timed(seconds, "mesh"):
        whole = build_body(plan)
        bodies = bodies_for(plan, whole, printer.machine)
    with _timed(seconds, "solid"):
        solid = build_solid(plan)
        volume = float(solid.volume)
    if abs(volume / whole.volume - 1) > VOLUME_SHARE:
        raise MeshError(
            message("the STEP solid's volume", f"{whole.volume / 1e3:.2f} cm3 within {100 * VOLUME_SHARE:.1f} %",
                    f"{volume / 1e3:.2f} cm3")
        )  # fmt: skip
    with _timed(seconds, "orientation"):
        poses = [best_pose(body, plan, printer.machine, k) for k, body in enumerate(bodies)]
    name, cut = f"{title}, revision {plan.revision}", cut_out(plan, title)
    folder = Path(folder)
    paths = {kind: folder / f"{stem}.{kind}" for kind in ("step", "3mf")}
    stl = tuple(folder / (f"{stem}.stl" if len(bodies) == 1 else f"{stem}-{body.name}.stl") for body in bodies)
    drawings = folder / f"{stem}-cut-out.svg", folder / f"{stem}-cut-out.dxf"
    with _timed(seconds, "files"):
        write_step(solid, paths["step"], name)
        for body, path in zip(bodies, stl, strict=True):
            write_stl(body, path, f"{name}{'' if body.name == 'part' else ', ' + body.name}")
        data = {"Title": name, "Application": HEADER, "Description": f"{plan.guide.profile} waveguide; millimetres"}
        write_3mf(bodies, [pose.on_plate for pose in poses], paths["3mf"], data)
        write_drawings(cut, *drawings)
    return PartFiles(
        plan, bodies, whole, cut, title, plan.revision, paths["step"], stl, paths["3mf"], *drawings, volume,
        (*(f"{t} (not given, taken)" for t in printer.taken), *plan.notes), seconds,
    )  # fmt: skip


@contextmanager
def _timed(seconds: dict[str, float], what: str) -> Iterator[None]:
    began = time.perf_counter()
    yield
    seconds[what] = time.perf_counter() - began
