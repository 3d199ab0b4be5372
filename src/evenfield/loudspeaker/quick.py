"""What a change does, at once: the last full solve, with the difference that a quick model sees.

Circuits, filters and amplifiers are solved anew over the stored radiation: exact. A changed element (a waveguide, a cone, a
dome) turns the stored field by the ratio of its round fields, new over old (see `quick_round`). A moved way keeps its field about
its own centre. A changed vent opening scales as its area. Whatever else changes waits for the full solve.
"""

from __future__ import annotations

import math
from collections import OrderedDict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from evenfield import metrics
from evenfield.base.air import Air
from evenfield.base.errors import MeshError, Refusal
from evenfield.data.directions import sphere_directions
from evenfield.data.directivity import Directivity
from evenfield.data.impedance import Impedance
from evenfield.data.interpolation import pressure_at
from evenfield.data.response import Response
from evenfield.loudspeaker.chains import responses
from evenfield.loudspeaker.design import Design
from evenfield.loudspeaker.geometry import VENT, cabinet_of, way_origin
from evenfield.loudspeaker.handover import handovers_of
from evenfield.loudspeaker.predict import Foundation, Prediction, Radiated, movements, network_on, rigid_above
from evenfield.loudspeaker.profiles import profiles_of
from evenfield.loudspeaker.quick_ratio import Ratio, ratio_of
from evenfield.loudspeaker.quick_round import FREQUENCIES, RoundField, at_origin, round_fields
from evenfield.shape.elements import Cabinet, Element, VentOpening, moving_names
from evenfield.shape.outlines import outline_area
from evenfield.transducer.solution import NetworkSolution

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
Small = NDArray[np.complex64]

EVERY = 2
"""Of the output axis, every second frequency: twelfth octaves."""

MOST_ROUND = 64
"""Round fields kept."""


@dataclass(frozen=True)
class Said:
    """How a quick answer was made.

    Parameters
        model : "circuits", "axisymmetric difference", "moved", or several
        exact : True when nothing but circuits, filters and sums changed
        words : one line for the page
        band_hz : in which the difference is taken; frequencies : at how many
    """

    model: str
    exact: bool
    words: str
    band_hz: tuple[float, float]
    frequencies: int


@dataclass
class Ground:
    """A solved design made ready for quick answers.

    Parameters
        design, foundation : the last full solve
        radiation : on every second frequency
        own : way -> (P, D, F) field of each part at 1 m/s about the way's origin
        seen : way -> (P, D, F) the same on the listening sphere: p r e^{jkr} about the sphere's centre
        rays : way -> (D, 3) m from the way's origin to the listening sphere
    """

    design: Design
    foundation: Foundation
    radiation: Radiated
    own: Mapping[str, Small]
    seen: Mapping[str, Small]
    rays: Mapping[str, FloatArray]
    measured: Mapping[str, Directivity] = field(default_factory=dict)

    @classmethod
    def of(cls, design: Design, foundation: Foundation, folder: str | Path | None = None) -> Ground:
        """Ready the fields: half a second."""
        from evenfield.loudspeaker.measured import measured_way

        full = foundation.radiation
        take = slice(None, None, EVERY)
        radiation = Radiated(full.frequency[take], full.parts, full.field[:, :, take], full.impedance[:, :, take], full.error_db)
        names = [n for n, w in design.ways.items() if w.measured is None]
        measured = {n: measured_way(design, n, folder, radiation.frequency) for n in design.ways if n not in names}
        own = {n: _own(radiation, way_origin(design, n), foundation.air) for n in names}
        rays = {n: _rays(design, n) for n in names}
        seen = {n: _seen(own[n], radiation.frequency, design, n, foundation.air) for n in names}
        return cls(design, foundation, radiation, own, seen, rays, measured)

    @property
    def frequency(self) -> FloatArray:
        """(F,) Hz."""
        return self.radiation.frequency


