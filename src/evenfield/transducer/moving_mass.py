"""Moving parts: coil, former, cone, dust cap and the shares of surround and spider; small-signal parameters from them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from evenfield.base import Air, DesignError, message
from evenfield.transducer.driver import Driver, baffled_air_load
from evenfield.transducer.large_signal_motor import LargeSignalMotor
from evenfield.transducer.suspension import Suspension
from evenfield.transducer.wire import Wire

SURROUND_SHARE = 0.5
"""Share of surround and spider that moves with the cone: the outer edge stands still (common practice, no source)."""

FORMERS = {"aluminium": 2703.0, "polyimide": 1420.0, "glass fibre": 1850.0, "paper": 900.0, "titanium": 4500.0}
"""kg/m3 of a former's sheet (handbook values; from memory)."""


@dataclass(frozen=True)
class VoiceCoil:
    """A coil on its former.

    Parameters
        wire : Wire
        inner_diameter : m, of the former's bore
        depth : m, winding depth along the axis, as wanted; whole turns are wound
        layers : int >= 1
        former_material, former_thickness, former_length : m; thickness 0: no former
        lead_resistance : ohm, of lead-outs and braids
        packing : radial build of each further layer over one wire: 1 for crossed layers, 0.87 for nested round wire
    """

    wire: Wire
    inner_diameter: float
    depth: float
    layers: int = 2
    former_material: str = "polyimide"
    former_thickness: float = 0.1e-3
    former_length: float = 0.0
    lead_resistance: float = 0.0
    packing: float = 1.0

    def __post_init__(self) -> None:
        if not 5e-3 <= self.inner_diameter <= 0.2:
            value = f"{1e3 * self.inner_diameter:.4g} mm"
            raise DesignError(message("voice coil's diameter", "5 to 200 mm", value, cause="Is the unit right?"))
        if self.layers < 1 or self.depth < self.wire.pitch:
            value = f"{self.layers} layers, {1e3 * self.depth:.3g} mm deep"
            raise DesignError(message("voice coil", "of at least one layer and one turn", value))
        if self.former_material not in FORMERS:
            raise DesignError(message("former's material", f"one of {', '.join(FORMERS)}", repr(self.former_material)))

    @property
    def turns_a_layer(self) -> int:
        """Whole turns that fit in the depth."""
        return int(self.depth / self.wire.pitch + 1e-9)

    @property
    def turns(self) -> int:
        """All turns."""
        return self.turns_a_layer * self.layers

    @property
    def winding_depth(self) -> float:
        """m, as wound."""
        return self.turns_a_layer * self.wire.pitch

    @property
    def build(self) -> float:
        """m, radial, of all layers."""
        return self.wire.layer * (1 + self.packing * (self.layers - 1))

    @property
    def outer_diameter(self) -> float:
        """m, what must clear the gap."""
        return self.inner_diameter + 2 * (self.former_thickness + self.build)

    @property
    def wire_length(self) -> float:
        """m."""
        first = self.inner_diameter / 2 + self.former_thickness + self.wire.layer / 2
        step = self.wire.layer * self.packing
        return sum(2 * math.pi * (first + n * step) * self.turns_a_layer for n in range(self.layers))

    @property
    def resistance(self) -> float:
        """ohm at 20 degC, leads included."""
        return self.wire_length * self.wire.resistance_per_length + self.lead_resistance

    @property
    def wire_mass(self) -> float:
        """kg, coating included."""
        return self.wire_length * self.wire.mass_per_length

    @property
    def former_mass(self) -> float:
        """kg."""
        mean = self.inner_diameter + self.former_thickness
        return FORMERS[self.former_material] * math.pi * mean * self.former_thickness * self.former_length

    @property
    def heat_capacity(self) -> float:
        """J/K of the metal."""
        c = self.wire.conductor
        return self.wire_length * self.wire.area * c.density * c.heat_capacity


@dataclass(frozen=True)
class MovingParts:
    """All that moves.

    Parameters
        coil : VoiceCoil
        cone, dust_cap, surround, spider, glue, braids : kg, whole masses; of surround and spider `SURROUND_SHARE` moves
        more : further masses by name, kg
    """

    coil: VoiceCoil
    cone: float
    dust_cap: float = 0.0
    surround: float = 0.0
    spider: float = 0.0
    glue: float = 0.0
    braids: float = 0.0
    more: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for name, value in self._whole().items():
            if not (math.isfinite(value) and 0 <= value < 2):
                raise DesignError(message(f"mass of {name}", "0 to 2 kg", f"{value} kg", cause="Is the unit right?", fix="grams"))

    def _whole(self) -> dict[str, float]:
        names = ("cone", "dust_cap", "surround", "spider", "glue", "braids")
        return {n: float(getattr(self, n)) for n in names} | dict(self.more)

    def budget(self) -> dict[str, float]:
        """kg by part, as it moves."""
        shares = {"surround": SURROUND_SHARE, "spider": SURROUND_SHARE, "braids": SURROUND_SHARE}
        moved = {n: shares.get(n, 1.0) * m for n, m in self._whole().items()}
        return {"wire": self.coil.wire_mass, "former": self.coil.former_mass, **moved}

    @property
    def mass(self) -> float:
        """kg, bare moving mass Mmd."""
        return sum(self.budget().values())


def cone_mass(outer_diameter: float, inner_diameter: float, depth: float, area_density: float) -> float:
    """kg of a straight cone of a sheet of so many kg/m2 (paper 0.15 to 0.5; common practice, no source)."""
    outer, inner = outer_diameter / 2, inner_diameter / 2
    return math.pi * (outer + inner) * math.hypot(outer - inner, depth) * area_density


def effective_area(cone_diameter: float, surround_width: float) -> float:
    """m2, Sd: the cone and half the surround's width around it."""
    return math.pi / 4 * (cone_diameter + surround_width) ** 2


def driver_from_parts(
    parts: MovingParts,
    motor: LargeSignalMotor,
    suspension: Suspension,
    sd: float,
    *,
    qms: float | None = None,
    rms: float | None = None,
    xmax: float | None = None,
    air: Air | None = None,
    name: str = "driver",
) -> Driver:
    """Small-signal parameters computed from parts: Re and mass from coil and cone, Bl and Le from the motor, Cms from the spring.

    Damping does not follow from parts: give `qms` (with the air load of a baffled piston) or `rms`.
    Raises DesignError when both or neither are given.
    """
    if (qms is None) == (rms is None):
        raise DesignError(message(f"{name}: damping", "given once, as Qms or as Rms", f"Qms {qms}, Rms {rms}", fix="qms: 5"))
    load = baffled_air_load(sd, air or Air())
    mms, compliance = parts.mass + load, suspension.compliance
    if rms is None:
        assert qms is not None
        rms = math.sqrt(mms / compliance) / qms
    return Driver(parts.coil.resistance, abs(float(motor.force_factor(0.0))), parts.mass, compliance, rms, sd, motor.coil_at(0.0),
                  xmax, load, name)  # fmt: skip
