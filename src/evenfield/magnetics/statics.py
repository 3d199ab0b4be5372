"""Magnetostatics of a motor: the field of its magnets in nonlinear steel, and the force factor that follows from it.

The vector potential A_phi minimises the magnetic energy; Newton's method on that energy with a line search. B = curl A.
Outside the computed half circle the field is a dipole's: there d(R A)/dR = -A, a Robin condition that is exact for it.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base import DesignError, EvenfieldError, message
from evenfield.magnetics.bh_curve import MU0, BHCurve
from evenfield.magnetics.materials import Magnet, Steel
from evenfield.magnetics.mesh import MM, MotorMesh, build_mesh, coil_points, need_ngsolve
from evenfield.magnetics.motor import Coil, Motor
from evenfield.magnetics.winding import LaneElements

ORDER = 3
"""Degree of the elements."""


@dataclass
class StaticField:
    """The field of a motor's magnets without current.

    Parameters
        motor, temperature : of the magnets, degC
        mesh : MotorMesh
        low, high : m, the displacements that the coils' lanes cover
        statistics : unknowns, elements, iterations, seconds
    """

    motor: Motor
    temperature: float
    mesh: MotorMesh
    low: float
    high: float
    space: Any
    potential: Any
    form: Any
    remanence: dict[str, Any]
    statistics: dict[str, float] = field(default_factory=dict)
    _cache: dict[str, Any] = field(default_factory=dict)

    @property
    def lane(self) -> LaneElements:
        """The lanes' elements, for flux linkages."""
        if "lane" not in self._cache:
            self._cache["lane"] = LaneElements(self.mesh.mesh, self.space, ORDER)
        found: LaneElements = self._cache["lane"]
        return found

    def flux_density(self, points: ArrayLike) -> NDArray[np.float64]:
        """(N, 2) B_r, B_z in T at points (N, 2) r, z in m, inside the computed region."""
        from ngsolve import CF, grad, x

        p = np.maximum(np.asarray(points, float) / MM, [1e-6, -np.inf])
        if "B" not in self._cache:
            u = self.potential
            self._cache["B"] = CF((-grad(u)[1] / MM, (grad(u)[0] + u / x) / MM))
        return np.asarray(self._cache["B"](self.mesh.mesh(p[:, 0], p[:, 1])), float).reshape(len(p), 2)

    def stream(self, points: ArrayLike) -> NDArray[np.float64]:
        """(N,) flux 2 pi r A through the circle at each point (r, z in m), Wb."""
        p = np.asarray(points, float)
        at = self.mesh.mesh(p[:, 0] / MM, p[:, 1] / MM)
        return np.asarray(2 * np.pi * p[:, 0] * np.asarray(self.potential(at)).ravel())

    def profile(self, coil: Coil) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Heights z (m) along a coil's lane and the flux 2 pi r A averaged over its radii (Wb)."""
        key = f"profile {coil.name}"
        if key not in self._cache:
            radii, weights, z = coil_points(coil, self.low, self.high)
            points = np.stack(np.meshgrid(radii, z, indexing="ij"), axis=-1).reshape(-1, 2)
            self._cache[key] = z, weights @ self.stream(points).reshape(len(radii), len(z))
        z, flux = self._cache[key]
        return z, flux

    def force_factor(self, coil: Coil, displacement: ArrayLike) -> NDArray[np.float64]:
        """(X,) Bl of one coil in its own sense, T m: the slope of its flux linkage over displacement.

        Linkage is N / h times the integral of the mean flux over the coil's height, so its slope is N / h times the
        difference of that flux between top and bottom.
        """
        radii, weights, _ = coil_points(coil, self.low, self.high)
        x = np.asarray(displacement, float) * (1.0 if coil.moving else 0.0)
        ends = []
        for z in (coil.top, coil.bottom):
            points = np.stack(np.meshgrid(radii, np.clip(z + x, *self._span(coil)), indexing="ij"), -1).reshape(-1, 2)
            ends.append(weights @ self.stream(points).reshape(len(radii), len(x)))
        scale = coil.sense * coil.turns / coil.height
        return np.asarray(scale * (ends[0] - ends[1])) * (1.0 if coil.moving else 0.0)

    def _span(self, coil: Coil) -> tuple[float, float]:
        low, high = (self.low, self.high) if coil.moving else (0.0, 0.0)
        return coil.bottom + low, coil.top + high