class QuickModel:
    """Answers for one solved design after another; keeps round fields, so that a drag solves only what is new."""

    def __init__(self) -> None:
        self._round: OrderedDict[Element, tuple[RoundField, RoundField]] = OrderedDict()

    def wish(self, ground: Ground, design: Design, folder: str | Path | None = None) -> Wish:
        """A changed design, answered as far as its fields.

        Raises Refusal, saying what, where the change is beyond the quick model; DesignError as `predict`.
        """
        cabinet = cabinet_of(design, folder)
        _refuse_beyond(ground, design, cabinet, folder)
        changed, vents = _changed(ground.foundation.cabinet, cabinet)
        ratios = {name: r for e in changed for name, r in self._ratios(e, ground).items()}
        if design.brief.listening_distance != ground.design.brief.listening_distance:
            ground = Ground.of(ground.design.model_copy(update={"brief": design.brief}), ground.foundation, folder)
        network = network_on(design, _loaded(ground.radiation, ratios, vents), ground.foundation.air)
        moved = [n for n in design.ways if way_origin(design, n) != way_origin(ground.design, n)]
        fields = {n: _way(ground, design, n, network, ratios, vents) for n in ground.own}
        return Wish(ground, design, cabinet, fields, network, _said(changed, vents, moved))

    def answer(self, ground: Ground, design: Design, folder: str | Path | None = None) -> tuple[Prediction, Said]:
        """The whole prediction of a changed design. Errors as `wish`."""
        wish = self.wish(ground, design, folder)
        return wish.whole, wish.said

    def _ratios(self, element: Element, ground: Ground) -> dict[str, Ratio]:
        before = next(e for e in ground.foundation.cabinet.elements if e.name == element.name)
        air = ground.foundation.air
        return ratio_of(self.round_of(before, air), self.round_of(element, air), ground.frequency)

    def round_of(self, element: Element, air: Air) -> tuple[RoundField, RoundField]:
        """Round fields of an element, from memory or solved. Raises Refusal where there are none."""
        key = at_origin(element)
        if key not in self._round:
            try:
                self._round[key] = round_fields(element, air)
            except MeshError as error:
                raise Refusal(f"The quick model cannot turn {element.name} into a round body: {error}") from None
            while len(self._round) > MOST_ROUND:
                self._round.popitem(last=False)
        self._round.move_to_end(key)
        return self._round[key]


def _own(radiation: Radiated, origin: tuple[float, float, float], air: Air) -> Small:
    k = 2 * np.pi * radiation.frequency / air.speed_of_sound
    turn = np.exp(-1j * np.outer(sphere_directions().vectors @ np.asarray(origin), k))
    return np.asarray(radiation.field * turn[None], np.complex64)


def _centre(design: Design) -> FloatArray:
    """Of the listening sphere: the highest way's origin."""
    return np.asarray(way_origin(design, list(design.ways)[-1]))


def _rays(design: Design, name: str) -> FloatArray:
    points = _centre(design) + float(design.brief.listening_distance) * sphere_directions().vectors
    return np.asarray(points - np.asarray(way_origin(design, name)))


def _seen(own: Small, frequency: FloatArray, design: Design, name: str, air: Air) -> Small:
    distance = float(design.brief.listening_distance)
    points = _centre(design) + distance * sphere_directions().vectors
    back = distance * np.exp(2j * np.pi * frequency / air.speed_of_sound * distance)
    out = np.empty_like(own)
    for i, part in enumerate(own):
        d = Directivity(part, sphere_directions(), frequency, way_origin(design, name), speed_of_sound=air.speed_of_sound)
        out[i] = pressure_at(d, points) * back
    return out


def _refuse_beyond(ground: Ground, design: Design, cabinet: Cabinet, folder: str | Path | None) -> None:
    """Raise Refusal for a change that only the full solve can show."""
    before = ground.foundation.cabinet
    sizes = [n for n in ("width", "height", "depth", "edge_radius") if getattr(before, n) != getattr(cabinet, n)]
    if sizes:
        words = " and ".join(n.replace("_", " ") for n in sizes)
        raise Refusal(f"A change of the cabinet's {words} is not shown until it is solved: the quick model knows no cabinet.")
    if [e.name for e in before.elements] != [e.name for e in cabinet.elements] or list(design.ways) != list(ground.design.ways):
        raise Refusal("Parts that come or go are not shown until they are solved.")
    if [type(e) for e in before.elements] != [type(e) for e in cabinet.elements]:
        raise Refusal("A part of another kind is not shown until it is solved.")
    if design.mounting != ground.design.mounting:
        raise Refusal("Another mounting is not shown until it is solved.")
    if design.air != ground.design.air:
        raise Refusal("Another air is not shown until it is solved.")
    if profiles_of(design, folder).keys() != profiles_of(ground.design, folder).keys():
        raise Refusal("Another way of moving is not shown until it is solved.")


