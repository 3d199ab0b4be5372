"""What rooms make of a loudspeaker: one room, its boundaries, ensembles of rooms, and the measures that follow from them."""

from __future__ import annotations

from importlib import import_module as _import_module
from typing import TYPE_CHECKING, Any

_WHERE = {
    "BoundaryEffect": "boundary",
    "boundary_effect": "boundary",
    "Causes": "by_cause",
    "causes": "by_cause",
    "KINDS": "ensembles",
    "ensemble": "ensembles",
    "nominal_reverberation_time": "ensembles",
    "reflection_factor": "impedance",
    "wall_impedance": "impedance",
    "ImpulseResponse": "impulse",
    "impulse_response": "impulse",
    "write_wav": "impulse",
    "LAYOUTS": "layouts",
    "layout": "layouts",
    "Loudspeaker": "source",
    "Placement": "source",
    "constant_index": "source",
    "loudspeaker": "source",
    "omnidirectional": "source",
    "playback": "source",
    "operational_check": "operational",
    "Played": "playing",
    "play": "playing",
    "PolyhedralRoom": "polyhedron",
    "prism": "polyhedron",
    "Reflection": "one_room",
    "RoomResponse": "one_room",
    "respond": "one_room",
    "BoxRoom": "room",
    "Desk": "room",
    "box_room": "room",
    "RoomSet": "room_sets",
    "room_set": "room_sets",
    "Comparison": "room_spread",
    "Spread": "room_spread",
    "early_reflection_error_db": "room_spread",
    "measure_spread": "room_spread",
    "percentiles_db": "room_spread",
    "spread": "room_spread",
    "Surface": "surfaces",
    "material": "surfaces",
    "read_surface": "surfaces",
    "Translation": "translation",
    "translate": "translation",
    "translate_to_playback": "translation",
}

__all__ = sorted(_WHERE)

if TYPE_CHECKING:
    from evenfield.rooms.boundary import boundary_effect as boundary_effect
    from evenfield.rooms.ensembles import ensemble as ensemble
    from evenfield.rooms.one_room import respond as respond
    from evenfield.rooms.playing import play as play


def __getattr__(name: str) -> Any:
    if name in _WHERE:
        value = getattr(_import_module(f"evenfield.rooms.{_WHERE[name]}"), name)
        globals()[name] = value  # a function may carry its module's name; keep the function
        return value
    raise AttributeError(f"module 'evenfield.rooms' has no attribute {name!r}")
