"""Published lumped models of voice-coil impedance, fitted to a computed (or measured) blocked impedance."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base import DataError, message


@dataclass(frozen=True)
class InductanceFit:
    """A fitted model.

    Parameters
        model : name; source : publication
        parameters : name -> value, SI (H, ohm, semi-henry = ohm s^0.5)
        error : RMS of |Z_fit - Z| / |Z| over the frequencies of the fit
    """

    model: str
    parameters: dict[str, float]
    error: float
    source: str

    def impedance(self, frequency_hz: ArrayLike) -> NDArray[np.complex128]:
        """(F,) ohm, beside the DC resistance."""
        s = 2j * np.pi * np.asarray(frequency_hz, float)
        return np.asarray(_MODELS[self.model][0](s, *self.parameters.values()))


def _semi(s: NDArray[np.complex128], le: float, k: float) -> NDArray[np.complex128]:
    return np.asarray(s * le + k * np.sqrt(s))


def _power(s: NDArray[np.complex128], k: float, n: float) -> NDArray[np.complex128]:
    return np.asarray(k * s**n)


def _ladder(s: NDArray[np.complex128], le: float, leb: float, ke: float, rss: float) -> NDArray[np.complex128]:
    return np.asarray(s * le + 1 / (1 / (s * leb) + 1 / (ke * np.sqrt(s)) + 1 / rss))


_Model = Callable[..., NDArray[np.complex128]]
_MODELS: dict[str, tuple[_Model, tuple[str, ...], str]] = {
    "semi-inductance": (
        _semi, ("le", "k"), "J. Vanderkooy, JAES 37 (1989) 119: Z = jw Le + K sqrt(jw); form from memory",
    ),
    "power-law": (_power, ("k", "n"), "W. M. Leach, JAES 50 (2002) 442: Z = K (jw)^n"),
    "extended-ladder": (
        _ladder, ("le", "leb", "ke", "rss"),
        "K. Thorborg & C. Futtrup, JAES 59 (2011) 612: Le in series with Leb, a semi-inductance Ke and Rss in parallel; "
        "form from memory",
    ),
}  # fmt: skip


def fit_inductance(model: str, frequency_hz: ArrayLike, impedance: ArrayLike) -> InductanceFit:
    """Fit one published model, least squares of the relative complex error.

    Parameters
        model : "semi-inductance" (Vanderkooy 1989), "power-law" (Leach 2002), "extended-ladder" (Thorborg & Futtrup 2011)
        frequency_hz : (F,) Hz; impedance : (F,) complex ohm, DC resistance taken off
    Raises DataError for an unknown model or impedance that no passive coil has.
    """
    from scipy.optimize import least_squares

    if model not in _MODELS:
        raise DataError(message("model", "one of " + ", ".join(_MODELS), model))
    f, z = np.asarray(frequency_hz, float), np.asarray(impedance, complex)
    if f.shape != z.shape or len(f) < 4 or not np.all(np.isfinite(z)) or np.any(z.imag <= 0) or np.any(z.real < 0):
        raise DataError(
            message("impedance", "finite, inductive and passive at 4 or more frequencies", z.shape,
                    cause="The DC resistance may not have been taken off exactly")
        )  # fmt: skip
    law, names, source = _MODELS[model]
    s = 2j * np.pi * f

    def residual(logs: NDArray[np.float64]) -> NDArray[np.float64]:
        e = (law(s, *np.exp(logs)) - z) / abs(z)
        return np.concatenate([e.real, e.imag])

    best = None
    for start in _starts(model, f, z):
        found = least_squares(residual, np.log(start), x_scale=1.0, max_nfev=400)
        if best is None or found.cost < best.cost:
            best = found
    assert best is not None
    error = float(np.sqrt(2 * best.cost / len(f)))
    return InductanceFit(model, dict(zip(names, np.exp(best.x).tolist(), strict=True)), error, source)


def _starts(model: str, f: NDArray[np.float64], z: NDArray[np.complex128]) -> list[list[float]]:
    w = 2 * np.pi * f
    low, high = float(z.imag[0] / w[0]), float(z.imag[-1] / w[-1])
    middle = len(f) // 2
    k = float(abs(z[middle]) / np.sqrt(w[middle]))
    if model == "semi-inductance":
        return [[0.5 * high, k]]
    if model == "power-law":
        return [[float(abs(z[middle])) / w[middle] ** 0.7, 0.7]]
    big = float(z.real.max())
    return [[0.7 * high, low, k, r] for r in (big, 10 * big, 100 * big)]
