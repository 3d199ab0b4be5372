"""One way at any level: motor, suspension, box and air joined with the prediction; distortion, heat, limits and verdict lines."""

from __future__ import annotations

import math
import time
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenfield.base.bands import octave_axis
from evenfield.base.errors import DesignError, message
from evenfield.loudspeaker.circuits import BOX, boxes_of, driver_of
from evenfield.loudspeaker.design import Design
from evenfield.loudspeaker.geometry import VENT
from evenfield.loudspeaker.large_signal_section import TypedMotor, large_signal_driver, read_large_signal
from evenfield.loudspeaker.maximum_level import LevelLimit, WayLimits, level_limits, way_limits
from evenfield.loudspeaker.motor_lines import verdict_lines
from evenfield.loudspeaker.predict import Prediction
from evenfield.loudspeaker.programme_heat import PROGRAMME_CREST, programme_heat, programme_load
from evenfield.loudspeaker.verdict import Line
from evenfield.transducer.box import ClosedBox, VentedBox
from evenfield.transducer.damping_winding import WindingWorth, burst_to, winding_worth
from evenfield.transducer.distortion import (
    Intermodulation,
    ManyTones,
    SolvedPath,
    SoundDistortion,
    intermodulation,
    many_tones,
)
from evenfield.transducer.driver import CompressionDriver, Driver
from evenfield.transducer.heat import HeatNetwork, HeatRun, heat_balance
from evenfield.transducer.large_signal import LargeSignalDriver, LargeSignalSystem
from evenfield.transducer.large_signal_motor import LargeSignalMotor
from evenfield.transducer.limits import (
    BurstLimit,
    DisplacementLimits,
    RisingNoise,
    burst_limit,
    displacement_limits,
    rising_noise,
    symmetry_point,
)
from evenfield.transducer.moving_mass import driver_from_parts
from evenfield.transducer.network import solve_network
from evenfield.transducer.position_curve import PositionCurve
from evenfield.transducer.signals import ProgrammeNoise, Tones
from evenfield.transducer.solution import DriverPart, Part, VentPart
from evenfield.transducer.steady_state import HarmonicSweep, harmonic_sweep
from evenfield.transducer.suspension import Suspension

Real = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class MotorRun:
    """What one way does at high level.

    Parameters
        name : of the way
        system : LargeSignalSystem, at 20 degC
        path : from its volume acceleration to sound at the listening distance on axis
        sweep, sound : sines over frequency and level (V RMS at the terminals), and their harmonics in the sound
        displacement : limits by the 10 and 20 % criteria
        modulation : two tones at the level that gives `sound_level`; many : many tones
        bursts : low-frequency bursts; noise : rising noise
        heat_network, heat : None where the design gives no heat data
        worth : of the damping winding; None without one
        levels : most volts considered
        parts : small-signal parameters, (typed, from parts), where the design gives parts; budget : kg by part
        seconds : by step
        typed : the parameters of the design file; drawn : DrawnMotor, where the design draws the motor
    """

    name: str
    system: LargeSignalSystem
    path: SolvedPath
    sweep: HarmonicSweep
    sound: SoundDistortion
    displacement: Mapping[int, DisplacementLimits]
    symmetry: Real
    modulation: Intermodulation
    many: ManyTones
    bursts: tuple[BurstLimit, ...]
    noise: RisingNoise | None
    heat_network: HeatNetwork | None
    heat: HeatRun | None
    compression_db: Real | None
    worth: WindingWorth | None
    parts: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    budget: Mapping[str, float] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    seconds: Mapping[str, float] = field(default_factory=dict)
    typed: Driver | None = None
    drawn: DrawnMotor | None = None


@dataclass(frozen=True, eq=False)
class MotorReport:
    """All ways at high level, and the loudspeaker's largest level.

    Parameters
        prediction : Prediction
        runs : way -> MotorRun
        ways : way -> WayLimits
        limits : criterion -> LevelLimit
        lines : of the verdict
    """

    prediction: Prediction
    runs: Mapping[str, MotorRun]
    ways: Mapping[str, WayLimits]
    limits: Mapping[str, LevelLimit]
    lines: tuple[Line, ...]

    @property
    def passed(self) -> bool | None:
        """False when any line is not met; None when none was judged."""
        judged = [line.passed for line in self.lines if line.passed is not None]
        return all(judged) if judged else None

    @property
    def title(self) -> str:
        """The loudspeaker's name."""
        return f"{self.prediction.design.name}, motors"

    @property
    def standard(self) -> str | None:
        """The brief's standard, by name."""
        name = self.prediction.design.brief.standard
        return None if name == "none" else name

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "title": self.title,
            "passed": self.passed,
            "lines": [asdict(line) for line in self.lines],
            "notes": list(self.notes),
            "seconds": {name: dict(run.seconds) for name, run in self.runs.items()},
        }

    @property
    def notes(self) -> tuple[str, ...]:
        """What was assumed."""
        return tuple(note for run in self.runs.values() for note in run.notes)


