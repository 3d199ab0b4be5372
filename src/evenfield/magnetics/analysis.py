"""Everything a motor's drawing says, in one call."""

from __future__ import annotations

import time
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base import DesignError, Refusal, message
from evenfield.data import BlockedImpedance, MotorCurves
from evenfield.magnetics.harmonic import blocked_impedance
from evenfield.magnetics.motor import Coil, Motor, Outline
from evenfield.magnetics.operating import (
    OperatingPoint,
    Saturation,
    assembly_force,
    caution,
    check_magnets,
    check_saturation,
    operating_points,
    saturation,
    stray_field,
)
from evenfield.magnetics.statics import StaticField, at_temperature, check_circuit, driven_sense, solve_static

TEMPERATURES = (-20.0, 20.0, 60.0)
"""degC at which the magnets' operating points are computed by default."""

FREQUENCIES = np.geomspace(20.0, 20e3, 31)
"""Hz; the default axis of the blocked impedance."""


@dataclass(frozen=True)
class GapProfile:
    """Radial flux density along a driven coil's lane, at the middle of its wire: heights (Z,) m, B_r (Z,) T."""

    coil: str
    height: NDArray[np.float64]
    flux_density: NDArray[np.float64]


@dataclass(frozen=True)
class Share:
    """Mass (kg) and cost (EUR at the library's invented prices) of one part."""

    part: str
    kind: str
    material: str
    mass: float
    cost: float


