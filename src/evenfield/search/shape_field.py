"""The sound of a body whose dimensions change: a mesh for each frequency that follows them, its solution, and derivatives."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenfield.data.mesh import SurfaceMesh
from evenfield.loudspeaker.bands import Body
from evenfield.loudspeaker.chains import responses
from evenfield.loudspeaker.circuits import boxes_of, drivers_of, output_impedances, parts_of
from evenfield.loudspeaker.design import Design
from evenfield.loudspeaker.geometry import cabinet_of
from evenfield.loudspeaker.mounting import mesh_lengths, problem_of, shares
from evenfield.loudspeaker.profiles import profiles_of, velocities
from evenfield.loudspeaker.sweep import focus_at, outward, part_names, part_places
from evenfield.search.objective import Drive
from evenfield.shape.elements import Cabinet
from evenfield.shape.morph import Morph, Stretched

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]


@dataclass(frozen=True)
class Fineness:
    """How finely the sound is solved while searching.

    Parameters
        per_wavelength : elements per wavelength where it matters; away_factor : how much coarser elsewhere
        finer : by this factor all edges are shorter still, those that geometry sets too
    """

    per_wavelength: float = 5.0
    away_factor: float = 2.0
    finer: float = 1.0


@dataclass(frozen=True)
class Field:
    """Far fields (P, D, F) per unit outward velocity of each part, Pa at 1 m; impedances (P, P, F), N s/m; `solved` holds what
    the gradient needs.
    """

    far: Complex
    impedance: Complex
    solved: tuple[Any, ...] = field(repr=False, default=())
    seconds: float = 0.0
    unknowns: tuple[int, ...] = ()


class ShapeField:
    """Solver of one design's body at some frequencies, with its meshes.

    Parameters
        design : Design whose body the meshes are made for; folder : where measured files are looked for
        frequency_hz : (F,)
        vectors : (D, 3) directions
        fineness : Fineness
        device : "auto", "cpu" or "gpu"
        alone : (part, Hz): above that frequency only this part moves, all others are rigid and their fields zero
    Raises DesignError for a body that cannot be.
    """

    def __init__(
        self,
        design: Design,
        frequency_hz: Sequence[float],
        vectors: Array,
        fineness: Fineness | None = None,
        folder: str | Path | None = None,
        device: str = "auto",
        alone: tuple[str, float] | None = None,
    ) -> None:
        self.alone = alone
        self.frequency = np.asarray(frequency_hz, float)
        self.vectors, self.fineness, self.folder, self.device = vectors, fineness or Fineness(), folder, device
        self.air = design.air.to_air()
        self.profiles = profiles_of(design, folder)
        self.flush = design.flush
        self.share: Array = shares(vectors) if design.flush else np.ones(len(vectors))
        self.solves = self.remeshed = 0
        self.settle(design)

    def settle(self, design: Design) -> None:
        """Make the meshes anew for this design's body."""
        cabinet = cabinet_of(design, self.folder)
        self.names = part_names(cabinet)
        self.morphs: list[Morph] = []
        for f in self.frequency:
            lengths = self._lengths(cabinet, f)
            same = next((m for m in self.morphs if m.edge_lengths == lengths), None)
            self.morphs.append(same or Morph(cabinet, lengths))

    def solve(self, design: Design, step: Callable[[str], None] | None = None) -> Field:
        """The sound of a design on the meshes at hand, or on new ones where these cannot follow. Raises DesignError."""
        began = time.perf_counter()
        cabinet = cabinet_of(design, self.folder)
        meshes = self._follow(cabinet)
        out = outward(cabinet)
        far, impedance, solved = [], [], []
        for f, morph in zip(self.frequency, self.morphs, strict=True):
            solution, moving = self._solve_one(meshes[id(morph)], cabinet, float(f))
            self.solves += 1
            field_here = np.zeros((len(self.names), len(self.vectors)), complex)
            load = np.zeros((len(self.names), len(self.names)), complex)
            field_here[moving] = solution.far_field(self.vectors) * self.share * out[moving, None]
            load[np.ix_(moving, moving)] = solution.radiation_impedance * np.outer(out[moving], out[moving])
            far.append(field_here)
            impedance.append(load)
            solved.append((solution, moving, out[moving], morph))
            if step is not None:
                step(f"{f:.0f} Hz")
        return Field(
            np.stack(far, axis=-1),
            np.stack(impedance, axis=-1),
            tuple(solved),
            time.perf_counter() - began,
            tuple(s[0].solved_pressure.shape[1] for s in solved),
        )

    def pull(
        self, found: Field, far_bar: Complex, impedance_bar: Complex, moves: Callable[[Morph], Array]
    ) -> tuple[Array, float]:
        """Derivative (N, F) of a function by dimensions, frequency by frequency, and the seconds it took.

        Parameters
            far_bar, impedance_bar : of `found`'s arrays, as `Objective.score` gives them
            moves : from a morph to (N, V, 3), how its vertices move with each dimension, per unit
        """
        began = time.perf_counter()
        columns = []
        known: dict[int, Array] = {}
        for i, (solution, moving, out, morph) in enumerate(found.solved):
            bar = far_bar[moving, :, i] * self.share * out[:, None]
            load = impedance_bar[:, :, i][np.ix_(moving, moving)] * np.outer(out, out)
            gradient = solution.gradient(self.vectors, bar, load)
            if id(morph) not in known:
                known = {id(morph): moves(morph)}  # neighbours share a mesh, or none
            columns.append(np.tensordot(known[id(morph)], gradient, 2))
            solution.problem.release()
        return np.stack(columns, axis=-1), time.perf_counter() - began

    def drive(self, design: Design, found: Field, upper: str) -> Drive:
        """How the parts move when each way is driven, and what its filters pass, on this field."""
        drivers, boxes = drivers_of(design, self.air), boxes_of(design)
        from evenfield.data.impedance import Impedance
        from evenfield.transducer.network import solve_network

        parts = parts_of(design, self.names, drivers)
        network = solve_network(
            self.frequency, parts, found.impedance, boxes, air=self.air, output_impedance=output_impedances(design)
        )
        order = [network.parts.index(n) for n in self.names]
        motion = {n: network.velocity[i][order] for i, n in enumerate(network.ways)}
        impedance = {n: Impedance(self.frequency, network.impedance[i]) for i, n in enumerate(network.ways)}
        chain = responses(design, self.frequency, impedance)
        index = self.names.index(upper)
        area = float(np.pi) * _radius(cabinet_of(design, self.folder), upper) ** 2
        return Drive(motion, chain, index, self.air.density * self.air.speed_of_sound * area)

    def _follow(self, cabinet: Cabinet) -> dict[int, SurfaceMesh]:
        """The meshes on another cabinet, by the identity of their morphs; those that cannot follow are made anew."""
        meshes: dict[int, SurfaceMesh] = {}
        fresh: dict[int, Morph] = {}
        for n, morph in enumerate(self.morphs):
            morph = self.morphs[n] = fresh.get(id(morph), morph)
            if id(morph) in meshes:
                continue
            try:
                meshes[id(morph)] = morph.surface(cabinet)
            except Stretched:
                new = Morph(cabinet, self._lengths(cabinet, float(self.frequency[n])))
                fresh[id(morph)] = self.morphs[n] = new
                meshes[id(new)] = new.mesh
                self.remeshed += 1
        return meshes

    def _alone(self, frequency: float) -> bool:
        return self.alone is not None and frequency > self.alone[1]

    def _lengths(self, cabinet: Cabinet, frequency: float) -> Any:
        from evenfield.shape import edge_lengths_for

        focus = focus_at(cabinet, frequency, self.air)
        if self.alone is not None and self._alone(frequency):
            focus = (self.alone[0],)
        lengths = edge_lengths_for(
            cabinet, frequency, self.air.speed_of_sound, per_wavelength=self.fineness.per_wavelength,
            focus=focus, away_factor=self.fineness.away_factor,
        )  # fmt: skip
        usual = mesh_lengths(self._body(cabinet), lengths)
        return usual if self.fineness.finer == 1.0 else usual.finer(self.fineness.finer)

    def _body(self, cabinet: Cabinet) -> Body:
        return Body(cabinet, self.air, self.profiles, self.flush)

    def _solve_one(self, mesh: SurfaceMesh, cabinet: Cabinet, frequency: float) -> tuple[Any, list[int]]:
        """The solution, and which of the parts each of its rows is."""
        if self.alone is not None and self._alone(frequency):
            only = np.where(mesh.of_part(self.alone[0]), mesh.part, "rigid")
            mesh = SurfaceMesh(mesh.vertices, mesh.triangles, only, mesh.mirror)
        patterns = self.names if self.profiles and not self._alone(frequency) else None
        problem = problem_of(self._body(cabinet), mesh, patterns, self.device, balance=False)
        given = velocities(mesh, self.names, self.profiles, part_places(cabinet), frequency) if patterns else None
        return problem.solve(frequency, given), [self.names.index(str(n)) for n in problem.parts]


def _radius(cabinet: Cabinet, name: str) -> float:
    from evenfield.shape.facts import surface_facts

    return float(np.sqrt(surface_facts(cabinet, wall=0.0).parts[name].area / np.pi))


def moves_of(pairs: Sequence[tuple[Cabinet, Cabinet, float]]) -> Callable[[Morph], Array]:
    """How vertices move, from pairs of cabinets a small step apart on either side, one pair a dimension."""

    def moves(morph: Morph) -> Array:
        return np.stack([morph.derivative(a, b, step) for a, b, step in pairs])

    return moves


__all__ = ["Field", "Fineness", "ShapeField", "moves_of"]
