"""The coupled network: drivers, vents, boxes and the field's load, solved for every way at once.

Unknowns are the velocity of every moving part (and of a compression driver's diaphragm) and the current of every
electrical branch:

    [  Ze   G  ] [ i ]   [ E ]     Ze  DC resistance, coil, amplifier output impedance
    [ -G'   Zm ] [ v ] = [ 0 ]     G   force factors
                                   Zm  moving mass, suspension, box, vent friction and the radiation-impedance matrix

A way is driven by 1 V RMS behind its amplifier's output impedance; all other ways are shorted through theirs.
Sources: R. H. Small, JAES 20 (1972) 383, 798 and JAES 21 (1973) 363; Beranek & Mellow, Acoustics (2012), ch. 6-7.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from evenfield.base import Air, DesignError, message
from evenfield.transducer.box import ClosedBox, VentedBox
from evenfield.transducer.driver import CompressionDriver
from evenfield.transducer.solution import Complex, DriverPart, NetworkSolution, Part, Real, VentPart

Wiring = Literal["parallel", "series"]

AREA_TOLERANCE = 0.1
"""Largest relative difference of a part's area in the mesh from the driver's or vent's that scaling may bridge."""


def solve_network(
    frequency_hz: ArrayLike,
    parts: Sequence[Part],
    radiation_impedance: ArrayLike,
    boxes: Mapping[str, ClosedBox] | None = None,
    *,
    air: Air | None = None,
    output_impedance: Mapping[str, ArrayLike] | None = None,
    wiring: Mapping[str, Wiring] | None = None,
) -> NetworkSolution:
    """Velocities, currents and impedances of all parts for each way driven alone.

    Parameters
        frequency_hz : (F,) float > 0
        parts : in the order of the radiation impedance's part axis
        radiation_impedance : (P, P, F) complex, N s/m: generalised force on a part per unit velocity of another, front
            side only (from the acoustic solve, mutual terms included)
        boxes : by name; drivers and vents that name the same box share its pressure
        air : default 20 degC
        output_impedance : way -> ohm, scalar or (F,), amplifier and cable in series; missing ways: 0
        wiring : way -> "parallel" (default) or "series", of several drivers in one way
    Returns NetworkSolution.   Cost: O(F (P + B)^3), a millisecond or so.
    Valid for: small signals; boxes below `lumped_limit_hz`.
    Raises DesignError when names do not match, sizes disagree, or numbers are not finite.
    """
    air = air or Air()
    boxes = dict(boxes or {})
    frequency = np.atleast_1d(np.asarray(frequency_hz, float))
    _check_frequency(frequency)
    parts = tuple(parts)
    _check_parts(parts, boxes)
    radiation = _check_radiation(radiation_impedance, len(parts), frequency)
    layout = _Layout.of(parts, boxes, wiring or {})
    box_impedance = {name: box.impedance(frequency, air, _reference(name, box, parts, air)) for name, box in boxes.items()}
    mechanical = _mechanical(frequency, layout, radiation, boxes, box_impedance, air)
    source = _source(layout.ways, output_impedance or {}, frequency)
    electrical, coupling, drive = _electrical(frequency, layout, source)
    current, velocity = _solve(electrical, coupling, mechanical, drive)
    return _collect(frequency, layout, boxes, box_impedance, source, current, velocity, air)


