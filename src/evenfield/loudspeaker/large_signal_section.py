"""The design file's `ways.<name>.motor.large_signal`: what a driver does at high level, beside or without a drawing.

Keys: force_factor, stiffness, inductance (curves over position), from_xmax, creep, resistance_growth, flux_modulation, travel,
vent_loss, damping_winding, heat, voice_coil, moving.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenfield.base.errors import DesignError, message
from evenfield.base.units import parse_amount
from evenfield.transducer.driver import Driver
from evenfield.transducer.heat import FIELD_LOSS, HeatNetwork
from evenfield.transducer.large_signal import VENT_LOSS, LargeSignalDriver
from evenfield.transducer.large_signal_motor import LargeSignalMotor, ShortedWinding
from evenfield.transducer.limits import DISPLACEMENT_CRITERIA
from evenfield.transducer.moving_mass import MovingParts, VoiceCoil
from evenfield.transducer.position_curve import PositionCurve
from evenfield.transducer.suspension import Creep, Suspension
from evenfield.transducer.wire import CONDUCTORS, Wire

Real = NDArray[np.float64]

CURVE_KEYS = ("force_factor", "stiffness", "inductance")
KEYS = (
    *CURVE_KEYS,
    "from_xmax",
    "creep",
    "resistance_growth",
    "flux_modulation",
    "travel",
    "vent_loss",
    "damping_winding",
    "heat",
    "voice_coil",
    "moving",
)

TRY = (
    "large_signal: {force_factor: {at: [-8 mm, -4 mm, 0 mm, 4 mm, 8 mm], share: [0.35, 0.85, 1, 0.85, 0.35]}}, "
    "or large_signal: {from_xmax: true}, which takes the usual shape for this Xmax"
)


@dataclass(frozen=True, eq=False)
class TypedMotor:
    """What a motor section says beside a drawing.

    Parameters
        force_factor, stiffness, inductance : curves in shares of the value at rest, or in SI; None where not given
        notes : what was assumed, in words
    """

    key: str
    force_factor: PositionCurve | None
    stiffness: PositionCurve | None
    inductance: PositionCurve | None
    creep: Creep | None
    resistance_growth: float
    flux_modulation: tuple[float, float]
    travel: tuple[float, float] | None
    vent_loss: float
    winding: ShortedWinding | None
    heat: HeatNetwork | None
    coil: VoiceCoil | None
    moving: MovingParts | None
    notes: tuple[str, ...] = ()


def read_large_signal(section: Mapping[str, Any], key: str, driver: Driver) -> TypedMotor:
    """Read one section; curves in shares are scaled to the driver's parameters.

    Raises DesignError with the key.
    """
    _known(section, key, KEYS)
    notes: list[str] = []
    curves = {name: _curve(section.get(name), f"{key}.{name}", name) for name in CURVE_KEYS}
    if section.get("from_xmax"):
        assumed = _from_xmax(driver, key)
        for name, curve in assumed.items():
            if curves[name] is None:
                curves[name] = curve
        notes.append(
            f"{key}: Bl(x) and Kms(x) are assumed to fall and rise so that IEC 62458's 10 % criteria (from memory) are met at "
            f"the typed Xmax of {1e3 * float(driver.xmax or 0):.3g} mm; nothing is known of this driver's own curves."
        )
    scaled = {
        "force_factor": _scaled(curves["force_factor"], driver.bl),
        "stiffness": _scaled(curves["stiffness"], 1 / driver.cms),
        "inductance": curves["inductance"],
    }
    if curves["inductance"] is None and curves["force_factor"] is not None:
        notes.append(
            f"{key}: inductance is taken to be the same at every position, which understates distortion above some 200 Hz."
        )
    coil = _coil(section.get("voice_coil"), f"{key}.voice_coil")
    travel = section.get("travel")
    return TypedMotor(
        key,
        scaled["force_factor"],
        scaled["stiffness"],
        scaled["inductance"],
        _creep(section, key),
        float(section.get("resistance_growth", 0.0)),
        _pair(section.get("flux_modulation"), f"{key}.flux_modulation"),
        None if travel is None else _travel(travel, f"{key}.travel"),
        float(section.get("vent_loss", VENT_LOSS)),
        _winding(section.get("damping_winding"), f"{key}.damping_winding"),
        _heat(section.get("heat"), f"{key}.heat"),
        coil,
        _moving(section.get("moving"), f"{key}.moving", coil),
        tuple(notes),
    )


def large_signal_driver(typed: TypedMotor, driver: Driver, motor: LargeSignalMotor | None = None) -> LargeSignalDriver:
    """The driver at any level; `motor` comes from a drawing, else from the typed curves.

    Raises DesignError, with what to write, when neither says how the force changes with position.
    """
    if motor is None:
        if typed.force_factor is None:
            where = f"{typed.key}.force_factor"
            raise DesignError(message(where, "given over position", "nothing", cause="Distortion comes from it", fix=TRY), where)
        motor = LargeSignalMotor.typed(typed.force_factor, driver.coil, typed.inductance, typed.flux_modulation, typed.winding)
    reach = max(abs(v) for v in motor.reach)
    drawn = typed.force_factor is None
    suspension = (
        Suspension.linear(driver.cms, reach, typed.creep) if typed.stiffness is None else Suspension(typed.stiffness, typed.creep)
    )
    more: dict[str, object] = {"rms_growth": typed.resistance_growth, "travel": typed.travel}
    if drawn:
        # the drawing shows what it gives; how far it is from the typed Bl is a line of the verdict
        more["agreement"] = 0.5
    if typed.coil is not None:
        more["temperature_coefficient"] = typed.coil.wire.conductor.temperature_coefficient
    return LargeSignalDriver.of(driver, motor, suspension, **more)  # type: ignore[arg-type]


def _curve(node: Any, key: str, name: str) -> PositionCurve | None:
    """`{at: [...], value: [...]}`, `{at: [...], share: [...]}` or `{reach: 8 mm, powers: [1, 0, -2e3]}` (shares over metres)."""
    if node is None:
        return None
    if not isinstance(node, Mapping):
        raise DesignError(message(key, "a mapping with `at` and `value`, or `reach` and `powers`", repr(node)), key)
    try:
        if "powers" in node:
            powers = [float(v) for v in node["powers"]]
            if not powers or powers[0] != 1:
                raise DesignError(
                    message(f"{key}.powers", "shares of the value at rest, the first 1", powers, fix="[1, 0, -3e3]")
                )
            return PositionCurve.polynomial(powers, _amount(node.get("reach"), "length", f"{key}.reach"), name)
        at = [_amount(v, "length", f"{key}.at") for v in node.get("at", ())]
        if "share" in node:
            share = [float(v) for v in node["share"]]
            curve = PositionCurve(np.array(at), np.array(share), name)
            if abs(float(curve(0.0)) - 1) > 0.02:
                raise DesignError(message(f"{key}.share", "1 at rest (within 2 %)", f"{float(curve(0.0)):.3g}"))
            return curve
        dimension = {"force_factor": "force_factor", "stiffness": "stiffness", "inductance": "inductance"}[name]
        return PositionCurve(np.array(at), np.array([_amount(v, dimension, f"{key}.value") for v in node.get("value", ())]), name)
    except DesignError as error:
        raise DesignError(str(error), error.key or key) from None
    except (TypeError, ValueError):
        raise DesignError(message(key, "lists of numbers with units", repr(node)), key) from None


def _scaled(curve: PositionCurve | None, rest: float) -> PositionCurve | None:
    """A curve in shares becomes one in SI; one in SI is left alone."""
    if curve is None:
        return None
    return curve.times(rest) if abs(float(curve(0.0)) - 1) <= 0.02 and abs(rest - 1) > 0.05 else curve


def _from_xmax(driver: Driver, key: str) -> dict[str, PositionCurve]:
    if driver.xmax is None:
        where = f"{key}.from_xmax"
        raise DesignError(message(where, "used with a driver whose xmax is given", "no xmax", fix="driver.xmax: 5 mm"), where)
    bl, cms, _ = DISPLACEMENT_CRITERIA[10]
    reach = 1.6 * driver.xmax
    x = np.linspace(-reach, reach, 41)
    u = (x / driver.xmax) ** 2
    # Bl like a bell, stiffness like a bowl: no share falls to zero or below within the reach
    return {
        "force_factor": PositionCurve(x, bl**u, "force_factor"),
        "stiffness": PositionCurve(x, 1 + (1 / cms - 1) * u, "stiffness"),
    }


def _creep(section: Mapping[str, Any], key: str) -> Creep | None:
    return None if section.get("creep") is None else Creep(float(section["creep"]))


def _pair(node: Any, key: str) -> tuple[float, float]:
    if node is None:
        return (0.0, 0.0)
    if not isinstance(node, list) or len(node) != 2:
        raise DesignError(message(key, "two numbers, 1/A and 1/A^2", repr(node), fix="[0.02, 0.001]"), key)
    return float(node[0]), float(node[1])


def _travel(node: Any, key: str) -> tuple[float, float]:
    if not isinstance(node, list) or len(node) != 2:
        raise DesignError(message(key, "two positions, inwards and outwards", repr(node), fix="[-9 mm, 11 mm]"), key)
    low, high = (_amount(v, "length", key) for v in node)
    if not low < 0 < high:
        raise DesignError(message(key, "on both sides of rest", repr(node), fix="[-9 mm, 11 mm]"), key)
    return low, high


def _winding(node: Any, key: str) -> ShortedWinding | None:
    if node is None:
        return None
    _known(node, key, ("resistance", "force_factor", "inductance", "mutual"))
    bl = _curve(node.get("force_factor"), f"{key}.force_factor", "force_factor")
    if bl is None:
        raise DesignError(message(f"{key}.force_factor", "given over position", "nothing"), key)
    reach = max(abs(v) for v in bl.reach)
    own = _amount(node.get("inductance", "20 uH"), "inductance", f"{key}.inductance")
    mutual = _amount(node.get("mutual", "0 uH"), "inductance", f"{key}.mutual")
    return ShortedWinding(
        _amount(node.get("resistance"), "resistance", f"{key}.resistance"),
        bl,
        PositionCurve.constant(own, reach),
        PositionCurve.constant(mutual, reach),
    )


def _heat(node: Any, key: str) -> HeatNetwork | None:
    """`{capacity: [2 J/K, 150 J/K, 600 J/K], coil_steel: 0.5 W/K, ...}`."""
    if node is None:
        return None
    flows = ("coil_steel", "steel_magnet", "magnet_air")
    _known(node, key, ("capacity", *flows, "coil_air", "per_velocity", "ambient", "magnet", "hottest"))
    capacity = [_amount(v, "heat_capacity", f"{key}.capacity") for v in node.get("capacity", ())]
    if len(capacity) != 3:
        raise DesignError(
            message(f"{key}.capacity", "three: coil, steel, magnet", capacity, fix="[2 J/K, 150 J/K, 600 J/K]"), key
        )
    magnet = str(node.get("magnet", "ferrite"))
    if magnet not in FIELD_LOSS:
        raise DesignError(message(f"{key}.magnet", f"one of {', '.join(FIELD_LOSS)}", repr(magnet)), key)
    flow = {n: _amount(node[n], "heat_flow", f"{key}.{n}") for n in flows if n in node}
    missing = [n for n in flows if n not in flow]
    if missing:
        raise DesignError(message(f"{key}.{missing[0]}", "given", "nothing", fix="0.5 W/K"), f"{key}.{missing[0]}")
    return HeatNetwork(
        (capacity[0], capacity[1], capacity[2]),
        **flow,
        coil_air=_amount(node.get("coil_air", "0 W/K"), "heat_flow", f"{key}.coil_air"),
        per_velocity=float(node.get("per_velocity", 0.0)),
        ambient=_amount(node.get("ambient", "20 degC"), "temperature", f"{key}.ambient"),
        field_loss=FIELD_LOSS[magnet],
        hottest=_amount(node.get("hottest", "200 degC"), "temperature", f"{key}.hottest"),
    )


def _coil(node: Any, key: str) -> VoiceCoil | None:
    if node is None:
        return None
    known = (
        "wire",
        "wire_height",
        "conductor",
        "diameter",
        "depth",
        "layers",
        "former",
        "former_thickness",
        "former_length",
        "leads",
    )
    _known(node, key, known)
    conductor = str(node.get("conductor", "copper"))
    if conductor not in CONDUCTORS:
        raise DesignError(message(f"{key}.conductor", f"one of {', '.join(CONDUCTORS)}", repr(conductor)), key)
    height = None if "wire_height" not in node else _amount(node["wire_height"], "length", f"{key}.wire_height")
    wire = Wire(_amount(node.get("wire"), "length", f"{key}.wire"), height, conductor=CONDUCTORS[conductor])
    return VoiceCoil(
        wire,
        _amount(node.get("diameter"), "length", f"{key}.diameter"),
        _amount(node.get("depth"), "length", f"{key}.depth"),
        int(node.get("layers", 2)),
        str(node.get("former", "polyimide")),
        _amount(node.get("former_thickness", "0.1 mm"), "length", f"{key}.former_thickness"),
        _amount(node.get("former_length", "0 mm"), "length", f"{key}.former_length"),
        _amount(node.get("leads", "0 ohm"), "resistance", f"{key}.leads"),
    )


def _moving(node: Any, key: str, coil: VoiceCoil | None) -> MovingParts | None:
    if node is None:
        return None
    if coil is None:
        raise DesignError(message(key, "given with a voice_coil", "none"), key)
    _known(node, key, ("cone", "dust_cap", "surround", "spider", "glue", "braids"))
    masses = {str(n): _amount(v, "mass", f"{key}.{n}") for n, v in node.items()}
    return MovingParts(coil, masses.pop("cone", 0.0), **masses)  # type: ignore[arg-type]


def _known(node: Any, key: str, known: tuple[str, ...]) -> None:
    if not isinstance(node, Mapping):
        raise DesignError(message(key, f"a mapping of {', '.join(known)}", repr(node)), key)
    for name in node:
        if name not in known:
            raise DesignError(message(f"{key}.{name}", f"one of {', '.join(known)}", repr(name)), f"{key}.{name}")


def _amount(node: Any, dimension: str, key: str) -> float:
    if node is None:
        raise DesignError(message(key, "given", "nothing"), key)
    try:
        return float(parse_amount(node, dimension))
    except DesignError as error:
        raise DesignError(f"{key} {error}", key) from None