def run_motors(prediction: Prediction, *, folder: str | Path | None = None) -> MotorReport:
    """Every way whose design draws its motor or says how it behaves over position.

    Parameters
        prediction : of the whole loudspeaker
        folder : of the design file: drawings and B-H curves are read from there
    Raises DesignError where no way has a motor, or one cannot be used.
    Cost: some 5 s a way with typed curves, 15 s with a drawing.
    """
    design = prediction.design
    chosen = [n for n, w in design.ways.items() if w.motor is not None]
    if not chosen:
        from evenfield.loudspeaker.large_signal_section import TRY

        key = f"ways.{next(iter(design.ways))}.motor"
        raise DesignError(message(key, "given", "nothing", cause="No way says what its motor does over position", fix=TRY), key)
    runs = {n: run_way(prediction, n, folder) for n in chosen}
    ways = {n: way_limits(prediction, n, runs.get(n)) for n in design.ways}
    limits = level_limits(prediction, ways)
    return MotorReport(prediction, runs, ways, limits, tuple(verdict_lines(prediction, runs, limits)))


@dataclass(frozen=True, eq=False)
class DrawnMotor:
    """What a drawing gives the large-signal model.

    Parameters
        motor : LargeSignalMotor; error : largest relative misfit of its ladder
        travel : (inwards, outwards) free way, m, both positive
        analysis : all that the drawing's analysis says
    """

    motor: LargeSignalMotor
    error: float
    travel: tuple[float, float]
    analysis: Any


def drawn_motor(
    section: Mapping[str, Any], key: str, folder: str | Path | None, flux_modulation: tuple[float, float]
) -> DrawnMotor:
    """Analyse the drawing of a motor section. Raises EvenfieldError as the analysis does."""
    from evenfield.loudspeaker.motor_section import read_motor
    from evenfield.magnetics import analyse_motor

    drawing = {k: v for k, v in section.items() if k != "large_signal"}
    analysis = analyse_motor(read_motor(drawing, key, None if folder is None else Path(folder)), strict=False)
    assert analysis.impedance is not None
    motor, error = LargeSignalMotor.from_blocked(
        analysis.impedance,
        analysis.force_factor,
        analysis.drive,
        shorted=analysis.short,
        shorted_force_factor=analysis.shorted_force_factor,
        flux_modulation=flux_modulation,
    )
    return DrawnMotor(motor, error, analysis.travel, analysis)


def radiation_mass(prediction: Prediction, name: str, driver: Driver, box: ClosedBox | None) -> Real:
    """(1, 1), or (2, 2) with vents: kg of air in front with which the small-signal network moves as the prediction does.

    Fitted to the prediction's excursion and vent speed from 20 to 250 Hz, where the air in front is all mass; so whatever the
    field was solved with is in it.
    """
    from scipy.optimize import least_squares

    f = prediction.frequency[(prediction.frequency >= 20) & (prediction.frequency <= 250)][::2]
    at = np.searchsorted(prediction.frequency, f)
    air, source = prediction.design.air.to_air(), float(prediction.design.ways[name].amplifier.output_impedance)
    vented = isinstance(box, VentedBox)
    parts: list[Part] = [DriverPart(name, driver, name, None if box is None else BOX)]
    if vented:
        parts.append(VentPart(VENT, BOX))
    gain = prediction.filters[name][at]
    speeds = [v.value[at] / gain for v in prediction.vent_speed.values()]
    wanted = [prediction.excursion[name].value[at]] + ([np.mean(speeds, axis=0)] if vented and speeds else [])
    first = [driver.rear_air_mass]
    if isinstance(box, VentedBox):
        first += [8 / 3 * air.density * box.vent.radius**3 * box.vent.number, 0.05 * driver.rear_air_mass]

    def matrix(at: Real) -> Real:
        m = np.abs(at) * np.array(first)
        return np.array([[m[0]]]) if len(m) == 1 else np.array([[m[0], m[2]], [m[2], m[1]]])

    def misfit(at: Real) -> Real:
        radiation = 2j * np.pi * f * matrix(at)[:, :, None]
        boxes = {} if box is None else {BOX: box}
        own = solve_network(f, parts, radiation, boxes, air=air, output_impedance={name: source})
        found = [own.displacement[0, 0], *([own.velocity[0, 1]] if len(wanted) > 1 else [])]
        off = np.concatenate([np.log(a / b) for a, b in zip(found, wanted, strict=True)])
        return np.concatenate([off.real, np.sin(off.imag)])

    return matrix(least_squares(misfit, np.ones(len(first)), x_scale=0.3).x)