def _changed(before: Cabinet, after: Cabinet) -> tuple[list[Element], dict[str, float]]:
    """Elements of another shape, and vents by the ratio of their areas."""
    shapes, vents = [], {}
    for old, new in zip(before.elements, after.elements, strict=True):
        if isinstance(old, VentOpening) and isinstance(new, VentOpening):
            if old.outline != new.outline:
                vents[new.name] = outline_area(new.outline) / outline_area(old.outline)
        elif at_origin(old) != at_origin(new):
            shapes.append(new)
    return shapes, vents


def _loaded(radiation: Radiated, ratios: Mapping[str, Ratio], vents: Mapping[str, float]) -> Radiated:
    """The radiation load, changed: of a shape by the ratio of its round impedances, of a vent by its area."""
    if not ratios and not vents:
        return radiation
    factor = np.ones((len(radiation.parts), len(radiation.frequency)), complex)
    for i, name in enumerate(radiation.parts):
        if name in ratios:
            factor[i] = ratios[name].load
        elif name in vents:
            factor[i] = vents[name]
    z = radiation.impedance * np.sqrt(factor[:, None]) * np.sqrt(factor[None])
    for i, name in enumerate(radiation.parts):
        if name in vents:  # a piston's self load goes as the area to the power of three halves at low frequency
            z[i, i] = radiation.impedance[i, i] * vents[name] ** 1.5
    return Radiated(radiation.frequency, radiation.parts, radiation.field, z, radiation.error_db)


@dataclass(frozen=True)
class _Field:
    """One way: about its own origin, and on the listening sphere."""

    own: Small
    seen: Small
    origin: tuple[float, float, float]


@dataclass
class Wish:
    """A changed design whose fields are found; what else a prediction holds is made when asked for.

    Parameters
        said : how the answer was made
    """

    ground: Ground
    design: Design
    cabinet: Cabinet
    fields: Mapping[str, _Field]
    network: NetworkSolution
    said: Said

    @cached_property
    def early(self) -> Prediction:
        """Ways, filters and the system; `power` and `handovers` are left out."""
        from evenfield.shape import outline

        frequency, design, network = self.ground.frequency, self.design, self.network
        impedance = {n: Impedance(frequency, network.impedance[i]) for i, n in enumerate(network.ways)}
        filters = responses(design, frequency, impedance)
        ways = {
            n: self._field(self.fields[n].own, self.fields[n].origin) if n in self.fields else self.ground.measured[n]
            for n in design.ways
        }
        moves = movements(network, filters)
        parts = dict(zip(network.parts, range(len(network.parts)), strict=True))
        system = self._system(filters, ways[list(design.ways)[-1]].origin)
        return Prediction(
            design,
            ways,
            filters,
            system,
            system,
            impedance,
            {n: Response(frequency, network.displacement[i, parts[n]], "m") for i, n in enumerate(network.ways)},
            {n: Response(frequency, moves[parts[n]] / (2j * np.pi * frequency), "m") for n in network.ways},
            {n: Response(frequency, moves[parts[n]], "m/s") for n in network.parts if n.startswith(VENT)},
            rigid_above_hz=rigid_above(design),
            lumped_below_hz=min(network.lumped_limit_hz.values(), default=math.inf),
            outline=outline(self.cabinet),
            notes=("provisional: the last full solve and a quick model's difference",),
        )

    @cached_property
    def whole(self) -> Prediction:
        """With the power sum and the handovers, their lobing left out."""
        early = self.early
        power = metrics.power_sum({n: w.filtered(early.filters[n]) for n, w in early.ways.items()})
        return replace(early, power=power, handovers=handovers_of(self.design, early.ways, early.filters, lobing=False))

    def _system(self, filters: Mapping[str, ComplexArray], centre: tuple[float, float, float]) -> Directivity:
        from evenfield.loudspeaker.superpose import add_ways

        distance, directions = float(self.design.brief.listening_distance), sphere_directions()
        total = np.zeros((len(directions), len(self.ground.frequency)), np.complex64)
        for name, found in self.fields.items():
            total += found.seen * filters[name].astype(np.complex64)
        if self.ground.measured:
            total += add_ways(self.ground.measured, filters, centre, distance, directions).pressure
        return self._field(total, centre, distance)

    def _field(self, values: Small, origin: tuple[float, float, float], distance: float | None = None) -> Directivity:
        air = self.ground.foundation.air
        return Directivity(
            np.asarray(values, complex), sphere_directions(), self.ground.frequency, origin,
            distance=distance, speed_of_sound=air.speed_of_sound,
            density=air.density, provenance={"kind": "provisional"},
        )  # fmt: skip


