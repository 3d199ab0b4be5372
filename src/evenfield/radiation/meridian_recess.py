"""A recess behind an infinite baffle: an interior domain joined to the half-space at its flat mouth.

In the recess, closed by the mouth, with normals into its air, p/2 - D p + S q = 0 holds, q being unknown on the mouth; it has
no false resonances, for its only homogeneous solutions are the recess's own, and those are damped by the mouth. In front of
the mouth the field is Rayleigh's integral, p = 2 S q with the same q. Quadratic (or linear) q, continuous on the mouth.
"""

from __future__ import annotations

import numpy as np

from evenfield.data import Meridian
from evenfield.radiation.meridian_body import MOUTH, Elements, Floats, MeridianBody, build_body
from evenfield.radiation.meridian_matrix import Complex, MeridianMatrix, mass
from evenfield.radiation.meridian_motion import Sources, join_sources, shape_sources
from evenfield.radiation.meridian_solver import MeridianSolver

FEWEST_SEGMENTS = 12
"""Across a mouth's radius."""


FILM = 1e-2
"""Steps. A wall tangent to the baffle leaves a film of air before it, which rules and unknowns of a step's length do not resolve
where it is thinner (up to 0.12 dB, and 2 % of the power, were lost in it): it is closed up to this depth, some ten micrometres,
and the mouth ends there; the field moves by less than 0.005 dB."""
FILM_ERROR_DB = 0.2
"""Stated where a moving part lies in the film, which then stays."""


def without_film(meridian: Meridian) -> tuple[Meridian, int, bool]:
    """The line from where the air behind the baffle is deeper than a film, points left out before, and whether a film is left.

    The rigid wall before is part of the baffle; a moving part is never left out.
    """
    points = meridian.points
    shallow = np.abs(points[:, 0]) <= FILM * median_step(meridian)
    deep = int(np.argmin(shallow))
    if shallow.all() or points[deep, 0] > 0 or abs(points[0, 0]) > 1e-9 * np.abs(points).max():
        return meridian, 0, False
    moving = ~np.isin(meridian.part[: deep - 1].astype(str), ("0", "rigid"))
    count = int(np.argmax(moving)) if moving.any() else deep - 1
    if count == 0:
        return meridian, 0, bool(moving.any())
    kept = points[count:].copy()
    kept[0, 0] = 0.0
    return Meridian(kept, meridian.part[count:]), count, bool(moving.any())


def film_note(meridian: Meridian, count: int) -> str:
    """What was left out, for the reader of a result."""
    wall = meridian.points[: count + 1]
    long = np.hypot(*np.diff(wall, axis=0).T).sum()
    return (
        f"the wall's first {long * 1e3:.2g} mm from its rim lie within {np.abs(wall[:, 0]).max() * 1e6:.2g} um of the baffle "
        f"and count as part of it: the mouth ends at r = {wall[-1, 1] * 1e3:.4g} mm"
    )


def median_step(meridian: Meridian) -> float:
    """m."""
    return float(np.median(np.hypot(*np.diff(meridian.points, axis=0).T)))


def mouth_fractions(meridian: Meridian) -> Floats:
    """Radii of the mouth's points over that of its rim: even steps about as long as the wall's, an even number."""
    count = max(FEWEST_SEGMENTS, 2 * int(np.ceil(meridian.points[0, 1] / median_step(meridian) / 2)))
    return np.linspace(0.0, 1.0, count + 1)


class Recess:
    """The joined system.

    Attributes
        body : mouth and wall, normals into the recess's air; outside : the mouth alone, seen from the half-space
        mouth : elements of the mouth, the first of `body`; extra : unknown derivatives on it
    """

    def __init__(self, meridian: Meridian, elements: Elements, solver: MeridianSolver, order: int) -> None:
        share = mouth_fractions(meridian)
        rim = meridian.points[0, 1]
        flat = np.column_stack([np.zeros(len(share)), share * rim])
        names = np.concatenate([np.full(len(share) - 1, MOUTH, dtype=object), meridian.part.astype(object)])
        self.added = len(share) - 1
        whole = Meridian(np.concatenate([flat[:-1], meridian.points]), names)
        self.body: MeridianBody = build_body(whole, elements, solver.corner_deg, False, side=-1)
        self.outside: MeridianBody = build_body(Meridian(flat, names[: self.added]), elements, solver.corner_deg, True)
        self.inner = MeridianMatrix(self.body, solver, order)
        self.outer = MeridianMatrix(self.outside, solver, order)
        self.mouth = np.arange(self.outside.count)
        self.weight = mass(self.outer.grid, self.outside.unknowns)

    @property
    def extra(self) -> int:
        """Unknown derivatives on the mouth."""
        return self.outside.unknowns

    def assemble(self, wavenumber: float, sources: Sources) -> tuple[Complex, Complex]:
        """(n + extra) square matrix and (n + extra, K) right-hand sides."""
        unknown = shape_sources(self.body, self.mouth)
        inside, right = self.inner.assemble(wavenumber, 0.0, join_sources(self.body, sources, unknown))
        _, before = self.outer.assemble(wavenumber, 0.0, shape_sources(self.outside, self.mouth))
        n, m, k = self.body.unknowns, self.extra, sources.count
        matrix = np.zeros((n + m, n + m), complex)
        matrix[:n, :n], matrix[:n, n:] = inside, -right[:, k:]
        matrix[n:, :m], matrix[n:, n:] = self.weight, before
        return matrix, np.concatenate([right[:, :k], np.zeros((m, k), complex)])
