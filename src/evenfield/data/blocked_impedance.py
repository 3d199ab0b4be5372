"""BlockedImpedance: what the windings of a motor present while the coil is held still, over position and frequency."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base.errors import DataError, message


@dataclass(frozen=True)
class BlockedImpedance:
    """The port matrix of all windings, as a sum of eddy-current modes; e^{+jwt}.

    Z_pq(x, w) = R_p [p = q] + jw sum_k c_pk(x) c_qk(x) / (1 + jw t_k)

    With real c and t >= 0 every such matrix is reciprocal and passive, and each mode is one loop of a ladder: an inductance
    c^2 whose flux dies with the time constant t. The stored co-energy is 1/2 i_p i_q L_pq(x), so that force and voltage of
    a time-domain model come from the same numbers.

    Parameters
        ports : (P,) names of the windings
        displacement : (X,) float, m, ascending, positive outwards
        amplitude : (P, X, K) float, sqrt(H)
        time_constant : (K,) float >= 0, s
        resistance : (P,) float, ohm, of the windings at 20 degrees C
        error : float, largest relative error of |Z - R| against full solves held out of the reduced basis
    Raises DataError when shapes disagree or values are not finite.
    """

    ports: tuple[str, ...]
    displacement: NDArray[np.float64]
    amplitude: NDArray[np.float64]
    time_constant: NDArray[np.float64]
    resistance: NDArray[np.float64]
    error: float = 0.0
    statistics: dict[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        wanted = (len(self.ports), len(self.displacement), len(self.time_constant))
        if np.shape(self.amplitude) != wanted or np.shape(self.resistance) != wanted[:1]:
            raise DataError(message("blocked_impedance.amplitude", f"of shape {wanted}", np.shape(self.amplitude)))
        if not (np.all(np.isfinite(self.amplitude)) and np.all(np.asarray(self.time_constant) >= 0)):
            raise DataError(message("blocked_impedance", "finite with time constants >= 0", "other values"))

    def matrix(self, frequency_hz: ArrayLike, resistance: bool = True) -> NDArray[np.complex128]:
        """(P, P, X, F) complex, ohm; without the windings' own resistance where `resistance` is False."""
        jw = 2j * np.pi * np.asarray(frequency_hz, float)
        transfer = jw / (1 + jw * self.time_constant[:, None])
        z: NDArray[np.complex128] = np.einsum("pxk,qxk,kf->pqxf", self.amplitude, self.amplitude, transfer, optimize=True)
        if resistance:
            z = z + np.diag(self.resistance)[:, :, None, None]
        return z

    def terminal(
        self, frequency_hz: ArrayLike, drive: Mapping[str, float], shorted: Sequence[str] = (), resistance: bool = True
    ) -> NDArray[np.complex128]:
        """Impedance of windings in series, other windings closed on themselves or open.

        Parameters
            drive : name -> +1 or -1 (wound the other way round); the same current flows through all of them
            shorted : windings closed on their own resistance; windings named nowhere are open
            resistance : whether the driven windings' own resistance is included
        Returns (X, F) complex, ohm.   Raises DataError for a name that is not a port.
        """
        names = [*drive, *shorted]
        for name in names:
            if name not in self.ports:
                raise DataError(message("winding", f"one of {', '.join(self.ports)}", name))
        z = self.matrix(frequency_hz, resistance=False)
        d, s = [self.ports.index(n) for n in drive], [self.ports.index(n) for n in shorted]
        sign = np.array([float(v) for v in drive.values()])
        zd = np.einsum("p,pqxf,q->xf", sign, z[np.ix_(d, d)], sign)
        if resistance:
            zd = zd + float(np.sum(sign**2 * self.resistance[d]))
        if s:
            zss = np.moveaxis(z[np.ix_(s, s)] + np.diag(self.resistance[s])[:, :, None, None], (0, 1), (2, 3))
            zds = np.moveaxis(np.einsum("p,pqxf->qxf", sign, z[np.ix_(d, s)]), 0, -1)
            zd = zd - np.einsum("xfq,xfq->xf", zds, np.linalg.solve(zss, zds[..., None])[..., 0])
        return np.asarray(zd)

    def inductance(self, frequency_hz: ArrayLike, drive: Mapping[str, float], shorted: Sequence[str] = ()) -> NDArray[np.float64]:
        """(X, F) H: imaginary part of the terminal impedance over omega."""
        w = 2 * np.pi * np.asarray(frequency_hz, float)
        return np.asarray(self.terminal(frequency_hz, drive, shorted).imag / w)