@dataclass(frozen=True)
class _Layout:
    """Which degree of freedom and which branch belongs to what."""

    parts: tuple[Part, ...]
    ways: tuple[str, ...]
    diaphragm: tuple[int, ...]  # (part,) degree of freedom of its coil; a vent's own
    degrees: int
    scale: Real  # (part,) mesh velocity per degree-of-freedom velocity
    opening: Real  # (part,) m2
    branches: tuple[tuple[int, tuple[int, ...]], ...]  # (way, parts in series)
    volume: dict[str, Real]  # box -> (degrees,) m2, volume drawn from the box per unit velocity

    @classmethod
    def of(cls, parts: tuple[Part, ...], boxes: Mapping[str, ClosedBox], wiring: Mapping[str, Wiring]) -> _Layout:
        ways = tuple(dict.fromkeys(p.way for p in parts if isinstance(p, DriverPart)))
        degrees, diaphragm = len(parts), []
        for i, part in enumerate(parts):
            extra = isinstance(part, DriverPart) and isinstance(part.driver, CompressionDriver)
            diaphragm.append(degrees if extra else i)
            degrees += extra
        opening = np.array([_opening(p, boxes) for p in parts])
        scale = np.array([_scale(p, s) for p, s in zip(parts, opening, strict=True)])
        volume = {name: np.zeros(degrees) for name in boxes}
        for i, part in enumerate(parts):
            if part.box is not None:
                drawn = part.motor.sd if isinstance(part, DriverPart) else opening[i]
                volume[part.box][diaphragm[i]] = drawn
        return cls(parts, ways, tuple(diaphragm), degrees, scale, opening, _branches(parts, ways, wiring), volume)


def _branches(
    parts: tuple[Part, ...], ways: tuple[str, ...], wiring: Mapping[str, Wiring]
) -> tuple[tuple[int, tuple[int, ...]], ...]:
    for way, kind in wiring.items():
        if way not in ways or kind not in ("parallel", "series"):
            raise DesignError(message("wiring", f'"parallel" or "series" for one of {", ".join(ways)}', f"{kind!r} for {way!r}"))
    branches: list[tuple[int, tuple[int, ...]]] = []
    for w, way in enumerate(ways):
        members = [i for i, p in enumerate(parts) if isinstance(p, DriverPart) and p.way == way]
        if wiring.get(way, "parallel") == "series":
            branches.append((w, tuple(members)))
        else:
            branches.extend((w, (i,)) for i in members)
    return tuple(branches)


def _opening(part: Part, boxes: Mapping[str, ClosedBox]) -> float:
    if isinstance(part, DriverPart):
        return part.opening
    vent = _vented(part, boxes).vent
    return vent.area * (vent.number if part.count is None else part.count)


def _scale(part: Part, opening: float) -> float:
    if part.area is None:
        return 1.0
    if not (math.isfinite(part.area) and part.area > 0 and abs(opening / part.area - 1) <= AREA_TOLERANCE):
        off = f"{100 * (part.area / opening - 1):+.0f} %"
        raise DesignError(
            message(
                f"area of part {part.name!r} in the mesh",
                f"within {100 * AREA_TOLERANCE:.0f} % of {1e4 * opening:.4g} cm2",
                f"{1e4 * part.area:.4g} cm2 ({off})",
                cause="The part that moves in the mesh is not the one of the circuit",
                fix="making Sd (or the vent's area) and the drawn outline agree",
            )
        )
    return opening / part.area


def _vented(part: VentPart, boxes: Mapping[str, ClosedBox]) -> VentedBox:
    box = boxes[part.box]
    if not isinstance(box, VentedBox):
        raise DesignError(message(f"box {part.box!r} of vent {part.name!r}", "a vented box", type(box).__name__))
    return box


def _mechanical(
    frequency: Real,
    layout: _Layout,
    radiation: Complex,
    boxes: Mapping[str, ClosedBox],
    box_impedance: Mapping[str, Complex],
    air: Air,
) -> Complex:
    """(F, N, N) N s/m."""
    jw = np.asarray(2j * np.pi * frequency, complex)
    z = np.zeros((len(frequency), layout.degrees, layout.degrees), complex)
    count = len(layout.parts)
    z[:, :count, :count] = np.moveaxis(radiation * layout.scale[:, None, None] * layout.scale[None, :, None], -1, 0)
    for name, drawn in layout.volume.items():
        z += box_impedance[name][:, None, None] * np.outer(drawn, drawn)
    for i, part in enumerate(layout.parts):
        d = layout.diaphragm[i]
        if isinstance(part, VentPart):
            z[:, i, i] += _vent_impedance(jw, part, layout.opening[i], _vented(part, boxes), air)
            continue
        motor = part.motor
        z[:, d, d] += jw * (motor.mmd + motor.rear_air_mass) + motor.rms + 1 / (jw * motor.cms)
        if isinstance(part.driver, CompressionDriver):
            _add_chambers(z, jw, part.driver, i, d, air)
    return z


