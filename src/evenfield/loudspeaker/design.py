"""Design: the whole loudspeaker and its brief, as the design file states them; SI inside."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

from evenfield.base.air import Air
from evenfield.base.errors import DesignError
from evenfield.base.units import DIMENSIONS, Amount, parse_amount

FILE_VERSION = 1
"""The version of the design file that this package reads (key `evenfield`)."""


class _Unit:
    """Pydantic type of one quantity: text with a unit in the file, an SI `Amount` inside."""

    def __init__(self, dimension: str, low: float | None = None, high: float | None = None, open_low: bool = False) -> None:
        self.dimension, self.low, self.high, self.open_low = dimension, low, high, open_low

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(self._validate)

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        kind = DIMENSIONS[self.dimension]
        units = " or ".join(u for u in kind.usual if u) or "no unit"
        text = {"type": "string", "description": f"{kind.name.replace('_', ' ')} in {units}, optionally ± tolerance"}
        return {"anyOf": [text, {"type": "number"}]} if "" in kind.usual else text

    def _validate(self, value: object) -> Amount:
        try:
            amount = parse_amount(value, self.dimension)
        except DesignError as error:
            raise PydanticCustomError("amount", "{reason}", {"reason": str(error)}) from None
        low_fails = self.low is not None and (amount < self.low or (self.open_low and amount <= self.low))
        if low_fails or (self.high is not None and amount > self.high):
            raise PydanticCustomError("amount", "{reason}", {"reason": f"must be {self._range()}, got {amount.text}."})
        return amount

    def _range(self) -> str:
        unit = DIMENSIONS[self.dimension].si
        sign = "more than" if self.open_low else "at least"
        low = "" if self.low is None else f"{sign} {self.low:g} {unit}".rstrip()
        high = "" if self.high is None else f"at most {self.high:g} {unit}".rstrip()
        return " and ".join(part for part in (low, high) if part)


def _positive(dimension: str, high: float | None = None) -> _Unit:
    return _Unit(dimension, 0.0, high, open_low=True)


# Absurd values are refused where they are read: no studio monitor is 5 m wide.
Length = Annotated[Amount, _positive("length", 5.0)]
Offset = Annotated[Amount, _Unit("length", -5.0, 5.0)]
SmallLength = Annotated[Amount, _Unit("length", 0.0, 5.0)]
Distance = Annotated[Amount, _positive("length", 100.0)]
Area = Annotated[Amount, _positive("area", 1.0)]
Volume = Annotated[Amount, _positive("volume", 2.0)]
Mass = Annotated[Amount, _positive("mass", 5.0)]
Time = Annotated[Amount, _Unit("time", -0.1, 0.1)]
Frequency = Annotated[Amount, _positive("frequency", 100e3)]
Angle = Annotated[Amount, _Unit("angle", 0.0, 6.2832)]
Wide = Annotated[Amount, _positive("angle", 6.2832)]
Temperature = Annotated[Amount, _Unit("temperature", -20.0, 50.0)]
Pressure = Annotated[Amount, _Unit("pressure", 3e4, 1.2e5)]
Humidity = Annotated[Amount, _Unit("ratio", 0.0, 1.0)]
Voltage = Annotated[Amount, _positive("voltage", 1000.0)]
Current = Annotated[Amount, _positive("current", 200.0)]
Power = Annotated[Amount, _positive("power", 20e3)]
Resistance = Annotated[Amount, _Unit("resistance", 0.0, 1e4)]
Ohms = Annotated[Amount, _positive("resistance", 1e4)]
Inductance = Annotated[Amount, _Unit("inductance", 0.0, 1.0)]
ForceFactor = Annotated[Amount, _positive("force_factor", 100.0)]
Compliance = Annotated[Amount, _positive("compliance", 1.0)]
MechanicalResistance = Annotated[Amount, _positive("mechanical_resistance", 1000.0)]
Level = Annotated[Amount, _Unit("level", -200.0, 200.0)]
Quality = Annotated[Amount, _positive("number", 1000.0)]
Ratio = Annotated[Amount, _Unit("ratio", 0.0, 1.0)]
Exponent = Annotated[Amount, _Unit("number", 2.0, 10.0)]
Money = Annotated[Amount, _Unit("money", 0.0, 1e7)]


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True)


class AirSection(_Section):
    """The medium; sets speed of sound, density and absorption."""

    temperature: Temperature = Amount(20.0)
    pressure: Pressure = Amount(101325.0)
    humidity: Humidity = Amount(0.5)

    def to_air(self) -> Air:
        """The medium in this state."""
        return Air.at(float(self.temperature), float(self.pressure), float(self.humidity))


class Coverage(_Section):
    """Wanted beamwidth: the -6 dB angles, mean over a band."""

    horizontal: Wide | None = None
    vertical: Wide | None = None
    low: Frequency = Amount(2000.0)
    high: Frequency = Amount(10000.0)
    tolerance: Ratio = Amount(0.10)


class Brief(_Section):
    """How loud, how low, how large, how far, how dear."""

    listening_distance: Distance = Amount(1.0)
    lowest_frequency: Frequency | None = Field(default=None, description="-6 dB point of the direct sound")
    highest_frequency: Frequency = Amount(16000.0)
    maximum_level: Level | None = Field(
        default=None, description="RMS level at the listening distance, dB re 20 uPa, linear limits"
    )
    maximum_level_from: Frequency = Amount(100.0)
    noise: Level | None = Field(default=None, description="largest noise of its own at 1 m, dB(A)")
    flatness: Level | None = Field(default=None, description="largest deviation of the listening window from its mean, ± dB")
    flatness_from: Frequency = Amount(100.0)
    coverage: Coverage | None = None
    widest: Length | None = None
    highest: Length | None = None
    deepest: Length | None = None
    dearest: Money | None = None
    standard: Literal["none", "itu-r-bs1116", "ebu-tech3276"] = "none"
    handover_step: Level = Amount(0.5)
    handover_mismatch: Level = Amount(1.0)
    pattern_difference: Level = Amount(1.0)
    di_ripple: Level = Amount(0.3)


class Cabinet(_Section):
    """A rounded box; the design frame's origin is the centre of its front face."""

    width: Length
    height: Length
    depth: Length
    edge_radius: Length
    wall_thickness: SmallLength = Amount(0.015)
    net_volume: Volume | None = Field(default=None, description="air volume behind the woofer, damping and parts subtracted")
    leakage_q: Quality = Amount(15.0)
    absorption_q: Quality = Amount(50.0)


