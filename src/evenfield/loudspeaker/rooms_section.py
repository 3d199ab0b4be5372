"""The design file's `rooms` and `console` sections, and a room's own file."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal, TypeVar

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from evenfield.base.air import Air
from evenfield.base.errors import DataError, DesignError
from evenfield.base.units import parse_amount
from evenfield.loudspeaker.design import Distance, Ratio
from evenfield.rooms.ensembles import KINDS
from evenfield.rooms.layouts import layout
from evenfield.rooms.polyhedron import PolyhedralRoom, prism
from evenfield.rooms.room import BoxRoom, Desk, box_room
from evenfield.rooms.source import Placement
from evenfield.rooms.surfaces import Surface, read_surface, surface

Point = tuple[Distance, Distance, Distance]
Model = TypeVar("Model", bound=BaseModel)


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True)


class SurfaceSection(_Part):
    """What a wall is made of: a material of the table, one absorption coefficient, or a CSV file of spectra."""

    material: str | None = None
    absorption: Ratio | None = None
    scattering: Ratio | None = None
    file: str | None = None

    def to_surface(self, folder: Path) -> Surface:
        """The surface. Raises DesignError unless exactly one of the three is given."""
        given = [x for x in (self.material, self.absorption, self.file) if x is not None]
        if len(given) != 1:
            raise DesignError(f"a surface must name one of material, absorption or file, got {len(given)} of them.")
        if self.file is not None:
            return read_surface(folder / self.file)
        made = surface(self.material) if self.material is not None else Surface.of(float(self.absorption or 0.0))
        if self.scattering is None:
            return made
        return Surface(made.frequency_hz, made.absorption, np.full(len(made.frequency_hz), float(self.scattering)), made.name)


SurfaceLike = SurfaceSection | str | float


class ConsoleSection(_Part):
    """A console or desk in front of the listener."""

    height: Distance = Field(description="of its top above the floor")
    depth: Distance
    width: Distance
    distance: Distance = Field(description="from the first seat to its near edge, towards the loudspeakers")
    surface: SurfaceLike = 0.03

    def to_desk(self, seat: np.ndarray[Any, Any], towards: float, folder: Path) -> Desk:
        """The console before a seat, its edges along the room's walls, for a listener who looks along +x or -x."""
        near = float(seat[0]) + towards * float(self.distance)
        far = near + towards * float(self.depth)
        half = float(self.width) / 2
        return Desk(
            (min(near, far), max(near, far)),
            (float(seat[1]) - half, float(seat[1]) + half),
            float(self.height),
            _surface(self.surface, folder),
        )


class LoudspeakerPlace(_Part):
    """One place of the loudspeaker."""

    at: Point
    aim: Point | None = Field(None, description="a point on its axis; the first seat when absent")


class LayoutSection(_Part):
    """A published layout round the first seat."""

    name: Literal["single", "stereo", "5", "12"]
    distance: Distance


class RoomSection(_Part):
    """One described room: x along its length from the wall behind the loudspeakers, y to the left, z up."""

    name: str = "room"
    length: Distance | None = None
    width: Distance | None = None
    outline: tuple[tuple[Any, Any], ...] | None = Field(
        None, description="corners of the floor, convex or L-shaped, in place of length and width"
    )
    height: Distance
    surfaces: dict[str, SurfaceLike]
    loudspeakers: tuple[LoudspeakerPlace, ...] = ()
    layout: LayoutSection | None = None
    seats: tuple[Point, ...] = Field(min_length=1)
    console: ConsoleSection | None = None


class RoomsSection(_Part):
    """The design's `rooms` section."""

    ensembles: tuple[str, ...] = tuple(KINDS)
    count: int = Field(1000, ge=2, le=100_000)
    seed: int = Field(1, ge=0)
    room: RoomSection | None = None


class Scene(_Part):
    """A room with everything placed in it."""

    room: BoxRoom | PolyhedralRoom
    placements: tuple[tuple[str, Placement], ...]
    seats: Any


def parse_rooms(section: Mapping[str, Any] | None) -> RoomsSection:
    """The design's `rooms` section; defaults when there is none. Raises DesignError naming the key."""
    return _validated(RoomsSection, section or {}, "rooms")


def parse_console(section: Mapping[str, Any] | None) -> ConsoleSection | None:
    """The design's `console` section. Raises DesignError naming the key."""
    return None if section is None else _validated(ConsoleSection, section, "console")


def read_room(path: str | Path) -> RoomSection:
    """A room file (YAML): the keys of `rooms.room`. Raises DesignError with file and line."""
    from evenfield.loudspeaker.load import Positions, _parse_yaml, _plain, _read_text

    place = Path(path)
    tree = _parse_yaml(_read_text(place), place)
    if not isinstance(tree, Mapping):
        raise DesignError(f"{place.name} must hold a mapping of a room's keys, got {type(tree).__name__}.")
    try:
        return _validated(RoomSection, _plain(tree), "")
    except DesignError as error:
        raise Positions(place, tree).locate(error) from None


def _validated(model: type[Model], section: Mapping[str, Any], name: str) -> Model:
    try:
        return model.model_validate(section)
    except ValidationError as error:
        listed = [p for p in error.errors() if not _other_branch(p)] or error.errors()
        # a misspelt key is reported as unknown and as missing: the first says more
        problem = next((p for p in listed if p["type"] == "extra_forbidden"), listed[0])
        steps = [str(step) for step in problem["loc"] if not _tag(step)]
        key = ".".join(([name] if name else []) + steps)
        raise DesignError(_words(problem, key, model, steps), key) from None


