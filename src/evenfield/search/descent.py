"""Minimising an expensive smooth function in a box under cheap constraints: a trust region around a quasi-Newton model.

Each step minimises the model exactly under the true constraints (scipy's SLSQP, which costs nothing beside the function), so
the function is never asked outside them. The first model is a Gauss-Newton one from the derivatives of the function's own
parts; damped BFGS updates it. Source: Nocedal & Wright, Numerical Optimization (2006), ch. 4 and 18 (procedure 18.2).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

FIRST_RADIUS, LARGEST_RADIUS, LEAST_RADIUS = 0.08, 0.3, 1e-3
"""Of the box's side."""


@dataclass(frozen=True)
class Point:
    """Where a descent stands; all of it, so that it can be kept and taken up again.

    Parameters
        share : (N,) place in the box 0 ... 1
        value, gradient, curvature : of the function there: float, (N,), (N, N)
        radius : of the trust region
        steps : how many steps were tried; done : why it ended, or ""
    """

    share: Array
    value: float
    gradient: Array
    curvature: Array
    radius: float = FIRST_RADIUS
    steps: int = 0
    done: str = ""
    notes: dict[str, Any] = field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "share": self.share.tolist(),
            "value": self.value,
            "gradient": self.gradient.tolist(),
            "curvature": self.curvature.tolist(),
            "radius": self.radius,
            "steps": self.steps,
            "done": self.done,
            "notes": self.notes,
        }

    @classmethod
    def from_dict(cls, data: dict[str, Any]) -> Point:
        """The reverse of `to_dict`."""
        share, gradient, curvature = (np.asarray(data[n], float) for n in ("share", "gradient", "curvature"))
        value, radius, steps, done, notes = (data[n] for n in ("value", "radius", "steps", "done", "notes"))
        return cls(share, value, gradient, curvature, radius, steps, done, notes)


@dataclass(frozen=True)
class Trial:
    """What the function says at a place: its value, and on demand (N, K), the derivatives of the K parts that it sums, whose
    values are `parts` (K,).
    """

    value: float
    parts: Array
    slopes: Callable[[], Array]


Function = Callable[[Array], Trial | None]
"""None where the function cannot be asked: the step is halved."""
Constraints = Callable[[Array], Array]


def start(share: Array, trial: Trial) -> Point:
    """The first point of a descent."""
    slopes = trial.slopes()
    return Point(share, trial.value, slopes.sum(axis=1), first_curvature(trial.parts, slopes))


def first_curvature(parts: Array, slopes: Array) -> Array:
    """Gauss-Newton curvature of a sum of squares known only by its groups' values (K,) and their derivatives (N, K):
    each group taken as one square r^2, whose curvature is 2 r' r'^T; a little is added so that every direction has some.
    """
    safe = np.maximum(parts, 1e-3 * max(float(parts.sum()), 1e-12))
    root = slopes / (2 * np.sqrt(safe))
    curvature = 2 * root @ root.T
    return np.asarray(curvature + 0.1 * np.trace(curvature) / len(curvature) * np.eye(len(curvature)))


def advance(point: Point, function: Function, constraints: Constraints, tolerance: float = 2e-3) -> tuple[Point, Trial | None]:
    """One step: a better point and its trial, or the same point with a smaller region and None.

    `tolerance`: the descent is done where the model promises less than this share of the value.
    """
    move = model_step(point, constraints)
    promised = -float(point.gradient @ move + 0.5 * move @ point.curvature @ move)
    if promised <= tolerance * abs(point.value) or point.radius < LEAST_RADIUS:
        why = "no gain left in sight" if point.radius >= LEAST_RADIUS else "no step helps any more"
        return replace(point, done=why), None
    trial = function(point.share + move)
    length = float(np.abs(move).max())
    if trial is None or trial.value >= point.value:
        return replace(point, radius=0.35 * length, steps=point.steps + 1), None
    slopes = trial.slopes()
    gradient = slopes.sum(axis=1)
    agreed = (point.value - trial.value) / promised
    radius = point.radius
    if agreed < 0.25:
        radius = 0.5 * length
    elif agreed > 0.7 and length > 0.9 * radius:
        radius = min(2 * radius, LARGEST_RADIUS)
    curvature = damped_update(point.curvature, move, gradient - point.gradient)
    return (
        replace(
            point,
            share=point.share + move,
            value=trial.value,
            gradient=gradient,
            curvature=curvature,
            radius=radius,
            steps=point.steps + 1,
        ),
        trial,
    )