def _vent_impedance(jw: Complex, part: VentPart, opening: float, box: VentedBox, air: Air) -> Complex:
    tubes = box.vent.number if part.count is None else part.count
    friction = box.vent_resistance(air) * box.vent.number / tubes * opening**2
    return np.asarray(jw * box.vent.plug_mass(air) * tubes + friction)


def _add_chambers(z: Complex, jw: Complex, driver: CompressionDriver, throat: int, diaphragm: int, air: Air) -> None:
    """Front chamber between diaphragm and throat, rear chamber behind the diaphragm, air in the plug."""
    bulk = air.density * air.speed_of_sound**2
    swept = np.zeros(z.shape[1])
    swept[diaphragm], swept[throat] = driver.driver.sd, -driver.throat_area
    z += (bulk / (driver.front_volume * jw))[:, None, None] * np.outer(swept, swept)
    z[:, throat, throat] += jw * air.density * driver.throat_area * driver.plug_mass_length
    if driver.rear_volume is not None:
        z[:, diaphragm, diaphragm] += driver.driver.sd**2 * bulk / (driver.rear_volume * jw)


def _electrical(frequency: Real, layout: _Layout, source: Complex) -> tuple[Complex, Real, Real]:
    """Impedance (F, B, B), coupling (B, N) and drive (B, W)."""
    count = len(layout.branches)
    z = np.zeros((len(frequency), count, count), complex)
    coupling = np.zeros((count, layout.degrees))
    drive = np.zeros((count, len(layout.ways)))
    for b, (way, members) in enumerate(layout.branches):
        drive[b, way] = 1.0
        for other, (other_way, _) in enumerate(layout.branches):
            if other_way == way:
                z[:, b, other] += source[way]
        for i in members:
            part = layout.parts[i]
            assert isinstance(part, DriverPart)
            z[:, b, b] += part.motor.re + part.motor.coil.impedance(frequency)
            coupling[b, layout.diaphragm[i]] = part.motor.bl
    return z, coupling, drive


def _solve(electrical: Complex, coupling: Real, mechanical: Complex, drive: Real) -> tuple[Complex, Complex]:
    """Branch currents (F, B, W) and velocities (F, N, W)."""
    shape = electrical.shape[:1]
    right = np.broadcast_to(np.concatenate([drive, coupling], axis=1), (*shape, len(drive), drive.shape[1] + coupling.shape[1]))
    admitted = np.linalg.solve(electrical, right)
    driven, shorted = admitted[..., : drive.shape[1]], admitted[..., drive.shape[1] :]
    velocity = np.asarray(np.linalg.solve(mechanical + coupling.T @ shorted, coupling.T @ driven), complex)
    return np.asarray(driven - shorted @ velocity, complex), velocity


def _collect(
    frequency: Real,
    layout: _Layout,
    boxes: Mapping[str, ClosedBox],
    box_impedance: Mapping[str, Complex],
    source: Complex,
    current: Complex,
    velocity: Complex,
    air: Air,
) -> NetworkSolution:
    ways, count = len(layout.ways), len(layout.parts)
    velocity = velocity.transpose(2, 1, 0)
    coil = np.zeros((ways, count, len(frequency)), complex)
    total = np.zeros((ways, ways, len(frequency)), complex)
    for b, (way, members) in enumerate(layout.branches):
        total[:, way] += current[:, b].T
        for i in members:
            coil[:, i] = current[:, b].T
    own = total[np.arange(ways), np.arange(ways)]
    pressure = [-np.einsum("n,wnf->wf", layout.volume[n], velocity) * box_impedance[n] for n in boxes]
    return NetworkSolution(
        frequency=frequency,
        ways=layout.ways,
        parts=tuple(p.name for p in layout.parts),
        boxes=tuple(boxes),
        velocity=velocity[:, :count] * layout.scale[:, None],
        diaphragm_velocity=velocity[:, list(layout.diaphragm)],
        current=coil,
        way_current=total,
        impedance=1 / own - source,
        box_pressure=np.stack(pressure, axis=1) if pressure else np.zeros((ways, 0, len(frequency)), complex),
        is_vent=np.array([isinstance(p, VentPart) for p in layout.parts]),
        lumped_limit_hz={n: b.lumped_limit_hz(air) for n, b in boxes.items()},
    )


