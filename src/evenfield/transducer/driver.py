"""Driver: a moving-coil transducer in small signal; CompressionDriver: one that works into a throat."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Literal

from evenfield.base import Air, DesignError, message
from evenfield.transducer.coil import Coil, PlainInductance
from evenfield.transducer.thiele_small import NAMES, check_parameters

AirLoad = Literal["baffled", "none"]


@dataclass(frozen=True)
class Driver:
    """A moving-coil driver, SI.

    `mmd` is the bare moving mass, WITHOUT air. The Mms of a data sheet includes the air on both sides of a piston in an
    infinite baffle, 2 x 8/3 rho a^3 with a = sqrt(Sd/pi) (`air_load`); that is taken off, because the front's true load
    comes from the acoustic solve. Half of it, `rear_air_mass`, is put back by the network for the rear side, which the
    solve does not see. The same half is right for a rear side in a box (a larger baffle ratio alters it by some 20 %,
    Beranek 1954, from memory) and for a sealed rear chamber.

    Parameters
        re : ohm, DC resistance
        bl : T m, force factor
        mmd : kg, bare moving mass
        cms : m/N, suspension compliance (for a driver with its own rear chamber measured in situ: chamber included)
        rms : N s/m, mechanical resistance. The radiation resistance at Fs that a measured Qms contains is left in:
            1 % of it for a 4-inch cone, 7 % for a 12-inch one
        sd : m2, effective area: cone plus half the surround
        coil : blocked impedance less re; PlainInductance(0) when nothing is known
        xmax : m peak, linear excursion one way, or None
        air_load : kg, what was taken off the Mms of the data sheet
        name : for messages
    Source of the air load: Beranek & Mellow, Acoustics (2012), ch. 13 (baffled piston, 8 rho a^3 / 3 a side).
    """

    re: float
    bl: float
    mmd: float
    cms: float
    rms: float
    sd: float
    coil: Coil = field(default_factory=lambda: PlainInductance(0.0))
    xmax: float | None = None
    air_load: float = 0.0
    name: str = "driver"

    def __post_init__(self) -> None:
        for name in ("re", "mmd", "cms", "sd"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value > 0):
                raise DesignError(message(f"{self.name}.{name}", "finite and positive", value))
        for name in ("bl", "rms", "air_load"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value >= 0):
                raise DesignError(message(f"{self.name}.{name}", "finite and not negative", value))
        if self.xmax is not None and not (math.isfinite(self.xmax) and self.xmax > 0):
            raise DesignError(message(f"{self.name}.xmax", "positive, or left out", self.xmax))

    @classmethod
    def from_parameters(
        cls,
        *,
        re: float | None = None,
        le: float | None = None,
        fs: float | None = None,
        qms: float | None = None,
        qes: float | None = None,
        qts: float | None = None,
        vas: float | None = None,
        sd: float | None = None,
        bl: float | None = None,
        mms: float | None = None,
        cms: float | None = None,
        rms: float | None = None,
        xmax: float | None = None,
        coil: Coil | None = None,
        air: Air | None = None,
        air_load: AirLoad = "baffled",
        key: str | None = None,
    ) -> Driver:
        """A driver from any sufficient set of Thiele/Small parameters, SI.

        Parameters
            re ... xmax : as named in `thiele_small.NAMES`; None where not given
            coil : inductance model; without one, PlainInductance(le), and le = 0 when that is missing too
            air : the air that Vas and Mms are stated for (default: 20 degC)
            air_load : "baffled" when Mms includes both sides of a baffled piston (data sheets); "none" when it is bare
            key : dotted path of the driver in the design file, for messages
        Raises DesignError when members are missing (naming what would suffice), out of range, or contradict each other
        by more than 2 % (naming the relation and by how much), or when the air load exceeds Mms.
        Example:
            >>> d = Driver.from_parameters(re=5.6, fs=58.0, qms=4.5, bl=5.0, mms=6.4e-3, sd=55e-4)
            >>> round(d.parameters()["Qts"], 3)
            0.468
        """
        air = air or Air()
        values = (re, le, fs, qms, qes, qts, vas, sd, bl, mms, cms, rms, xmax)
        given = {n: v for n, v in zip(NAMES, values, strict=True) if v is not None}
        return cls.from_named(given, coil=coil, air=air, air_load=air_load, key=key)

    @classmethod
    def from_named(
        cls,
        given: dict[str, float],
        *,
        coil: Coil | None = None,
        air: Air | None = None,
        air_load: AirLoad = "baffled",
        key: str | None = None,
    ) -> Driver:
        """`from_parameters` with the Thiele/Small names as keys: {"Re": 5.6, "Fs": 58.0, ...}."""
        air = air or Air()
        known = check_parameters(given, air, key)
        load = baffled_air_load(known["Sd"], air) if air_load == "baffled" else 0.0
        if load >= known["Mms"]:
            raise DesignError(
                message(
                    f"{key or 'driver'}.mms",
                    f"more than the air it moves ({1e3 * load:.3g} g for this Sd)",
                    f"{1e3 * known['Mms']:.3g} g",
                    cause="Mms includes the air load of both sides",
                    fix="checking the units of Mms and Sd",
                ),
                None if key is None else f"{key}.mms",
            )
        return cls(
            re=known["Re"],
            bl=known["Bl"],
            mmd=known["Mms"] - load,
            cms=known["Cms"],
            rms=known["Rms"],
            sd=known["Sd"],
            coil=coil if coil is not None else PlainInductance(known.get("Le", 0.0)),
            xmax=known.get("Xmax"),
            air_load=load,
            name=key or "driver",
        )

    @property
    def mms(self) -> float:
        """kg, moving mass with the conventional air load of both sides."""
        return self.mmd + self.air_load

    @property
    def rear_air_mass(self) -> float:
        """kg, the rear side's half of the conventional air load."""
        return self.air_load / 2

    @property
    def radius(self) -> float:
        """m, radius of a disc of area sd."""
        return math.sqrt(self.sd / math.pi)

    def parameters(self, air: Air | None = None) -> dict[str, float]:
        """All Thiele/Small parameters, SI, by their names; Le is |Z_coil| / w at 1 kHz."""
        air = air or Air()
        ws = 1 / math.sqrt(self.mms * self.cms)
        qms = ws * self.mms / self.rms if self.rms else math.inf
        qes = ws * self.mms * self.re / self.bl**2 if self.bl else math.inf
        result = {
            "Re": self.re,
            "Le": abs(complex(self.coil.impedance(1000.0)[0])) / (2000 * math.pi),
            "Fs": ws / (2 * math.pi),
            "Qms": qms,
            "Qes": qes,
            "Qts": 1 / (1 / qms + 1 / qes) if 1 / qms + 1 / qes > 0 else math.inf,
            "Vas": air.density * air.speed_of_sound**2 * self.sd**2 * self.cms,
            "Sd": self.sd,
            "Bl": self.bl,
            "Mms": self.mms,
            "Cms": self.cms,
            "Rms": self.rms,
        }
        return result if self.xmax is None else {**result, "Xmax": self.xmax}

    def with_coil(self, coil: Coil) -> Driver:
        """The same driver with another inductance model."""
        return replace(self, coil=coil)