def system_of(
    prediction: Prediction, name: str, folder: str | Path | None = None
) -> tuple[LargeSignalSystem, TypedMotor, Driver, DrawnMotor | None]:
    """A way's large-signal system from the design, what its section said, its typed parameters, and its drawing's analysis.

    Raises DesignError with the key.
    """
    design = prediction.design
    way, air = design.ways[name], design.air.to_air()
    key = f"ways.{name}.motor"
    if way.driver is None:
        raise DesignError(message(key, "used with a driver", "none"), key)
    driver = driver_of(way.driver, f"ways.{name}.driver", air)
    if isinstance(driver, CompressionDriver):
        cause = "Its air load is not modelled at high level"
        raise DesignError(message(key, "a cone's or a dome's", "a compression driver's", cause=cause), key)
    section = way.motor or {}
    where = f"{key}.large_signal"
    try:
        typed = read_large_signal(section.get("large_signal") or {}, where, driver)
        drawn = drawn_motor(section, key, folder, typed.flux_modulation) if "family" in section else None
        if drawn is not None:
            typed = _of_drawing(typed, drawn)
        full = large_signal_driver(typed, driver, None if drawn is None else drawn.motor)
    except DesignError as error:
        raise DesignError(str(error), error.key or where) from None
    box = _box(design, name)
    front = radiation_mass(prediction, name, driver, box) if name in prediction.excursion else None
    system = LargeSignalSystem(full, box, air, front, float(way.amplifier.output_impedance), typed.vent_loss)
    return system, typed, driver, drawn


def _of_drawing(typed: TypedMotor, drawn: DrawnMotor) -> TypedMotor:
    """The section's suspension and heat with the drawing's motor and free way. A typed Bl beside a drawing is refused."""
    if typed.force_factor is not None and not any("assumed" in note for note in typed.notes):
        key = f"{typed.key}.force_factor"
        raise DesignError(message(key, "left out beside a drawing", "both", cause="Two values for one part"), key)
    low, high = typed.travel or (-drawn.travel[0], drawn.travel[1])
    kept = [n for n in typed.notes if "inductance is taken" not in n]
    notes = [n.replace("Bl(x) and Kms(x) are", "Kms(x) is").replace("fall and rise", "rise") for n in kept]
    notes += [f"{typed.key}: {w}" for w in drawn.analysis.warnings]
    if typed.stiffness is None:
        notes.append(f"{typed.key}: no stiffness over position is given; the suspension is taken as a constant spring.")
    return replace(typed, force_factor=None, travel=(max(low, -drawn.travel[0]), min(high, drawn.travel[1])), notes=tuple(notes))


def _box(design: Design, name: str) -> ClosedBox | None:
    lowest = name == next(iter(design.ways))
    sealed = design.ways[name].sealed
    return None if (not lowest if sealed is None else sealed) else boxes_of(design).get(BOX)


def run_way(prediction: Prediction, name: str, folder: str | Path | None = None) -> MotorRun:
    """One way. Takes some seconds."""
    design, clock = prediction.design, _Clock()
    system, typed, driver, drawn = system_of(prediction, name, folder)
    clock.mark("motor")
    path = sound_path(prediction, name, system, driver)
    most = most_volts(design, name, system)
    top = min(1000.0, prediction.frequency[-1])
    frequency = octave_axis(6, max(20.0, float(prediction.frequency[0])), top)
    sweep = harmonic_sweep(system, frequency, np.geomspace(most / 100, most, 13))
    sound = SoundDistortion.of(sweep, path)
    clock.mark("sines")
    limits = {c: displacement_limits(system.driver, c) for c in (10, 20)}
    steps = np.linspace(0.05, 0.9, 18) * limits[10].mechanical
    symmetry = np.array([[a, symmetry_point(system.driver.motor.force_factor, a)] for a in steps])
    usual = most / 4
    two = intermodulation(system, max(30.0, system.driver.resonance_hz * 0.75), 8.5 * system.driver.resonance_hz, usual, path)
    many = many_tones(system, Tones.multi(30.0, top, usual, per_octave=3), path)
    clock.mark("tones")
    bursts = tuple(burst_limit(system, f, path, most=most * math.sqrt(2), start=most / 8) for f in octave_axis(3, 31.5, 125.0))
    clock.mark("bursts")
    heat, compression = (None, None)
    if typed.heat is not None:
        heat, compression = programme_heat(prediction, name, system, typed.heat, most)
    noise = _noise(prediction, name, system, path, typed.heat, most)
    clock.mark("heat and noise")
    worth = None
    if system.driver.motor.winding is not None:
        # the winding is for what goes beyond the gap: the burst takes the coil there, whatever the amplifier
        resonance = system.driver.resonance_hz
        peak = burst_to(system, resonance, most=4 * most)
        worth = winding_worth(system, path, burst_hz=resonance, burst_peak=peak, frequency_hz=frequency[::3], level=usual)
        clock.mark("winding")
    parts, budget = _from_parts(design, name, system, typed)
    return MotorRun(
        name,
        system,
        path,
        sweep,
        sound,
        limits,
        symmetry,
        two,
        many,
        bursts,
        noise,
        typed.heat,
        heat,
        compression,
        worth,
        parts,
        budget,
        typed.notes,
        clock.seconds,
        driver,
        drawn,
    )


