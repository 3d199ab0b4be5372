"""A free drawing from DXF: closed polylines, one layer per part, named `material` or `name @ material`."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from evenfield.base import DataError, EvenfieldError, message
from evenfield.magnetics.materials import Material, material
from evenfield.magnetics.polygons import Points

UNITS = {0: None, 1: 25.4e-3, 4: 1e-3, 5: 1e-2, 6: 1.0}
"""$INSUNITS -> metres: unitless, inch, millimetre, centimetre, metre."""


def read_dxf(path: str | Path, unit: float | None = None) -> dict[str, tuple[Points, Material]]:
    """Read the meridian section of a motor.

    The drawing's x is the radius and its y the axis, positive outwards. Every closed LWPOLYLINE or POLYLINE is a body; its
    layer is `pole @ steel-1018` (name @ material of the library) or just a material's name. Arcs in polylines (bulges) and
    CIRCLE entities become chords of at most 10 degrees. Entities on layers `0` and `notes` are left out.

    Parameters
        unit : m per drawing unit; by default what the file's header says
    Returns name -> (polygon (N, 2) in m, material), for `free_drawing`.
    Raises DataError for open lines, unknown materials or a header without unit; EvenfieldError without ezdxf.
    """
    try:
        import ezdxf.filemanagement
        import ezdxf.lldxf.const
    except ImportError:
        raise EvenfieldError("Reading DXF needs ezdxf: pip install 'evenfield[motor]'.") from None
    path = Path(path)
    try:
        document = ezdxf.filemanagement.readfile(path)
    except (OSError, ezdxf.lldxf.const.DXFError) as error:
        raise DataError(message("drawing", "a DXF file", str(error)[:80], where=path.name)) from None
    scale = unit if unit is not None else UNITS.get(int(document.header.get("$INSUNITS", 0)))
    if scale is None:
        raise DataError(
            message("drawing's unit", "inch, mm, cm or m in its header ($INSUNITS)", document.header.get("$INSUNITS", 0),
                    where=path.name, fix="saving it with units, or unit=1e-3 for millimetres")
        )  # fmt: skip
    bodies: dict[str, tuple[Points, Material]] = {}
    for entity in document.modelspace():
        layer = str(entity.dxf.layer)
        if layer.lower() in ("0", "notes", "defpoints"):
            continue
        name, _, of = (s.strip() for s in layer.partition("@"))
        points = _corners(entity, f"layer {layer} in {path.name}") * scale
        key, n = name, 2
        while key in bodies:
            key, n = f"{name} {n}", n + 1
        bodies[key] = (points, material(of or name))
    if not bodies:
        raise DataError(message("drawing", "at least one closed polyline on a layer named after a material", "none",
                                where=path.name))  # fmt: skip
    return bodies


def _corners(entity: object, where: str) -> Points:
    from ezdxf.path import make_path

    kind = entity.dxftype()  # type: ignore[attr-defined]
    if kind not in ("LWPOLYLINE", "POLYLINE", "CIRCLE"):
        raise DataError(message("entity", "a closed polyline or circle", kind, where=where, fix="joining the lines"))
    if kind != "CIRCLE" and not entity.is_closed:  # type: ignore[attr-defined]
        raise DataError(message("polyline", "closed", "open", where=where))
    path = make_path(entity)
    points = np.array([(v.x, v.y) for v in path.flattening(distance=0.01, segments=9)], float)
    keep = np.r_[True, np.linalg.norm(np.diff(points, axis=0), axis=1) > 1e-9]
    points = points[keep]
    return points[:-1] if np.linalg.norm(points[0] - points[-1]) < 1e-9 else points