def _words(problem: Any, key: str, model: type[BaseModel], steps: list[str]) -> str:
    kind, value = problem["type"], problem["input"]
    if kind == "extra_forbidden":
        near = difflib.get_close_matches(steps[-1], list(_keys(model, steps[:-1])), n=1, cutoff=0.5)
        hint = f"Try {near[0]!r}." if near else f"Known here: {', '.join(_keys(model, steps[:-1]))}."
        return f"{key} must be a known key, got {steps[-1]!r}. {hint}"
    if kind == "missing":
        return f"{key} must be given, got nothing."
    if kind == "amount":
        return f"{key} {problem['ctx']['reason']}"
    rule = problem["msg"].replace("Input should be", "must be")
    return f"{key} {rule}, got {value!r}."


def _keys(model: type[BaseModel], steps: list[str]) -> list[str]:
    current: type[BaseModel] = model
    for step in steps:
        field = current.model_fields.get(step)
        if field is None:
            continue
        nested = [t for t in _inner(field.annotation) if isinstance(t, type) and issubclass(t, BaseModel)]
        current = nested[0] if nested else current
    return list(current.model_fields)


def _inner(annotation: Any) -> list[Any]:
    found = [annotation]
    for part in getattr(annotation, "__args__", ()):
        found += _inner(part)
    return found


def _tag(step: str | int) -> bool:
    return isinstance(step, str) and (step in ("str", "float", "SurfaceSection") or step.startswith(("literal[", "tuple[")))


def _other_branch(problem: Any) -> bool:
    """A surface may be a name, a number or a mapping: errors of the branches that its type is not are left out."""
    value, steps = problem["input"], problem["loc"]
    if "SurfaceSection" in steps and not isinstance(value, Mapping) and problem["type"] == "model_type":
        return True
    return steps[-1:] in (("str",), ("float",)) and isinstance(value, Mapping)


def _surface(what: SurfaceLike, folder: Path) -> Surface:
    return what.to_surface(folder) if isinstance(what, SurfaceSection) else surface(what)


def build_scene(
    section: RoomSection, air: Air, folder: Path, console: ConsoleSection | None = None, where: str = "rooms.room"
) -> Scene:
    """Room, placements and seats of a section. Raises DesignError where they cannot be."""
    try:
        return _scene(section, air, folder, console)
    except DataError as error:
        raise DesignError(str(error), where or None) from None


def _scene(section: RoomSection, air: Air, folder: Path, console: ConsoleSection | None) -> Scene:
    seats = np.asarray([[float(v) for v in s] for s in section.seats])
    placed = _placements(section, seats)
    surfaces = {name: _surface(s, folder) for name, s in section.surfaces.items()}
    mean_x = float(np.mean([p.position[0] for _, p in placed]))
    towards = -1.0 if mean_x <= seats[0, 0] else 1.0
    wanted = section.console or console
    room: BoxRoom | PolyhedralRoom
    if section.outline is not None:
        if wanted is not None:
            raise DataError("A console is traced in box rooms only, got one in a room with an outline. Try length and width.")
        room = _prism(section, surfaces, air)
    else:
        if section.length is None or section.width is None:
            raise DataError("A room must have length and width, or an outline, got neither. Try length: 5 m and width: 4 m.")
        desk = None if wanted is None else wanted.to_desk(seats[0], towards, folder)
        lengths = (float(section.length), float(section.width), float(section.height))
        room = box_room(lengths, dict(surfaces), desk, air, section.name)
    return Scene(room=room, placements=placed, seats=seats)


def _placements(section: RoomSection, seats: np.ndarray[Any, Any]) -> tuple[tuple[str, Placement], ...]:
    if section.layout is not None:
        return layout(section.layout.name, seats[0], float(section.layout.distance))
    if not section.loudspeakers:
        raise DataError("A room must name loudspeakers or a layout, got neither. Try layout: {name: stereo, distance: 1.5 m}.")
    out = []
    for i, place in enumerate(section.loudspeakers):
        aim = seats[0] if place.aim is None else np.asarray([float(v) for v in place.aim])
        out.append((f"place {i + 1}", Placement.towards([float(v) for v in place.at], aim)))
    return tuple(out)


def _prism(section: RoomSection, surfaces: dict[str, Surface], air: Air) -> PolyhedralRoom:
    assert section.outline is not None
    plan = [tuple(float(parse_amount(v, "length")) for v in corner) for corner in section.outline]
    names = [f"wall {i + 1}" for i in range(len(plan))]
    unknown = set(surfaces) - {*names, "walls", "floor", "ceiling"}
    missing = [n for n in (*names, "floor", "ceiling") if n not in surfaces and not ("walls" in surfaces and n in names)]
    if unknown or missing:
        known = "'walls' or 'wall 1' and so on, 'floor' and 'ceiling'"
        raise DataError(f"surfaces must be named {known}, got {sorted(unknown) or 'nothing for ' + ', '.join(missing)}.")
    walls = [surfaces.get(n, surfaces.get("walls")) for n in names]
    return prism(
        plan,
        float(section.height),
        [w for w in walls if w is not None],
        surfaces["floor"],
        surfaces["ceiling"],
        air,
        section.name,
    )


__all__ = ["ConsoleSection", "RoomSection", "RoomsSection", "Scene", "build_scene", "parse_console", "parse_rooms", "read_room"]