def _reference(name: str, box: ClosedBox, parts: tuple[Part, ...], air: Air) -> float:
    """Hz where the box's Q hold: its vent tuning, or the resonance of its first driver with all of them moving."""
    if isinstance(box, VentedBox):
        return box.tuning_hz(air)
    motors = [p.motor for p in parts if isinstance(p, DriverPart) and p.box == name]
    if not motors:
        return 1.0
    stiffness = 1 / motors[0].cms + motors[0].sd * sum(m.sd for m in motors) / box.compliance(air)
    return math.sqrt(stiffness / motors[0].mms) / (2 * math.pi)


def _source(ways: tuple[str, ...], given: Mapping[str, ArrayLike], frequency: Real) -> Complex:
    """(W, F) ohm."""
    result = np.zeros((len(ways), len(frequency)), complex)
    for way, value in given.items():
        if way not in ways:
            raise DesignError(message("output_impedance", f"of one of the ways {', '.join(ways)}", repr(way)))
        z = np.asarray(value, complex)
        if z.shape not in ((), frequency.shape) or not np.all(np.isfinite(z)) or np.any(z.real < 0):
            raise DesignError(
                message(f"output impedance of way {way!r}", "finite, not negative, one value or one per frequency", value)
            )
        result[ways.index(way)] = z
    return result


def _check_frequency(frequency: Real) -> None:
    if frequency.ndim != 1 or not len(frequency) or not np.all(np.isfinite(frequency)) or np.any(frequency <= 0):
        raise DesignError(message("frequency", "a list of finite positive numbers", f"shape {frequency.shape}"))


def _check_parts(parts: tuple[Part, ...], boxes: Mapping[str, ClosedBox]) -> None:
    if not any(isinstance(p, DriverPart) for p in parts):
        raise DesignError(message("parts", "at least one driver", "none"))
    names = [p.name for p in parts]
    if len(set(names)) < len(names):
        raise DesignError(message("parts", "named once each", ", ".join(names)))
    for part in parts:
        if part.box is not None and part.box not in boxes:
            known = ", ".join(boxes) or "no box at all"
            raise DesignError(message(f"box of part {part.name!r}", f"one of those given ({known})", repr(part.box)))
    for name, box in boxes.items():
        vents = [p for p in parts if isinstance(p, VentPart) and p.box == name]
        tubes = sum(_vented(p, boxes).vent.number if p.count is None else p.count for p in vents)
        if isinstance(box, VentedBox) and tubes != box.vent.number:
            raise DesignError(
                message(
                    f"vents of box {name!r}",
                    f"{box.vent.number} in the mesh, as in the box",
                    f"{tubes}",
                    fix="one VentPart for all tubes, or a count for each",
                )
            )


def _check_radiation(given: ArrayLike, count: int, frequency: Real) -> Complex:
    z = np.asarray(given, complex)
    if z.shape != (count, count, len(frequency)):
        raise DesignError(message("radiation_impedance", f"shaped ({count}, {count}, {len(frequency)})", z.shape))
    if not np.all(np.isfinite(z)):
        i, j, f = np.argwhere(~np.isfinite(z))[0]
        raise DesignError(message("radiation_impedance", "finite", z[i, j, f], where=f"parts {i}, {j}, {frequency[f]:.5g} Hz"))
    return z
