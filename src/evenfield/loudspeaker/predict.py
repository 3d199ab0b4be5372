"""The prediction: from a Design to what goes out in every direction, per volt."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield import metrics
from evenfield.base.air import Air
from evenfield.data.directions import sphere_directions
from evenfield.data.directivity import Directivity
from evenfield.data.impedance import Impedance
from evenfield.data.interpolation import pressure_at
from evenfield.data.response import Response
from evenfield.loudspeaker.chains import is_active, responses
from evenfield.loudspeaker.circuits import boxes_of, drivers_of, output_impedances, parts_of
from evenfield.loudspeaker.design import Design
from evenfield.loudspeaker.frequencies import output_axis, start_axis, upsample, upsample_field
from evenfield.loudspeaker.geometry import VENT, cabinet_of, way_origin
from evenfield.loudspeaker.handover import Handover, handovers_of
from evenfield.loudspeaker.load import located, read_design
from evenfield.loudspeaker.measured import measured_way
from evenfield.loudspeaker.mounting import mounting_notes
from evenfield.loudspeaker.profiles import profiles_of
from evenfield.loudspeaker.store import Store
from evenfield.loudspeaker.superpose import add_ways
from evenfield.loudspeaker.sweep import Body, Progress, RadiationSweep, source_places, sweep_key, sweep_radiation
from evenfield.shape.elements import Cabinet
from evenfield.transducer.network import solve_network
from evenfield.transducer.solution import NetworkSolution

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]


@dataclass(frozen=True)
class Prediction:
    """What a design does.

    Parameters
        design : Design
        ways : each way unfiltered, per 1 V RMS at its terminals, all other terminals shorted; own origin
        filters : (F,) complex, volts at the terminals per volt at the loudspeaker's input
        system : the filtered ways added at the brief's distance, per volt at the loudspeaker's input
        power : the filtered ways' powers added, far field, magnitude only
        impedance : at each way's terminals
        excursion : of each way's diaphragm, m RMS per volt at its terminals
        system_excursion : of each way's diaphragm, m RMS per volt at the loudspeaker's input
        vent_speed : of each vent, m/s RMS per volt at the loudspeaker's input
        handovers : the measures of each adjacent pair of ways, lowest first
        rigid_above_hz : first mode of each way's diaphragm: above, the result is marked "rigid piston"
        lumped_below_hz : the box is one spring below this
        error_db, interpolation_error_db : stated errors of the solves (RMS, front) and of the frequency interpolation
        band : tolerance band of the on-axis level, from the design's ± tolerances; None without any
        motors : what `run_motors` found at high level, for verdict and report; None when it was not asked
    """

    design: Design
    ways: Mapping[str, Directivity]
    filters: Mapping[str, ComplexArray]
    system: Directivity
    power: Directivity
    impedance: Mapping[str, Impedance]
    excursion: Mapping[str, Response]
    system_excursion: Mapping[str, Response]
    vent_speed: Mapping[str, Response]
    handovers: tuple[Handover, ...] = ()
    rigid_above_hz: Mapping[str, float] = field(default_factory=dict)
    lumped_below_hz: float = math.inf
    error_db: float | None = None
    interpolation_error_db: float | None = None
    outline: Mapping[str, Any] = field(default_factory=dict)
    band: Mapping[str, Any] | None = None
    statistics: Mapping[str, Any] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    motors: Any = None

    @property
    def frequency(self) -> FloatArray:
        """(F,) Hz."""
        return self.system.frequency

    @property
    def active(self) -> bool:
        """True when the levels are per volt at the loudspeaker's input, before its filters and amplifiers."""
        return is_active(self.design)

    def at(self, point: ArrayLike) -> Response:
        """The sound at one point (3,), m in the design's frame, Pa per volt at the loudspeaker's input."""
        place = np.asarray(point, float).reshape(3)
        total = sum(pressure_at(way, place) * self.filters[name] for name, way in self.ways.items())
        return Response(
            self.frequency, np.asarray(total), "Pa", (float(place[0]), float(place[1]), float(place[2])),
            provenance={"kind": "ways added at a point"},
        )  # fmt: skip