@dataclass(frozen=True)
class CompressionDriver:
    """A driver whose diaphragm works through a small air chamber into a throat.

    The diaphragm (Sd) compresses the front chamber (phase plug included), the throat (area St) lets the air out:
    p = (Sd v_d - St v_t) / (j w V_f / rho c2). The diaphragm's parameters are those of the bare assembly, its Mms
    without air (`air_load="none"`), since neither side moves free air. `rear_volume` None: the rear chamber is part of
    the given Cms (Fs measured in situ).

    Parameters
        driver : the diaphragm and motor
        throat_area : m2 > 0, exit of the phase plug; the moving part of the acoustic solve
        front_volume : m3 > 0, air between diaphragm and throat
        rear_volume : m3 > 0 behind the diaphragm, or None
        plug_mass_length : m >= 0, length of the air column between chamber and throat that moves as one (0: none)
    Valid for: wavelengths long against the chamber and the plug's channels; above, the plug's own modes rule.
    Source: Beranek & Mellow, Acoustics (2012), ch. 9 (two-port of a compression driver).
    Raises DesignError when a size is not positive, or the throat is larger than the diaphragm.
    """

    driver: Driver
    throat_area: float
    front_volume: float
    rear_volume: float | None = None
    plug_mass_length: float = 0.0

    def __post_init__(self) -> None:
        name = self.driver.name
        sizes = {"throat_area": self.throat_area, "front_volume": self.front_volume, "rear_volume": self.rear_volume}
        for size, value in sizes.items():
            if value is not None and not (math.isfinite(value) and value > 0):
                raise DesignError(message(f"{name}.{size}", "finite and positive", value))
        if not (math.isfinite(self.plug_mass_length) and self.plug_mass_length >= 0):
            raise DesignError(message(f"{name}.plug_mass_length", "not negative", self.plug_mass_length))
        if self.throat_area > self.driver.sd:
            raise DesignError(
                message(
                    f"{name}.throat_area",
                    f"at most the diaphragm's area ({1e4 * self.driver.sd:.3g} cm2)",
                    f"{1e4 * self.throat_area:.3g} cm2",
                    cause="A compression ratio below one is no compression driver",
                )
            )

    @property
    def compression_ratio(self) -> float:
        """Diaphragm area over throat area."""
        return self.driver.sd / self.throat_area


def baffled_air_load(sd: float, air: Air) -> float:
    """kg, air mass on both sides of a baffled piston of area `sd` (m2) at low frequency: 2 x 8/3 rho a^3.

    Source: Beranek & Mellow, Acoustics (2012), ch. 13.
    """
    return 16 / 3 * air.density * math.sqrt(sd / math.pi) ** 3
