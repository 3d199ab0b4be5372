"""What a waveguide's dimensions come to, in words: mouth, walls, and whether stated angles are the wall's own."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from evenfield.shape import Cabinet, Coaxial, Element, Round, Waveguide
from evenfield.shape.free import Free
from evenfield.shape.outlines import polar_radius
from evenfield.shape.walls import stated_angles, wall_angles

PLANES = {"horizontal": 0.0, "vertical": math.pi / 2, "diagonal": math.pi / 4}
"""Directions around the axis, rad from horizontal."""
_MIDDLE = np.array([0.5])
_SAME = math.radians(0.5)  # angles nearer than this are the same


def waveguide_lines(cabinet: Cabinet) -> list[str]:
    """A line or two for each waveguide of a cabinet."""
    return [line for element in cabinet.elements for line in _lines(element)]


def _lines(element: Element) -> list[str]:
    if isinstance(element, Coaxial):
        return _lines(element.source)
    if not isinstance(element, Waveguide):
        return []
    planes = list(PLANES)[: 1 if isinstance(element.mouth, Round) and not element.angles else 3]
    angle = wall_angles(element, _MIDDLE, np.array([PLANES[p] for p in planes]))[0]
    words = ", ".join(f"{math.degrees(a):.0f} deg {p}" for a, p in zip(angle, planes, strict=True))
    mouth = element.mouth
    size = 2e3 * mouth.radius if isinstance(mouth, Round) else 1e3 * mouth.width
    across = f"{size:.4g} mm" if isinstance(mouth, Round) else f"{size:.4g} x {1e3 * mouth.height:.4g} mm"
    lines = [
        f"  waveguide of {element.name}: {element.profile.replace('_', '-')}, {1e3 * element.depth:.4g} mm to a mouth of "
        f"{across}, walls halfway {words if len(planes) > 1 else words.replace(' horizontal', '')}"
    ]
    return lines + _moved(element)


def _moved(guide: Waveguide) -> list[str]:
    """One line where depth and mouth turn the wall otherwise than its stated angles say."""
    theta: NDArray[np.float64] = np.array(list(PLANES.values()))
    stated = stated_angles(guide, theta)
    if stated is None:
        return []
    mouth = polar_radius(guide.mouth, theta)
    free = Free(guide.stations)
    turning = free.turning(guide.throat_radius, guide.entry_angle, guide.depth + guide.proud, mouth, guide.rounding, stated)
    found = turning.angle[1:-1]
    if np.abs(found - stated).max() < _SAME:
        return []
    words = "; ".join(f"{p} {', '.join(f'{math.degrees(a):.1f}' for a in found[:, i])} deg" for i, p in enumerate(PLANES))
    return [f"    depth and mouth turn it to {words} in place of the angles stated"]
