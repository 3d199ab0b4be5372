"""LargeSignalMotor: what a motor gives over the coil's position, whether typed in, measured or computed."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base import DesignError, message
from evenfield.data import BlockedImpedance, MotorCurves
from evenfield.transducer.coil import Coil, PlainInductance
from evenfield.transducer.ladder import LadderCoil, fit_ladder
from evenfield.transducer.position_curve import PositionCurve

Real = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class ShortedWinding:
    """A winding on the former, short-circuited, that meets the field where the coil seldom goes.

    Parameters
        resistance : ohm > 0, of the closed winding
        force_factor : T m over position
        inductance : H over position, its leading self-inductance
        mutual : H over position, leading mutual inductance with the coil
        coupling : one curve a rung, sqrt(ohm), of the winding to the motor's loops; empty: none
    """

    resistance: float
    force_factor: PositionCurve
    inductance: PositionCurve
    mutual: PositionCurve
    coupling: tuple[PositionCurve, ...] = ()

    def __post_init__(self) -> None:
        if not (math.isfinite(self.resistance) and self.resistance > 0):
            raise DesignError(message("damping winding's resistance", "finite and positive", f"{self.resistance} ohm"))
        if np.any(self.inductance.value <= 0):
            raise DesignError(message("damping winding's inductance", "positive", f"{np.min(self.inductance.value):.3g} H"))


@dataclass(frozen=True, eq=False)
class LargeSignalMotor:
    """Force factor, inductance and losses over position; flux, voltage and force from one co-energy.

    Parameters
        force_factor : T m, of all coils in series
        le : H > 0, leading inductance (see `ladder`)
        time_constant : (K,) s, of the loops
        coupling : K curves, sqrt(ohm)
        flux_modulation : (c1, c2) 1/A and 1/A^2; inductance grows by 1 + c1 i + c2 i^2 with the coil's current
        winding : ShortedWinding or None
    Raises DesignError when an inductance is not positive or the force factor is zero at rest.
    """

    force_factor: PositionCurve
    le: PositionCurve
    time_constant: Real = field(default_factory=lambda: np.zeros(0))
    coupling: tuple[PositionCurve, ...] = ()
    flux_modulation: tuple[float, float] = (0.0, 0.0)
    winding: ShortedWinding | None = None

    def __post_init__(self) -> None:
        tau = np.atleast_1d(np.asarray(self.time_constant, float)) if np.size(self.time_constant) else np.zeros(0)
        object.__setattr__(self, "time_constant", tau)
        if len(tau) != len(self.coupling) or np.any(tau <= 0):
            raise DesignError(message("motor's time constants", f"{len(self.coupling)} positive ones, one a coupling", tau))
        if self.winding is not None and self.winding.coupling and len(self.winding.coupling) != len(tau):
            raise DesignError(message("damping winding's couplings", f"{len(tau)}, one a loop", len(self.winding.coupling)))
        if np.any(self.le.value <= 0):
            n = int(np.argmin(self.le.value))
            value = f"{self.le.value[n]:.3g} H at {1e3 * self.le.displacement[n]:.3g} mm"
            raise DesignError(message("motor's inductance Le(x)", "positive everywhere", value))
        if abs(float(self.force_factor(0.0))) < 1e-6:
            raise DesignError(message("motor's force factor Bl(0)", "not zero", "0 T m", fix="curves in T m, not mT m"))
        peak = float(np.max(np.abs(self.force_factor.value)))
        if peak > 200:
            raise DesignError(message("motor's force factor Bl(x)", "at most 200 T m", f"{peak:.3g} T m", cause="T for mT?"))

    @classmethod
    def typed(cls, force_factor: PositionCurve, coil: Coil, inductance_shape: PositionCurve | None = None,
              flux_modulation: tuple[float, float] = (0.0, 0.0), winding: ShortedWinding | None = None,
              ) -> LargeSignalMotor:  # fmt: skip
        """From a force-factor curve, the coil's impedance at rest and, where known, how inductance changes with position.

        `inductance_shape` is Le(x) / Le(0) (its value at 0 is divided out); all parts of the impedance follow it. Without
        one, inductance is the same everywhere, which understates distortion above some 200 Hz.
        """
        ladder = LadderCoil.of(coil)
        x = force_factor.displacement if inductance_shape is None else inductance_shape.displacement
        shape = np.ones(len(x)) if inductance_shape is None else inductance_shape.value / float(inductance_shape(0.0))
        if np.any(shape <= 0):
            raise DesignError(message("Le(x) / Le(0)", "positive everywhere", f"{np.min(shape):.3g}"))
        # a coil without any inductance cannot be stepped in time; a microhenry is 0.1 ohm at 20 kHz
        le = max(ladder.le, 1e-6)
        rungs = tuple(PositionCurve(x, np.sqrt(r * shape), "coupling") for r in ladder.resistance)
        return cls(force_factor, PositionCurve(x, le * shape, "Le"), ladder.time_constant, rungs, flux_modulation, winding)

    @classmethod
    def of_curves(cls, curves: MotorCurves, coil: Coil | None = None) -> LargeSignalMotor:
        """From `MotorCurves`: Bl(x), and Le(x) where it is there; `coil` gives the impedance at rest."""
        bl = PositionCurve(curves.displacement, curves.force_factor, "Bl")
        if curves.inductance is None:
            return cls.typed(bl, coil or PlainInductance(0.0))
        le = PositionCurve(curves.displacement, curves.inductance, "Le")
        return cls.typed(bl, coil or PlainInductance(float(le(0.0))), le)

    @classmethod
    def from_impedance(cls, displacement: ArrayLike, force_factor: ArrayLike, frequency_hz: ArrayLike, impedance: ArrayLike,
                       *, winding_force_factor: ArrayLike | None = None, winding_resistance: float | None = None,
                       rungs: int = 5, flux_modulation: tuple[float, float] = (0.0, 0.0),
                       ) -> tuple[LargeSignalMotor, float]:  # fmt: skip
        """From computed or measured arrays.

        Parameters
            displacement : (X,) m; force_factor : (X,) T m
            frequency_hz : (F,) Hz
            impedance : (X, F) blocked, less the DC resistance; or (X, 2, 2, F): port matrix of coil and winding
            winding_force_factor, winding_resistance : (X,) T m and ohm, with the port matrix
        Returns the motor and the largest relative misfit of the ladder.
        """
        x, z = np.asarray(displacement, float), np.asarray(impedance, complex)
        bl = PositionCurve(x, np.asarray(force_factor, float), "Bl")
        if z.ndim == 2:
            fit = fit_ladder(frequency_hz, x, z, rungs)
            curves = tuple(PositionCurve(x, fit.coupling[:, k], "coupling") for k in range(rungs))
            le = PositionCurve(x, np.maximum(fit.le, 1e-7), "Le")
            return cls(bl, le, fit.time_constant, curves, flux_modulation), fit.error
        if z.ndim != 4 or winding_force_factor is None or winding_resistance is None:
            raise DesignError(message("blocked impedance", "(X, F), or (X, 2, 2, F) with the winding's own values", z.shape))
        bl_w = np.asarray(winding_force_factor, float)
        return _with_winding(bl, x, frequency_hz, z, bl_w, winding_resistance, rungs, flux_modulation)

    @classmethod
    def from_blocked(
        cls,
        blocked: BlockedImpedance,
        force_factor: ArrayLike,
        drive: Mapping[str, float],
        *,
        shorted: Sequence[str] = (),
        shorted_force_factor: ArrayLike | None = None,
        frequency_hz: ArrayLike | None = None,
        rungs: int = 5,
        flux_modulation: tuple[float, float] = (0.0, 0.0),
    ) -> tuple[LargeSignalMotor, float]:
        """From the port matrix of a drawing's windings: coils in series, and windings closed in series on themselves.

        Parameters
            force_factor, shorted_force_factor : (X,) T m at the positions of `blocked`
            drive : winding -> +1 or -1; shorted : windings closed on their own resistance
            frequency_hz : where the ladder is fitted; default 20 Hz to 20 kHz
        Returns the motor and the largest relative misfit of the ladder.
        """
        f = np.geomspace(20.0, 20e3, 31) if frequency_hz is None else np.asarray(frequency_hz, float)
        x = blocked.displacement
        if not shorted:
            z = blocked.terminal(f, drive, resistance=False)
            return cls.from_impedance(x, force_factor, f, z, rungs=rungs, flux_modulation=flux_modulation)
        pick = np.zeros((2, len(blocked.ports)))
        for name, sign in drive.items():
            pick[0, blocked.ports.index(name)] = sign
        for name in shorted:
            pick[1, blocked.ports.index(name)] = 1.0
        ports = np.einsum("ap,pqxf,bq->xabf", pick, blocked.matrix(f, resistance=False), pick, optimize=True)
        return cls.from_impedance(
            x, force_factor, f, ports, winding_force_factor=shorted_force_factor,
            winding_resistance=float(pick[1] @ blocked.resistance), rungs=rungs, flux_modulation=flux_modulation,
        )  # fmt: skip

    @property
    def reach(self) -> tuple[float, float]:
        """m, the range in which every curve is known."""
        curves = [self.force_factor, self.le, *self.coupling]
        if self.winding is not None:
            w = self.winding
            curves += [w.force_factor, w.inductance, w.mutual, *w.coupling]
        return max(c.reach[0] for c in curves), min(c.reach[1] for c in curves)

    def coil_at(self, displacement: float = 0.0) -> LadderCoil:
        """The blocked impedance, less the DC resistance, at a position; the winding left out."""
        r = np.array([float(c(displacement)) for c in self.coupling])
        return LadderCoil(float(self.le(displacement)), self.time_constant, r**2)

    def inductance(self, displacement: ArrayLike, frequency_hz: float = 1.0) -> Real:
        """(X,) H, Im Z / w at one frequency."""
        x = np.atleast_1d(np.asarray(displacement, float))
        w = 2 * np.pi * frequency_hz
        return np.array([self.coil_at(v).impedance(frequency_hz)[0].imag / w for v in x])

    def without_winding(self) -> LargeSignalMotor:
        """The same motor with its damping winding cut open."""
        return replace(self, winding=None)

    def cooled(self, factor: float) -> LargeSignalMotor:
        """The motor with its magnet's field times `factor` (heat takes field from a magnet)."""
        winding = self.winding
        if winding is not None:
            winding = replace(winding, force_factor=winding.force_factor.times(factor))
        return replace(self, force_factor=self.force_factor.times(factor), winding=winding)


