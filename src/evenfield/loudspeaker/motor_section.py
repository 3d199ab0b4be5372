"""The design file's `ways.<name>.motor` section: quantities with units in, a magnetics Motor out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, TypeAdapter, ValidationError

from evenfield.base.errors import DesignError, EvenfieldError, message
from evenfield.base.units import Amount
from evenfield.loudspeaker.design import Length, Offset, Quality, Ratio, Resistance, SmallLength, _positive, _Section
from evenfield.magnetics.bh_curve import read_bh_curve
from evenfield.magnetics.families import FerriteRing, Holes, NeodymiumCup, Ring, TwoGap, free_drawing
from evenfield.magnetics.materials import Magnet, Steel, material
from evenfield.magnetics.motor import Coil, Motor, Part

FluxDensity = Annotated[Amount, _positive("flux_density")]
FieldStrength = Annotated[Amount, _positive("field_strength")]


class CoilSection(_Section):
    """One winding: a ring of wire around `centre` (z, 0 as the family says)."""

    name: str = "coil"
    inner_radius: Length
    thickness: Length
    height: Length
    centre: Offset = Amount(0.0)
    turns: Quality
    fill: Ratio = Field(Amount(0.6), description="the metal's share of the section; sets resistance and mass")
    conductor: Literal["copper", "aluminium"] = "copper"
    resistance: Resistance | None = Field(None, description="instead of the one that follows from turns and fill")
    sense: Literal[1, -1] = Field(1, description="-1 for the coil wound the other way round")
    shorted: bool = Field(False, description="closed on itself: a damping winding")
    moving: bool = True

    def coil(self) -> Coil:
        """The winding."""
        half = float(self.height) / 2
        wound = Coil.wound(
            self.name, float(self.inner_radius), float(self.inner_radius) + float(self.thickness), float(self.centre) - half,
            float(self.centre) + half, float(self.turns), fill=float(self.fill), conductor=self.conductor, sense=self.sense,
            shorted=self.shorted, moving=self.moving,
        )  # fmt: skip
        return wound if self.resistance is None else replace(wound, resistance=float(self.resistance))


class RingSection(_Section):
    """One conducting ring; with a foot it is L-shaped."""

    name: str
    material: Literal["copper", "aluminium"]
    inner_radius: Length
    outer_radius: Length
    bottom: Offset
    top: Offset
    foot_radius: Length | None = None
    foot_height: Length | None = None

    def ring(self) -> Ring:
        """The ring."""
        foot = None if self.foot_radius is None else float(self.foot_radius)
        rise = None if self.foot_height is None else float(self.foot_height)
        return Ring(self.name, self.material, float(self.inner_radius), float(self.outer_radius), float(self.bottom),
                    float(self.top), foot, rise)  # fmt: skip


class HolesSection(_Section):
    """Vent holes in the rear plate, taken as an equivalent band of thinned steel."""

    count: int = Field(ge=1, le=100)
    diameter: Length
    radius: Length

    def holes(self) -> Holes:
        """The holes."""
        return Holes(self.count, float(self.diameter), float(self.radius))


class MagnetSection(_Section):
    """A magnet of the library, with values of one's own."""

    grade: str
    remanence: FluxDensity | None = None
    coercivity: FieldStrength | None = None

    def magnet(self) -> Magnet:
        """The magnet."""
        found = material(self.grade)
        if not isinstance(found, Magnet):
            raise DesignError(message("grade", "a magnet of the library", self.grade, fix="ferrite"))
        return replace(
            found,
            remanence=found.remanence if self.remanence is None else float(self.remanence),
            coercivity=found.coercivity if self.coercivity is None else float(self.coercivity),
        )


class _MotorSection(_Section):
    stroke: Length = Field(description="the motor is computed from minus to plus this displacement")
    coils: tuple[CoilSection, ...] = Field(min_length=1)
    steel: str = "steel-1018"
    bh_curve: str | None = Field(None, description="CSV file with a B-H curve for all steel, columns B (T), H (A/m)")


class _Family(_MotorSection):
    magnet: str | MagnetSection
    pole_radius: Length
    gap: Length
    magnet_radius: Length
    magnet_height: Length
    cap_thickness: SmallLength = Amount(0.0)
    rings: tuple[RingSection, ...] = ()

    def _common(self) -> dict[str, Any]:
        """What every family takes: lengths as floats, rings, coils, magnet."""
        skip = {"family", "coils", "rings", "magnet", "holes", "bh_curve"}
        plain = {k: float(v) if isinstance(v, float) else v for k, v in self if k not in skip and v is not None}
        magnet = self.magnet.magnet() if isinstance(self.magnet, MagnetSection) else self.magnet
        return {
            **plain, "magnet": magnet, "coils": tuple(c.coil() for c in self.coils),
            "rings": tuple(r.ring() for r in self.rings),
        }  # fmt: skip


