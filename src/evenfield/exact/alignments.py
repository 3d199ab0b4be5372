"""Closed and vented boxes in closed form: the high-pass functions of Thiele and Small, their cut-off and sensitivity."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base import Air, DesignError, message
from evenfield.base.constants import REFERENCE_PRESSURE


def closed_box_response(ratio: ArrayLike, q_total: float) -> NDArray[np.complex128]:
    """Second-order high-pass of a closed box at f/fc = `ratio` (F,): s2 / (s2 + s/Qtc + 1).

    Valid for: f well below the driver's inductance and directivity.
    Source: R. H. Small, "Closed-Box Loudspeaker Systems", JAES 20 (1972) 798.
    """
    s = 1j * np.asarray(ratio, float)
    return np.asarray(s**2 / (s**2 + s / q_total + 1))


def closed_box(fs: float, q_total: float, compliance_ratio: float) -> tuple[float, float, float]:
    """(fc Hz, Qtc, f3 Hz) of a driver (fs, Qts) in a closed box with alpha = Vas / Vb.

    Source: R. H. Small, JAES 20 (1972) 798.
    Example:
        >>> [round(v, 3) for v in closed_box(30.0, 0.35, 3.0)]
        [60.0, 0.7, 60.615]
    """
    growth = math.sqrt(1 + compliance_ratio)
    return fs * growth, q_total * growth, fs * growth * closed_box_cutoff(q_total * growth)


def closed_box_cutoff(q_total: float) -> float:
    """f3/fc of the second-order high-pass with quality `q_total`."""
    u = 1 / q_total**2 - 2
    return math.sqrt((u + math.sqrt(u * u + 4)) / 2)


def closed_box_peak_db(q_total: float) -> float:
    """Peak of the second-order high-pass, dB above its passband; 0 when Q <= 1/sqrt(2)."""
    if q_total**2 <= 0.5:
        return 0.0
    return 20 * math.log10(q_total**2 / math.sqrt(q_total**2 - 0.25))


def vented_box_response(
    ratio: ArrayLike, q_total: float, compliance_ratio: float, tuning_ratio: float, q_leakage: float = math.inf
) -> NDArray[np.complex128]:
    """Fourth-order high-pass of a vented box with leakage.

    Parameters
        ratio : (F,) f / fs
        q_total : Qts
        compliance_ratio : alpha = Vas / Vb
        tuning_ratio : h = fb / fs
        q_leakage : QL; inf is Thiele's lossless box
    Returns (F,) complex, 1 far above. The output is that of the box as a whole, leak included.
    Source: R. H. Small, "Vented-Box Loudspeaker Systems, Part I", JAES 21 (1973) 363 (polynomial from memory; its B4 row
    for QL = 7 agrees with the table).
    """
    s = 1j * np.asarray(ratio, float)
    h, alpha, leak = tuning_ratio, compliance_ratio, 1 / q_leakage
    a1 = h * leak + 1 / q_total
    a2 = 1 + h * h + alpha + h * leak / q_total
    a3 = h * h / q_total + h * leak
    return np.asarray(s**4 / (s**4 + a1 * s**3 + a2 * s**2 + a3 * s + h * h))


def butterworth_vented(q_leakage: float = math.inf) -> tuple[float, float]:
    """(Qts, alpha) of the fourth-order Butterworth vented box, h = 1, with leakage QL.

    From a1 = a3 = sqrt(4 + 2 sqrt 2), a2 = 2 + sqrt 2 in `vented_box_response`.
    Example:
        >>> [round(v, 4) for v in butterworth_vented(7.0)]
        [0.4048, 1.0613]
    """
    leak = 1 / q_leakage
    inverse_q = math.sqrt(4 + 2 * math.sqrt(2)) - leak
    return 1 / inverse_q, math.sqrt(2) - leak * inverse_q


def cutoff_ratio(response: Callable[[ArrayLike], NDArray[np.complex128]], low: float = 1e-2, high: float = 1e2) -> float:
    """The lowest ratio at which |response| crosses -3.0103 dB on its way up, by bisection.

    Raises DesignError when it lies outside low ... high.
    """
    grid = np.geomspace(low, high, 2001)
    above = np.abs(response(grid)) ** 2 >= 0.5
    first = int(np.argmax(above))
    if not above.any() or first == 0:
        raise DesignError(message("cut-off", f"between {low:g} and {high:g} times the reference", "none found"))
    a, b = float(grid[first - 1]), float(grid[first])
    for _ in range(60):
        middle = math.sqrt(a * b)
        a, b = (middle, b) if abs(complex(response([middle])[0])) ** 2 < 0.5 else (a, middle)
    return math.sqrt(a * b)


def reference_efficiency(fs: float, vas: float, qes: float, air: Air) -> float:
    """eta0 = 4 pi2 / c3 * fs3 Vas / Qes: acoustic over electrical power into half space, at Re, passband.

    Source: R. H. Small, JAES 20 (1972) 383.
    """
    return 4 * math.pi**2 / air.speed_of_sound**3 * fs**3 * vas / qes


def reference_level_db(efficiency: float, air: Air) -> float:
    """dB re 20 uPa at 1 m in half space for 1 W: rho c eta0 / (2 pi) over the reference squared.

    Example:
        >>> round(reference_level_db(1.0, Air()), 4)
        112.1597
    """
    return 10 * math.log10(air.impedance * efficiency / (2 * math.pi * REFERENCE_PRESSURE**2))
