"""SPICE netlists of passive networks, out and in."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenfield.base import DataError, message
from evenfield.filters.passive_network import PassiveNetwork
from evenfield.filters.passive_parts import Capacitor, Inductor, Load, Part, Resistor, Transformer

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class DriverCircuit:
    """Re + L + (L2 with R2 across) + resonances, each R, L, C in parallel: what a netlist holds in a driver's place.

    `error` is the greatest relative error against the driver's impedance.
    """

    re: float
    le: float
    l2: float
    r2: float
    resonances: tuple[tuple[float, float, float], ...]
    error: float


def driver_circuit(load: Load, resonances: int = 2) -> DriverCircuit:
    """Fit the circuit to a load's impedance, in the logarithm, by least squares from its peaks.

    Cost: some 0.1 s.
    """
    from scipy.optimize import least_squares

    f, z = np.asarray(load.frequency, float), np.asarray(load.ohms)
    size = np.abs(z)
    peaks = [i for i in range(1, len(f) - 1) if size[i] > size[i - 1] and size[i] >= size[i + 1] and f[i] < 5000]
    peaks = sorted(sorted(peaks, key=lambda i: -size[i])[:resonances]) or [len(f) // 8]
    re = float(size.min()) * 0.95
    start = [re, 5e-5, 2e-4, re]
    for i in peaks:
        rise = max(float(size[i]) - re, 0.5)
        start += [rise, rise / (2 * np.pi * f[i] * 3), 3 / (2 * np.pi * f[i] * rise)]
    s = 2j * np.pi * f

    def model(v: FloatArray) -> NDArray[np.complex128]:
        p = np.exp(v)
        total = p[0] + s * p[1] + 1 / (1 / p[3] + 1 / (s * p[2]))
        for k in range(4, len(p), 3):
            total = total + 1 / (1 / p[k] + 1 / (s * p[k + 1]) + s * p[k + 2])
        return np.asarray(total)

    def away(v: FloatArray) -> FloatArray:
        ratio = np.log(model(v) / z)
        return np.concatenate([ratio.real, ratio.imag])

    best = np.exp(least_squares(away, np.log(start), max_nfev=300).x)
    tuned = tuple((float(best[k]), float(best[k + 1]), float(best[k + 2])) for k in range(4, len(best), 3))
    error = float(np.max(np.abs(model(np.log(best)) / z - 1)))
    return DriverCircuit(float(best[0]), float(best[1]), float(best[2]), float(best[3]), tuned, error)


def to_spice(network: PassiveNetwork, title: str = "passive network") -> str:
    """The network as a netlist: an AC source of 1 V, every part with its parasitics, drivers as equivalent circuits.

    Node names are kept; ground is 0. Core loss and dissipation, which no linear part has over all frequencies, are written as the
    series resistance that they amount to at 1 kHz, and said so.
    """
    out = [f"* {title}", "* made by evenfield; 1 V AC between 'in' and 0; ohm, henry, farad", "V1 source 0 AC 1"]
    out.append(f"RSOURCE source in {max(network.source_resistance, 1e-6):.6g}")
    for part in network.parts:
        out += _lines(part)
    return "\n".join([*out, ".ac dec 48 20 20k", ".end", ""])


def _lines(part: Part) -> list[str]:
    a, b = part.nodes[:2]
    if isinstance(part, Resistor):
        return [f"R_{part.name} {a} {b} {part.value:.8g}"]
    if isinstance(part, Inductor):
        loss = 2 * np.pi * 1000 * part.value * part.core_loss
        return _with_series(part, "L", a, b, part.winding + loss, part.core_loss, "core loss")
    if isinstance(part, Capacitor):
        loss = part.dissipation / (2 * np.pi * 1000 * part.value)
        return _with_series(part, "C", a, b, part.resistance + loss, part.dissipation, "dissipation")
    if isinstance(part, Transformer):
        c, d = part.nodes[2:]
        name = part.name
        return [
            f"* {name}: ideal, ratio {part.ratio:g}",
            f"R_{name}_P {a} {name}p {max(part.primary_resistance, 1e-6):.6g}",
            f"E_{name} {name}p {b} {name}s {d} {part.ratio:.8g}",
            f"F_{name} {d} {name}s E_{name} {part.ratio:.8g}",
            f"R_{name}_S {name}s {c} {max(part.secondary_resistance, 1e-6):.6g}",
        ]
    assert isinstance(part, Load)
    return _driver_lines(part)


def _with_series(part: Inductor | Capacitor, letter: str, a: str, b: str, ohms: float, loss: float, what: str) -> list[str]:
    words = f" ; {what} {loss:g} as ohms at 1 kHz" if loss else ""
    if ohms <= 0:
        return [f"{letter}_{part.name} {a} {b} {part.value:.8g}"]
    return [f"{letter}_{part.name} {a} {part.name}m {part.value:.8g}", f"R_{part.name}_S {part.name}m {b} {ohms:.8g}{words}"]


def _driver_lines(load: Load) -> list[str]:
    c, n = driver_circuit(load), load.name
    a, b = load.nodes
    inner = [f"{n}_inner{k}" for k in range(3 + len(c.resonances))]
    out = [f"* {n}: circuit fitted to its impedance, within {100 * c.error:.1f} %", f"R_{n}_RE {a} {inner[0]} {c.re:.6g}"]
    out += [f"L_{n}_LE {inner[0]} {inner[1]} {c.le:.6g}"]
    out += [f"L_{n}_L2 {inner[1]} {inner[2]} {c.l2:.6g}", f"R_{n}_R2 {inner[1]} {inner[2]} {c.r2:.6g}"]
    for k, (r, l, cap) in enumerate(c.resonances):
        start, end = inner[2 + k], b if k == len(c.resonances) - 1 else inner[3 + k]
        out += [
            f"R_{n}_RES{k} {start} {end} {r:.6g}",
            f"L_{n}_CES{k} {start} {end} {l:.6g}",
            f"C_{n}_MES{k} {start} {end} {cap:.6g}",
        ]
    return out


_SCALE = {"t": 1e12, "g": 1e9, "meg": 1e6, "k": 1e3, "m": 1e-3, "u": 1e-6, "n": 1e-9, "p": 1e-12, "": 1.0}


def spice_value(text: str) -> float:
    """A SPICE number with its suffix: 4.7u, 1meg, 0.33m.

    Raises DataError. Example:
        >>> round(spice_value("4.7uF") * 1e6, 9)
        4.7
    """
    match = re.match(r"^([-+]?[\d.]+(?:e[-+]?\d+)?)(meg|[tgkmunp])?[a-z]*$", text.strip().lower())
    if not match:
        raise DataError(message("a value", "a SPICE number such as 4.7u", repr(text)))
    return float(match[1]) * _SCALE[match[2] or ""]


def from_spice(text: str, loads: Mapping[str, Load]) -> PassiveNetwork:
    """Resistors, inductors and capacitors of a netlist, with drivers of this package in place of its own circuits.

    Parameters
        loads : the drivers by name, with the nodes they hang on; lines of a netlist that belong to a driver of that name are
        left out
    A series pair that `to_spice` made of one real part is read back as one. Raises DataError for a line that is no R, L, C,
    source
    or command, naming it.
    """
    parts: dict[str, Part] = {}
    extra: dict[str, float] = {}
    source = 0.0
    for number, line in enumerate(text.splitlines(), 1):
        words = line.split(";")[0].split()
        if not words or words[0].startswith(("*", ".")) or words[0].upper().startswith("V"):
            continue
        name = words[0][2:] if words[0][1:2] == "_" else words[0]
        if any(name.startswith(f"{n}_") for n in loads):
            continue
        if len(words) < 4 or words[0][0].upper() not in "RLC":
            raise DataError(message(f"line {number}", "an R, L or C with two nodes and a value", line.strip()))
        value = spice_value(words[3])
        if words[0].upper() == "RSOURCE":
            source = value if value > 1e-5 else 0.0
        elif name.endswith("_S") and name[:-2] in parts:
            extra[name[:-2]] = value
            parts[name[:-2]] = _joined(parts[name[:-2]], words[2], value)
        else:
            kind = {"R": Resistor, "L": Inductor, "C": Capacitor}[words[0][0].upper()]
            parts[name] = kind(name, (words[1], words[2]), value)
    return PassiveNetwork((*parts.values(), *loads.values()), source)


def _joined(part: Part, node: str, ohms: float) -> Part:
    from dataclasses import replace

    assert isinstance(part, (Inductor, Capacitor))
    return replace(part, nodes=(part.nodes[0], node), resistance=ohms)
