"""What the magnet, the steel and the neighbourhood see: operating point, saturation, stray field, assembly force."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenfield.base import DesignError, message
from evenfield.base.constants import STANDARD_GRAVITY
from evenfield.magnetics.bh_curve import MU0
from evenfield.magnetics.checks import place
from evenfield.magnetics.materials import Magnet, Steel
from evenfield.magnetics.motor import Part
from evenfield.magnetics.polygons import contains
from evenfield.magnetics.statics import StaticField

CORNERS = 0.02
"""Share of a part's volume left out of its extremes: the field at a sharp corner is infinite in theory."""


@dataclass(frozen=True)
class OperatingPoint:
    """Where a magnet works at one temperature.

    Parameters
        magnet : name; temperature : degC
        flux_density, field : volume means along the magnetisation, T and A/m (field negative: it opposes)
        permeance : -B / (mu0 H)
        strongest : opposing field exceeded by 2 % of the volume only, A/m, positive
        knee : opposing field beyond which magnetisation is lost, A/m
        margin : 1 - strongest / knee; below 0 the magnet is demagnetised
    """

    magnet: str
    temperature: float
    flux_density: float
    field: float
    permeance: float
    strongest: float
    knee: float

    @property
    def margin(self) -> float:
        """1 - strongest / knee."""
        return 1 - self.strongest / self.knee


@dataclass(frozen=True)
class Saturation:
    """Flux density in one steel part, for a map: points (N, 2) r, z in m and |B| (N,) in T.

    mean, highest : by volume, corners (2 %) left out; beyond : share of the volume above the B-H table's end
    """

    part: str
    points: NDArray[np.float64]
    flux_density: NDArray[np.float64]
    mean: float
    highest: float
    beyond: float


def samples(part: Part, count: int = 40) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Points (N, 2) on a grid inside a part and their weights (N,), the share of volume each stands for."""
    p = part.polygon
    low, high = p.min(axis=0), p.max(axis=0)
    step = max((high - low).max() / count, np.sqrt(np.prod(high - low)) / count)
    n = np.maximum(np.ceil((high - low) / step).astype(int), 4)
    axes = [low[i] + (np.arange(n[i]) + 0.5) / n[i] * (high[i] - low[i]) for i in range(2)]
    grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 2)
    inside = grid[contains(p, grid)]
    return inside, inside[:, 0] / inside[:, 0].sum()


def _quantile(values: NDArray[np.float64], weights: NDArray[np.float64], share: float) -> float:
    order = np.argsort(values)
    return float(np.interp(share, np.cumsum(weights[order]), values[order]))


def operating_points(static: StaticField) -> tuple[OperatingPoint, ...]:
    """One for each magnet, at the static field's temperature."""
    out = []
    for part in static.motor.parts:
        m = part.material
        if not isinstance(m, Magnet):
            continue
        points, weights = samples(part)
        along = static.flux_density(points) @ np.asarray(part.magnetisation)
        h = (along - m.remanence_at(static.temperature)) / (m.recoil * MU0)
        mean_b, mean_h = float(weights @ along), float(weights @ h)
        out.append(
            OperatingPoint(
                part.name, static.temperature, mean_b, mean_h, -mean_b / (MU0 * mean_h),
                max(_quantile(-h, weights, 1 - CORNERS), 0.0), m.knee_at(static.temperature),
            )
        )  # fmt: skip
    return tuple(out)


def check_magnets(points: tuple[OperatingPoint, ...]) -> None:
    """Raise DesignError where a magnet is demagnetised at its temperature."""
    for p in points:
        if p.margin < 0:
            raise DesignError(
                message(f"magnet {p.magnet}'s opposing field", f"below the knee, {p.knee / 1e3:.0f} kA/m",
                        f"{p.strongest / 1e3:.0f} kA/m at {p.temperature:g} degC", where=f"permeance {p.permeance:.2f}",
                        cause="Part of the magnet loses its magnetisation for good", fix="a higher magnet, a grade of higher "
                        "coercivity, or a smaller range of temperature")
            )  # fmt: skip


def saturation(static: StaticField) -> tuple[Saturation, ...]:
    """A map for each steel part."""
    out = []
    for part in static.motor.parts:
        m = part.material
        if not isinstance(m, Steel):
            continue
        points, weights = samples(part)
        b = np.linalg.norm(static.flux_density(points), axis=1)
        beyond = float(weights[b > m.curve.largest].sum())
        out.append(Saturation(part.name, points, b, float(weights @ b), _quantile(b, weights, 1 - CORNERS), beyond))
    return tuple(out)