class Vent(_Section):
    """A vent of the cabinet; its plug of air moves as one."""

    y: Offset = Amount(0.0)
    z: Offset = Amount(0.0)
    face: Literal["front", "rear"] = "front"
    radius: Length | None = None
    width: Length | None = None
    height: Length | None = None
    length: Length
    loss_q: Quality = Amount(60.0)


class Place(_Section):
    """Centre of a way on the front face: y to the left seen from behind, z up, from the centre of the face."""

    y: Offset = Amount(0.0)
    z: Offset = Amount(0.0)


class CoilInductance(_Section):
    """Lossy voice-coil inductance."""

    model: Literal["ideal", "ladder", "power-law"] = "ideal"
    le: Inductance | None = Field(default=None, description="series inductance")
    l2: Inductance | None = Field(default=None, description="ladder: inductance in parallel with r2")
    r2: Ohms | None = None
    k: Quality | None = Field(default=None, description="power law Z = k (jw)^n: k in ohm s^n")
    n: Ratio | None = None


class Profile(_Section):
    """How the diaphragm moves: falling to rest across the surround, or as a file says (radius, frequency, magnitude, phase)."""

    model: Literal["tapered"] = "tapered"
    file: str | None = Field(default=None, description="CSV with radius_mm, frequency_hz, magnitude, phase_deg")