@dataclass(frozen=True)
class MotorAnalysis:
    """What a motor gives. Positions are displacements of the coils (m), positive outwards.

    Parameters
        motor : the motor, its driven coils wound so that positive current pushes outwards
        displacement : (X,) m
        force_factor : (X,) T m, of the driven coils in series
        coil_force_factor : name -> (X,) T m, each in its own sense; shorted windings too
        shorted_force_factor : (X,) T m, of the shorted windings together, or None
        frequency : (F,) Hz
        impedance : BlockedImpedance of all windings, or None where it was not asked for
        static_inductance : (X,) H, the limit of low frequency, or None
        reluctance_force : (X,) N/A^2, half the slope of that inductance, or None
        gap : GapProfile per driven coil
        operating_points : per magnet and temperature
        saturation : per steel part
        stray : distance (m) -> (on axis, beside), T
        shares : mass and cost per part and coil
        flux_share : share of the magnets' flux that crosses the coils' lane
        assembly_force : N
        travel : (inwards, outwards) free way, m
        warnings : what the reader should know
        statistics : unknowns, elements, iterations, seconds
    """

    motor: Motor
    displacement: NDArray[np.float64]
    force_factor: NDArray[np.float64]
    coil_force_factor: dict[str, NDArray[np.float64]]
    shorted_force_factor: NDArray[np.float64] | None
    frequency: NDArray[np.float64]
    impedance: BlockedImpedance | None
    static_inductance: NDArray[np.float64] | None
    reluctance_force: NDArray[np.float64] | None
    gap: tuple[GapProfile, ...]
    operating_points: tuple[OperatingPoint, ...]
    saturation: tuple[Saturation, ...]
    stray: dict[float, tuple[float, float]]
    shares: tuple[Share, ...]
    flux_share: float
    assembly_force: float
    travel: tuple[float, float]
    warnings: tuple[str, ...] = ()
    statistics: dict[str, float] = field(default_factory=dict)

    @property
    def outline(self) -> tuple[Outline, ...]:
        """Polylines to scale, m."""
        return self.motor.outline()

    @property
    def resistance(self) -> float:
        """ohm at 20 degC of the driven coils in series."""
        return self.motor.resistance

    @property
    def drive(self) -> dict[str, float]:
        """The driven coils in series, for BlockedImpedance.terminal: each coil's sense is in its port already."""
        return {c.name: 1.0 for c in self.motor.driven}

    @property
    def short(self) -> tuple[str, ...]:
        """The shorted windings."""
        return tuple(c.name for c in self.motor.shorted)

    @property
    def mass(self) -> float:
        """kg of all parts that stand still."""
        return sum(s.mass for s in self.shares if s.kind not in ("coil", "shorted coil"))

    @property
    def cost(self) -> float:
        """EUR at the library's invented prices."""
        return sum(s.cost for s in self.shares)

    @property
    def caution(self) -> str:
        """The line printed on plans and sheets."""
        return caution(self.assembly_force)

    def terminal_impedance(self, frequency_hz: ArrayLike | None = None, shorted: bool = True) -> NDArray[np.complex128]:
        """(X, F) ohm, blocked, at the driven coils' terminals; with the damping winding open where `shorted` is False."""
        f = self.frequency if frequency_hz is None else frequency_hz
        return self._impedance().terminal(f, self.drive, self.short if shorted else ())

    def inductance(self, frequency_hz: ArrayLike | None = None, shorted: bool = True) -> NDArray[np.float64]:
        """(X, F) H."""
        f = self.frequency if frequency_hz is None else frequency_hz
        return self._impedance().inductance(f, self.drive, self.short if shorted else ())

    def loss_resistance(self, frequency_hz: ArrayLike | None = None, shorted: bool = True) -> NDArray[np.float64]:
        """(X, F) ohm that eddy currents and shorted windings add to the DC resistance."""
        f = self.frequency if frequency_hz is None else frequency_hz
        return np.asarray(self.terminal_impedance(f, shorted).real - self.resistance)

    def _impedance(self) -> BlockedImpedance:
        if self.impedance is None:
            raise Refusal("Blocked impedance was not computed: analyse_motor was asked for the static field only.")
        return self.impedance

    def curves(self) -> MotorCurves:
        """What the large-signal model reads."""
        return MotorCurves(
            self.displacement, self.force_factor, self.static_inductance, self.resistance, self.reluctance_force,
            self.shorted_force_factor, sum(c.resistance for c in self.motor.shorted) if self.motor.shorted else None,
            self.travel,
        )  # fmt: skip

    def width(self, share: float = 0.82) -> tuple[float, float]:
        """(inwards, outwards) displacement where Bl falls to `share` of its value at rest, m; the ends where it does not.

        82 % is the displacement limit of IEC 62458 for 10 % distortion (from memory).
        """
        bl, x = self.force_factor, self.displacement
        rest = float(np.interp(0.0, x, bl))
        out = []
        for sign in (-1, 1):
            way = sign * np.linspace(0, abs(x[-1] if sign > 0 else x[0]), 2001)
            low = np.flatnonzero(np.interp(way, x, bl) < share * rest)
            out.append(float(abs(way[low[0]])) if len(low) else float(abs(way[-1])))
        return out[0], out[1]

    def asymmetry(self) -> float:
        """Largest |Bl(x) - Bl(-x)| / (Bl(x) + Bl(-x)) over the positions that both sides have."""
        x = np.linspace(0, min(abs(self.displacement[0]), abs(self.displacement[-1])), 41)
        out, into = (np.interp(s * x, self.displacement, self.force_factor) for s in (1, -1))
        return float(np.max(abs(out - into) / abs(out + into)))


