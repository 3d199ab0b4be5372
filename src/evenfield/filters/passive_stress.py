"""What a passive network does to its parts and its amplifier: dissipation, voltages, least impedance."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenfield.base import DesignError, message
from evenfield.filters.passive_network import NetworkResponse
from evenfield.filters.passive_parts import Capacitor, Load, Transformer

FloatArray = NDArray[np.float64]

NOISE_SHARE = 0.5
"""RMS of the programme noise over the amplifier's largest sine: 6 dB below, so peaks 9 dB above the noise's RMS (common
practice)."""


@dataclass(frozen=True)
class PartStress:
    """One part at the stated voltage.

    Parameters
        noise_power : W with pink noise 20 Hz ... 20 kHz, RMS half of the amplifier's largest sine
        sine_power : W, the worst sine; sine_hz : where
        peak_voltage : V across it, the worst full-scale sine; given for capacitors, to choose their rating by
    """

    name: str
    noise_power: float
    sine_power: float
    sine_hz: float
    peak_voltage: float


def part_stresses(solved: NetworkResponse, voltage: float) -> tuple[PartStress, ...]:
    """Every two-terminal part but the drivers, for an amplifier of `voltage` V RMS sine at most."""
    f = solved.frequency
    share = np.gradient(np.log(f))
    share /= share.sum()
    found = []
    for part in solved.network.parts:
        if isinstance(part, (Load, Transformer)):
            continue
        per_volt = np.abs(solved.current(part)) ** 2 * part.impedance(f).real
        worst = int(np.argmax(per_volt))
        peak = math.sqrt(2) * voltage * float(np.abs(solved.voltage(part)).max()) if isinstance(part, Capacitor) else math.nan
        noise = float(share @ per_volt) * (NOISE_SHARE * voltage) ** 2
        found.append(PartStress(part.name, noise, float(per_volt[worst]) * voltage**2, float(f[worst]), peak))
    return tuple(found)


@dataclass(frozen=True)
class LeastImpedance:
    """Least magnitude of the input impedance, ohm, and where, Hz."""

    ohms: float
    frequency: float


def least_impedance(solved: NetworkResponse) -> LeastImpedance:
    """Over the frequencies solved."""
    size = np.abs(solved.input_impedance)
    at = int(np.argmin(size))
    return LeastImpedance(float(size[at]), float(solved.frequency[at]))


def check_impedance(solved: NetworkResponse, lowest: float, what: str = "the amplifier's limit") -> None:
    """Raise DesignError when the input impedance falls below `lowest`, ohm."""
    least = least_impedance(solved)
    if least.ohms < lowest:
        raise DesignError(
            message(
                "the network's impedance",
                f"at least {lowest:.2f} ohm ({what})",
                f"{least.ohms:.2f} ohm at {least.frequency:.0f} Hz",
                fix="more series resistance or inductance in the way that speaks there",
            ),
            "passive",
        )