class Driver(_Section):
    """A driver: its Thiele/Small parameters (any sufficient set) and the shape of what moves."""

    kind: Literal["cone", "dome", "ring", "compression"]
    re: Ohms | None = None
    bl: ForceFactor | None = None
    mms: Mass | None = None
    cms: Compliance | None = None
    rms: MechanicalResistance | None = None
    fs: Frequency | None = None
    qms: Quality | None = None
    qes: Quality | None = None
    qts: Quality | None = None
    vas: Volume | None = None
    sd: Area | None = None
    le: Inductance | None = None
    xmax: Length | None = None
    inductance: CoilInductance | None = None
    power: Power | None = Field(default=None, description="long-term electrical power")
    profile: Profile | None = Field(default=None, description="velocity over radius; a rigid piston without one")
    first_mode: Frequency | None = Field(default=None, description="the diaphragm is rigid below this")
    cone_depth: SmallLength = Amount(0.0)
    dust_cap_radius: Length | None = None
    dust_cap_height: SmallLength = Amount(0.0)
    dome_height: SmallLength = Amount(0.0)
    inner_radius: Length | None = Field(default=None, description="ring: effective inner edge of the moving annulus")
    ring_height: SmallLength = Field(default=Amount(0.0), description="ring: height of the roll's crest")
    plug_height: SmallLength = Field(default=Amount(0.0), description="ring: height of the rigid plug in its centre")
    surround_width: SmallLength = Amount(0.0)
    throat_radius: Length | None = Field(default=None, description="compression driver: exit radius")
    exit_angle: Angle = Field(default=Amount(0.0), description="compression driver: half angle of the exit")
    front_volume: Volume | None = Field(default=None, description="compression driver: air between diaphragm and throat")
    rated_impedance: Ohms | None = None


class Mouth(_Section):
    """Outline of a waveguide's mouth in the baffle."""

    shape: Literal["round", "elliptic", "superelliptic", "rounded-rectangle"] = "round"
    radius: Length | None = None
    width: Length | None = None
    height: Length | None = None
    corner_radius: Length | None = None
    exponent: Exponent = Field(default=Amount(3.0), description="superelliptic: 2 an ellipse, larger: fuller corners")


class FreeWall(_Section):
    """The free profile: the wall's angles from the axis, per plane, at stations along it up to the mouth's rounding."""

    stations: tuple[Ratio, ...] = Field(default=(), description="shares of the wall's length; evenly spaced when absent")
    horizontal: tuple[Angle, ...]
    vertical: tuple[Angle, ...] = Field(default=(), description="as horizontal when absent")
    diagonal: tuple[Angle, ...] = Field(default=(), description="the mean of both when absent")


class Transition(_Section):
    """Where along the wall the cross-section goes from round to the mouth's, in shares of its length."""

    begin: Ratio = Field(default=Amount(0.0), description="round up to here")
    end: Ratio = Field(description="the mouth's own cross-section from here")


class Gap(_Section):
    """The annular gap around the source."""

    width: Length
    depth: Length


class Waveguide(_Section):
    """A recessed waveguide: throat, profile, mouth."""

    throat_radius: Length
    entry_angle: Angle | None = Field(
        default=None,
        description="half angle of the wall at the throat; without it a compression driver's exit angle",
    )
    depth: Length
    mouth: Mouth
    rounding: SmallLength = Field(default=Amount(0.0), description="least radius of the join with the baffle")
    profile: str = Field(default="smooth", description="name of a wall profile")
    wall: FreeWall | None = Field(default=None, description="profile free: the wall's angles")
    transition: Transition | None = Field(default=None, description="each direction goes its own way from the throat if absent")
    proud: SmallLength = Field(default=Amount(0.0), description="how far the mouth stands out from the baffle")
    proud_radius: Length = Field(default=Amount(0.01), description="least radius of the blend of a proud mouth with the baffle")
    gap: Gap | None = Field(default=None, description="annular gap around the source, behind the throat")
    source_depth: SmallLength = Field(default=Amount(0.0), description="how far the source's rim lies behind the throat")


