"""PositionCurve: one quantity over the coil's position, smooth, and never extrapolated."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base import DesignError, message

Real = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class PositionCurve:
    """A value over displacement, through its points by a quintic spline (four continuous derivatives).

    A spline with fewer would put harmonics of its own, falling slowly, under the driver's.

    Parameters
        displacement : (X,) float, m, ascending, positive outwards; at least 2
        value : (X,) float, SI
        name : for messages
    Raises DesignError when the points are not finite or not ascending.
    Example:
        >>> curve = PositionCurve.polynomial([5.0, 0.0, -2e4], 8e-3, "Bl")
        >>> round(float(curve(4e-3)), 6)
        4.68
    """

    displacement: Real
    value: Real
    name: str = "curve"

    def __post_init__(self) -> None:
        x, y = np.array(self.displacement, float), np.array(self.value, float)
        if x.ndim != 1 or x.shape != y.shape or len(x) < 2 or not (np.all(np.isfinite(x)) and np.all(np.isfinite(y))):
            raise DesignError(message(self.name, "one finite value at each of at least two positions", f"{x.shape}, {y.shape}"))
        if np.any(np.diff(x) <= 0):
            raise DesignError(message(f"positions of {self.name}", "ascending", np.array2string(1e3 * x, precision=3) + " mm"))
        if x[0] > 0 or x[-1] < 0:
            span = f"{1e3 * x[0]:.3g} to {1e3 * x[-1]:.3g} mm"
            raise DesignError(message(f"positions of {self.name}", "on both sides of the rest position", span))
        if x[-1] - x[0] > 0.2:
            span = f"{x[-1] - x[0]:.3g} m"
            raise DesignError(message(f"positions of {self.name}", "within 200 mm", span, cause="Is the unit right?", fix="mm"))
        object.__setattr__(self, "displacement", x)
        object.__setattr__(self, "value", y)

    @classmethod
    def constant(cls, value: float, reach: float, name: str = "curve") -> PositionCurve:
        """The same value over +-reach (m)."""
        return cls(np.array([-reach, 0.0, reach]), np.full(3, float(value)), name)

    @classmethod
    def polynomial(cls, coefficients: ArrayLike, reach: float, name: str = "curve") -> PositionCurve:
        """Powers of x (m), lowest first, over +-reach (m)."""
        c = np.atleast_1d(np.asarray(coefficients, float))
        x = np.linspace(-reach, reach, max(21, 4 * len(c) + 1))
        return cls(x, np.polynomial.polynomial.polyval(x, c), name)

    @property
    def reach(self) -> tuple[float, float]:
        """m, where the curve is known."""
        return float(self.displacement[0]), float(self.displacement[-1])

    @cached_property
    def _spline(self) -> Any:
        from scipy.interpolate import make_interp_spline

        degree = min(5, len(self.displacement) - 1)
        return make_interp_spline(self.displacement, self.value, k=degree if degree % 2 else degree - 1)

    def __call__(self, displacement: ArrayLike) -> Real:
        """Value at `displacement` (m), same shape. Raises DesignError outside the known range."""
        return np.asarray(self._spline(self._inside(displacement)))

    def slope(self, displacement: ArrayLike) -> Real:
        """Derivative, per m."""
        return np.asarray(self._spline.derivative()(self._inside(displacement)))

    def integral(self, displacement: ArrayLike) -> Real:
        """Integral from the rest position, times m."""
        x, whole = self._inside(displacement), self._spline.antiderivative()
        return np.asarray(whole(x) - whole(0.0))

    def times(self, factor: float) -> PositionCurve:
        """The curve with its values times `factor`."""
        return PositionCurve(self.displacement, self.value * factor, self.name)

    def _inside(self, displacement: ArrayLike) -> Real:
        x = np.asarray(displacement, float)
        low, high = self.reach
        slack = 1e-9 * (high - low)
        if np.any(x < low - slack) or np.any(x > high + slack):
            worst = float(x.flat[int(np.argmax(np.maximum(low - x, x - high)))])
            rule = f"{1e3 * low:.3g} to {1e3 * high:.3g} mm"
            raise DesignError(message(f"position on {self.name}", rule, f"{1e3 * worst:.3g} mm", cause="Nothing is extrapolated"))
        return np.asarray(np.clip(x, low, high))


def table_of(curves: list[PositionCurve], low: float, high: float, cells: int = 512) -> Real:
    """(cells, 4, curves) coefficients of cubic pieces in the cell's own 0..1, for the inner loop.

    Values and slopes are the spline's at every cell edge, so the pieces stray by the fourth power of a cell: below 1e-10.
    """
    x = np.linspace(low, high, cells + 1)
    dx = x[1] - x[0]
    y = np.stack([c(x) for c in curves], axis=-1)
    d = np.stack([c.slope(x) for c in curves], axis=-1) * dx
    y0, y1, d0, d1 = y[:-1], y[1:], d[:-1], d[1:]
    table = np.stack([y0, d0, 3 * (y1 - y0) - 2 * d0 - d1, 2 * (y0 - y1) + d0 + d1], axis=1)
    return np.ascontiguousarray(table)
