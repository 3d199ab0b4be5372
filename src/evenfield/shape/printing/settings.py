"""What the printer can do, what the part is made of, and how it is held: millimetres, degrees, g/cm3, money per kg."""

from __future__ import annotations

from dataclasses import dataclass, field

SCREWS_MM: dict[str, tuple[float, float, float, float, float]] = {
    # size: clearance hole, countersunk head (theoretical diameter), insert hole, insert length, outer diameter of the insert
    "M2.5": (2.9, 5.5, 3.6, 4.0, 4.2),
    "M3": (3.4, 6.72, 4.0, 5.7, 4.6),
    "M4": (4.5, 8.96, 5.6, 8.1, 6.3),
    "M5": (5.5, 11.2, 6.4, 9.5, 7.1),
}
"""Holes for metric screws, mm. Clearance: ISO 273 medium; countersunk heads: ISO 10642 (both from memory); heat-set inserts:
common practice, no source, so the drawing of the insert bought goes first."""


@dataclass(frozen=True)
class Material:
    """What is printed. Density g/cm3, price money per kg, hottest deg C that it bears under load (for the caution)."""

    name: str = "PETG"
    density_g_cm3: float = 1.27
    price_per_kg: float = 25.0
    hottest_c: float = 70.0


@dataclass(frozen=True)
class Machine:
    """The printer, mm, mm/s, degrees.

    Parameters
        volume_mm : build volume, width, depth, height
        overhang_deg : steepest overhang printed without support, from the vertical
        overhead : share of time for travel, cooling and slow corners on top of laying material
        price_per_hour : of the machine's time
        lying : what lies on the plate, see `shape.overhang.LYING`; None: the best way is found
    """

    volume_mm: tuple[float, float, float] = (250.0, 210.0, 210.0)
    nozzle_mm: float = 0.4
    layer_mm: float = 0.2
    line_mm: float = 0.45
    speed_mm_s: float = 60.0
    perimeters: int = 4
    infill: float = 0.25
    overhang_deg: float = 45.0
    overhead: float = 0.35
    layer_change_s: float = 2.0
    support_density: float = 0.15
    price_per_hour: float = 0.0
    lying: str | None = None

    @property
    def least_wall_mm(self) -> float:
        """Thinnest wall that prints as two lines, mm."""
        return 2 * self.line_mm

    @property
    def least_hole_mm(self) -> float:
        """Smallest hole that comes out open, mm (common practice, no source: five nozzles)."""
        return 5 * self.nozzle_mm


@dataclass(frozen=True)
class Making:
    """How the part is built and held, mm.

    Parameters
        wall : thickness of the wall behind the acoustic surface, nowhere less
        flange, flange_thickness : how far the flange reaches beyond the mouth where the baffle has room; how thick
        corner : corner radius of the flange
        fixing : "front": countersunk screws through the flange; "rear": heat-set inserts in it, screwed from inside
        screw, screws : size and count of the flange's screws
        gasket : diameter of the gasket cord in the flange's groove; 0 for a flat gasket
        seat_radius, seat_thickness : the driver's mounting face behind the throat; None follows from its screws
        seat_pitch_radius, seat_screw, seat_screws : heat-set inserts for the driver
        ribs, rib_thickness : stiffening ribs between flange and driver seat
        clearance : between part and cut-out, all round
        lettering_depth : of the engraved title and revision; 0 for none
        pin : diameter of the registration pins where the part is split
    """

    wall: float = 4.0
    flange: float = 12.0
    flange_thickness: float = 6.0
    corner: float = 12.0
    fixing: str = "front"
    screw: str = "M4"
    screws: int = 4
    gasket: float = 2.0
    seat_radius: float | None = None
    seat_thickness: float = 8.0
    seat_pitch_radius: float | None = None
    seat_screw: str = "M3"
    seat_screws: int = 4
    ribs: int = 8
    rib_thickness: float = 3.0
    clearance: float = 0.5
    lettering_depth: float = 0.5
    pin: float = 3.0


@dataclass(frozen=True)
class Printer:
    """Everything that the `printer` section says; `taken` names what it did not say and was filled in."""

    machine: Machine = Machine()
    material: Material = Material()
    making: Making = Making()
    taken: tuple[str, ...] = field(default=())
