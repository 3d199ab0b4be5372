"""Loudspeaker layouts by their published angles, and their places in a room."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from evenfield.base.errors import DataError, message
from evenfield.rooms.source import Placement

LAYOUTS: dict[str, tuple[tuple[str, float, float], ...]] = {
    "single": (("C", 0.0, 0.0),),
    "stereo": (("L", 30.0, 0.0), ("R", -30.0, 0.0)),
    "5": (("L", 30.0, 0.0), ("R", -30.0, 0.0), ("C", 0.0, 0.0), ("LS", 110.0, 0.0), ("RS", -110.0, 0.0)),
    "12": (
        ("L", 30.0, 0.0),
        ("R", -30.0, 0.0),
        ("C", 0.0, 0.0),
        ("LFE", 15.0, -20.0),
        ("LSS", 90.0, 0.0),
        ("RSS", -90.0, 0.0),
        ("LSR", 135.0, 0.0),
        ("RSR", -135.0, 0.0),
        ("LTF", 45.0, 40.0),
        ("RTF", -45.0, 40.0),
        ("LTR", 135.0, 40.0),
        ("RTR", -135.0, 40.0),
    ),
}
"""Channel, azimuth and elevation in degrees seen from the listener, positive to the left and up.

stereo and 5: ITU-R BS.775 (surrounds 100 to 120 degrees); 12: system J (4+7+0 with one low-frequency channel) of ITU-R BS.2051,
angles from memory; the low-frequency channel's place is ours.
"""


def layout(name: str, listener: ArrayLike, distance: float, towards: float = np.pi) -> tuple[tuple[str, Placement], ...]:
    """Channels and placements of a layout round a listener, each aimed at the listener.

    Parameters
        name : "single", "stereo", "5" or "12"
        listener : (3,) m, head
        distance : m, of every loudspeaker
        towards : rad, azimuth in the room in which the listener looks (pi: towards the front wall at x = 0)
    Whether they fit the room is checked when they are played.
    """
    if name not in LAYOUTS:
        raise DataError(message("layout", "one of " + ", ".join(LAYOUTS), repr(name)))
    if not (np.isfinite(distance) and 0.3 <= distance <= 50):
        raise DataError(message("layout distance", "0.3 to 50 m", f"{distance:g} m", fix="2 m"))
    head = np.asarray(listener, float)
    return tuple((channel, _one(head, distance, towards, az, el)) for channel, az, el in LAYOUTS[name])


def _one(head: ArrayLike, distance: float, towards: float, azimuth_deg: float, elevation_deg: float) -> Placement:
    azimuth, elevation = towards + np.radians(azimuth_deg), np.radians(elevation_deg)
    ray: Sequence[float] = [np.cos(elevation) * np.cos(azimuth), np.cos(elevation) * np.sin(azimuth), np.sin(elevation)]
    position = np.asarray(head, float) + distance * np.asarray(ray)
    return Placement.towards(position, head)
