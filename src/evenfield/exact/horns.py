"""One-parameter theory of horns: plane waves in a slowly widening tube (Webster 1919).

True where the flare is gentle and the mouth narrow against the wavelength; a real horn's waves bulge. Held against both field
solvers, a 24 degree cone's throat impedance differs by up to 20 %, and by less as the cone gets gentler (see the tests).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base import DesignError, message

Complex = NDArray[np.complexfloating[Any, Any]]


def conical_throat(throat_radius: float, mouth_radius: float, length: float, wavenumber: ArrayLike, mouth: ArrayLike) -> Complex:
    """Specific impedance at the throat of a finite cone over that of air.

    Parameters
        throat_radius, mouth_radius, length : m, mouth wider than throat
        wavenumber : (F,) rad/m; mouth : (F,) specific impedance at the mouth over that of air
    Returns
        (F,) complex. p = (A e^{-jkx} + B e^{jkx})/x from the apex.
    Raises DesignError for sizes that make no cone.
    Source: L. L. Beranek, T. J. Mellow, Acoustics, 2012, chapter 9 (from memory).
    Example: the cone of 12.5 to 100 mm over 200 mm at 500 Hz, ended by a piston's impedance, 0.1143 + 0.3062j
    """
    _check(throat_radius, mouth_radius, length)
    k, z = np.asarray(wavenumber, float), np.asarray(mouth, complex)
    start = throat_radius * length / (mouth_radius - throat_radius)
    end = start + length

    def waves(x: float) -> tuple[Any, ...]:
        out, back = np.exp(-1j * k * x), np.exp(1j * k * x)
        return out / x, back / x, (out + out / (1j * k * x)) / x, (-back + back / (1j * k * x)) / x

    return _throat(waves(start), waves(end), z)


def exponential_throat(
    throat_radius: float, mouth_radius: float, length: float, wavenumber: ArrayLike, mouth: ArrayLike
) -> Complex:
    """Specific impedance at the throat of a finite exponential horn over that of air; parameters as `conical_throat`.

    p = e^{-mx/2} (A e^{-jbx} + B e^{jbx}), area S0 e^{mx}, b^2 = k^2 - m^2/4.
    """
    _check(throat_radius, mouth_radius, length)
    k, z = np.asarray(wavenumber, float), np.asarray(mouth, complex)
    m = 2 * np.log(mouth_radius / throat_radius) / length
    b = np.sqrt(k**2 - m**2 / 4 + 0j)

    def waves(x: float) -> tuple[Any, ...]:
        out, back = np.exp(-(m / 2 + 1j * b) * x), np.exp(-(m / 2 - 1j * b) * x)
        return out, back, out * (m / 2 + 1j * b) / (1j * k), back * (m / 2 - 1j * b) / (1j * k)

    return _throat(waves(0.0), waves(length), z)


def _check(throat: float, mouth: float, length: float) -> None:
    if not (0 < throat < mouth and length > 0):
        raise DesignError(message("horn", "0 < throat radius < mouth radius, length > 0", (throat, mouth, length)))


def _throat(start: tuple[Any, ...], end: tuple[Any, ...], mouth: Complex) -> Complex:
    """Both waves' pressure and velocity at either end, and p = mouth v at the far one."""
    share = -(end[0] - mouth * end[2]) / (end[1] - mouth * end[3])
    return np.asarray((start[0] + share * start[1]) / (start[2] + share * start[3]))
