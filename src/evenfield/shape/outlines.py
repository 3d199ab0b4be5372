"""Closed outlines in a face: polar radius, support function, area."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from evenfield.shape.elements import (
    Coaxial,
    Cone,
    Dome,
    Element,
    Elliptic,
    Outline,
    Ring,
    Round,
    RoundedRectangle,
    Superelliptic,
    Throat,
    VentOpening,
    Waveguide,
)
from evenfield.shape.rim import rim_width

Array = NDArray[np.float64]


def polar_radius(outline: Outline, theta: Array) -> Array:
    """Distance from the centre to the outline at the angle `theta` (rad from +y towards +z), m; shape of `theta`."""
    if isinstance(outline, Round):
        return np.full(np.shape(theta), outline.radius)
    c, s = np.abs(np.cos(theta)), np.abs(np.sin(theta))
    a, b = outline.width / 2, outline.height / 2
    if isinstance(outline, Elliptic):
        return np.asarray(a * b / np.hypot(b * c, a * s))
    if isinstance(outline, Superelliptic):
        n = outline.exponent
        return np.asarray(((c / a) ** n + (s / b) ** n) ** (-1 / n))
    q = outline.corner_radius
    along = c * (a - q) + s * (b - q)
    inside = np.maximum(along**2 - (a - q) ** 2 - (b - q) ** 2 + q**2, 0.0)
    side, top = s * a <= c * (b - q), c * b <= s * (a - q)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(side, a / c, np.where(top, b / s, along + np.sqrt(inside))))


def support(outline: Outline, theta: Array, margin: float = 0.0) -> Array:
    """Farthest reach of the outline, grown by `margin`, in the direction `theta`, m."""
    if isinstance(outline, Round):
        return np.full(np.shape(theta), outline.radius + margin)
    c, s = np.abs(np.cos(theta)), np.abs(np.sin(theta))
    a, b = outline.width / 2, outline.height / 2
    if isinstance(outline, Elliptic):
        return np.asarray(np.hypot(a * c, b * s) + margin)
    if isinstance(outline, Superelliptic):  # the dual norm
        q = outline.exponent / (outline.exponent - 1)
        return np.asarray(((a * c) ** q + (b * s) ** q) ** (1 / q) + margin)
    q = outline.corner_radius
    return np.asarray(c * (a - q) + s * (b - q) + q + margin)


def outline_area(outline: Outline) -> float:
    """Enclosed area, m2."""
    if isinstance(outline, Round):
        return math.pi * outline.radius**2
    if isinstance(outline, Elliptic):
        return math.pi * outline.width * outline.height / 4
    if isinstance(outline, Superelliptic):
        n = outline.exponent
        return outline.width * outline.height * math.gamma(1 + 1 / n) ** 2 / math.gamma(1 + 2 / n)
    return outline.width * outline.height - (4 - math.pi) * outline.corner_radius**2


def surface_outline(element: Element) -> Outline:
    """The line where the element's surface meets its face."""
    if isinstance(element, Coaxial):
        return Round(element.cone.radius)
    if isinstance(element, Cone | Dome | Throat | Ring):
        return Round(element.radius)
    return element.outline if isinstance(element, VentOpening) else element.mouth


def footprint(element: Element) -> tuple[Outline, float]:
    """The outline an element occupies on its face, and a margin around it, m."""
    driver = element.cone if isinstance(element, Coaxial) else element
    if isinstance(driver, Cone | Dome | Ring):
        return Round(max(driver.radius, driver.frame_radius or 0.0)), 0.0
    if isinstance(element, Waveguide):
        return element.mouth, max(element.clearance, rim_width(element))
    return surface_outline(element), 0.0


def scaled(outline: Outline, factor: float) -> Outline:
    """The same outline, larger by a factor."""
    if isinstance(outline, Round):
        return Round(outline.radius * factor)
    larger = replace(outline, width=outline.width * factor, height=outline.height * factor)
    if isinstance(larger, RoundedRectangle):
        larger = replace(larger, corner_radius=larger.corner_radius * factor)
    return larger


def smallest_half(outline: Outline) -> float:
    """Half the smallest width of the outline, m."""
    return outline.radius if isinstance(outline, Round) else min(outline.width, outline.height) / 2


def largest_half(outline: Outline) -> float:
    """Half the largest extent along y or z, m."""
    return outline.radius if isinstance(outline, Round) else max(outline.width, outline.height) / 2


__all__ = ["footprint", "largest_half", "outline_area", "polar_radius", "scaled", "smallest_half", "support", "surface_outline"]