def analyse_motor(
    motor: Motor, *, positions: int = 21, frequency_hz: ArrayLike | None = None, temperatures: tuple[float, ...] = TEMPERATURES,
    impedance: bool = True, scale: float = 1.0, strict: bool = True,
) -> MotorAnalysis:  # fmt: skip
    """Analyse a motor from its drawing.

    Parameters
        positions : how many displacements over the stroke
        frequency_hz : (F,) Hz, of the default axis of the blocked impedance
        temperatures : degC, at which the magnets are judged; 20 is always among them
        impedance : False leaves out the eddy currents (faster)
        scale : factor on the mesh's edge lengths
        strict : raise on saturation beyond the B-H table and on demagnetisation; otherwise these become warnings
    Raises DesignError (open circuit, saturation, demagnetised magnet), MeshError, EvenfieldError without ngsolve.
    Cost: about 2 s without, 7 s with impedance, on two quiet cores.
    """
    if positions < 3:
        raise DesignError(message("positions", "at least 3", positions, fix="21"))
    began = time.perf_counter()
    static = solve_static(motor, 20.0, scale, layers=impedance)
    share = check_circuit(static)
    motor = _oriented(motor, driven_sense(static))
    static.motor = motor
    x = motor.positions(positions)
    warnings = _warnings(motor)
    maps = saturation(static)
    points: list[OperatingPoint] = []
    for t in sorted({20.0, *temperatures}):
        points += operating_points(static if t == 20 else at_temperature(static, t))
    try:
        check_saturation(static, maps)
        check_magnets(tuple(points))
    except DesignError as error:
        if strict:
            raise
        warnings.append(str(error))
    bl = {c.name: static.force_factor(c, x) for c in motor.coils}
    frequency = np.asarray(FREQUENCIES if frequency_hz is None else frequency_hz, float)
    z = blocked_impedance(static, x, float(frequency.max())) if impedance else None
    inductance, reluctance = _co_energy(z, motor) if z is not None else (None, None)
    return MotorAnalysis(
        motor, x, _sum(bl, motor.driven), bl, _sum(bl, motor.shorted) if motor.shorted else None, frequency, z, inductance,
        reluctance, _gaps(static), tuple(points), maps, stray_field(static), _shares(motor), share, assembly_force(static),
        motor.travel, tuple(warnings), {**static.statistics, "total_seconds": time.perf_counter() - began},
    )  # fmt: skip


def _oriented(motor: Motor, sense: int) -> Motor:
    """The motor with every winding turned round where sense is -1."""
    if sense == 1:
        return motor
    return replace(motor, coils=tuple(replace(c, sense=-c.sense) for c in motor.coils))


def _sum(bl: dict[str, NDArray[np.float64]], coils: tuple[Coil, ...]) -> NDArray[np.float64]:
    return np.asarray(np.sum([bl[c.name] for c in coils], axis=0))


def _co_energy(z: BlockedImpedance, motor: Motor) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """(X,) static inductance of the driven coils and (X,) half its slope: both from one co-energy 1/2 L(x) i^2."""
    from scipy.interpolate import CubicSpline

    d = [z.ports.index(c.name) for c in motor.driven]
    inductance = np.sum(z.amplitude[d].sum(axis=0) ** 2, axis=1)
    return inductance, np.asarray(0.5 * CubicSpline(z.displacement, inductance)(z.displacement, 1))


def _gaps(static: StaticField) -> tuple[GapProfile, ...]:
    out = []
    for c in static.motor.driven:
        z = np.linspace(c.bottom + static.low, c.top + static.high, 161)
        points = np.c_[np.full(len(z), (c.inner_radius + c.outer_radius) / 2), z]
        out.append(GapProfile(c.name, z, static.flux_density(points)[:, 0]))
    return tuple(out)


def _shares(motor: Motor) -> tuple[Share, ...]:
    parts = [Share(p.name, p.kind, p.material.name, p.mass, p.cost) for p in motor.parts]
    coils = [Share(c.name, "shorted coil" if c.shorted else "coil", "winding", c.mass, 0.0) for c in motor.coils]
    return (*parts, *coils)


def _warnings(motor: Motor) -> list[str]:
    into, out = motor.travel
    out_text = []
    for way, where in ((into, "inwards"), (out, "outwards")):
        if way < motor.stroke:
            out_text.append(
                f"The coil meets a part after {1e3 * way:.1f} mm {where}, before the stroke of {1e3 * motor.stroke:.1f} mm: "
                "curves end there and are not extrapolated."
            )
    return out_text
