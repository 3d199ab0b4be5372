"""The design file's `printer` section: quantities with units in, the printing package's settings (mm) out."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import Field, ValidationError

from evenfield.base.errors import DesignError
from evenfield.base.units import Amount
from evenfield.loudspeaker.design import Angle, Design, Length, Money, Ratio, SmallLength, _positive, _Section, _Unit
from evenfield.shape.printing.settings import Machine, Making, Material, Printer

Density = Annotated[Amount, _positive("density", 2e4)]
Speed = Annotated[Amount, _positive("speed", 2.0)]
Hot = Annotated[Amount, _Unit("temperature", -20.0, 400.0)]
Delay = Annotated[Amount, _Unit("time", 0.0, 600.0)]
Screw = Literal["M2.5", "M3", "M4", "M5"]
Lying = Literal["throat-down", "mouth-down", "right-edge", "left-edge", "lower-edge", "upper-edge"]


class BuildVolumeSection(_Section):
    """The room in which the printer prints."""

    width: Length = Amount(0.250)
    depth: Length = Amount(0.210)
    height: Length = Amount(0.210)


class MaterialSection(_Section):
    """What is printed."""

    name: str = "PETG"
    density: Density = Amount(1270.0)
    price: Money = Field(default=Amount(25.0), description="of a kilogram")
    hottest: Hot = Field(default=Amount(70.0), description="what it bears under load")


class SeatSection(_Section):
    """The driver's mounting face behind the throat."""

    radius: Length | None = Field(default=None, description="follows from the screws when absent")
    thickness: Length = Amount(0.008)
    pitch_radius: Length | None = Field(default=None, description="of its screws; as near the throat as they can when absent")
    screw: Screw = "M3"
    screws: int = Field(default=4, ge=0, le=12)


class PrinterSection(_Section):
    """The printer, the material, and how a waveguide is built and held."""

    volume: BuildVolumeSection = BuildVolumeSection()
    nozzle: Length = Amount(0.0004)
    layer: Length = Amount(0.0002)
    line: Length = Field(default=Amount(0.00045), description="width of a printed line")
    speed: Speed = Field(default=Amount(0.060), description="of the nozzle while it lays material")
    perimeters: int = Field(default=4, ge=1, le=20)
    infill: Ratio = Amount(0.25)
    overhang: Angle = Field(default=Amount(0.7853981633974483), description="steepest from the vertical without support")
    lying: Lying | None = Field(
        default=None,
        description="what lies on the plate; the search then keeps the wall within `overhang`; absent: the best is found",
    )
    overhead: Ratio = Field(default=Amount(0.35), description="time for travel and slow corners, on top of laying material")
    layer_change: Delay = Amount(2.0)
    support_density: Ratio = Amount(0.15)
    hour: Money = Field(default=Amount(0.0), description="price of an hour of the machine")
    material: MaterialSection = MaterialSection()
    wall: Length = Field(default=Amount(0.004), description="thickness behind the acoustic surface, nowhere less")
    flange: SmallLength = Field(default=Amount(0.012), description="beyond the mouth, where the baffle has room")
    flange_thickness: Length = Amount(0.006)
    corner: Length = Field(default=Amount(0.012), description="corner radius of the flange")
    fixing: Literal["front", "rear"] = Field(default="front", description="screwed from the front, or from inside into inserts")
    screw: Screw = "M4"
    screws: int = Field(default=4, ge=2, le=24)
    gasket: SmallLength = Field(default=Amount(0.002), description="diameter of the cord; 0 mm for a flat gasket")
    seat: SeatSection = SeatSection()
    ribs: int = Field(default=8, ge=0, le=48)
    rib_thickness: Length = Amount(0.003)
    clearance: Length = Field(default=Amount(0.0005), description="between part and cut-out")
    lettering_depth: SmallLength = Field(default=Amount(0.0005), description="0 mm for no engraving")
    pin: Length = Field(default=Amount(0.003), description="diameter of the registration pins of a split part")