def solve_static(
    motor: Motor, temperature: float = 20.0, scale: float = 1.0, layers: bool = False, background: float = 0.0
) -> StaticField:
    """Solve the field of a motor's magnets.

    Parameters
        temperature : degC of the magnets
        scale : factor on the mesh's edge lengths
        layers : thin layers under steel surfaces, for `blocked_impedance`
        background : T, a uniform axial field applied from outside
    Raises DesignError (open circuit, saturation) from the checks of `analyse_motor`, MeshError, EvenfieldError when
    ngsolve is missing or Newton's method does not converge.
    Cost: about 2 s on two cores at scale 1 (some 10 000 unknowns).
    """
    ngsolve = need_ngsolve()
    began = time.perf_counter()
    into, out = motor.travel
    low, high = -min(motor.stroke, max(into - 1e-4, 0.0)), min(motor.stroke, max(out - 1e-4, 0.0))
    mesh = build_mesh(motor, low, high, scale, layers)
    meshed = time.perf_counter() - began
    space = ngsolve.H1(mesh.mesh, order=ORDER, dirichlet="axis")
    potential = ngsolve.GridFunction(space)
    form, remanence = _energy(motor, mesh, space, temperature, background)
    iterations = minimise(form, potential, motor.name)
    statistics = {
        "unknowns": space.ndof, "elements": mesh.elements, "iterations": iterations, "mesh_seconds": meshed,
        "seconds": time.perf_counter() - began,
    }  # fmt: skip
    return StaticField(motor, temperature, mesh, low, high, space, potential, form, remanence, statistics)


def at_temperature(static: StaticField, temperature: float) -> StaticField:
    """The same motor on the same mesh with its magnets at another temperature (degC), solved from the known field."""
    import ngsolve

    potential = ngsolve.GridFunction(static.space)
    potential.vec.data = static.potential.vec
    form, remanence = _energy(static.motor, static.mesh, static.space, temperature)
    iterations = minimise(form, potential, static.motor.name)
    return StaticField(
        static.motor, temperature, static.mesh, static.low, static.high, static.space, potential, form, remanence,
        {"iterations": iterations},
    )  # fmt: skip


def _energy(motor: Motor, mesh: MotorMesh, space: Any, temperature: float, background: float = 0.0) -> tuple[Any, dict[str, Any]]:
    """The magnetic energy as a form of the potential, J."""
    from ngsolve import CF, BilinearForm, Parameter, Variation, ds, dx, grad, sqrt, x

    u = space.TrialFunction()
    b = CF((-grad(u)[1] / MM, (grad(u)[0] + u / x) / MM))
    ring = 2 * np.pi * x * MM**3
    form = BilinearForm(space, symmetric=True)
    plain = ["air", "near", "lane"]
    remanence: dict[str, Any] = {}
    steels: dict[int, tuple[BHCurve, list[str]]] = {}
    for part in motor.parts:
        region, m = mesh.regions[part.name], part.material
        if isinstance(m, Steel):
            steels.setdefault(id(m.curve), (m.curve, []))[1].append(region)
        elif isinstance(m, Magnet):
            br = Parameter(m.remanence_at(temperature))
            remanence[part.name] = br
            along = b[0] * part.magnetisation[0] + b[1] * part.magnetisation[1]
            density = (0.5 * (b * b) - br * along) / (m.recoil * MU0)
            form += Variation((density * ring).Compile() * dx(definedon=mesh.mesh.Materials(f"^{region}$")))
        else:
            plain.append(region)
    for curve, regions in steels.values():
        where = mesh.mesh.Materials("|".join(f"^{r}$" for r in regions))
        density = field_spline(curve).Integrate()(sqrt(b * b + 1e-16))
        form += Variation((density * ring).Compile() * dx(definedon=where))
    where = mesh.mesh.Materials("|".join(f"^{r}$" for r in plain))
    form += Variation((0.5 / MU0 * (b * b) * ring).Compile() * dx(definedon=where))
    # outside, the applied potential B0 r / 2 and a dipole: d(R A)/dR = 3 B0 r / 2 - A
    edge = (0.5 * u - 1.5 * background * x * MM) * u / MU0 * 2 * np.pi * x * MM / mesh.radius
    form += Variation(edge.Compile() * ds("outer"))
    return form, remanence