class _Clock:
    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}
        self._at = time.perf_counter()

    def mark(self, name: str) -> None:
        now = time.perf_counter()
        self.seconds[name] = now - self._at
        self._at = now


def sound_path(prediction: Prediction, name: str, system: LargeSignalSystem, typed: Driver) -> SolvedPath:
    """Pa at the listening distance per volume acceleration.

    Such that small signals of the typed driver give the prediction's level, whatever a drawing says.

    Above the frequency at which the vent's air no longer moves as the box drives it, cone and vent stand for one source.
    """
    f = prediction.frequency
    reach = max(abs(v) for v in system.driver.reach)
    motor = LargeSignalMotor.typed(PositionCurve.constant(typed.bl, reach), typed.coil)
    twin = replace(system, driver=LargeSignalDriver.of(typed, motor))
    linear = twin.linear_response(f)
    volume = 2j * np.pi * f * (typed.sd * linear[1] + twin.vent_area * linear[-1])
    distance = float(prediction.design.brief.listening_distance)
    return SolvedPath(f, prediction.ways[name].on_axis() / distance / volume)


def most_volts(design: Design, name: str, system: LargeSignalSystem) -> float:
    """V RMS up to which the way is driven: its amplifier's limit, else four times its rated power, else 40 V."""
    way = design.ways[name]
    if way.amplifier.voltage is not None:
        return float(way.amplifier.voltage)
    if way.driver is not None and way.driver.power is not None:
        return 2 * math.sqrt(float(way.driver.power) * system.driver.re)
    return 40.0


def _noise(
    prediction: Prediction, name: str, system: LargeSignalSystem, path: SolvedPath, network: HeatNetwork | None, most: float
) -> RisingNoise:
    top = min(1000.0, prediction.frequency[-1])

    def warm(volts: float) -> LargeSignalSystem:
        if network is None:
            return system
        at, _ = heat_balance(network, programme_load(prediction, name, system, volts))
        return system.warmed(float(at[0]), network.field_share(float(at[2])))

    def drive(volts: float) -> ProgrammeNoise:
        return ProgrammeNoise(volts, 2.0, 2.0, low_hz=25.0, high_hz=top)

    return rising_noise(warm, drive, path, (40.0, 0.8 * top), start=most / 32, most=most * math.sqrt(2) / PROGRAMME_CREST)


def _from_parts(
    design: Design, name: str, system: LargeSignalSystem, typed: TypedMotor
) -> tuple[dict[str, tuple[float, float]], dict[str, float]]:
    """({parameter: (typed, from parts)}, masses)."""
    if typed.moving is None:
        return {}, {}
    way = design.ways[name]
    assert way.driver is not None
    usual = driver_of(way.driver, f"ways.{name}.driver", design.air.to_air())
    assert isinstance(usual, Driver)
    built = driver_from_parts(
        typed.moving,
        system.driver.motor,
        Suspension(system.driver.suspension.stiffness),
        usual.sd,
        rms=usual.rms,
        air=design.air.to_air(),
        name=name,
    )
    a, b = usual.parameters(), built.parameters()
    return {n: (a[n], b[n]) for n in ("Re", "Bl", "Mms", "Fs", "Qts", "Vas", "Le")}, typed.moving.budget()


def run_motors_of_file(path: str | Path, *, progress: Any = None) -> MotorReport:
    """Predict the design in a file, then run its motors; errors carry file and line."""
    from evenfield.loudspeaker.load import located, read_design
    from evenfield.loudspeaker.predict import predict_file

    path = Path(path)
    prediction = predict_file(path, progress=progress)
    with located(read_design(path)[1]):
        return run_motors(prediction, folder=path.parent)


def with_motors(prediction: Prediction, path: str | Path) -> Prediction:
    """The prediction with its motors run, so that verdict and report speak of them; errors carry file and line."""
    from evenfield.loudspeaker.load import located, read_design

    path = Path(path)
    with located(read_design(path)[1]):
        return replace(prediction, motors=run_motors(prediction, folder=path.parent))