def _with_winding(bl: PositionCurve, x: Real, frequency_hz: ArrayLike, z: NDArray[np.complex128], bl_w: Real,
                  resistance: float, rungs: int, modulation: tuple[float, float]) -> tuple[LargeSignalMotor, float]:  # fmt: skip
    """Two coils on common loops: each fitted alone gives r_c and r_w; the mutual impedance gives the sign and what is left.

    One loop a rung for both makes the pair's matrix of rank one; the misfit of the mutual impedance is in the error given.
    """
    f = np.atleast_1d(np.asarray(frequency_hz, float))
    coil = fit_ladder(f, x, z[:, 0, 0], rungs)
    own = fit_ladder(f, x, z[:, 1, 1], time_constant=coil.time_constant)
    jw = 2j * np.pi * f
    turned = jw[:, None] * coil.time_constant
    loops = turned / (1 + turned)
    scale = np.sqrt(np.abs(z[:, 0, 0] * z[:, 1, 1]))
    basis = np.concatenate([jw[:, None] / abs(jw[-1]), loops], axis=1)
    mutual, product = np.empty(len(x)), np.empty((len(x), rungs))
    error = 0.0
    for n in range(len(x)):
        scaled, want = basis / scale[n][:, None], z[n, 0, 1] / scale[n]
        a, b = np.concatenate([scaled.real, scaled.imag]), np.concatenate([want.real, want.imag])
        found = np.linalg.lstsq(np.vstack([a, 1e-3 * np.eye(rungs + 1) * np.linalg.norm(a, axis=0)]),
                                np.concatenate([b, np.zeros(rungs + 1)]), rcond=None)[0]  # fmt: skip
        limit = coil.coupling[n] * own.coupling[n]
        product[n] = np.clip(found[1:], -limit, limit)
        rest = want - (loops / scale[n][:, None]) @ product[n]
        column = jw / abs(jw[-1]) / scale[n]
        mutual[n] = float(np.sum((np.conj(column) * rest).real) / np.sum(np.abs(column) ** 2)) / abs(jw[-1])
        edge = 0.999 * math.sqrt(coil.le[n] * own.le[n])
        mutual[n] = min(max(mutual[n], -edge), edge)
        error = max(error, float(np.max(np.abs((jw * mutual[n] + loops @ product[n]) / scale[n] - want))))
    curves = tuple(PositionCurve(x, coil.coupling[:, k], "coupling") for k in range(rungs))
    shared = tuple(
        PositionCurve(x, product[:, k] / np.maximum(coil.coupling[:, k], 1e-6 * np.max(coil.coupling)), "winding's coupling")
        for k in range(rungs)
    )
    # what of the winding's own impedance its share in the loops does not carry stays in its leading inductance
    carried = np.stack([s.value for s in shared], axis=1) ** 2
    low = own.le + (own.coupling**2 - carried) @ own.time_constant
    winding = ShortedWinding(
        resistance,
        PositionCurve(x, bl_w, "winding's Bl"),
        PositionCurve(x, np.maximum(low, own.le), "winding's L"),
        PositionCurve(x, mutual, "mutual"),
        shared,
    )
    le = PositionCurve(x, np.maximum(coil.le, 1e-7), "Le")
    return LargeSignalMotor(bl, le, coil.time_constant, curves, modulation, winding), max(coil.error, error)


def series(motors: Sequence[PositionCurve]) -> PositionCurve:
    """Force factors of coils in series, added at the positions of the first."""
    first = motors[0]
    return PositionCurve(first.displacement, np.sum([m(first.displacement) for m in motors], axis=0), first.name)