def predict(
    design: Design,
    *,
    folder: str | Path | None = None,
    progress: Progress | None = None,
    frequency_hz: ArrayLike | None = None,
    device: str = "auto",
    finer: float = 1.0,
) -> Prediction:
    """Predict a loudspeaker.

    Parameters
        design : Design
        folder : where measured files are looked for and `.evenfield/` keeps results; None keeps nothing
        progress : shows how far the solves are
        frequency_hz : (F,) Hz, ascending; None is the 1/24-octave axis from 20 Hz to 20 kHz
        device : "auto" (GPUs where there are any), "cpu" or "gpu"
        finer : by this factor, all edges of the meshes are shorter than usual, to see what they cost in accuracy
    Returns
        Prediction on that axis.
    Raises DesignError when the parts contradict each other or do not fit; MeshError when the body cannot be solved.
    Cost: some 60 to 70 boundary-element solves for a compact monitor; a repeated call reads them from the store.
    """
    foundation = foundation_of(design, folder=folder, progress=progress, frequency_hz=frequency_hz, device=device, finer=finer)
    return predict_on(design, foundation, folder=folder)


@dataclass(frozen=True)
class Foundation:
    """What a prediction stands on: the solved body, carried to the output axis."""

    sweep: RadiationSweep
    radiation: Radiated
    cabinet: Cabinet
    air: Air


def foundation_of(
    design: Design,
    *,
    folder: str | Path | None = None,
    progress: Progress | None = None,
    frequency_hz: ArrayLike | None = None,
    device: str = "auto",
    finer: float = 1.0,
) -> Foundation:
    """Solve a design's body, or read it from the store. Parameters and errors as `predict`."""
    store = None if folder is None else Store(folder)
    air = design.air.to_air()
    frequency = output_axis() if frequency_hz is None else np.asarray(frequency_hz, float)
    # drivers and boxes that contradict themselves are refused before anything slow begins
    drivers_of(design, air)
    boxes_of(design)
    cabinet = cabinet_of(design, folder)
    profiles, axis = profiles_of(design, folder), start_axis(frequency)
    sweep = sweep_radiation(cabinet, axis, air, store, progress, profiles, device=device, flush=design.flush, finer=finer)
    return Foundation(sweep, Radiated.on(frequency, sweep, cabinet, air), cabinet, air)


def is_solved(design: Design, folder: str | Path) -> bool:
    """True when the store holds the whole sweep of this design's body. Raises DesignError where there is no body."""
    body = body_of(design, folder)
    return Store(folder).path_of(sweep_key(body, start_axis(output_axis()))).exists()


def body_of(design: Design, folder: str | Path | None = None) -> Body:
    """What is solved of a design. Raises DesignError where there is no body."""
    return Body(cabinet_of(design, folder), design.air.to_air(), profiles_of(design, folder), design.flush)


def predict_on(design: Design, foundation: Foundation, *, folder: str | Path | None = None) -> Prediction:
    """The prediction of a design whose body is already solved: circuits, filters and sums only, a fraction of a second.

    The foundation must be that of a design with the same body and air. Raises DesignError as `predict`.
    """
    radiation, air, cabinet = foundation.radiation, foundation.air, foundation.cabinet
    frequency = radiation.frequency
    measured = {n: measured_way(design, n, folder, frequency) for n, w in design.ways.items() if w.measured is not None}
    network = network_on(design, radiation, air)
    ways = {n: measured.get(n) or radiation.way(network, n, way_origin(design, n), air) for n in design.ways}
    return _assemble(design, ways, network, foundation.sweep, radiation, cabinet, air)


def network_on(design: Design, radiation: Radiated, air: Air) -> NetworkSolution:
    """The circuits of a design, loaded by its body's radiation."""
    parts = parts_of(design, radiation.parts, drivers_of(design, air))
    return solve_network(
        radiation.frequency, parts, radiation.impedance, boxes_of(design), air=air, output_impedance=output_impedances(design)
    )


def predict_file(path: str | Path, *, progress: Progress | None = None, device: str = "auto") -> Prediction:
    """Predict the design in a file, with its results kept beside it; errors carry file and line."""
    path = Path(path)
    design, positions = read_design(path)
    with located(positions), Store(path.parent).run(path.name, path.read_text(encoding="utf-8")):
        return predict(design, folder=path.parent, progress=progress, device=device)


