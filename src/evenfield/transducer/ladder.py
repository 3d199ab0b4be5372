"""Ladder: a coil's blocked impedance as a leading inductance and loops of current that stand still in iron and rings.

    Z(x, w) = j w L0(x) + sum_k r_k(x)^2 j w t_k / (1 + j w t_k)

The loops (eddy currents in steel, conducting rings) stay where they are while the coil moves; only their coupling r_k(x) to
it changes. So their time constants t_k hold at every position, and one co-energy gives flux, voltage and force alike:
Z(x, w) is passive at every x, and energy closes.
Sources: J. Vanderkooy, JAES 37 (1989) 119 (eddy currents); Thorborg & Futtrup, JAES 59 (2011) 612 (ladders; from memory);
the fixed-loop form is the coupled-coil formula, W. R. Smythe, Static and Dynamic Electricity (from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base import DataError, message
from evenfield.transducer.coil import LR2, Coil, PlainInductance

Real = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class LadderCoil:
    """A ladder at one position; a `Coil` like the others.

    Parameters
        le : H >= 0, leading inductance
        time_constant : (K,) s > 0
        resistance : (K,) ohm >= 0, r_k squared: each rung is this resistance beside the inductance t_k r_k^2
    """

    le: float
    time_constant: Real
    resistance: Real

    def impedance(self, frequency_hz: ArrayLike) -> NDArray[np.complex128]:
        """(F,) complex, ohm."""
        jw = 2j * np.pi * np.atleast_1d(np.asarray(frequency_hz, float))
        turned = jw[:, None] * self.time_constant
        return np.asarray(jw * self.le + (turned / (1 + turned)) @ self.resistance)

    def scaled(self, factor: float) -> LadderCoil:
        """The same with its impedance times `factor`."""
        return replace(self, le=self.le * factor, resistance=self.resistance * factor)

    @property
    def low_inductance(self) -> float:
        """H, towards 0 Hz."""
        return self.le + float(self.time_constant @ self.resistance)

    @classmethod
    def of(cls, coil: Coil, low_hz: float = 20.0, high_hz: float = 20e3) -> LadderCoil:
        """Any coil model as a ladder: exactly for PlainInductance and LR2, else fitted between the two frequencies."""
        if isinstance(coil, LadderCoil):
            return coil
        if isinstance(coil, PlainInductance):
            return cls(coil.le, np.zeros(0), np.zeros(0))
        if isinstance(coil, LR2):
            if coil.r2 == 0 or coil.l2 == 0:
                return cls(coil.le, np.zeros(0), np.zeros(0))
            return cls(coil.le, np.array([coil.l2 / coil.r2]), np.array([coil.r2]))
        f = np.geomspace(low_hz, high_hz, 31)
        return fit_ladder(f, np.asarray([0.0]), coil.impedance(f)[None]).at(0)


@dataclass(frozen=True, eq=False)
class LadderFit:
    """A ladder over position.

    Parameters
        displacement : (X,) m
        le : (X,) H
        time_constant : (K,) s
        coupling : (X, K) sqrt(ohm), r_k
        error : largest |fitted - given| / |given| over position and frequency
    """

    displacement: Real
    le: Real
    time_constant: Real
    coupling: Real
    error: float

    def at(self, index: int) -> LadderCoil:
        """The ladder at one of the positions."""
        return LadderCoil(float(self.le[index]), self.time_constant, self.coupling[index] ** 2)


def fit_ladder(
    frequency_hz: ArrayLike,
    displacement: ArrayLike,
    impedance: ArrayLike,
    rungs: int = 5,
    *,
    time_constant: Real | None = None,
    smooth: float = 1e-3,
) -> LadderFit:
    """Fit one ladder to a blocked impedance over position and frequency.

    Parameters
        frequency_hz : (F,) ascending; 20 Hz to 20 kHz in a few points an octave is good
        displacement : (X,) m, ascending
        impedance : (X, F) complex, ohm, less the DC resistance
        rungs : number of loops
        time_constant : (K,) s, when they are known; else they are searched for, from corners evenly spread in log frequency
        smooth : weight of the second difference over position against the misfit; keeps noise out of the slopes
    At given time constants every loop's resistance and the leading inductance come out of one non-negative least-squares
    problem, relative to |Z|. No corner lies above the highest frequency given, so that time steps may stay long.
    Raises DataError when shapes disagree, values are not finite or a resistance is clearly negative (active).
    """
    f = np.atleast_1d(np.asarray(frequency_hz, float))
    x = np.atleast_1d(np.asarray(displacement, float))
    z = np.asarray(impedance, complex)
    _check(f, x, z)
    tau = _search(f, z, rungs) if time_constant is None else np.asarray(time_constant, float)
    found = _solve(f, z, tau, smooth)
    basis = _basis(f, tau)
    error = float(np.max(np.abs(found @ basis.T - z) / np.abs(z)))
    return LadderFit(x, found[:, 0] / (2 * np.pi * f[-1]), tau, np.sqrt(found[:, 1:]), error)


def _search(f: Real, z: NDArray[np.complex128], rungs: int) -> Real:
    """(K,) s: time constants with the least misfit at rest and at both ends."""
    from scipy.optimize import minimize

    shown = z[np.unique([0, len(z) // 2, len(z) - 1])]
    corner = np.log(np.geomspace(f[0], f[-1], rungs + 1)[1:] if rungs > 1 else [np.sqrt(f[0] * f[-1])])
    low, high = np.log(f[0] / 4), np.log(f[-1])

    def misfit(at: Real) -> float:
        tau = 1 / (2 * np.pi * np.exp(np.clip(at, low, high)))
        basis = _basis(f, tau)
        off = (_solve(f, shown, tau, 0.0) @ basis.T - shown) / np.abs(shown)
        # corners that fall together are held apart: twins make the problem flat
        order = np.sort(at)
        return float(np.mean(np.abs(off) ** 2) + 1e-6 * np.sum(np.exp(-np.diff(order))))

    best = minimize(misfit, corner, method="Powell", options={"maxfev": 60 * rungs + 100, "xtol": 1e-3, "ftol": 1e-3})
    return np.asarray(1 / (2 * np.pi * np.exp(np.sort(np.clip(best.x, low, high)))))


def _basis(f: Real, tau: Real) -> NDArray[np.complex128]:
    """(F, 1 + K): the leading inductance as its reactance at the highest frequency, then a loop each."""
    jw = 2j * np.pi * f
    turned = jw[:, None] * tau
    return np.concatenate([jw[:, None] / abs(jw[-1]), turned / (1 + turned)], axis=1)


def _solve(f: Real, z: NDArray[np.complex128], tau: Real, smooth: float) -> Real:
    """(X, 1 + K) ohm >= 0."""
    from scipy.optimize import nnls

    basis = _basis(f, tau)
    count, width = len(z), len(tau) + 1
    stacked = [_relative(basis, row) for row in z]
    if count < 3 or smooth == 0:
        return np.array([nnls(a, b)[0] for a, b in stacked])
    rows = np.zeros((2 * count * len(f) + (count - 2) * width, count * width))
    right = np.zeros(len(rows))
    for n, (a, b) in enumerate(stacked):
        at = slice(2 * n * len(f), 2 * (n + 1) * len(f))
        rows[at, n * width : (n + 1) * width] = a
        right[at] = b
    weight = smooth * math.sqrt(len(f)) / float(np.median(np.abs(z[:, -1])))
    row = 2 * count * len(f)
    for n in range(1, count - 1):
        for k in range(width):
            rows[row, [(n - 1) * width + k, n * width + k, (n + 1) * width + k]] = weight, -2 * weight, weight
            row += 1
    return np.asarray(nnls(rows, right, maxiter=50 * rows.shape[1])[0].reshape(count, width))


def _relative(basis: NDArray[np.complex128], z: NDArray[np.complex128]) -> tuple[Real, Real]:
    scaled, want = basis / np.abs(z)[:, None], z / np.abs(z)
    return np.concatenate([scaled.real, scaled.imag]), np.concatenate([want.real, want.imag])


def _check(f: Real, x: Real, z: NDArray[np.complex128]) -> None:
    if z.shape != (len(x), len(f)) or not np.all(np.isfinite(z)):
        raise DataError(message("blocked impedance", f"finite, shaped ({len(x)}, {len(f)}): position, frequency", z.shape))
    if len(f) < 4 or np.any(np.diff(f) <= 0) or f[0] <= 0:
        raise DataError(message("frequencies of the blocked impedance", "at least 4, positive and ascending", f.shape))
    low = np.min(z.real / np.abs(z))
    if low < -0.02:
        n, k = np.unravel_index(int(np.argmin(z.real / np.abs(z))), z.shape)
        raise DataError(
            message(
                "resistance of the blocked impedance",
                "not negative",
                f"{z[n, k].real:.3g} ohm at {1e3 * x[n]:.3g} mm, {f[k]:.5g} Hz",
                cause="A motor at rest gives no power, or the DC resistance was taken off twice",
            )
        )