_SAID = {
    "volume": "build volume 250 x 210 x 210 mm",
    "nozzle": "nozzle 0.4 mm",
    "layer": "layers 0.2 mm",
    "material": "material PETG, 1.27 g/cm3, 25 EUR a kilogram",
    "speed": "60 mm/s",
    "wall": "wall 4 mm",
    "flange_thickness": "flange 6 mm thick",
    "screws": "4 screws",
    "screw": "screws M4",
    "seat": "driver seat for 4 screws M3",
    "gasket": "gasket cord 2 mm",
    "overhang": "overhangs to 45 deg without support",
    "infill": "infill 25 %",
}


def read_printer(section: Mapping[str, Any] | None) -> Printer:
    """The settings of a design's `printer` section; `taken` says each default that was filled in.

    Parameters
        section : the section as the design keeps it, or None
    Raises DesignError with the key that is wrong.
    """
    try:
        read = PrinterSection.model_validate(dict(section or {}))
    except ValidationError as error:
        raise _explained(error) from None
    taken = tuple(words for key, words in _SAID.items() if key not in (section or {}))
    return Printer(_machine(read), _material(read.material), _making(read), taken)


def printer_of(design: Design) -> Printer:
    """The settings of a design's printer."""
    return read_printer(design.printer)


def _mm(value: float) -> float:
    return round(1000 * float(value), 9)


def _machine(read: PrinterSection) -> Machine:
    return Machine(
        (_mm(read.volume.width), _mm(read.volume.depth), _mm(read.volume.height)), _mm(read.nozzle), _mm(read.layer),
        _mm(read.line), _mm(read.speed), read.perimeters, float(read.infill), float(read.overhang) * 57.29577951308232,
        float(read.overhead), float(read.layer_change), float(read.support_density), float(read.hour),
        read.lying,
    )  # fmt: skip


def _material(read: MaterialSection) -> Material:
    return Material(read.name, float(read.density) / 1000, float(read.price), float(read.hottest))


def _making(read: PrinterSection) -> Making:
    seat = read.seat
    return Making(
        _mm(read.wall), _mm(read.flange), _mm(read.flange_thickness), _mm(read.corner), read.fixing, read.screw, read.screws,
        _mm(read.gasket), None if seat.radius is None else _mm(seat.radius), _mm(seat.thickness),
        None if seat.pitch_radius is None else _mm(seat.pitch_radius), seat.screw, seat.screws, read.ribs,
        _mm(read.rib_thickness), _mm(read.clearance), _mm(read.lettering_depth), _mm(read.pin),
    )  # fmt: skip


def _explained(error: ValidationError) -> DesignError:
    problem = error.errors()[0]
    key = ".".join(str(k) for k in ("printer", *problem["loc"]))
    if problem["type"] == "extra_forbidden":
        import difflib

        known = list(_model_at(problem["loc"][:-1]).model_fields)
        near = difflib.get_close_matches(str(problem["loc"][-1]), known, n=1, cutoff=0.5)
        hint = f"Try {near[0]!r}." if near else f"Known here: {', '.join(known)}."
        return DesignError(f"{key} must be a known key, got {str(problem['loc'][-1])!r}. {hint}", key)
    if problem["type"] == "amount":
        return DesignError(f"{key} {problem['ctx']['reason']}", key)
    rule = problem["msg"].replace("Input should be", "must be")
    return DesignError(f"{key} {rule}, got {problem['input']!r}.", key)


def _model_at(path: tuple[Any, ...]) -> type[_Section]:
    inner: dict[str, type[_Section]] = {"volume": BuildVolumeSection, "material": MaterialSection, "seat": SeatSection}
    return inner[str(path[0])] if path and str(path[0]) in inner else PrinterSection


__all__ = ["BuildVolumeSection", "MaterialSection", "PrinterSection", "SeatSection", "printer_of", "read_printer"]
