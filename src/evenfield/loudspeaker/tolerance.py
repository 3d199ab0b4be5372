"""The tolerance band of the first curve: what the design's ± figures do to the on-axis level."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from evenfield.base.air import Air
from evenfield.base.constants import REFERENCE_PRESSURE, SENSITIVITY_VOLTAGE
from evenfield.base.units import Amount
from evenfield.data.directivity import Directivity
from evenfield.loudspeaker.circuits import boxes_of, drivers_of, output_impedances, parts_of
from evenfield.loudspeaker.design import Design
from evenfield.loudspeaker.geometry import way_origin
from evenfield.transducer.network import solve_network

if TYPE_CHECKING:
    from evenfield.loudspeaker.predict import Radiated

ComplexArray = NDArray[np.complex128]

COVERAGE = (5.0, 95.0)
"""Percentiles shown as the band."""


def tolerance_band(
    design: Design,
    radiation: Radiated,
    ways: Mapping[str, Directivity],
    filters: Mapping[str, ComplexArray],
    system: Directivity,
    air: Air,
) -> dict[str, Any] | None:
    """Percentile band of the on-axis level, dB re 20 uPa at 2.83 V, referred to 1 m; None without tolerances.

    Each ± figure is drawn uniformly within its bounds, all independent, from the design's seed; the radiation is kept (it does
    not depend on the circuit).
    """
    toleranced = {n: _toleranced(w.driver) for n, w in design.ways.items() if w.driver is not None}
    if not any(toleranced.values()):
        return None
    rng = np.random.default_rng(design.tolerances.seed)
    nominal = _on_axis(design, radiation, ways, filters, air)
    levels = []
    for _ in range(design.tolerances.samples):
        varied = _vary(design, toleranced, rng)
        levels.append(20 * np.log10(np.abs(_on_axis(varied, radiation, ways, filters, air) / nominal)))
    low, high = np.percentile(np.asarray(levels), COVERAGE, axis=0)
    level = 20 * np.log10(np.abs(system.on_axis()) * SENSITIVITY_VOLTAGE / REFERENCE_PRESSURE)
    return {
        "frequency": radiation.frequency,
        "nominal_db": level,
        "low_db": level + low,
        "high_db": level + high,
        "samples": design.tolerances.samples,
        "words": f"{COVERAGE[0]:g} to {COVERAGE[1]:g} % of {design.tolerances.samples} seeded draws, each ± figure uniform",
    }


def _toleranced(driver: Any) -> tuple[str, ...]:
    values = {n: getattr(driver, n) for n in type(driver).model_fields}
    return tuple(n for n, v in values.items() if isinstance(v, Amount) and v.tolerance > 0)


def _vary(design: Design, toleranced: Mapping[str, tuple[str, ...]], rng: np.random.Generator) -> Design:
    ways = dict(design.ways)
    for name, fields in toleranced.items():
        driver = ways[name].driver
        assert driver is not None
        drawn = {f: Amount(getattr(driver, f) * (1 + rng.uniform(-1, 1) * getattr(driver, f).tolerance)) for f in fields}
        ways[name] = ways[name].model_copy(update={"driver": driver.model_copy(update=drawn)})
    return design.model_copy(update={"ways": ways})


def _on_axis(
    design: Design, radiation: Radiated, ways: Mapping[str, Directivity], filters: Mapping[str, ComplexArray], air: Air
) -> ComplexArray:
    """(F,) far-field on-axis pressure of the system."""
    drivers = drivers_of(design, air)
    parts = parts_of(design, radiation.parts, drivers)
    sources = output_impedances(design)
    network = solve_network(radiation.frequency, parts, radiation.impedance, boxes_of(design), air=air, output_impedance=sources)
    axis = int(np.argmax(next(iter(ways.values())).directions.vectors[:, 0]))
    total = np.zeros(len(radiation.frequency), complex)
    k = 2 * np.pi * radiation.frequency / air.speed_of_sound
    for name in ways:
        if name not in network.ways:
            total += ways[name].pressure[axis] * filters[name]
            continue
        velocity = network.velocity[network.ways.index(name)]
        field = sum(radiation.field[i, axis] * velocity[network.parts.index(p)] for i, p in enumerate(radiation.parts))
        total += field * np.exp(-1j * k * way_origin(design, name)[0]) * filters[name]
    return total