def model_step(point: Point, constraints: Constraints) -> Array:
    """(N,) the move that minimises the model within box, region and constraints."""
    from scipy.optimize import minimize

    low = np.maximum(-point.radius, -point.share)
    high = np.minimum(point.radius, 1 - point.share)
    low, high = np.minimum(low, high), np.maximum(low, high)
    scale = max(float(np.abs(point.gradient).max()), 1e-12)
    g, b = point.gradient / scale, point.curvature / scale

    def feasible(move: Array) -> bool:
        return bool(np.all(constraints(point.share + move) >= -1e-9))

    options: Any = {"maxiter": 60, "ftol": 1e-9}
    limits: Any = {"type": "ineq", "fun": lambda p: constraints(point.share + p)}
    search: Any = minimize  # its stubs know no single overload for this call
    found = search(
        lambda p: float(g @ p + 0.5 * p @ b @ p),
        np.clip(np.zeros(len(g)), low, high),
        jac=lambda p: g + b @ p,
        method="SLSQP",
        bounds=list(zip(low, high, strict=True)),
        constraints=limits,
        options=options,
    )
    move = np.clip(np.asarray(found.x), low, high)
    for _ in range(12):  # what rounding has left outside is drawn back
        if feasible(move):
            return np.asarray(move)
        move = move * 0.8
    return np.asarray(np.zeros_like(move))


def nearest_fitting(share: Array, wanted: Array, constraints: Constraints) -> Array:
    """(N,) the place in the box nearest to `wanted` that the constraints allow, looked for from `share`, which they do."""
    away = share - np.clip(wanted, 0, 1)
    point = Point(share, 1.0, away, np.eye(len(share)), radius=max(float(np.abs(away).max()), 1e-6))
    return share + model_step(point, constraints)


def damped_update(curvature: Array, move: Array, change: Array) -> Array:
    """BFGS with Powell's damping, which keeps the curvature positive."""
    along = curvature @ move
    bend = float(move @ along)
    if bend <= 0:
        return curvature
    product = float(move @ change)
    share = 1.0 if product >= 0.2 * bend else 0.8 * bend / (bend - product)
    change = share * change + (1 - share) * along
    return np.asarray(curvature - np.outer(along, along) / bend + np.outer(change, change) / float(move @ change))


def drawn_inside(share: Array, constraints: Constraints) -> Array | None:
    """(N,) the place in the box nearest to `share` that the constraints allow; `share` itself where they do, None where none is
    found.
    """
    from scipy.optimize import minimize

    own = np.clip(share, 0, 1)
    if np.all(constraints(own) >= -1e-9):
        return own
    limits: Any = {"type": "ineq", "fun": lambda p: constraints(p) - 1e-6}
    search: Any = minimize  # its stubs know no single overload for this call
    at = own
    for _ in range(3):  # a first line of the constraints may be far off theirs
        found = search(
            lambda p: float((p - own) @ (p - own)), at, jac=lambda p: 2 * (p - own), method="SLSQP",
            bounds=[(0.0, 1.0)] * len(own), constraints=limits, options={"maxiter": 100, "ftol": 1e-10},
        )  # fmt: skip
        at = np.clip(np.asarray(found.x), 0, 1)
        if np.all(constraints(at) >= -1e-9):
            return np.asarray(at)
    return None


__all__ = [
    "Constraints",
    "Function",
    "Point",
    "Trial",
    "advance",
    "damped_update",
    "drawn_inside",
    "first_curvature",
    "model_step",
    "nearest_fitting",
    "start",
]
