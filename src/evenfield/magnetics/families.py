"""Families of motors: a few named dimensions each. All lengths in m; z = 0 is the middle of the (front) gap's plate, or
the middle between the two gaps of a two-gap motor; z is positive outwards, towards the cone.

Overhung and underhung motors are the same families with a coil higher or lower than the plate.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from evenfield.base import DesignError, message
from evenfield.magnetics.materials import Conductor, Magnet, Material, Steel, material, with_holes
from evenfield.magnetics.motor import Coil, Motor, Part
from evenfield.magnetics.polygons import Points, rectangle


@dataclass(frozen=True)
class Ring:
    """A conducting ring anywhere in the motor.

    Parameters
        name, material : copper or aluminium
        inner_radius, outer_radius, bottom, top : m
        foot_radius, foot_height : m; with both given the ring is L-shaped: the lowest `foot_height` reaches from
            `foot_radius` (inside or outside the rest) to the rest
    """

    name: str
    material: str
    inner_radius: float
    outer_radius: float
    bottom: float
    top: float
    foot_radius: float | None = None
    foot_height: float | None = None

    def part(self) -> Part:
        """The body."""
        r0, r1, z0, z1 = self.inner_radius, self.outer_radius, self.bottom, self.top
        if not (0 < r0 < r1 and z0 < z1):
            raise DesignError(message(f"ring {self.name}", "of positive section", (r0, r1, z0, z1)))
        metal = material(self.material)
        if not isinstance(metal, Conductor):
            raise DesignError(message(f"ring {self.name}'s material", "copper or aluminium", self.material))
        if self.foot_radius is None or self.foot_height is None:
            return Part(self.name, rectangle(r0, r1, z0, z1), metal)
        foot, zf = self.foot_radius, z0 + self.foot_height
        if not (foot > 0 and not r0 <= foot <= r1 and z0 < zf < z1):
            raise DesignError(message(f"ring {self.name}'s foot", "beside the ring and lower than it", (foot, zf)))
        corners = (
            [(foot, z0), (r1, z0), (r1, z1), (r0, z1), (r0, zf), (foot, zf)]
            if foot < r0
            else [(r0, z0), (foot, z0), (foot, zf), (r1, zf), (r1, z1), (r0, z1)]
        )
        return Part(self.name, np.array(corners), metal)


@dataclass(frozen=True)
class Holes:
    """Vent holes in a plate: `count` of `diameter` on a circle of `radius` (m), as an equivalent band."""

    count: int
    diameter: float
    radius: float


def _steel(name: str) -> Steel:
    steel = material(name)
    if not isinstance(steel, Steel):
        raise DesignError(message("motor's steel", "a steel of the library", name, fix="steel-1018"))
    return steel


def _magnet(name: str | Magnet) -> Magnet:
    magnet = material(name) if isinstance(name, str) else name
    if not isinstance(magnet, Magnet):
        raise DesignError(message("motor's magnet", "a magnet of the library", name, fix="ferrite"))
    return magnet


def _ascending(where: str, **values: float) -> None:
    """Each named value above 0 and above the one before."""
    last, before = 0.0, "0"
    for name, value in values.items():
        if not value > last:
            raise DesignError(
                message(f"{where}.{name}", f"more than {before} ({1e3 * last:g} mm)", f"{1e3 * value:g} mm",
                        cause="The parts would overlap")
            )  # fmt: skip
        last, before = value, name


def _positive(where: str, **values: float) -> None:
    for name, value in values.items():
        if not value > 0:
            raise DesignError(message(f"{where}.{name}", "positive", f"{1e3 * value:g} mm"))


def _plate(name: str, r0: float, r1: float, z0: float, z1: float, steel: Steel, holes: Holes | None) -> list[Part]:
    """A flat plate, with a band of thinned steel where it is drilled."""
    if holes is None:
        return [Part(name, rectangle(r0, r1, z0, z1), steel)]
    a, b = holes.radius - holes.diameter / 2, holes.radius + holes.diameter / 2
    if not (r0 < a and b < r1):
        raise DesignError(
            message(f"{name}'s holes", f"between r {1e3 * r0:g} and {1e3 * r1:g} mm", f"{1e3 * a:g} to {1e3 * b:g} mm")
        )
    thinned: Material = with_holes(steel, holes.count, holes.diameter, holes.radius)
    return [
        Part(f"{name}, inner", rectangle(r0, a, z0, z1), steel),
        Part(f"{name}, holes", rectangle(a, b, z0, z1), thinned),
        Part(f"{name}, outer", rectangle(b, r1, z0, z1), steel),
    ]


def _sleeve(name: str, r0: float, thickness: float, z0: float, z1: float) -> list[Part]:
    """Copper plated or slipped over a pole."""
    if thickness <= 0:
        return []
    return [Ring(name, "copper", r0, r0 + thickness, z0, z1).part()]


def _gap(where: str, gap: float, cap: float, coils: tuple[Coil, ...], pole: float) -> None:
    """The gap leaves room for coil and cap."""
    for c in coils:
        inside, outside = c.inner_radius - pole - cap, pole + gap - c.outer_radius
        if inside <= 0 or outside <= 0:
            width = c.outer_radius - c.inner_radius
            raise DesignError(
                message(f"{where}.gap", f"wide enough for coil {c.name}: {1e3 * (width + cap):.2f} mm and clearance",
                        f"{1e3 * gap:.2f} mm, clearance {1e3 * inside:.2f} mm inside, {1e3 * outside:.2f} mm outside",
                        where=f"at r {1e3 * c.inner_radius:.2f} mm", cause="The coil meets the pole or the plate",
                        fix=f"a gap of {1e3 * (width + cap) + 0.6:.1f} mm, the coil in its middle")
            )  # fmt: skip


@dataclass(frozen=True)
class FerriteRing:
    """A ring magnet outside, pole and back plate inside.

    Parameters (m)
        pole_radius, gap : the gap lies between the pole and the top plate's bore
        plate_thickness, plate_radius : top plate
        magnet_inner_radius, magnet_radius, magnet_height
        back_thickness, back_radius : back plate
        pole_vent_radius : bore through the pole; 0 for none
        pole_extension : how far the pole stands out beyond the top plate
        cap_thickness, cap_height : copper sleeve over the pole, from its front end down
        holes : in the back plate
    """

    coils: tuple[Coil, ...]
    pole_radius: float
    gap: float
    plate_thickness: float
    plate_radius: float
    magnet_inner_radius: float
    magnet_radius: float
    magnet_height: float
    back_thickness: float
    back_radius: float
    stroke: float
    pole_vent_radius: float = 0.0
    pole_extension: float = 0.0
    cap_thickness: float = 0.0
    cap_height: float = 0.0
    rings: tuple[Ring, ...] = ()
    holes: Holes | None = None
    magnet: str | Magnet = "ferrite"
    steel: str = "steel-1018"
    name: str = "ferrite ring"

    def motor(self) -> Motor:
        """The drawing. Raises DesignError where the dimensions contradict each other."""
        n, steel = self.name, _steel(self.steel)
        _positive(n, gap=self.gap, plate_thickness=self.plate_thickness, magnet_height=self.magnet_height,
                  back_thickness=self.back_thickness)  # fmt: skip
        bore = self.pole_radius + self.gap
        _ascending(n, pole_radius=self.pole_radius, bore=bore, magnet_inner_radius=self.magnet_inner_radius,
                   magnet_radius=self.magnet_radius)  # fmt: skip
        _gap(n, self.gap, self.cap_thickness, self.coils, self.pole_radius)
        top = self.plate_thickness / 2
        m1, m0 = -top, -top - self.magnet_height
        z_back, z_pole = m0 - self.back_thickness, top + self.pole_extension
        vent = self.pole_vent_radius
        if vent >= self.pole_radius:
            raise DesignError(message(f"{n}.pole_vent_radius", f"below {1e3 * self.pole_radius:g} mm", f"{1e3 * vent:g} mm"))
        parts = [
            Part("pole", rectangle(vent, self.pole_radius, z_back, z_pole), steel),
            *_plate("back plate", self.pole_radius, self.back_radius, z_back, m0, steel, self.holes),
            Part("magnet", rectangle(self.magnet_inner_radius, self.magnet_radius, m0, m1), _magnet(self.magnet)),
            Part("top plate", rectangle(bore, self.plate_radius, m1, top), steel),
            *_sleeve("pole cap", self.pole_radius, self.cap_thickness, z_pole - self.cap_height, z_pole),
            *(r.part() for r in self.rings),
        ]
        return Motor(n, tuple(parts), self.coils, self.stroke)


@dataclass(frozen=True)
class NeodymiumCup:
    """A disc magnet inside a steel cup, a pole disc on top of it.

    Parameters (m)
        pole_radius, pole_thickness, gap : the gap lies between the pole disc and the cup
        magnet_radius, magnet_height
        cup_radius, cup_bottom : outer radius and thickness of the cup's bottom
        cup_lip : how far the cup stands out beyond the pole disc
        vent_radius : bore through disc, magnet and bottom
    """

    coils: tuple[Coil, ...]
    pole_radius: float
    pole_thickness: float
    gap: float
    magnet_radius: float
    magnet_height: float
    cup_radius: float
    cup_bottom: float
    stroke: float
    cup_lip: float = 0.0
    vent_radius: float = 0.0
    cap_thickness: float = 0.0
    cap_height: float = 0.0
    rings: tuple[Ring, ...] = ()
    holes: Holes | None = None
    magnet: str | Magnet = "neodymium-42"
    steel: str = "steel-1018"
    name: str = "neodymium cup"

    def motor(self) -> Motor:
        """The drawing. Raises DesignError where the dimensions contradict each other."""
        n, steel = self.name, _steel(self.steel)
        _positive(n, gap=self.gap, pole_thickness=self.pole_thickness, magnet_height=self.magnet_height,
                  cup_bottom=self.cup_bottom)  # fmt: skip
        bore = self.pole_radius + self.gap
        _ascending(n, vent_radius=self.vent_radius + 1e-12, pole_radius=self.pole_radius, bore=bore, cup_radius=self.cup_radius)
        _ascending(n, magnet_radius=self.magnet_radius, bore=bore)
        _gap(n, self.gap, self.cap_thickness, self.coils, self.pole_radius)
        top = self.pole_thickness / 2
        m0 = -top - self.magnet_height
        z_back = m0 - self.cup_bottom
        vent = self.vent_radius
        parts = [
            Part("pole disc", rectangle(vent, self.pole_radius, -top, top), steel),
            Part("magnet", rectangle(vent, self.magnet_radius, m0, -top), _magnet(self.magnet)),
            *_plate("cup bottom", vent, self.cup_radius, z_back, m0, steel, self.holes),
            Part("cup wall", rectangle(bore, self.cup_radius, m0, top + self.cup_lip), steel),
            *_sleeve("pole cap", self.pole_radius, self.cap_thickness, top - self.cap_height, top),
            *(r.part() for r in self.rings),
        ]
        return Motor(n, tuple(parts), self.coils, self.stroke)


@dataclass(frozen=True)
class TwoGap:
    """Two gaps whose fields point opposite ways, two coils wound opposite ways, the magnet inside or outside.

    Parameters (m)
        magnet_place : "inside": a disc magnet between two pole discs, a steel tube around both;
            "outside": a ring magnet between two plates, a steel pole inside both
        pole_radius, gap : the gaps lie between pole disc (or pole) and tube (or plates)
        plate_thickness : of each pole disc or plate
        magnet_height : also the distance between the plates
        magnet_inner_radius, magnet_radius : inner radius is the bore of a magnet inside (0 for none)
        outer_radius : of the tube (magnet inside) or of the plates (magnet outside)
        vent_radius : bore of the pole (discs)
        overhang : how far tube or pole stands out beyond the plates at both ends
        cap_thickness, cap_overhang : copper sleeves over both poles, reaching beyond the plates by the overhang
    """

    coils: tuple[Coil, ...]
    magnet_place: Literal["inside", "outside"]
    pole_radius: float
    gap: float
    plate_thickness: float
    magnet_height: float
    magnet_radius: float
    outer_radius: float
    stroke: float
    magnet_inner_radius: float = 0.0
    vent_radius: float = 0.0
    overhang: float = 0.0
    cap_thickness: float = 0.0
    cap_overhang: float = 0.0
    rings: tuple[Ring, ...] = ()
    magnet: str | Magnet = "neodymium-42"
    steel: str = "steel-1018"
    name: str = "two-gap"
    notes: tuple[str, ...] = field(default=())

    def motor(self) -> Motor:
        """The drawing. Raises DesignError where the dimensions contradict each other."""
        n, steel = self.name, _steel(self.steel)
        _positive(n, gap=self.gap, plate_thickness=self.plate_thickness, magnet_height=self.magnet_height)
        bore = self.pole_radius + self.gap
        _ascending(n, pole_radius=self.pole_radius, bore=bore, outer_radius=self.outer_radius)
        _gap(n, self.gap, self.cap_thickness, self.coils, self.pole_radius)
        inner, outer = self.magnet_height / 2, self.magnet_height / 2 + self.plate_thickness
        r_m = (self.magnet_inner_radius, self.magnet_radius)
        inside = self.magnet_place == "inside"
        if inside:
            _ascending(n, magnet_radius=self.magnet_radius, bore=bore)
        else:
            _ascending(n, bore=bore, magnet_inner_radius=r_m[0], magnet_radius=r_m[1])
        rod = (self.vent_radius, self.pole_radius)
        tube = (bore, self.outer_radius)
        plates, long = (rod, tube) if inside else (tube, rod)
        names = ("pole disc", "tube") if inside else ("plate", "pole")
        end = outer + self.overhang
        parts = [
            Part(f"front {names[0]}", rectangle(*plates, inner, outer), steel),
            Part(f"rear {names[0]}", rectangle(*plates, -outer, -inner), steel),
            Part("magnet", rectangle(*r_m, -inner, inner), _magnet(self.magnet)),
            Part(names[1], rectangle(*long, -end, end), steel),
        ]
        lip = self.cap_overhang
        if inside and self.magnet_radius > self.pole_radius:
            lip = 0.0
        parts += _sleeve("front cap", self.pole_radius, self.cap_thickness, inner - lip, outer + lip * (not inside))
        parts += _sleeve("rear cap", self.pole_radius, self.cap_thickness, -outer - lip * (not inside), -inner + lip)
        parts += [r.part() for r in self.rings]
        return Motor(n, tuple(parts), self.coils, self.stroke, self.notes)


def free_drawing(
    name: str, bodies: dict[str, tuple[Points, Material]], coils: tuple[Coil, ...], stroke: float,
    magnetisation: dict[str, tuple[float, float]] | None = None,
) -> Motor:  # fmt: skip
    """A motor from polygons (r, z in m) with materials; magnets point along +z where nothing else is said."""
    directions = magnetisation or {}
    unknown = sorted(set(directions) - set(bodies))
    if unknown:
        raise DesignError(message("magnetisation", "given for parts of the drawing", ", ".join(unknown)))
    parts = tuple(Part(k, p, m, directions.get(k, (0.0, 1.0))) for k, (p, m) in bodies.items())
    return Motor(name, parts, coils, stroke)