class FerriteRingSection(_Family):
    """A ring magnet outside, pole and plates of steel."""

    family: Literal["ferrite-ring"]
    magnet: str | MagnetSection = "ferrite"
    plate_thickness: Length
    plate_radius: Length
    magnet_inner_radius: Length
    back_thickness: Length
    back_radius: Length
    pole_vent_radius: SmallLength = Amount(0.0)
    pole_extension: SmallLength = Amount(0.0)
    cap_height: SmallLength = Amount(0.0)
    holes: HolesSection | None = None

    def motor(self) -> Motor:
        """The drawing."""
        return FerriteRing(**self._common(), holes=self.holes.holes() if self.holes else None).motor()


class NeodymiumCupSection(_Family):
    """A disc magnet in a steel cup."""

    family: Literal["neodymium-cup"]
    magnet: str | MagnetSection = "neodymium-42"
    pole_thickness: Length
    cup_radius: Length
    cup_bottom: Length
    cup_lip: SmallLength = Amount(0.0)
    vent_radius: SmallLength = Amount(0.0)
    cap_height: SmallLength = Amount(0.0)
    holes: HolesSection | None = None

    def motor(self) -> Motor:
        """The drawing."""
        return NeodymiumCup(**self._common(), holes=self.holes.holes() if self.holes else None).motor()


class TwoGapSection(_Family):
    """Two gaps, two coils wound opposite ways."""

    family: Literal["two-gap"]
    magnet: str | MagnetSection = "neodymium-42"
    magnet_place: Literal["inside", "outside"]
    plate_thickness: Length
    outer_radius: Length
    magnet_inner_radius: SmallLength = Amount(0.0)
    vent_radius: SmallLength = Amount(0.0)
    overhang: SmallLength = Amount(0.0)
    cap_overhang: SmallLength = Amount(0.0)

    def motor(self) -> Motor:
        """The drawing."""
        return TwoGap(**self._common()).motor()


class DrawingSection(_MotorSection):
    """Free polygons with materials, from a DXF file beside the design file."""

    family: Literal["drawing"]
    file: str
    magnetisation: dict[str, tuple[float, float]] = Field(default={}, description="magnet's name: direction (r, z)")

    def motor_in(self, folder: Path) -> Motor:
        """The drawing."""
        from evenfield.magnetics.dxf import read_dxf

        coils = tuple(c.coil() for c in self.coils)
        return free_drawing(self.file, read_dxf(folder / self.file), coils, float(self.stroke), dict(self.magnetisation))


MotorSection = Annotated[FerriteRingSection | NeodymiumCupSection | TwoGapSection | DrawingSection, Field(discriminator="family")]
_ADAPTER: TypeAdapter[Any] = TypeAdapter(MotorSection)


def motor_section(section: Mapping[str, Any], key: str = "motor") -> Any:
    """A validated motor section.

    Parameters
        section : as the design file holds it, units and all
        key : its dotted path, for messages
    Raises DesignError with the key of the first value that cannot be used.
    """
    try:
        # what the drawing does at high level has a reader of its own
        return _ADAPTER.validate_python({k: v for k, v in section.items() if k != "large_signal"})
    except ValidationError as error:
        problem = error.errors()[0]
        families = {"ferrite-ring", "neodymium-cup", "two-gap", "drawing"}
        steps = [str(s) for s in problem["loc"] if str(s) not in families and not str(s).endswith("Section")]
        where = ".".join([key, *steps])
        reason = problem.get("ctx", {}).get("reason", "")
        if problem["type"] == "extra_forbidden":
            reason = f"must be a key of this family, got {steps[-1]!r}."
        elif problem["type"] == "missing":
            reason = "must be given, got nothing."
        elif problem["type"].startswith("union_tag"):
            reason = f"must name a family: {', '.join(sorted(families))}."
        raise DesignError(f"{where} {reason or problem['msg'][0].lower() + problem['msg'][1:] + '.'}", where) from None


def read_motor(section: Mapping[str, Any], key: str = "motor", folder: Path | None = None) -> Motor:
    """The Motor that a design's motor section describes.

    Parameters
        section : as `Design.ways[...].motor` holds it
        key : dotted path of the section, "ways.woofer.motor"
        folder : of the design file, for drawings and B-H files
    Raises DesignError naming the key.
    """
    read = motor_section(section, key)
    try:
        motor: Motor = read.motor_in(folder or Path()) if isinstance(read, DrawingSection) else read.motor()
        if read.bh_curve is not None:
            motor = with_curve(motor, (folder or Path()) / read.bh_curve)
    except EvenfieldError as error:
        raise DesignError(f"{key}: {error}", key) from None
    except OSError as error:
        raise DesignError(f"{key}: {error.strerror}: {error.filename}.", key) from None
    return motor


def with_curve(motor: Motor, path: Path) -> Motor:
    """The motor with the B-H curve of a CSV file in all its steel."""
    curve = read_bh_curve(path)
    parts: list[Part] = []
    for p in motor.parts:
        m = p.material
        parts.append(replace(p, material=replace(m, curve=curve, name=path.stem)) if isinstance(m, Steel) else p)
    return replace(motor, parts=tuple(parts))
