"""What the first cut starts from: source, woofer, coverage, crossover and the room on the face."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from evenfield.base.air import Air
from evenfield.base.errors import DesignError, message
from evenfield.loudspeaker.design import Design, Way
from evenfield.loudspeaker.geometry import cabinet_of
from evenfield.search import first_cut_rules as rules
from evenfield.search.limits import overhang_of
from evenfield.shape import Cone, Dome, Ring, Throat
from evenfield.shape.elements import Source
from evenfield.shape.fit import ROOM

MARGIN = 0.001
"""m; kept to the flat's border and to the woofer."""


@dataclass(frozen=True)
class Given:
    """What the rules start from."""

    way: str
    woofer: str
    source: Source
    throat: float
    cone: Cone
    coverage: tuple[float, float]
    crossover: float
    entry: float
    room: tuple[float, float]
    centre: float
    deepest: float
    width: float
    air: Air
    steepest: float = math.pi / 2
    """rad from the axis, that the walls may stand at where the part is printed mouth down."""
    closed: float = 0.0
    """rad, by which they are closed further, for the directions between the planes."""


def given_of(design: Design, way: str | None, crossover_hz: float | None, deepest: float | None) -> Given:
    """What the design states. Raises DesignError, with the key, for what is missing."""
    name, woofer = _pair(design, way)
    coverage = design.brief.coverage
    if coverage is None or (coverage.horizontal is None and coverage.vertical is None):
        raise DesignError(
            message("brief.coverage", "given for a first cut", "nothing", fix="{horizontal: 90 deg, vertical: 90 deg}"),
            "brief.coverage",
        )
    wide = float(coverage.horizontal if coverage.horizontal is not None else coverage.vertical)  # type: ignore[arg-type]
    tall = float(coverage.vertical if coverage.vertical is not None else wide)
    for plane, angle in (("horizontal", wide), ("vertical", tall)):
        if not math.radians(30) <= angle <= math.radians(160):
            raise DesignError(
                message(f"brief.coverage.{plane}", "30 to 160 deg for a waveguide", f"{math.degrees(angle):.4g} deg"),
                f"brief.coverage.{plane}",
            )
    bare = {n: w.model_copy(update={"waveguide": None}) if n == name else w for n, w in design.ways.items()}
    source, cone = (_element(design.model_copy(update={"ways": _only(bare, n), "vent": None})) for n in (name, woofer))
    if isinstance(source, Cone) or not isinstance(cone, Cone):
        raise DesignError(
            message(f"ways.{name}.driver.kind", "dome, ring or compression, above a cone", "another"), f"ways.{name}"
        )
    air = design.air.to_air()
    crossover = crossover_hz or _crossover(design, name, woofer) or _natural(cone, wide, air)
    room, centre = _room(design, cone)
    own = design.ways[name].waveguide
    throat = _throat(source, None if own is None else float(own.throat_radius))
    c = design.cabinet
    return Given(
        name, woofer, source, throat, cone, (wide, tall), float(crossover), _entry(source, wide, tall), room, centre,
        float(deepest) if deepest else float(c.depth) / 2, float(c.width), air, _steepest(design),
    )  # fmt: skip


def _steepest(design: Design) -> float:
    chosen = overhang_of(design)
    return chosen[1] if chosen is not None and chosen[0] == "mouth-down" else math.pi / 2


def _pair(design: Design, way: str | None) -> tuple[str, str]:
    names = [n for n, w in design.ways.items() if w.driver is not None]
    name = way or (names[-1] if names else "")
    if name not in names or names.index(name) == 0:
        raise DesignError(message("ways", "a way with a driver, above another", name or "none"), "ways")
    return name, names[names.index(name) - 1]


def _only(ways: Mapping[str, Way], name: str) -> dict[str, Way]:
    return {name: ways[name].model_copy(update={"within": None, "place": ways[name].place})}


def _element(design: Design) -> Cone | Source:
    """The one driver of a design, wherever it stands, its cabinet being large enough."""
    large = design.cabinet.model_copy(update={"width": 2.9, "height": 2.9, "depth": 2.9, "edge_radius": 0.01})
    element = cabinet_of(design.model_copy(update={"cabinet": large})).elements[0]
    assert isinstance(element, Cone | Dome | Ring | Throat)
    return element


def _throat(source: Source, stated: float | None) -> float:
    """The throat's radius: the source's, for domes and rings with the gap that the design states or half a millimetre."""
    if isinstance(source, Throat):
        return source.radius
    return stated if stated is not None and stated >= source.radius else source.radius + 0.0005


def _entry(source: Source, wide: float, tall: float) -> float:
    own = source.entry_angle if isinstance(source, Throat) else rules.dome_entry(source.radius, getattr(source, "height", 0.0))
    return min(own, 0.7 * min(wide, tall) / 2)


def _crossover(design: Design, way: str, woofer: str) -> float | None:
    """As declared, else the geometric mean of the filters' corner frequencies, else None."""
    names = list(design.ways)
    position = names.index(way) - 1
    if position < len(design.handover):
        return float(design.handover[position])
    found = [
        float(s.frequency)
        for name, kind in ((way, "high-pass"), (woofer, "low-pass"))
        for s in design.ways[name].filters.sections
        if s.kind == kind
    ]
    return math.exp(sum(math.log(f) for f in found) / len(found)) if found else None


def _natural(cone: Cone, coverage: float, air: Air) -> float:
    """Where the woofer as a piston has the wanted coverage."""
    return 2.2150893 / math.sin(coverage / 2) / cone.radius / float(air.wavenumber(1.0))


def _room(design: Design, cone: Cone) -> tuple[tuple[float, float], float]:
    """Largest mouth, width and height, m, that the face leaves beside the woofer, and the height of its centre."""
    c = design.cabinet
    side, top = float(c.width) / 2 - float(c.edge_radius) - ROOM, float(c.height) / 2 - float(c.edge_radius) - ROOM
    frame = max(cone.radius, cone.frame_radius or 0.0) + ROOM + MARGIN
    above, below = top - (cone.z + frame), (cone.z - frame) + top
    tall = max(above, below)
    centre = cone.z + frame + above / 2 if above >= below else cone.z - frame - below / 2
    return (2 * (side - MARGIN), tall - MARGIN), centre
