"""A circular piston in one side of a thin, flat, round, closed baffle. e^{+j omega t}.

The front face moves at 1 m/s within the piston, all else is still. Half of that is a piston of 0.5 m/s in an infinite baffle
(both faces breathe: the plane beyond the rim stands still by symmetry); the other half moves both faces forwards at 0.5 m/s, a
piston that is open behind. Its pressure difference across the disk is expanded as sum c_n P_l(sqrt(1 - r^2/b^2)), l = 2n + 1,
whose Hankel transforms b^2 (-1)^n P_l'(0) j_l(q)/q, q the wavenumber times b, follow from the plane wave's expansion; the
velocity is the difference times k_z/(2 omega rho), and Galerkin's equations have the matrix

    int j_l(q) j_m(q) sqrt(K^2 - q^2)/q dq,   K = kb,

whose static part is -j pi/(2(2l + 1)) on the diagonal alone. Converges faster than any power of the number of terms where the
piston is the whole disk, and like n^-2 in the field otherwise, for the velocity jumps.
Source: the problem of Mellow & Karkkainen, JASA 118 (2005) 1311, doi 10.1121/1.1928709; the solution is our own.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base import Air, DataError, message
from evenfield.exact.piston import circular_impedance, circular_pattern

Complex = NDArray[np.complex128]
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class FiniteBaffle:
    """One frequency's solution.

    Parameters
        baffle, piston : radii, m, the piston's at most the baffle's
        frequency_hz : float > 0
        terms : of the expansion
    """

    baffle: float
    piston: float
    frequency_hz: float
    air: Air = field(default_factory=Air)
    terms: int = 40

    def __post_init__(self) -> None:
        if not 0 < self.piston <= self.baffle:
            raise DataError(message("piston", f"between 0 and the baffle's {self.baffle:g} m", self.piston))

    @property
    def wavenumber(self) -> float:
        """rad/m."""
        return float(self.air.wavenumber(self.frequency_hz))

    @property
    def _degree(self) -> Ints:
        return np.asarray(2 * np.arange(self.terms) + 1, np.int64)

    def difference(self) -> Complex:
        """(n,) coefficients of the pressure on the front less that behind, Pa, of the half that moves both faces."""
        size, degree = self.wavenumber * self.baffle, self._degree
        start = _slopes(degree)
        matrix = start[:, None] * start * _integrals(degree, size)
        right = self.air.impedance * size * self._means(degree)
        return np.asarray(np.linalg.solve(matrix, right.astype(complex)), np.complex128)

    def far_field(self, angle: ArrayLike) -> Complex:
        """(A,) lim r p e^{jkr} about the centre, Pa at 1 m, at angles rad from the axis, up to pi."""
        t = np.atleast_1d(np.asarray(angle, float))
        k, degree = self.wavenumber, self._degree
        breathing = 0.25j * self.air.impedance * k * self.piston**2 * circular_pattern(k * self.piston, t)
        across = np.maximum(k * self.baffle * np.abs(np.sin(t)), 1e-9)
        transform = self.baffle**2 * (_slopes(degree) * self.difference()) @ (_spherical(degree, across) / across)
        return np.asarray(breathing + 0.5j * k * np.cos(t) * transform)

    def radiation_impedance(self) -> complex:
        """Force on the piston's front, N s/m."""
        area, degree = np.pi * self.piston**2, self._degree
        breathing = 0.5 * self.air.impedance * area * complex(circular_impedance(self.wavenumber * self.piston))
        return complex(breathing + np.pi * self.baffle**2 * self._means(degree) @ self.difference())

    def _means(self, degree: Ints) -> Floats:
        """int P_l(s) s ds over the piston, s = sqrt(1 - r^2/b^2)."""
        from scipy.special import eval_legendre

        low = np.sqrt(max(0.0, 1 - (self.piston / self.baffle) ** 2))
        node, weight = np.polynomial.legendre.leggauss(int(degree.max()) + 2)
        s = low + (1 - low) * (node + 1) / 2
        return np.asarray(eval_legendre(degree[:, None], s) @ (s * weight) * (1 - low) / 2)


def _slopes(degree: Ints) -> Floats:
    """(-1)^n P_l'(0) = l (2n)!/(4^n n!^2), l = 2n + 1."""
    from scipy.special import gammaln

    n = (degree - 1) // 2
    return np.asarray(degree * np.exp(gammaln(2 * n + 1) - 2 * n * np.log(2) - 2 * gammaln(n + 1)))


def _spherical(degree: Ints, q: Floats) -> Floats:
    """(n, Q) j_l(q)."""
    from scipy.special import spherical_jn

    return np.asarray(spherical_jn(degree[:, None], q[None]))


def _integrals(degree: Ints, size: float) -> Complex:
    """(n, n) int_0^inf j_l j_m sqrt(K^2 - q^2)/q dq, K = `size`.

    The root's part -j q is integrated exactly; of the rest q = K sin t gives j_l j_m K e^{jt} cot t below K, and q = K cosh t
    gives j j_l j_m K e^{-t} tanh t above it, which falls like q^-4.
    """
    top = float(np.arccosh(max(2.0, (200 + 4 * (size + degree.max())) / size)))
    below, share = _panels(np.linspace(0, np.pi / 2, 4 + int(size)))
    value = _spherical(degree, size * np.sin(below))
    found = (value * (share * size * np.exp(1j * below) / np.tan(below))) @ value.T
    # no panel longer than three radians of the waves
    stops = np.arccosh(np.linspace(1, np.cosh(top), 8 + int(size * np.cosh(top) / 3)))
    above, share = _panels(np.union1d(stops, np.arange(0.0, top, 0.25)))
    value = _spherical(degree, size * np.cosh(above))
    found += 1j * (value * (share * size * np.exp(-above) * np.tanh(above))) @ value.T
    return np.asarray(found - 1j * np.diag(np.pi / (2 * (2 * degree + 1))))


def _panels(edge: Floats) -> tuple[Floats, Floats]:
    """Points and weights of Gauss rules between the edges."""
    node, weight = np.polynomial.legendre.leggauss(12)
    long = np.diff(edge)
    return (edge[:-1, None] + long[:, None] * (node + 1) / 2).ravel(), (long[:, None] * weight / 2).ravel()
