"""Velocity profiles of diaphragms: how much of the coil's velocity each radius has, as the design file asks."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from evenfield.base.errors import DesignError, message
from evenfield.data.mesh import SurfaceMesh
from evenfield.loudspeaker.design import Design, Driver
from evenfield.transducer.profile import VelocityProfile

Profiles = Mapping[str, VelocityProfile]


def profiles_of(design: Design, folder: str | Path | None = None) -> dict[str, VelocityProfile]:
    """The profile of every way whose driver asks for one; others move as rigid pistons.

    Raises DesignError, with the key, where a profile lacks what it needs or contradicts Sd.
    """
    found = {}
    for name, way in design.ways.items():
        if way.driver is not None and way.driver.profile is not None:
            found[name] = profile_of(way.driver, f"ways.{name}.driver", folder)
    return found


def profile_of(driver: Driver, key: str, folder: str | Path | None = None) -> VelocityProfile:
    """One driver's profile: tapered across the surround, or read from a file of radii and frequencies."""
    assert driver.profile is not None
    if driver.kind in ("compression", "ring") or driver.sd is None:
        raise DesignError(
            message(f"{key}.profile", "given for a cone or dome with its sd", f"a {driver.kind} driver"), f"{key}.profile"
        )
    if driver.profile.file is not None:
        path = Path(driver.profile.file) if folder is None else Path(folder) / driver.profile.file
        profile = VelocityProfile.read_csv(path)
        profile.check_area(float(driver.sd), key=f"{key}.profile")
        return profile
    mode = None if driver.first_mode is None else float(driver.first_mode)
    return VelocityProfile.from_area(float(driver.sd), float(driver.surround_width), mode)


def velocities(
    mesh: SurfaceMesh,
    names: tuple[str, ...],
    profiles: Profiles,
    centres: Mapping[str, tuple[float, float, float]],
    frequency_hz: float,
) -> NDArray[np.complex128]:
    """(K, T) normal velocity of each triangle per unit coil velocity, one pattern a part, axial motion."""
    patterns = np.zeros((len(names), len(mesh.triangles)), complex)
    for k, name in enumerate(names):
        on = mesh.of_part(name)
        patterns[k, on] = mesh.normal[on, 0]
        if name in profiles:
            offset = mesh.centroid[on][:, 1:] - np.asarray(centres[name])[1:]
            radius = np.hypot(offset[:, 0], offset[:, 1])
            patterns[k, on] *= profiles[name].at(radius, [frequency_hz])[:, 0]
    return patterns
