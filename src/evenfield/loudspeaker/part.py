"""A way's waveguide as a part: made from the design, judged for the design's printer."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from evenfield.base.errors import DesignError, message
from evenfield.loudspeaker.design import Design
from evenfield.loudspeaker.geometry import cabinet_of
from evenfield.loudspeaker.printer_section import printer_of
from evenfield.shape.elements import Cabinet, Coaxial, Waveguide

if TYPE_CHECKING:
    from evenfield.shape.printing.files import PartFiles
    from evenfield.shape.printing.report import PrintReport
    from evenfield.shape.printing.settings import Printer


def waveguide_of(design: Design, way: str | None = None, folder: str | Path | None = None) -> tuple[Cabinet, Waveguide]:
    """The cabinet and one of its waveguides: that of the way named, or the only one.

    Raises DesignError when there is none, or several and none is named, or it sits in a coaxial cone.
    """
    named = [name for name, w in design.ways.items() if w.waveguide is not None]
    if way is None and len(named) == 1:
        way = named[0]
    if way not in named:
        key = "ways" if way is None or way not in design.ways else f"ways.{way}.waveguide"
        got = "none" if way is None else repr(way)
        raise DesignError(message(key, f"a way with a waveguide ({', '.join(named) or 'this design has none'})", got), key)
    cabinet = cabinet_of(design, folder)
    for element in cabinet.elements:
        if isinstance(element, Waveguide) and element.name == way:
            return cabinet, element
        if isinstance(element, Coaxial) and isinstance(element.source, Waveguide) and element.source.name == way:
            break
    key = f"ways.{way}.within"
    raise DesignError(message(key, "absent for a part that is mounted on the baffle", "a waveguide inside a coaxial cone"), key)


def make_part(design: Design, way: str | None, folder: str | Path, printer: Printer | None = None) -> PartFiles:
    """Build a way's waveguide as a solid and write STEP, STL, 3MF and the cut-out's drawings into a folder.

    Parameters
        way : its name, or None for the only waveguide
        printer : settings; None reads the design's `printer` section
    Raises DesignError where something has no room, MeshError where no sound solid results, EvenfieldError when the extra
    [solid] is missing or the disk refuses.
    """
    from evenfield.shape.printing.making import write_part

    printer = printer or printer_of(design)
    cabinet, guide = waveguide_of(design, way)
    title = f"{design.name} {guide.name}"
    stem = title.lower().replace(" ", "-")
    return write_part(cabinet, guide, Path(folder), printer, title, stem, 1000 * float(design.cabinet.wall_thickness))


def judge_part(design: Design, part: PartFiles, printer: Printer | None = None) -> PrintReport:
    """Whether the part can be printed, and what it takes: each line with its numbers, where, and pass or fail."""
    from evenfield.shape.printing.report import judge

    return judge(part, printer or printer_of(design))
