"""How loud the whole loudspeaker gets at the listening distance, over frequency, and which limit of which way binds.

Every way's limits are volts at its terminals; its filter turns them into volts at the loudspeaker's input; the least of all
ways holds the whole back. The idea of raising a signal until something changes is AES75's, its numbers are not verified.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenfield.base.constants import REFERENCE_PRESSURE
from evenfield.loudspeaker.predict import Prediction
from evenfield.transducer.heat import HeatNetwork
from evenfield.transducer.limits import voltage_at

Real = NDArray[np.float64]

VENT_SPEED = 17.0
"""m/s peak in the vent: some 5 % of the speed of sound, above which vents are heard (common practice, no source)."""

BURST_SECONDS = 1.0
"""s of full level that count as a burst for heat (common practice, no source)."""

CRITERIA = {
    "3 %": ("distortion 3 %", "heat in a second"),
    "10 %": ("distortion 10 %", "heat in a second"),
    "long-term": ("distortion 10 %", "heat for ever", "rated power"),
}
"""Criterion -> the soft limits that count in it; excursion, vent and amplifier always do."""

ALWAYS = ("excursion", "end of travel", "air speed in the vent", "amplifier voltage", "amplifier current")


@dataclass(frozen=True, eq=False)
class WayLimits:
    """One way's limits.

    Parameters
        frequency : (F,) Hz
        volts : limit -> (F,) V RMS at the way's terminals; inf where it does not bind
    """

    name: str
    frequency: Real
    volts: Mapping[str, Real]


@dataclass(frozen=True, eq=False)
class LevelLimit:
    """Largest sine over frequency by one criterion.

    Parameters
        frequency : (F,) Hz
        level_db : (F,) dB re 20 uPa RMS, at the listening distance on axis
        cause : (F,) what binds, of which way
        way_level_db : way -> (F,) the same of each way alone
    """

    criterion: str
    frequency: Real
    level_db: Real
    cause: tuple[str, ...]
    way_level_db: Mapping[str, Real]

    def least(self, low_hz: float, high_hz: float) -> tuple[float, float, str]:
        """(level dB, Hz, cause) where the loudspeaker is weakest within a band."""
        band = np.flatnonzero((self.frequency >= low_hz) & (self.frequency <= high_hz))
        worst = int(band[np.argmin(self.level_db[band])])
        return float(self.level_db[worst]), float(self.frequency[worst]), self.cause[worst]


def way_limits(prediction: Prediction, name: str, run: Any = None) -> WayLimits:
    """Every limit of a way that the design knows of; `run` (a MotorRun) brings those of the large-signal model."""
    f = prediction.frequency
    way = prediction.design.ways[name]
    volts: dict[str, Real] = {}
    z = prediction.impedance[name].value if name in prediction.impedance else None
    if way.amplifier.voltage is not None:
        volts["amplifier voltage"] = np.full(len(f), float(way.amplifier.voltage))
    if way.amplifier.current is not None and z is not None:
        volts["amplifier current"] = float(way.amplifier.current) * np.abs(z)
    if run is not None:
        volts |= run_limits(run, f)
    elif way.driver is not None and name in prediction.excursion:
        if way.driver.xmax is not None:
            peak = math.sqrt(2) * np.abs(prediction.excursion[name].value)
            volts["excursion"] = float(way.driver.xmax) / np.maximum(peak, 1e-300)
        gain = np.abs(prediction.filters[name])
        for speed in prediction.vent_speed.values():
            if name == next(iter(prediction.design.ways)):
                at_terminals = math.sqrt(2) * np.abs(speed.value) / np.maximum(gain, 1e-6)
                volts["air speed in the vent"] = VENT_SPEED / np.maximum(at_terminals, 1e-300)
    heat = getattr(run, "heat_network", None)
    if heat is not None and z is not None:
        volts |= heat_limits(heat, z, run.system.driver.re, run.system.driver.temperature_coefficient)
    elif way.driver is not None and way.driver.power is not None and z is not None:
        volts["rated power"] = np.sqrt(float(way.driver.power) / np.maximum((1 / z).real, 1e-12))
    return WayLimits(name, f, volts)


def run_limits(run: Any, f: Real) -> dict[str, Real]:
    """Volts over the prediction's axis by distortion, end of travel and vent speed, from a sweep; inf outside it."""
    sweep, sound = run.sweep, run.sound
    low, high = run.system.driver.reach
    found = {
        "distortion 3 %": voltage_at(sound.total, sound.level, 0.03),
        "distortion 10 %": voltage_at(sound.total, sound.level, 0.10),
        "end of travel": voltage_at(sweep.peak_displacement, sweep.level, 0.98 * min(-low, high)),
    }
    if np.any(sweep.peak_vent_speed > 0):
        speed = np.where(sweep.status == 0, sweep.peak_vent_speed, 0.0)
        found["air speed in the vent"] = voltage_at(speed, sweep.level, VENT_SPEED)
    return {n: _over(f, sweep.frequency, v) for n, v in found.items()}


