"""Round cabinets with a flare and a piston in its throat, as a meridian and as triangles, on which two solvers meet."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from evenfield.data import Meridian, SurfaceMesh
from evenfield.exact.revolved_mesh import revolved_surface

Array = NDArray[np.float64]

PISTON = 1
"""Part number of the piston; 0 is rigid."""


class Flared(NamedTuple):
    """Dimensions, m: outer radius, length, rounding of both outer edges; the flare's throat (the piston's radius) and mouth radii
    and depth; its slopes from the axis where it begins and ends, degrees (90 would be along the baffle)."""

    radius: float
    length: float
    rounding: float
    throat: float
    mouth: float
    depth: float
    slopes_deg: tuple[float, float]

    def meridian(self, edge: float) -> Meridian:
        """Its line, points at most `edge` apart, m; the front baffle in x = 0."""
        points, parts = self._sampled(edge)
        return Meridian(points[::-1], np.array(parts[::-1]))

    def surface(self, edge: float, on_circles: bool = False) -> SurfaceMesh:
        """Its surface in triangles with edges of about `edge`, m, vertices on rings of the line (see `revolved_surface`)."""
        points, parts = self._sampled(edge)
        return revolved_surface([(float(x), float(r)) for x, r in points], edge, parts, on_circles=on_circles)

    def flare(self) -> Array:
        """(N, 2) x and r from the throat to the mouth: a cubic Bezier curve of the given slopes, handles a third of the way."""
        begin, end = np.array([-self.depth, self.throat]), np.array([0.0, self.mouth])
        reach = np.hypot(*(end - begin)) / 3
        first, last = (reach * np.array([np.cos(a), np.sin(a)]) for a in np.radians(self.slopes_deg))
        t = np.linspace(0, 1, 400)[:, None]
        s = 1 - t
        return np.asarray(s**3 * begin + 3 * s**2 * t * (begin + first) + 3 * s * t**2 * (end - last) + t**3 * end)

    def _pieces(self) -> list[Array]:
        """Smooth pieces from the front pole: piston, flare, baffle, rounding, side, rounding, back."""
        turn, r = np.linspace(0, np.pi / 2, 200), self.rounding
        flat, sine, cosine = self.radius - r, r * np.sin(turn), r * np.cos(turn)
        return [
            np.array([[-self.depth, 0], [-self.depth, self.throat]]),
            self.flare(),
            np.array([[0, self.mouth], [0, flat]]),
            np.column_stack([cosine - r, flat + sine]),
            np.array([[-r, self.radius], [r - self.length, self.radius]]),
            np.column_stack([r - self.length - sine, flat + cosine]),
            np.array([[-self.length, flat], [-self.length, 0]]),
        ]

    def _sampled(self, edge: float) -> tuple[Array, list[int]]:
        """(N, 2) points from the front pole to the rear one, evenly on each piece, and the N - 1 parts between."""
        pieces = self._pieces()
        points, parts = [pieces[0][:1]], []
        for number, piece in enumerate(pieces):
            along = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(piece, axis=0).T))])
            steps = max(1, int(np.ceil(along[-1] / edge - 1e-9)))
            at = along[-1] * (np.arange(1, steps + 1) / steps)
            points.append(np.column_stack([np.interp(at, along, piece[:, i]) for i in range(2)]))
            parts += [PISTON if number == 0 else 0] * steps
        return np.concatenate(points), parts


FLARED = {
    "tweeter guide": Flared(0.12, 0.20, 0.025, 0.0125, 0.060, 0.025, (45, 88)),
    "deep flare, small piston": Flared(0.12, 0.22, 0.020, 0.0125, 0.080, 0.060, (25, 80)),
    "shallow flare, large piston": Flared(0.15, 0.25, 0.030, 0.065, 0.110, 0.020, (50, 86)),
    "cone, large piston": Flared(0.14, 0.24, 0.040, 0.050, 0.090, 0.040, (45, 45)),
}
"""Invented cabinets: two with a dome's throat, two with a cone's."""
