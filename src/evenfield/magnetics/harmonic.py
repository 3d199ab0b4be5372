"""Blocked impedance: the port matrix of all windings over position and frequency, with eddy currents in steel and rings.

For small currents around the magnets' field the steel answers with its differential reluctivity dH/dB (a tensor). With
stiffness K (energy's second derivative), M (conductivity) and b_p(x) (flux linkage of winding p at displacement x),

    (K + jw M) a = b_p(x) i_p,      Z_pq(x, w) = R_p [p = q] + jw b_p(x)' a_q.

K and M are real and symmetric and do not depend on position: solutions at a few frequencies and positions span a reduced
space in which the pencil (M, K) is diagonalised once. Position enters through b_p(x) alone, evaluated exactly as often as
wanted. The result is a sum of eddy-current modes (see BlockedImpedance).

The differential permeability of the magnetisation curve overstates the small-signal (reversible) one of real steel, so the
computed low-frequency inductance is an upper estimate.
"""

from __future__ import annotations

import time
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base import DesignError, message
from evenfield.data import BlockedImpedance
from evenfield.magnetics.materials import Conductor, Magnet, Steel
from evenfield.magnetics.mesh import MM
from evenfield.magnetics.motor import Coil
from evenfield.magnetics.statics import ORDER, StaticField

LOWEST_HZ = 5.0
SNAPSHOTS = 7
PLACES = 4
DENSE = 21