def _way(
    ground: Ground, design: Design, name: str, network: NetworkSolution, ratios: Mapping[str, Ratio], vents: Mapping[str, float]
) -> _Field:
    velocity = network.velocity[network.ways.index(name)].astype(np.complex64)
    shape = ground.own[name].shape[1:]
    own, seen = np.zeros(shape, np.complex64), np.zeros(shape, np.complex64)
    axes = sphere_directions().vectors
    for i, part in enumerate(ground.radiation.parts):
        v = velocity[network.parts.index(part)] * np.float32(vents.get(part, 1.0))
        if part in ratios:
            own += ground.own[name][i] * (ratios[part].towards(axes, "own") * v)
            seen += ground.seen[name][i] * (ratios[part].towards(ground.rays[name], f"seen {name}") * v)
        else:
            own += ground.own[name][i] * v
            seen += ground.seen[name][i] * v
    origin = way_origin(design, name)
    return _Field(own, seen * _moved(ground, design, name), origin)


def _moved(ground: Ground, design: Design, name: str) -> Small:
    """(D, F) or (1, 1): what another place does on the listening sphere: path length and distance, the pattern kept."""
    before, after = ground.rays[name], _rays(design, name)
    if np.array_equal(before, after):
        return np.ones((1, 1), np.complex64)
    r0, r1 = np.linalg.norm(before, axis=1), np.linalg.norm(after, axis=1)
    k = 2 * np.pi * ground.frequency / ground.foundation.air.speed_of_sound
    return np.asarray((r0 / r1)[:, None] * np.exp(-1j * np.outer(r1 - r0, k)), np.complex64)


def _said(changed: list[Element], vents: Mapping[str, float], moved: list[str]) -> Said:
    band = (float(FREQUENCIES[0]), float(FREQUENCIES[-1]))
    parts = list(_sentences(changed, vents, moved))
    if not parts:
        return Said("circuits", True, "Exact over the solved field, at twelfth octaves.", (20.0, 20000.0), 0)
    model = " and ".join(p[0] for p in parts)
    count = len(FREQUENCIES) if changed else 0
    return Said(model, False, " ".join(p[1] for p in parts), band, count)


def _sentences(changed: list[Element], vents: Mapping[str, float], moved: list[str]) -> Iterator[tuple[str, str]]:
    if changed:
        names = ", ".join(n for e in changed for n in moving_names(e))
        yield (
            "axisymmetric difference",
            f"Provisional: the solved field times the change of a round model of {names}, {len(FREQUENCIES)} frequencies "
            f"{FREQUENCIES[0]:.0f} Hz to {FREQUENCIES[-1] / 1000:.0f} kHz, held outside; cabinet edges as before.",
        )
    if vents:
        yield "vent scaled", "Provisional: the vent's field scaled with its area."
    if moved:
        yield "moved", f"Provisional: {', '.join(moved)} moved with its field as it was; cabinet edges as before."
