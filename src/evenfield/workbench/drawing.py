"""The loudspeaker drawn: section, front, surface, and the handles by which its dimensions are dragged."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenfield.loudspeaker.design import Design
from evenfield.loudspeaker.geometry import cabinet_of
from evenfield.shape import build_surface, edge_lengths_for, outline, plan
from evenfield.shape.elements import Cabinet
from evenfield.workbench.fields import factor_of, unit_of

Arrays = dict[str, NDArray[Any]]

COARSE_HZ = 900.0
"""The drawn surface's mesh is that of this frequency."""


def drawing_of(design: Design, body: bool) -> tuple[dict[str, Any], Arrays]:
    """Views, handles and, with `body`, the surface. Raises DesignError where the parts do not fit."""
    cabinet = cabinet_of(design)
    arrays: Arrays = {}
    views = {}
    for view, parts in (outline(cabinet) | {"top": plan(cabinet)}).items():
        views[view] = [line for name, lines in parts.items() for line in _lines(design, name, lines, arrays)]
    header: dict[str, Any] = {
        "views": views,
        "handles": [*_handles(design)],
        "body": body,
        "size": [cabinet.width, cabinet.height, cabinet.depth],
    }
    if body:
        header["parts"] = _surface(cabinet, arrays)
    return header, arrays


def _lines(design: Design, name: str, lines: list[NDArray[np.float64]], arrays: Arrays) -> Iterator[dict[str, Any]]:
    way, _, kind = name.partition(".")
    for line in lines:
        key = f"line{len(arrays)}"
        arrays[key] = np.asarray(line, float)
        yield {
            "name": name,
            "kind": kind or ("cabinet" if name == "cabinet" else "moves"),
            "way": way if way in design.ways else None,
            "array": key,
        }


def _surface(cabinet: Cabinet, arrays: Arrays) -> list[str]:
    mesh = build_surface(cabinet, edge_lengths_for(cabinet, COARSE_HZ, 343.0))
    names = ["rigid", *dict.fromkeys(str(p) for p in mesh.part if str(p) not in ("rigid", "0"))]
    index = {name: i for i, name in enumerate(names)} | {"0": 0}
    arrays["vertices"] = np.asarray(mesh.vertices, float)
    arrays["triangles"] = np.asarray(mesh.triangles, np.uint32)
    arrays["part"] = np.asarray([index[str(p)] for p in mesh.part], np.uint8)
    return names


def _handles(design: Design) -> Iterator[dict[str, Any]]:
    c = design.cabinet
    w, h, d = float(c.width), float(c.height), float(c.depth)
    yield _handle("cabinet.width", c.width.text, "front", (w / 2, -h / 2 + h / 8), (1, 0), 0.5, "Width")
    yield _handle("cabinet.height", c.height.text, "front", (-w / 2 + w / 8, h / 2), (0, 1), 0.5, "Height")
    yield _handle("cabinet.depth", c.depth.text, "side", (-d, h / 8), (-1, 0), 1.0, "Depth")
    yield _handle("cabinet.width", c.width.text, "top", (w / 2, d / 2), (1, 0), 0.5, "Width")
    yield _handle("cabinet.depth", c.depth.text, "top", (w / 8, d), (0, 1), 1.0, "Depth")
    for name, way in design.ways.items():
        if way.within:
            continue
        y, z = float(way.place.y), float(way.place.z)
        base = f"ways.{name}"
        for view in ("front", "side"):
            yield _handle(
                f"{base}.place.z",
                way.place.z.text,
                view,
                (y if view == "front" else 0.0, z),
                (0, 1),
                1.0,
                f"Place of the {name}, up",
            )
        yield _handle(f"{base}.place.y", way.place.y.text, "front", (y, z), (1, 0), 1.0, f"Place of the {name}, left")
        yield _handle(f"{base}.place.y", way.place.y.text, "top", (y, 0.0), (1, 0), 1.0, f"Place of the {name}, left")
        guide = way.waveguide
        if guide is not None:
            depth, throat = float(guide.depth), float(guide.throat_radius)
            key = f"{base}.waveguide"
            yield _handle(f"{key}.depth", guide.depth.text, "top", (y, depth), (0, 1), 1.0, f"Depth of the {name}'s waveguide")
            yield _handle(f"{key}.depth", guide.depth.text, "side", (-depth, z), (-1, 0), 1.0, f"Depth of the {name}'s waveguide")
            yield _handle(
                f"{key}.throat_radius",
                guide.throat_radius.text,
                "side",
                (-depth, z - throat),
                (0, -1),
                1.0,
                f"Throat of the {name}'s waveguide",
            )
            mouth = guide.mouth
            if mouth.radius is not None and mouth.shape == "round":
                for view in ("front", "side"):
                    place = (y if view == "front" else 0.0, z + float(mouth.radius))
                    yield _handle(
                        f"{key}.mouth.radius", mouth.radius.text, view, place, (0, 1), 1.0, f"Mouth of the {name}'s waveguide"
                    )
            if mouth.width is not None and mouth.height is not None:
                for view in ("front", "top"):
                    place = (y + float(mouth.width) / 2, z if view == "front" else 0.0)
                    yield _handle(
                        f"{key}.mouth.width", mouth.width.text, view, place, (1, 0), 0.5, f"Width of the {name}'s mouth"
                    )
                for view in ("front", "side"):
                    place = (y if view == "front" else 0.0, z + float(mouth.height) / 2)
                    yield _handle(
                        f"{key}.mouth.height", mouth.height.text, view, place, (0, 1), 0.5, f"Height of the {name}'s mouth"
                    )
        driver = way.driver
        if driver is not None and driver.kind == "cone" and float(driver.cone_depth) > 0:
            yield _handle(
                f"{base}.driver.cone_depth",
                driver.cone_depth.text,
                "side",
                (-float(driver.cone_depth), z),
                (-1, 0),
                1.0,
                f"Cone depth of the {name}",
            )
    for i, vent in enumerate(design.vents):
        base = f"vent.{i}" if isinstance(design.vent, tuple) else "vent"
        x = 0.0 if vent.face == "front" else -d
        yield _handle(f"{base}.z", vent.z.text, "side", (x, float(vent.z)), (0, 1), 1.0, "Place of the vent, up")


def _handle(
    path: str, text: str, view: str, at: tuple[float, float], along: tuple[int, int], gain: float, label: str
) -> dict[str, Any]:
    """`gain` is how far the handle moves, in m, per m of the value."""
    unit = unit_of(text) or "mm"
    return {
        "path": path, "view": view, "at": [float(v) for v in at], "along": list(along),
        "per": gain * factor_of(unit, "length"), "label": label,
    }  # fmt: skip