class HarmonicProblem:
    """Stiffness and conductivity of a motor around its static field.

    Parameters
        static : StaticField solved with layers=True
        temperature : degC of rings and caps
        insulated : names of parts whose eddy currents are switched off
    """

    def __init__(self, static: StaticField, temperature: float = 20.0, insulated: tuple[str, ...] = ()) -> None:
        from ngsolve import H1, BilinearForm, dx, x

        self.static = static
        mesh = static.mesh.mesh
        self.conductive = {}
        for part in static.motor.parts:
            sigma = _conductivity(part.material, temperature)
            if sigma > 0 and part.name not in insulated:
                self.conductive[static.mesh.regions[part.name]] = sigma
        static.form.AssembleLinearization(static.potential.vec)
        self.space = H1(mesh, order=ORDER, dirichlet="axis", complex=True)
        u, v = self.space.TnT()
        # the zero terms give both matrices the pattern of all couplings
        self.mass = BilinearForm(self.space, symmetric=True)
        self.mass += 0 * u * v * dx
        if self.conductive:
            where = mesh.Materials("|".join(f"^{k}$" for k in self.conductive))
            sigma = mesh.MaterialCF(self.conductive, default=0)
            self.mass += (sigma * u * v * 2 * np.pi * x * MM**3).Compile() * dx(definedon=where)
        self.mass.Assemble()
        self.stiffness_values = np.array(static.form.mat.AsVector().FV().NumPy())
        self.mass_values = np.array(self.mass.mat.AsVector().FV().NumPy())
        self.matrix = self.mass.mat.CreateMatrix()

    def factor(self, frequency_hz: float) -> Any:
        """The factorised operator at a frequency."""
        self.matrix.AsVector().FV().NumPy()[:] = self.stiffness_values + 2j * np.pi * frequency_hz * self.mass_values
        return self.matrix.Inverse(self.space.FreeDofs(), inverse="sparsecholesky")

    def solve(self, inverse: Any, load: NDArray[np.float64]) -> NDArray[np.complex128]:
        """(N,) potential's coefficients for a real load (N,)."""
        source, image = self.matrix.CreateColVector(), self.matrix.CreateColVector()
        source.FV().NumPy()[:] = load
        image.data = inverse * source
        return np.array(image.FV().NumPy())

    def linkage_map(self, coil: Coil, displacement: NDArray[np.float64]) -> NDArray[np.float64]:
        """(X, N) flux linkage of a winding as a linear function of the potential's coefficients; its transpose is the load
        of a unit current, so the port matrix is symmetric by construction."""
        return self.static.lane.linkage(coil, displacement)

    def products(self, basis: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """(M, M) stiffness and (M, M) conductivity in a reduced basis (N, M)."""
        self.matrix.AsVector().FV().NumPy()[:] = self.stiffness_values + 1j * self.mass_values
        source, image = self.matrix.CreateColVector(), self.matrix.CreateColVector()
        images = np.empty(basis.shape, complex)
        for i in range(basis.shape[1]):
            source.FV().NumPy()[:] = basis[:, i]
            image.data = self.matrix * source
            images[:, i] = image.FV().NumPy()
        k, c = basis.T @ images.real, basis.T @ images.imag
        return (k + k.T) / 2, (c + c.T) / 2


def _conductivity(m: object, temperature: float) -> float:
    """S/m of a part's material; 0 for insulators."""
    if isinstance(m, Conductor):
        return 1 / m.resistivity_at(temperature)
    if isinstance(m, Steel | Magnet) and m.resistivity > 0:
        return 1 / m.resistivity
    return 0.0


def blocked_impedance(
    static: StaticField, displacement: ArrayLike, highest_hz: float = 20e3, *, temperature: float = 20.0,
    insulated: tuple[str, ...] = (), snapshots: int = SNAPSHOTS, places: int = PLACES, check: bool = True,
) -> BlockedImpedance:  # fmt: skip
    """The port matrix of all windings of a motor.

    Parameters
        static : solved with layers=True
        displacement : (X,) m, within the static field's lanes
        highest_hz : the reduced basis covers 0 to this
        temperature : degC of rings and caps (steel and windings stay at 20)
        insulated : parts whose eddy currents are switched off ("what would it be without this ring?")
        snapshots, places : frequencies and coil positions solved in full
        check : compare with full solves between the snapshots and state the largest relative error
    Raises DesignError when a displacement lies outside the lanes.
    Cost: about 4 s for two windings, 10 000 unknowns, on two cores.
    """
    began = time.perf_counter()
    x = np.asarray(displacement, float)
    if x.size and (x.min() < static.low - 1e-9 or x.max() > static.high + 1e-9):
        raise DesignError(
            message("displacement", f"within {1e3 * static.low:.2f} to {1e3 * static.high:.2f} mm",
                    f"{1e3 * x.min():.2f} to {1e3 * x.max():.2f} mm", cause="The coil would meet a part, or the stroke ends")
        )  # fmt: skip
    problem = HarmonicProblem(static, temperature, insulated)
    coils = static.motor.coils
    frequencies = np.r_[0.0, np.geomspace(LOWEST_HZ, highest_hz, snapshots - 1)]
    sites = np.linspace(static.low, static.high, places)
    basis = _basis(problem, frequencies, sites, _dense_sites(x, static))
    k, c = problem.products(basis)
    modes, tau = _diagonalise(k, c)
    vectors = basis @ modes
    amplitude = np.stack([problem.linkage_map(coil, x) @ vectors for coil in coils])
    result = BlockedImpedance(
        tuple(p.name for p in coils), x, amplitude, tau, np.array([p.resistance for p in coils]), 0.0,
        {"unknowns": problem.space.ndof, "basis": basis.shape[1]},
    )  # fmt: skip
    error = _held_out_error(problem, vectors, tau, frequencies, x) if check else float("nan")
    result.statistics["seconds"] = time.perf_counter() - began
    return BlockedImpedance(result.ports, x, amplitude, tau, result.resistance, error if check else 0.0, result.statistics)


def _dense_sites(x: NDArray[np.float64], static: StaticField) -> NDArray[np.float64]:
    """Positions solved at the highest frequency: those asked for, or an even row through them where they are many."""
    return np.unique(x) if 0 < len(x) <= 2 * DENSE else np.linspace(static.low, static.high, DENSE)


def _basis(
    problem: HarmonicProblem, frequencies: NDArray[np.float64], sites: NDArray[np.float64], dense: NDArray[np.float64]
) -> NDArray[np.float64]:
    """(N, M) orthonormal real vectors that span real and imaginary parts of all snapshots.

    The field close to the winding changes fast with position but hardly with frequency; the rest the other way round. So
    the highest frequency is solved at all positions, the others at a few.
    """
    coils = problem.static.motor.coils
    few = np.concatenate([problem.linkage_map(c, sites if c.moving else sites[:1]) for c in coils])
    many = np.concatenate([few, *(problem.linkage_map(c, dense) for c in coils if c.moving)])
    columns = []
    for f in frequencies:
        inverse = problem.factor(f)
        for load in many if f == frequencies[-1] else few:
            column = problem.solve(inverse, load)
            columns.append(column.real / np.linalg.norm(column))
            if f > 0:
                columns.append(column.imag / np.linalg.norm(column))
    stack = np.array(columns).T
    # singular vectors through the small Gram matrix would lose half the digits; QR keeps them
    q, r = np.linalg.qr(stack)
    left, size, _ = np.linalg.svd(r)
    return np.asarray(q @ left[:, size > 1e-7 * size[0]])


def _diagonalise(k: NDArray[np.float64], c: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Modes W with W'KW = 1 and W'CW = diag(tau), tau >= 0 (s)."""
    from scipy.linalg import eigh

    tau, modes = eigh(c, k)
    return np.asarray(modes), np.maximum(tau, 0.0)


def _held_out_error(
    problem: HarmonicProblem, vectors: NDArray[np.float64], tau: NDArray[np.float64], frequencies: NDArray[np.float64],
    x: NDArray[np.float64],
) -> float:  # fmt: skip
    """Largest relative error of a winding's own impedance between the solved frequencies, at places it is asked for."""
    worst = 0.0
    places = x[np.unique(np.array([1, len(x) // 3, (2 * len(x)) // 3]).clip(0, len(x) - 1))]
    for f in (np.sqrt(frequencies[1] * frequencies[2]), np.sqrt(frequencies[-1] * frequencies[-2])):
        inverse = problem.factor(float(f))
        for coil in problem.static.motor.coils:
            for load in problem.linkage_map(coil, places):
                reduced = np.sum((load @ vectors) ** 2 / (1 + 2j * np.pi * f * tau))
                full = load @ problem.solve(inverse, load)
                worst = max(worst, abs(reduced - full) / abs(full))
    return float(worst)