def _over(f: Real, at: Real, volts: Real) -> Real:
    """Straight in log-log between the sweep's points; inf outside and beside points that are inf."""
    with np.errstate(divide="ignore", invalid="ignore"):
        logs = np.interp(np.log(f), np.log(at), np.log(np.minimum(volts, 1e6)))
    inside = (f >= at[0] * 0.95) & (f <= at[-1] * 1.05)
    result = np.where(inside, np.exp(logs), np.inf)
    return np.where(result > 1e4, np.inf, result)


def heat_limits(network: HeatNetwork, z: NDArray[np.complex128], re: float, coefficient: float) -> dict[str, Real]:
    """Volts of a sine that brings the coil to its hottest, for ever and in a second, without help from moving air."""
    hot = re * (1 + coefficient * (network.hottest - 20))
    rise = network.hottest - network.ambient
    per_watt = network.steady((1.0, 0.0, 0.0))[0] - network.ambient
    second = network.advance(np.full(3, network.ambient), (1.0, 0.0, 0.0), BURST_SECONDS)[0] - network.ambient
    found = {}
    for name, each, resistance in (("heat for ever", per_watt, hot), ("heat in a second", second, (re + hot) / 2)):
        current = math.sqrt(rise / each / resistance)
        found[name] = current * np.abs(z + (resistance - re))
    return found


def level_limits(prediction: Prediction, ways: Mapping[str, WayLimits]) -> dict[str, LevelLimit]:
    """The whole loudspeaker by each of `CRITERIA`."""
    distance = float(prediction.design.brief.listening_distance)
    per_volt = np.abs(prediction.system.on_axis()) / distance
    result = {}
    for criterion, soft in CRITERIA.items():
        names, rows, own = [], [], {}
        for name, limits in ways.items():
            gain = np.maximum(np.abs(prediction.filters[name]), 1e-300)
            chosen = {n: v for n, v in limits.volts.items() if n in soft or n in ALWAYS}
            if not chosen:
                continue
            least = np.min(list(chosen.values()), axis=0)
            alone = np.abs(prediction.ways[name].on_axis()) / distance
            own[name] = _db(least * alone)
            for cause, volts in chosen.items():
                names.append(f"{cause}, {name}")
                rows.append(volts / gain)
        table = np.asarray(rows)
        first = table.argmin(axis=0)
        level = _db(table.min(axis=0) * per_volt)
        result[criterion] = LevelLimit(criterion, prediction.frequency, level, tuple(names[i] for i in first), own)
    return result


def _db(pressure: Real) -> Real:
    return np.asarray(20 * np.log10(np.maximum(pressure, 1e-30) / REFERENCE_PRESSURE))


def a_weighting_db(frequency_hz: Real) -> Real:
    """dB, IEC 61672-1 (closed form)."""
    f2 = np.asarray(frequency_hz, float) ** 2
    gain = 12194.0**2 * f2**2 / ((f2 + 20.6**2) * np.sqrt((f2 + 107.7**2) * (f2 + 737.9**2)) * (f2 + 12194.0**2))
    return np.asarray(20 * np.log10(gain) + 2.0)


def noise_level_db(prediction: Prediction, noise: Mapping[str, float], distance: float = 1.0) -> float:
    """dB(A) at a distance on axis from amplifiers' white noise.

    Parameters
        noise : way -> V RMS at its terminals, 20 Hz to 20 kHz; ways' powers add
    """
    f = prediction.frequency
    width = np.gradient(f)
    weight = 10 ** (a_weighting_db(f) / 10)
    power = 0.0
    for name, volts in noise.items():
        density = volts**2 / (20e3 - 20.0)
        power += float(np.sum(density * np.abs(prediction.ways[name].on_axis() / distance) ** 2 * weight * width))
    return 10 * math.log10(power / REFERENCE_PRESSURE**2)
