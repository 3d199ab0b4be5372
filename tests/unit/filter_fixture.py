"""A made-up two-way for the filter tests: pistons on a body, closed-form circuits. No claim to physics beyond plausibility."""

from __future__ import annotations

from functools import cache

import numpy as np
from scipy.special import j1

from evenfield.base import octave_axis
from evenfield.data import Directivity, Impedance, Response, sphere_directions
from evenfield.loudspeaker.chains import responses
from evenfield.loudspeaker.design import Design
from evenfield.loudspeaker.handover import Handover
from evenfield.loudspeaker.predict import Prediction
from evenfield.loudspeaker.superpose import add_ways
from evenfield.metrics.sums import power_sum

C = 343.2

DESIGN = {
    "evenfield": 1,
    "name": "Dinghy",
    "brief": {
        "listening_distance": "1 m",
        "maximum_level": "90 dB",
        "maximum_level_from": "120 Hz",
        "flatness": "1.5 dB",
        "flatness_from": "150 Hz",
        "highest_frequency": "16 kHz",
    },
    "cabinet": {"width": "180 mm", "height": "280 mm", "depth": "200 mm", "edge_radius": "15 mm"},
    "handover": ["2.2 kHz"],
    "ways": {
        "woofer": {
            "place": {"z": "-60 mm"},
            "driver": {
                "kind": "cone",
                "re": "5.6 ohm",
                "bl": "5 Tm",
                "mms": "7 g",
                "fs": "55 Hz",
                "sd": "60 cm2",
                "xmax": "5 mm",
                "power": "50 W",
                "rated_impedance": "6 ohm",
            },
            "amplifier": {"voltage": "25 V"},
        },
        "tweeter": {
            "place": {"z": "60 mm"},
            "driver": {
                "kind": "dome",
                "re": "3.4 ohm",
                "bl": "2.5 Tm",
                "mms": "0.3 g",
                "fs": "900 Hz",
                "sd": "6.5 cm2",
                "xmax": "0.4 mm",
            },
            "amplifier": {"voltage": "14 V"},
        },
    },
}


def way(f: np.ndarray, radius: float, z: float, low: float, level: float, bump: tuple[float, float, float]) -> Directivity:
    """A piston on a body that shades the back, a second-order roll-off below `low`, one bump (Hz, dB, q), a falling top."""
    directions = sphere_directions(10.0)
    cosine = directions.vectors[:, 0][:, None]
    u = 2 * np.pi * f / C * radius * np.sqrt(np.maximum(1 - cosine**2, 0))
    pattern = np.where(u < 1e-6, 1.0, 2 * j1(np.maximum(u, 1e-9)) / np.maximum(u, 1e-9))
    step = (f / 400.0) ** 2 / (1 + (f / 400.0) ** 2)
    body = 0.5 + 0.5 * step - 0.5 * step * (1 - cosine) / 2
    s, x = 1j * f / low, 1j * f / bump[0]
    root = 10 ** (bump[1] / 40)
    resonance = (x**2 + x * root / bump[2] + 1) / (x**2 + x / (root * bump[2]) + 1)
    p = level * pattern * body * (s**2 / (1 + 1.2 * s + s**2)) * resonance / (1 + 1j * f / 14e3)
    return Directivity(p, directions, f, origin=(0.0, 0.0, z), provenance={"kind": "predicted"})


def impedance(f: np.ndarray, re: float, le: float, fs: float, rise: float) -> Impedance:
    """Re, Le and one resonance."""
    x = f / fs - fs / f
    return Impedance(f, re + 2j * np.pi * f * le + rise / (1 + 3j * x))


@cache
def two_way(passive: bool = False) -> Prediction:
    """A Prediction from closed forms; no solver runs."""
    design = Design.model_validate(DESIGN)
    f = octave_axis(24)
    ways = {
        "woofer": way(f, 0.045, -0.06, 60.0, 0.42, (1100.0, 3.0, 2.0)),
        "tweeter": way(f, 0.018, 0.06, 950.0, 1.1, (5200.0, -2.5, 2.5)),
    }
    filters = responses(design, f)
    z = {"woofer": impedance(f, 5.6, 0.25e-3, 60.0, 30.0), "tweeter": impedance(f, 3.4, 0.02e-3, 900.0, 4.0)}
    moved = {
        n: Response(f, m / (1 + 1j * f / f0 - (f / f0) ** 2), "m")
        for n, m, f0 in (("woofer", 0.9e-3, 60.0), ("tweeter", 6e-5, 900.0))
    }
    pair = Handover("woofer", "tweeter", 2200.0, 0.0, 0.0, 0.0, {}, np.zeros(len(f)), 0.0, 0.0, 0.0)
    system = add_ways(ways, filters, ways["tweeter"].origin, 1.0, sphere_directions(10.0))
    return Prediction(design, ways, filters, system, power_sum(ways), z, moved, moved, {}, (pair,))