class FilterSection(_Section):
    """One filter section."""

    kind: Literal["high-pass", "low-pass", "low-shelf", "high-shelf", "integrator-shelf", "peaking", "all-pass", "notch"]
    family: Literal["butterworth", "linkwitz-riley", "bessel"] = "butterworth"
    order: int = Field(default=2, ge=1, le=24)
    frequency: Frequency
    gain: Level = Amount(0.0)
    q: Quality = Amount(0.7071)
    limit: Frequency | None = Field(None, description="integrator-shelf: where the rise towards low frequencies stops")


class Filters(_Section):
    """What the signal meets before the amplifier."""

    gain: Level = Amount(0.0)
    delay: Time = Amount(0.0)
    invert: bool = False
    sample_rate: Frequency | None = Field(default=None, description="digital (bilinear) evaluation; analogue when absent")
    sections: tuple[FilterSection, ...] = ()


class Amplifier(_Section):
    """The channel that feeds a way."""

    gain: Level = Amount(0.0)
    output_impedance: Resistance = Amount(0.0)
    voltage: Voltage | None = Field(default=None, description="largest output, V RMS")
    current: Current | None = Field(default=None, description="largest output, A RMS")
    noise: Voltage | None = Field(default=None, description="noise at its output, V RMS, 20 Hz to 20 kHz, taken as white")


class Measured(_Section):
    """A measured directivity that stands for this way."""

    file: str
    origin: tuple[Offset, Offset, Offset] | None = None


class Way(_Section):
    """A driver with all that belongs to it."""

    place: Place = Place()
    driver: Driver | None = None
    motor: dict[str, Any] | None = None
    waveguide: Waveguide | None = None
    within: str | None = Field(default=None, description="coaxial: the way whose cone surrounds this one")
    filters: Filters = Filters()
    amplifier: Amplifier = Amplifier()
    measured: Measured | None = None
    sealed: bool | None = Field(default=None, description="has its own rear chamber (default: every way but the lowest)")


class Tolerances(_Section):
    """How the tolerance band is drawn."""

    samples: int = Field(default=40, ge=8, le=2000)
    seed: int = 1


class NearWall(_Section):
    """Free-standing before a wall. The prediction stays free-field: the wall is part of the room."""

    wall: Distance = Field(description="from the rear of the cabinet to the wall behind it")


class Design(_Section):
    """One loudspeaker, as its design file states it.

    `handover` names crossover frequencies where there are no filters yet, one per adjacent pair, lowest first.
    """

    evenfield: Literal[1] = Field(description="version of this file format")
    name: str
    title: str = ""
    note: str = ""
    brief: Brief = Brief()
    air: AirSection = AirSection()
    mounting: Literal["free", "flush"] | NearWall = Field(
        default="free", description="flush: the front in an infinite rigid baffle, sound in front of it only"
    )
    cabinet: Cabinet
    vent: Vent | tuple[Vent, ...] | None = None
    ways: dict[str, Way] = Field(min_length=1)
    handover: tuple[Frequency, ...] = ()
    passive: dict[str, Any] | None = None
    console: dict[str, Any] | None = None
    rooms: dict[str, Any] | None = None
    printer: dict[str, Any] | None = None
    tolerances: Tolerances = Tolerances()
    cost: dict[str, Any] | None = None

    @property
    def flush(self) -> bool:
        """True when the front is set into a wall."""
        return self.mounting == "flush"

    @property
    def vents(self) -> tuple[Vent, ...]:
        """All vents, in the order of the file."""
        if self.vent is None:
            return ()
        return self.vent if isinstance(self.vent, tuple) else (self.vent,)

    def unjudged(self) -> tuple[str, ...]:
        """Sections that are filled in, and shown, but that no line of the verdict judges."""
        return tuple(k for k in ("cost",) if getattr(self, k) is not None)


def json_schema() -> dict[str, Any]:
    """The JSON Schema of the design file, for editors and checks."""
    schema = Design.model_json_schema()
    return {**schema, "$schema": "https://json-schema.org/draft/2020-12/schema", "title": "evenfield design file"}
