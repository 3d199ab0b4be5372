"""What a solve returns: pressure on the surface, and from it the field anywhere."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base import DataError, message
from evenfield.data import Directions
from evenfield.data.mesh import PartName
from evenfield.radiation import surface_field
from evenfield.radiation.sweep import Sweep

if TYPE_CHECKING:
    from evenfield.radiation.surface import SurfaceProblem

Complex = NDArray[np.complexfloating[Any, Any]]


@dataclass(frozen=True)
class SurfaceStatistics:
    """What a solve took.

    unknowns : pressures solved for, after mirroring; triangles : of the solved body
    iterations : (part, F); seconds : (F,); bytes : largest memory of the matrix and its work space
    elements_per_wavelength : (F,) on the coarsest moving part
    notes : what to know about the result (coarse parts, a GPU without room), one line each
    devices : what solved: "cpu", or the names of the GPUs
    """

    unknowns: int
    triangles: int
    iterations: NDArray[np.int64]
    seconds: NDArray[np.float64]
    bytes: int
    elements_per_wavelength: NDArray[np.float64]
    notes: tuple[str, ...] = ()
    devices: tuple[str, ...] = ("cpu",)


@dataclass(frozen=True)
class FrequencySolution:
    """One frequency's solution; see SurfaceSolution, whose arrays have a frequency axis last.

    solved_pressure : (part, V') Pa on the solved vertices; derivative : (part, T') normal derivative, Pa/m
    part_error_db : (part,) estimated error of each part's level (see `surface_error`)
    device : what solved it, "cpu" or the name of a GPU
    """

    problem: SurfaceProblem = field(repr=False)
    frequency_hz: float
    solved_pressure: Complex = field(repr=False)
    derivative: Complex = field(repr=False)
    iterations: NDArray[np.int64]
    seconds: float
    part_error_db: NDArray[np.float64]
    elements_per_wavelength: float
    notes: tuple[str, ...] = ()
    device: str = "cpu"

    @property
    def parts(self) -> tuple[PartName, ...]:
        """Names of the moving parts or patterns: the order of the first axis everywhere."""
        return self.problem.parts

    @property
    def error_db(self) -> float:
        """Estimated error of the worst part's level, dB, front hemisphere, within 20 dB of its maximum."""
        return float(self.part_error_db.max())

    @property
    def wavenumber(self) -> float:
        """rad/m."""
        return float(self.problem.air.wavenumber(self.frequency_hz))

    def far_field(self, directions: Directions | ArrayLike) -> Complex:
        """(part, D) lim r p e^{jkr} about (0, 0, 0), Pa at 1 m per 1 m/s, towards unit vectors (D, 3)."""
        u = directions if isinstance(directions, Directions) else Directions(np.asarray(directions, float))
        return self.problem.far_field(self.wavenumber, self.solved_pressure, self.derivative, u.vectors)

    def pressure_at(self, points: ArrayLike) -> Complex:
        """(part, P) pressure, Pa per 1 m/s, at points (P, 3) m outside the body. Raises DataError for points inside."""
        x = np.asarray(points, float)
        if x.ndim != 2 or x.shape[1] != 3 or not np.all(np.isfinite(x)):
            raise DataError(message("points", "a finite (P, 3) array", f"shape {x.shape}"))
        return surface_field.pressure_at(self.problem.body, self.wavenumber, self.solved_pressure, self.derivative, x)

    def gradient(
        self,
        directions: Directions | ArrayLike = (),
        far_field_bar: ArrayLike | None = None,
        impedance_bar: ArrayLike | None = None,
    ) -> NDArray[np.float64]:
        """(V, 3) gradient of a real function J of the far field F and the radiation impedance Z by the mesh's vertices, 1/m.

        Parameters
            directions : (D, 3) unit vectors of the far field that J reads
            far_field_bar : (part, D) complex, dJ/dRe F + j dJ/dIm F, so that dJ = Re sum conj(bar) dF; |F|^2 has 2 F
            impedance_bar : (part, part) complex, dJ/dRe Z + j dJ/dIm Z
        Returns
            gradient : on the whole mesh. Under mirror planes, for motions with the same symmetry (images share it equally).
        Valid for: vertices that move while each part keeps its unit motion (given velocities stay with their triangles).
        Cost: one transposed solve and one pass over the kernels; the matrix is set up anew unless this frequency was
        the last that its problem solved. No memory that grows with the square of the vertices.
        Raises DataError for bars of another shape, or none.
        Source: Giles & Pierce, Flow Turbul. Combust. 65 (2000) 393, section 2 (discrete adjoint).
        """
        from evenfield.radiation.surface_adjoint import shape_gradient

        u = (
            directions
            if isinstance(directions, Directions) or far_field_bar is None
            else Directions(np.asarray(directions, float))
        )
        vectors = u.vectors if isinstance(u, Directions) else np.zeros((0, 3))
        return shape_gradient(self, vectors, far_field_bar, impedance_bar)

    @property
    def surface_pressure(self) -> Complex:
        """(part, V) pressure at the vertices of the whole mesh, Pa per 1 m/s; nan within a face that stands on a rigid plane."""
        place = self.problem.body.full_vertex
        return np.where(place >= 0, self.solved_pressure[:, place], np.nan)

    @property
    def radiation_impedance(self) -> Complex:
        """(part, part) generalised force on the first part per unit velocity of the second, N s/m.

        The integral of the pressure times the part's own motion shape; its real part radiates. With `velocity=` the
        shapes are the conjugate velocities, so that the diagonal's real part is the radiated power.
        """
        b = self.problem.body
        mean = self.solved_pressure[:, b.triangles].mean(axis=2)
        shape = self.derivative.conj() / (1j * self.problem.air.density * 2 * np.pi * self.frequency_hz)
        return np.asarray(b.copies * (shape * b.area) @ mean.T)

    @property
    def volume_velocity(self) -> Complex:
        """(part,) m3/s into the air per unit motion of each part."""
        b = self.problem.body
        scale = -1j * self.problem.air.density * 2 * np.pi * self.frequency_hz
        return np.asarray(b.copies * (self.derivative @ b.area) / scale)


@dataclass(frozen=True)
class SurfaceSolution(Sweep[FrequencySolution]):
    """Sound radiated by each moving part of a body, all else rigid. e^{+j omega t}, RMS phasors.

    frequency_hz : (F,). The methods add that axis last to those of FrequencySolution.
    """

    @property
    def part_error_db(self) -> NDArray[np.float64]:
        """(part, F) estimated error of each part's level, dB, likewise (see `surface_error`)."""
        return np.stack([s.part_error_db for s in self.frequencies], axis=-1)

    @property
    def statistics(self) -> SurfaceStatistics:
        """Unknowns, iterations, seconds, bytes, notes."""
        p = self.frequencies[0].problem
        return SurfaceStatistics(
            unknowns=p.system.unknowns,
            triangles=len(p.body.triangles),
            iterations=np.stack([s.iterations for s in self.frequencies], axis=-1),
            seconds=np.array([s.seconds for s in self.frequencies]),
            bytes=p.system.bytes_needed,
            elements_per_wavelength=np.array([s.elements_per_wavelength for s in self.frequencies]),
            notes=self.notes,
            devices=tuple(dict.fromkeys(s.device for s in self.frequencies)),
        )
