"""A made-up two-way for the report's tests: pistons on a body, closed-form circuits. No claim to physics beyond plausibility."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from scipy.special import j1

from evenfield.base import octave_axis
from evenfield.data import Directions, Directivity, Impedance, Response, sphere_directions

C = 343.2


@dataclass(frozen=True)
class Part:
    """Any bag of members."""

    members: dict[str, Any] = field(default_factory=dict)

    def __getattr__(self, name: str) -> Any:
        try:
            return self.__dict__["members"][name]
        except KeyError:
            raise AttributeError(name) from None


@dataclass(frozen=True)
class Line:
    group: str
    name: str
    passed: bool | None
    target: str
    found: str
    margin: str
    where: str = ""
    cause: str = ""
    sure: str = ""


@dataclass(frozen=True)
class Verdict:
    title: str
    passed: bool | None
    standard: str | None
    lines: tuple[Line, ...]
    notes: tuple[str, ...] = ()


def piston_way(directions: Directions, f: np.ndarray, radius: np.ndarray, origin: tuple[float, float, float], low: float):
    """A piston of frequency-dependent radius on a body that shades the back; second-order roll-off below `low`."""
    cosine = directions.vectors[:, 0][:, None]
    sine = np.sqrt(np.maximum(1 - cosine**2, 0))
    k = 2 * np.pi * f / C
    u = k * radius * sine
    pattern = np.where(u < 1e-6, 1.0, 2 * j1(np.maximum(u, 1e-9)) / np.maximum(u, 1e-9))
    shade = (f / 350.0) ** 2 / (1 + (f / 350.0) ** 2)
    body = 1 - shade * (1 - (0.5 + 0.5 * cosine) ** (1 + 0.6 * shade))
    s = 1j * f / low
    p = 0.9 * np.abs(pattern) ** 1.0 * np.maximum(body, 0.004) * (s**2 / (1 + 1.4 * s + s**2))
    p = p * (1 + 0.06 * shade * np.cos(2 * np.pi * f * 0.24 / C) * cosine)
    return Directivity(p, directions, f, origin=origin, provenance={"kind": "predicted"})


def two_way(step_deg: float = 10.0, fraction: int = 12) -> Part:
    """A prediction-shaped object with everything the report reads."""
    f = octave_axis(fraction)
    directions = sphere_directions(step_deg)
    guide = 0.012 + 0.055 / (1 + (f / 2600.0) ** 1.6)
    ways = {
        "woofer": piston_way(directions, f, np.full_like(f, 0.065), (0.0, 0.0, -0.1), 48.0),
        "tweeter": piston_way(directions, f, guide, (0.0, 0.0, 0.06), 900.0),
    }
    s = 1j * f / 1800.0
    lr = 1 / (1 + np.sqrt(2) * s + s**2) ** 2
    filters = {"woofer": lr * 10, "tweeter": s**4 * lr * 10 * 0.95}
    system = sum_at(ways, filters, directions, f, (0.0, 0.0, 0.06), 1.0)
    power = np.sqrt(sum(np.abs(w.pressure * filters[n]) ** 2 for n, w in ways.items()))
    excursion = {n: Response(f, x / (1 + 1j * f / (f0 * q) - (f / f0) ** 2), "m")
                 for n, x, f0, q in (("woofer", 9e-4, 52.0, 0.7), ("tweeter", 3e-5, 1000.0, 1.1))}  # fmt: skip
    system_excursion = {n: Response(f, r.value * filters[n], "m") for n, r in excursion.items()}
    vent = {"vent": Response(f, 0.8 / (1 + 1j * 3 * (f / 45.0 - 45.0 / f)), "m/s")}
    return Part(
        dict(
            design=_design(), frequency=f, ways=ways, filters=filters, system=system,
            impedance=_impedances(f), excursion=excursion,
            power=system.replace(pressure=power.astype(complex), phase_known=False, distance=None),
            system_excursion=system_excursion, vent_speed=vent, handovers=[_handover(f)],
            rigid_above_hz={"woofer": 3200.0, "tweeter": 18000.0}, lumped_below_hz=410.0, interpolation_error_db=0.04,
            outline=_outline(), band=_band(system), statistics={"unknowns": 8214, "frequencies": 60, "seconds": 41.2},
        )
    )  # fmt: skip


def sum_at(ways, filters, directions, f, origin, distance):
    points = np.asarray(origin) + distance * directions.vectors
    k = 2 * np.pi * f / C
    total = np.zeros((len(directions), len(f)), complex)
    for name, way in ways.items():
        r = np.linalg.norm(points - np.asarray(way.origin), axis=1)[:, None]
        total += way.pressure * filters[name] * np.exp(-1j * k * r) / r
    total *= distance * np.exp(1j * k * distance)
    return Directivity(total, directions, f, origin=origin, distance=distance, provenance={"kind": "ways added"})


def _design() -> Part:
    def way(xmax: float, voltage: float) -> Part:
        return Part(dict(driver=Part(dict(xmax=xmax)), amplifier=Part(dict(voltage=voltage, current=None))))

    brief = Part(dict(listening_distance=1.0, maximum_level=104.0, maximum_level_from=100.0))
    ways = {"woofer": way(5e-3, 25.0), "tweeter": way(0.4e-3, 15.0)}
    return Part(dict(name="Lugger", title="Synthetic two-way", brief=brief, ways=ways, note="Made up for tests."))


def _impedances(f: np.ndarray) -> dict[str, Impedance]:
    def one(re: float, le: float, f0: float, q: float, peak: float) -> Impedance:
        return Impedance(f, re + 2j * np.pi * f * le / (1 + 1j * f / 6000) + peak / (1 + 1j * q * (f / f0 - f0 / f)))

    vented = Impedance(f, one(6.0, 3e-4, 28.0, 4.0, 30.0).value + one(0.0, 0.0, 78.0, 5.0, 26.0).value)
    return {"woofer": vented, "tweeter": one(5.2, 3e-5, 1000.0, 1.6, 7.0)}


def _handover(f: np.ndarray) -> Part:
    lobing = 1.8 * np.exp(-(np.log2(f / 1800.0) ** 2) / 0.5)
    return Part(
        dict(
            lower="woofer", upper="tweeter", frequency=1800.0, step_db=-0.62, mismatch_db=1.31, pattern_db=0.9,
            beamwidth_ratio={"horizontal": 1.04, "vertical": 1.06, "diagonal": 1.05}, lobing_db=lobing, ideal_lobing_rms_db=1.1,
            lobing_rms_db=1.2, lobing_max_db=1.8,
        )
    )  # fmt: skip


def _band(system: Directivity) -> dict[str, np.ndarray]:
    level = 20 * np.log10(np.abs(system.on_axis()) * 8**0.5 / 20e-6)
    spread = 0.3 + 1.5 * (60.0 / system.frequency)
    low, high = level - spread, level + spread
    return {"frequency": system.frequency, "nominal_db": level, "low_db": low, "high_db": high, "words": "5 to 95 % of 40 draws"}


def _outline() -> dict[str, dict[str, np.ndarray]]:
    box = lambda w, h: np.array([[-w, -h], [w, -h], [w, h], [-w, h], [-w, -h]]) / 2  # noqa: E731
    t = np.linspace(0, 2 * np.pi, 400)
    circle = lambda r, z: np.stack([r * np.cos(t), z + r * np.sin(t)], -1)  # noqa: E731
    front = {"cabinet": [box(0.22, 0.36), box(0.19, 0.33)], "woofer": circle(0.075, -0.07), "woofer.frame": circle(0.062, -0.07)}
    front |= {"tweeter": circle(0.0125, 0.1), "tweeter.walls": circle(0.07, 0.1), "vent": box(0.12, 0.02) - [0, 0.163]}
    side = {
        "cabinet": box(0.26, 0.36) - [0.13, 0.0],
        "woofer": np.array([[0, 0.005], [-0.03, -0.05], [-0.03, -0.09], [0, -0.145]]),
    }
    side |= {"tweeter.walls": np.array([[0, 0.17], [-0.03, 0.13], [-0.04, 0.1125], [-0.04, 0.0875], [-0.03, 0.07], [0, 0.03]])}
    return {"front": front, "side": side}


_LINES = """
Brief|Lowest frequency|met|-6 dB at 48 Hz or lower|46.1 Hz|1.9 Hz|on axis||±1 Hz with the tolerances given
Brief|Maximum level|met|104 dB at 1 m from 100 Hz|106.3 dB|+2.3 dB|108 Hz|woofer: excursion|linear limits only; no heat
Brief|Flatness|not met|±1.5 dB|±1.9 dB|-0.4 dB|2.4 kHz, listening window|tweeter: waveguide mouth, edge diffraction|±0.2 dB
Handover|Step woofer to tweeter|not met|±0.5 dB|-0.62 dB|-0.12 dB|1.8 kHz|tweeter: waveguide too wide|±0.1 dB
Handover|Mismatch|not met|1.0 dB or less|1.31 dB|-0.31 dB|1.27 to 2.55 kHz|tweeter: waveguide|±0.1 dB
Handover|Pattern difference|met|1.0 dB or less|0.90 dB|+0.10 dB|1.27 to 2.55 kHz||±0.1 dB
Size|Widest|met|230 mm|220 mm|10 mm|||exact
Standard|Reverberation-time dependence|not judged||||||no room given
"""
_STATES = {"met": True, "not met": False, "not judged": None}


def verdict() -> Verdict:
    rows = [row.split("|") for row in _LINES.strip().splitlines()]
    lines = tuple(Line(g, n, _STATES[state], *rest) for g, n, state, *rest in rows)
    notes = ("Targets of the handover are this project's own, not a standard's.",)
    return Verdict("Lugger", False, "EBU Tech 3276 (unverified, from memory)", lines, notes)