def check_saturation(static: StaticField, maps: tuple[Saturation, ...], allowed: float = CORNERS) -> None:
    """Raise DesignError where more than the corners of a part lie beyond its B-H table."""
    parts = {p.name: p for p in static.motor.parts}
    for s in maps:
        m = parts[s.part].material
        if isinstance(m, Steel) and s.beyond > allowed:
            at = s.points[int(np.argmax(s.flux_density))]
            raise DesignError(
                message(f"steel of {s.part}", f"within its B-H table, up to {m.curve.largest:.2f} T",
                        f"{s.flux_density.max():.2f} T, {100 * s.beyond:.0f} % of it beyond", where=place(at),
                        cause="The section is too small for the flux", fix="more steel there, or a smaller magnet")
            )  # fmt: skip


def multipoles(static: StaticField, count: int = 6) -> NDArray[np.float64]:
    """(count,) coefficients c_l of A_phi = sum_l c_l P_l^1(cos theta) R0^(l+1) / R^(l+1) outside all parts, T m.

    R is measured from the middle of the computed region; R0 is 0.75 of its radius.
    """
    theta = (np.arange(90) + 0.5) * np.pi / 90
    radius = 0.75 * static.mesh.radius * 1e-3
    centre = static.mesh.centre * 1e-3
    points = np.c_[radius * np.sin(theta), centre + radius * np.cos(theta)]
    a = static.stream(points) / (2 * np.pi * points[:, 0])
    shapes = np.stack([_p1(n, np.cos(theta)) for n in range(1, count + 1)], axis=1)
    weight = np.sqrt(np.sin(theta))
    found: NDArray[np.float64] = np.linalg.lstsq(shapes * weight[:, None], a * weight, rcond=None)[0]
    return found


def _p1(degree: int, x: Any) -> NDArray[np.float64]:
    """Associated Legendre function of order 1 without the Condon-Shortley phase."""
    from scipy.special import lpmv

    return np.asarray(-lpmv(1, degree, x))


def stray_field(static: StaticField, distances: tuple[float, ...] = (0.1, 0.25, 0.5, 1.0)) -> dict[float, tuple[float, float]]:
    """|B| in T on the axis in front of the motor and beside it, at distances (m) from the middle of the computed region.

    Inside the computed region from the field itself, outside from its multipoles.
    """
    centre, radius = static.mesh.centre * 1e-3, static.mesh.radius * 1e-3
    c = multipoles(static)
    out = {}
    for d in distances:
        if d < 0.7 * radius:
            b = np.linalg.norm(static.flux_density(np.array([[0.0, centre + d], [d, centre]])), axis=1)
            out[d] = (float(b[0]), float(b[1]))
        else:
            out[d] = (_outside(c, 0.75 * radius, d, 0.0), _outside(c, 0.75 * radius, d, np.pi / 2))
    return out


def _outside(c: NDArray[np.float64], r0: float, r: float, theta: float) -> float:
    """|B| of the multipoles at (r, theta), T, by differences of R A sin(theta) and R A."""

    def potential(radius: float, angle: float) -> float:
        return float(sum(v * _p1(i + 1, np.cos(angle)) * (r0 / radius) ** (i + 2) for i, v in enumerate(c)))

    e = 1e-4
    if theta < 1e-9:  # on the axis B = 2 dA/d(rho)
        return abs(2 * potential(r, e) / (r * e))
    up, down = (potential(r, t) * np.sin(t) for t in (theta + e, theta - e))
    b_r = (up - down) / (2 * e * r * np.sin(theta))
    b_t = ((r - r * e) * potential(r - r * e, theta) - (r + r * e) * potential(r + r * e, theta)) / (2 * e * r * r)
    return float(np.hypot(b_r, b_t))


def assembly_force(static: StaticField) -> float:
    """Largest pull between a charged magnet and the plate on one of its poles, N, in contact: the stress B^2 / 2 mu0.

    The Maxwell stress over the pole face just outside it; taking the magnet apart needs as much.
    """
    worst = 0.0
    for part in static.motor.parts:
        if not isinstance(part.material, Magnet) or abs(part.magnetisation[1]) < 0.7:
            continue
        (r0, z0), (r1, z1) = part.polygon.min(axis=0), part.polygon.max(axis=0)
        r = r0 + (np.arange(60) + 0.5) / 60 * (r1 - r0)
        for z in (z0 + 0.02 * (z1 - z0), z1 - 0.02 * (z1 - z0)):
            b = static.flux_density(np.c_[r, np.full(60, z)])
            stress = (b[:, 1] ** 2 - b[:, 0] ** 2) / (2 * MU0)
            worst = max(worst, float(np.sum(stress * 2 * np.pi * r) * (r1 - r0) / 60))
    return worst


def caution(force: float) -> str:
    """The line printed on plans and sheets."""
    return (
        f"Charged magnets pull plates with up to {force:.0f} N ({force / STANDARD_GRAVITY:.0f} kg): they pinch, splinter (wear "
        "eye protection) and endanger pacemakers; assemble with a guide jig, by local codes and licensed practice."
    )