@dataclass(frozen=True)
class Radiated:
    """A radiation sweep carried to the output axis."""

    frequency: FloatArray
    parts: tuple[str, ...]
    field: ComplexArray
    impedance: ComplexArray
    error_db: float

    @classmethod
    def on(cls, frequency: FloatArray, sweep: RadiationSweep, cabinet: Cabinet, air: Air) -> Radiated:
        """Per acceleration, each part's delay from where its sound starts taken out, interpolated, put back."""
        per_hz = 2 * np.pi / air.speed_of_sound
        jw_solved, jw = 2j * np.pi * sweep.frequency, 2j * np.pi * frequency
        places, body = source_places(cabinet), Body(cabinet, air, {})
        front = sweep.directions.vectors[:, 0] > 0
        field = np.empty((len(sweep.parts), len(sweep.directions), len(frequency)), complex)
        errors = []
        for i, name in enumerate(sweep.parts):
            path = -sweep.directions.vectors @ np.asarray(places[name])
            wanted = body.wanted(name, sweep.frequency)
            found = upsample_field(sweep.frequency, sweep.far_field[i] / jw_solved, frequency, path, per_hz, front, wanted)
            field[i] = found.value * jw
            if not name.startswith(VENT) and np.any(wanted):
                errors.append(float(np.sqrt(np.mean(found.stated_db[wanted] ** 2))))
        impedance = upsample(sweep.frequency, sweep.impedance / jw_solved, frequency, 0.0, per_hz) * jw
        return cls(frequency, sweep.parts, field, impedance, max(errors, default=0.0))

    def way(self, network: NetworkSolution, name: str, origin: tuple[float, float, float], air: Air) -> Directivity:
        """One way's Directivity: everything that moves when its terminals are driven, referred to its origin."""
        velocity = network.velocity[network.ways.index(name)]
        directions = sphere_directions()
        total = np.zeros(self.field.shape[1:], complex)
        for i, part in enumerate(self.parts):
            total += self.field[i] * velocity[network.parts.index(part)][None]
        k = 2 * np.pi * self.frequency / air.speed_of_sound
        # about the design's origin p = P e^{+jk d.o}; about the way's own origin that turn is taken out
        total *= np.exp(-1j * np.outer(directions.vectors @ np.asarray(origin), k))
        return Directivity(
            total,
            directions,
            self.frequency,
            origin=origin,
            speed_of_sound=air.speed_of_sound,
            density=air.density,
            provenance={"kind": "predicted", "way": name},
        )


def _assemble(
    design: Design,
    ways: dict[str, Directivity],
    network: NetworkSolution,
    sweep: RadiationSweep,
    radiation: Radiated,
    cabinet: Cabinet,
    air: Air,
) -> Prediction:
    from evenfield.loudspeaker.tolerance import tolerance_band
    from evenfield.shape import outline

    frequency = radiation.frequency
    impedance = {n: Impedance(frequency, network.impedance[i]) for i, n in enumerate(network.ways)}
    filters = responses(design, frequency, impedance)
    top = list(design.ways)[-1]
    distance = float(design.brief.listening_distance)
    system = add_ways(ways, filters, ways[top].origin, distance, sphere_directions())
    moves = movements(network, filters)
    parts = dict(zip(network.parts, range(len(network.parts)), strict=True))
    return Prediction(
        design,
        ways,
        filters,
        system,
        metrics.power_sum({n: w.filtered(filters[n]) for n, w in ways.items()}),
        impedance,
        {n: Response(frequency, network.displacement[i, parts[n]], "m") for i, n in enumerate(network.ways)},
        {n: Response(frequency, moves[parts[n]] / (2j * np.pi * frequency), "m") for n in network.ways},
        {n: Response(frequency, moves[parts[n]], "m/s") for n in network.parts if n.startswith(VENT)},
        handovers_of(design, ways, filters),
        rigid_above(design),
        min(network.lumped_limit_hz.values(), default=math.inf),
        float(np.sqrt(np.mean(sweep.error_db**2))),
        radiation.error_db,
        outline(cabinet),
        tolerance_band(design, radiation, ways, filters, system, air),
        dict(sweep.statistics),
        mounting_notes(design),
    )


def rigid_above(design: Design) -> dict[str, float]:
    """First mode of each diaphragm that is taken as rigid, or as rigid but for its surround."""
    found = {}
    for name, way in design.ways.items():
        if way.driver is not None and way.driver.first_mode is not None:
            known = way.driver.profile is not None and way.driver.profile.file is not None
            if not known:
                found[name] = float(way.driver.first_mode)
    return found


def movements(network: NetworkSolution, filters: Mapping[str, ComplexArray]) -> ComplexArray:
    """(part, F) velocity of each diaphragm and vent per volt at the loudspeaker's input."""
    total = np.zeros(network.diaphragm_velocity.shape[1:], complex)
    for i, name in enumerate(network.ways):
        total += network.diaphragm_velocity[i] * filters[name][None]
    return total
