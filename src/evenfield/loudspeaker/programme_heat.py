"""Programme noise through a way's filter: what it heats, and the level that the heat costs."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from evenfield.base.bands import octave_axis
from evenfield.loudspeaker.predict import Prediction
from evenfield.transducer.heat import HeatNetwork, HeatRun, Load, heat_up
from evenfield.transducer.large_signal import LargeSignalSystem
from evenfield.transducer.signals import PROGRAMME_DB

Real = NDArray[np.float64]

PROGRAMME_CREST = 4.0
"""Peak over RMS of the programme that heats the coil: an amplifier at its limit gives this less, 12 dB (common practice)."""

HEATED_FOR = 7200.0
"""s of programme in the heat run."""


def programme_load(prediction: Prediction, name: str, system: LargeSignalSystem, rms: float) -> Load:
    """Load of programme noise through the way's filter, `rms` V at its terminals: powers by the linear impedance, coil warm."""
    f = prediction.frequency
    z = prediction.impedance[name].value
    level = np.interp(np.log(f), np.log(octave_axis(3)), PROGRAMME_DB)
    weight = 10 ** (level / 10) / f * np.gradient(f) * np.abs(prediction.filters[name]) ** 2
    weight *= rms**2 / float(np.sum(weight))
    coil_z = system.driver.motor.coil_at(0.0).impedance(f)
    blocked = coil_z.real
    speed = 2 * np.pi * f * np.abs(prediction.excursion[name].value)
    re, alpha = system.driver.re, system.driver.temperature_coefficient

    def load(coil: float, share: float) -> tuple[float, float, float]:
        warm = re * alpha * (coil - 20)
        # the motional part shrinks with the field squared
        motional = (z - re - coil_z) * share**2
        whole = re + warm + coil_z + motional
        current2 = weight / np.abs(whole) ** 2
        slower = np.abs(z) / np.abs(whole) * share
        moving = float(np.sqrt(np.sum(weight * (speed * slower) ** 2)))
        return float(np.sum(current2) * (re + warm)), float(np.sum(current2 * blocked)), moving

    return load


def programme_heat(prediction: Prediction, name: str, system: LargeSignalSystem, network: HeatNetwork,
                   most: float) -> tuple[HeatRun, Real]:  # fmt: skip
    """(temperatures under programme that just fills the amplifier, level lost over time in dB).

    The level is that of the programme's sound power at constant voltage: current falls with the coil's resistance, force with
    the magnet's field.
    """
    rms = most * math.sqrt(2) / PROGRAMME_CREST
    load = programme_load(prediction, name, system, rms)
    run = heat_up(network, load, HEATED_FOR, 120)
    f = prediction.frequency
    band = (f >= 2.5 * system.driver.resonance_hz) & (f <= 8 * system.driver.resonance_hz)
    z = prediction.impedance[name].value[band]
    blocked = system.driver.motor.coil_at(0.0).impedance(f[band])
    re, alpha = system.driver.re, system.driver.temperature_coefficient
    lost = []
    for coil, _, magnet in run.temperature:
        share = network.field_share(float(magnet))
        hot = re * (1 + alpha * (coil - 20)) + blocked + (z - re - blocked) * share**2
        lost.append(float(np.mean(20 * np.log10(np.abs(hot / z)))) - 20 * math.log10(share))
    return run, np.array(lost)
