"""What the fit checks share: their refusals, and the rules of outlines."""

from __future__ import annotations

import math
from collections.abc import Callable

from evenfield.base.errors import DesignError, message
from evenfield.shape.elements import Outline, Round, RoundedRectangle, Superelliptic
from evenfield.shape.outlines import smallest_half

SMALLEST, LARGEST = 0.02, 3.0
"""Sizes between which a cabinet is believed, m."""


def mm(value: float) -> str:
    """A length in mm, as messages show it."""
    return f"{1000 * value:.4g} mm"


def refuse(key: str, rule: str, value: object, cause: str = "", fix: str = "") -> None:
    """Raise the DesignError of a key."""
    raise DesignError(message(key, rule, value, cause=cause, fix=fix), key=key)


def positive(key: str, value: float, limit: float = LARGEST) -> None:
    """Refuse lengths that are not above 0 and believable."""
    if not math.isfinite(value):
        refuse(key, "finite", value)
    if not 0 < value <= limit:
        refuse(key, f"more than 0 and at most {mm(limit)}", mm(value))


def check_outline(key: str, outline: Outline) -> None:
    """Refuse outlines that are impossible or cannot be followed."""
    if isinstance(outline, Round):
        positive(f"{key}.radius", outline.radius)
        return
    positive(f"{key}.width", outline.width)
    positive(f"{key}.height", outline.height)
    if isinstance(outline, Superelliptic) and not 2 <= outline.exponent <= 10:
        refuse(
            f"{key}.exponent",
            "2 (an ellipse) to 10",
            outline.exponent,
            "Below 2 the outline has points at its ends, above 10 corners that the grid cannot follow",
        )
    if isinstance(outline, RoundedRectangle):
        radius, limit = outline.corner_radius, smallest_half(outline)
        if not (math.isfinite(radius) and 0.05 * limit <= radius <= limit * (1 + 1e-9)):
            refuse(
                f"{key}.corner_radius",
                f"{mm(0.05 * limit)} to half the smaller side ({mm(limit)})",
                mm(radius),
                "Sharper corners cannot be followed by the surface grid",
            )


def largest(fits: Callable[[float], bool], high: float) -> float:
    """Largest value in 0 ... high for which `fits` is true, by bisection."""
    low = 0.0
    for _ in range(50):
        middle = (low + high) / 2
        low, high = (middle, high) if fits(middle) else (low, middle)
    return low


__all__ = ["LARGEST", "SMALLEST", "check_outline", "largest", "mm", "positive", "refuse"]