def field_spline(curve: BHCurve, step: float = 0.01, top: float = 4.0) -> Any:
    """H(B) as a quadratic spline on a fine even grid: smooth enough for Newton's method, monotone like the curve."""
    from ngsolve import BSpline

    knots = np.arange(0.0, top + step / 2, step)
    full = np.r_[0.0, 0.0, knots, top, top]
    sites = (full[1:-2] + full[2:-1]) / 2
    return BSpline(3, full.tolist(), curve.field(sites).tolist())


def minimise(form: Any, potential: Any, where: str, limit: int = 60) -> int:
    """Newton's method with a line search on the energy; returns the number of steps.

    Stops when the decrement is 1e-10 of the energy, far below the mesh's own error.
    """
    from ngsolve import InnerProduct

    free = potential.space.FreeDofs()
    v, residual, step, trial = (potential.vec, *(potential.vec.CreateVector() for _ in range(3)))
    energy = form.Energy(v)
    for count in range(1, limit + 1):
        form.Apply(v, residual)
        form.AssembleLinearization(v)
        step.data = form.mat.Inverse(free, inverse="sparsecholesky") * residual
        decrement = InnerProduct(step, residual)
        length = 1.0
        while True:
            trial.data = v - length * step
            lower = form.Energy(trial)
            if lower <= energy or length < 1e-3 or decrement <= 1e-11 * abs(energy):
                break
            length /= 2
        v.data, energy = trial, lower
        if decrement <= 1e-10 * abs(energy):
            return count
    raise EvenfieldError(
        message("motor's field", f"found within {limit} steps of Newton's method", f"a decrement of {decrement:.1e} J",
                where=where, cause="A B-H curve may have a kink", fix="a smoother curve")
    )  # fmt: skip


def check_circuit(static: StaticField) -> float:
    """Share of the magnets' flux that crosses the lane of the driven coils.

    Raises DesignError when it is too small for a motor: the magnetic circuit is open, or steel bypasses the gap.
    """
    motor = static.motor
    magnets = [p for p in motor.parts if p.kind == "magnet"]
    total = sum(abs(_magnet_flux(static, p)) for p in magnets)
    useful = 0.0
    for coil in motor.driven:
        _, flux = static.profile(coil)
        useful = max(useful, float(flux.max() - flux.min()))
    share = useful / max(total, 1e-30)
    if share < 0.12:
        at = motor.driven[0]
        raise DesignError(
            message("magnetic circuit", "closed through the coil's gap", f"{100 * share:.1f} % of the magnet's flux there",
                    where=f"coil {at.name} at r {1e3 * at.inner_radius:.2f} mm, z {1e3 * at.bottom:.2f} to "
                    f"{1e3 * at.top:.2f} mm",
                    cause="The circuit is open, or steel bridges the magnet's poles", fix="steel on both sides of the coil")
        )  # fmt: skip
    return share


def _magnet_flux(static: StaticField, part: Any) -> float:
    """Flux through the middle of a magnet across its magnetisation, Wb."""
    p = part.polygon
    (r0, z0), (r1, z1) = p.min(axis=0), p.max(axis=0)
    if abs(part.magnetisation[1]) >= abs(part.magnetisation[0]):
        ends = np.array([[max(r0, 1e-6), (z0 + z1) / 2], [r1, (z0 + z1) / 2]])
    else:
        ends = np.array([[(r0 + r1) / 2, z0], [(r0 + r1) / 2, z1]])
    return float(np.diff(static.stream(ends))[0])


def driven_sense(static: StaticField) -> int:
    """+1 or -1, so that a positive current through the driven coils pushes them outwards at rest."""
    total = sum(float(static.force_factor(c, np.zeros(1))[0]) for c in static.motor.driven)
    return 1 if total >= 0 else -1


__all__ = ["StaticField", "at_temperature", "check_circuit", "driven_sense", "minimise", "solve_static"]
