"""From the design file's drivers, vents and box to the coupled network."""

from __future__ import annotations

import math

from evenfield.base.air import Air
from evenfield.base.errors import DesignError, message
from evenfield.loudspeaker.design import CoilInductance, Design, Vent
from evenfield.loudspeaker.design import Driver as DriverSection
from evenfield.loudspeaker.geometry import VENT, vent_area
from evenfield.transducer import box as boxes
from evenfield.transducer.coil import LR2, Coil, PlainInductance, SemiInductance
from evenfield.transducer.driver import CompressionDriver, Driver
from evenfield.transducer.solution import DriverPart, Part, VentPart

BOX = "box"
"""Name of the cabinet's box in the network."""


def drivers_of(design: Design, air: Air) -> dict[str, Driver | CompressionDriver]:
    """Each way's driver, its parameters completed and checked. Raises DesignError with the key."""
    return {name: driver_of(way.driver, f"ways.{name}.driver", air) for name, way in design.ways.items() if way.driver}


def driver_of(section: DriverSection, key: str, air: Air) -> Driver | CompressionDriver:
    """One driver of the design file."""
    names = ("re", "le", "fs", "qms", "qes", "qts", "vas", "sd", "bl", "mms", "cms", "rms", "xmax")
    given = {n: None if getattr(section, n) is None else float(getattr(section, n)) for n in names}
    compression = section.kind == "compression"
    driver = Driver.from_parameters(
        **given, coil=_coil(section.inductance, key), air=air, air_load="none" if compression else "baffled", key=key
    )
    if not compression:
        return driver
    if section.throat_radius is None or section.front_volume is None:
        missing = "throat_radius" if section.throat_radius is None else "front_volume"
        raise DesignError(message(f"{key}.{missing}", "given for a compression driver", "nothing"), f"{key}.{missing}")
    return CompressionDriver(driver, math.pi * float(section.throat_radius) ** 2, float(section.front_volume))


def boxes_of(design: Design) -> dict[str, boxes.ClosedBox]:
    """The cabinet's box, closed or vented; empty when every way has its own rear chamber."""
    if not any(_in_box(design, name) for name in design.ways):
        return {}
    cabinet = design.cabinet
    wall = float(cabinet.wall_thickness)
    inner = [float(v) - 2 * wall for v in (cabinet.width, cabinet.height, cabinet.depth)]
    if min(inner) <= 0:
        raise DesignError(
            message("cabinet.wall_thickness", "less than half the smallest side", cabinet.wall_thickness.text),
            "cabinet.wall_thickness",
        )
    gross = math.prod(inner)
    volume = _net_volume(design, gross)
    losses = {"q_leakage": float(cabinet.leakage_q), "q_absorption": float(cabinet.absorption_q), "longest": max(inner)}
    if not design.vents:
        return {BOX: boxes.ClosedBox(volume, **losses)}
    first = design.vents[0]
    _check_alike(design.vents)
    vent = boxes.Vent(vent_area(first), float(first.length), number=len(design.vents))
    return {BOX: boxes.VentedBox(volume, **losses, vent=vent, q_vent=float(first.loss_q))}


def parts_of(design: Design, names: tuple[str, ...], drivers: dict[str, Driver | CompressionDriver]) -> list[Part]:
    """The network's parts in the order of the mesh's."""
    parts: list[Part] = []
    for name in names:
        if name in drivers:
            parts.append(DriverPart(name, drivers[name], name, BOX if _in_box(design, name) else None))
        elif name.startswith(VENT):
            parts.append(VentPart(name, BOX, 1 if len(design.vents) > 1 else None))
    return parts


def output_impedances(design: Design) -> dict[str, float]:
    """Each way's amplifier output impedance, ohm."""
    return {name: float(way.amplifier.output_impedance) for name, way in design.ways.items() if way.driver is not None}


def _in_box(design: Design, name: str) -> bool:
    """The lowest way works into the cabinet's box unless it says it is sealed; every other way only when it says not."""
    way = design.ways[name]
    lowest = name == next(iter(design.ways))
    sealed = way.sealed if way.sealed is not None else not lowest
    return way.driver is not None and way.driver.kind != "compression" and not sealed


def _net_volume(design: Design, gross: float) -> float:
    given = design.cabinet.net_volume
    if given is None:
        # a tenth for drivers, vent, bracing and waveguide: common practice, no source
        return 0.9 * gross
    if given > gross:
        raise DesignError(
            message(
                "cabinet.net_volume",
                f"at most the space inside the walls ({1e3 * gross:.2f} L)",
                given.text,
                cause="The box is too small for it",
                fix=f"{1e3 * gross * 0.85:.1f} L, or a larger cabinet",
            ),
            "cabinet.net_volume",
        )
    return float(given)


def _check_alike(vents: tuple[Vent, ...]) -> None:
    for i, vent in enumerate(vents[1:], 1):
        same = math.isclose(vent_area(vent), vent_area(vents[0]), rel_tol=1e-6) and vent.length == vents[0].length
        if not same:
            raise DesignError(
                message(f"vent.{i}", "equal in area and length to the first vent", f"{vent.length.text} long",
                        cause="Vents of one box are solved as equal tubes", fix="equal vents"),
                f"vent.{i}",
            )  # fmt: skip


def _coil(section: CoilInductance | None, key: str) -> Coil | None:
    if section is None:
        return None
    needs = {"ideal": ("le",), "ladder": ("le", "l2", "r2"), "power-law": ("k", "n")}[section.model]
    missing = [n for n in needs if getattr(section, n) is None]
    if missing:
        where = f"{key}.inductance.{missing[0]}"
        raise DesignError(message(where, f"given for the {section.model} model", "nothing"), where)
    values = [float(getattr(section, n)) for n in needs]
    models: dict[str, type[PlainInductance] | type[LR2] | type[SemiInductance]] = {
        "ideal": PlainInductance,
        "ladder": LR2,
        "power-law": SemiInductance,
    }
    return models[section.model](*values)
