"""Tolerance spread: what the stated tolerances of Thiele/Small parameters do to a curve.

The field's load does not depend on the driver, so a variant costs one network solution: milliseconds.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evenfield.base import Air, DesignError, message
from evenfield.transducer.driver import CompressionDriver, Driver
from evenfield.transducer.thiele_small import CORE, NAMES, complete, reachable

AnyDriver = Driver | CompressionDriver
Real = NDArray[np.float64]

_FILL = ("Sd", "Re", "Mms", "Cms", "Bl", "Rms", "Fs", "Qms", "Qes", "Qts", "Vas")
_ATTEMPTS = 100


@dataclass(frozen=True)
class Spread:
    """A curve and its band.

    Parameters
        nominal : (...) of the drivers as stated
        low, high : (...) smallest and largest of all variants, the nominal one included
        samples : (N, ...) every variant
    """

    nominal: Real
    low: Real
    high: Real
    samples: Real


def vary_driver(
    driver: AnyDriver, tolerances: Mapping[str, float], rng: np.random.Generator, air: Air | None = None
) -> AnyDriver:
    """A driver drawn at random within relative tolerances; of the same kind as the one given.

    Parameters
        tolerances : Thiele/Small name -> half width (0.05 for ± 5 %), e.g. as the design file states them; each is drawn
            evenly within its limits, independent of the others. Parameters without a tolerance keep their value, as far
            as the drawn ones leave them free (Fs ± 5 % with Mms fixed moves Cms). A name that follows from names before
            it is not drawn again
        rng : numpy generator; the same seed gives the same drivers
    Raises DesignError for an unknown name, a tolerance outside 0 ... 0.9, or tolerances that leave no driver possible.
    """
    if isinstance(driver, CompressionDriver):
        return replace(driver, driver=_vary(driver.driver, tolerances, rng, air or Air()))
    return _vary(driver, tolerances, rng, air or Air())


def _vary(driver: Driver, tolerances: Mapping[str, float], rng: np.random.Generator, air: Air) -> Driver:
    _check(tolerances, driver.name)
    nominal = driver.parameters(air)
    basis = _basis([n for n in tolerances if n in nominal and n not in ("Le", "Xmax")], nominal)
    for _ in range(_ATTEMPTS):
        drawn = {n: 1 + tolerances.get(n, 0.0) * float(rng.uniform(-1, 1)) for n in (*basis, "Le", "Xmax")}
        known = complete({n: nominal[n] * drawn[n] for n in basis}, air)
        if any(math.isinf(known[n]) and math.isfinite(nominal[n]) for n in ("Qms", "Qes")):
            continue
        try:
            return _rebuild(driver, known, drawn)
        except DesignError:
            continue
    rule = "such that a driver remains possible"
    raise DesignError(message(f"tolerances of {driver.name}", rule, dict(tolerances)), driver.name)


def spread_band(
    evaluate: Callable[[dict[str, AnyDriver]], NDArray[np.floating]],
    drivers: Mapping[str, AnyDriver],
    tolerances: Mapping[str, Mapping[str, float]],
    *,
    samples: int = 40,
    seed: int = 1,
    air: Air | None = None,
) -> Spread:
    """The band of a curve over driver tolerances.

    Parameters
        evaluate : takes the drivers by name and gives a real array of any shape, e.g. |Z| or a level in dB; it solves the
            network with the radiation impedance already known
        drivers : by name;   tolerances : driver name -> Thiele/Small name -> relative half width
        samples : number of variants;   seed : of numpy's default generator
    Returns Spread.   Cost: samples + 1 evaluations.
    """
    unknown = [n for n in tolerances if n not in drivers]
    if unknown:
        raise DesignError(message("tolerances", f"for one of the drivers {', '.join(drivers)}", repr(unknown[0])))
    rng = np.random.default_rng(seed)
    nominal = np.asarray(evaluate(dict(drivers)), float)
    curves = [nominal]
    for _ in range(samples):
        variants = {n: vary_driver(d, tolerances.get(n, {}), rng, air) for n, d in drivers.items()}
        curves.append(np.asarray(evaluate(variants), float))
    every = np.stack(curves)
    return Spread(nominal, every.min(axis=0), every.max(axis=0), every[1:])


def _basis(first: list[str], nominal: Mapping[str, float]) -> list[str]:
    """Independent parameters that fix the driver: the toleranced ones, then as many others as are needed."""
    basis: list[str] = []
    for name in (*first, *_FILL):
        known = reachable(basis)
        if known.issuperset(CORE):
            break
        if name not in known and math.isfinite(nominal[name]):
            basis.append(name)
    return basis


def _rebuild(driver: Driver, known: Mapping[str, float], drawn: Mapping[str, float]) -> Driver:
    # the air load goes with Sd^(3/2) (8/3 rho a^3 a side)
    load = driver.air_load * math.sqrt(known["Sd"] / driver.sd) ** 3
    return replace(
        driver,
        re=known["Re"],
        bl=known["Bl"],
        mmd=known["Mms"] - load,
        cms=known["Cms"],
        rms=known["Rms"],
        sd=known["Sd"],
        coil=driver.coil.scaled(drawn["Le"]),
        xmax=None if driver.xmax is None else driver.xmax * drawn["Xmax"],
        air_load=load,
    )


def _check(tolerances: Mapping[str, float], name: str) -> None:
    for parameter, value in tolerances.items():
        if parameter not in NAMES:
            raise DesignError(message(f"tolerance of {name}", f"for one of {', '.join(NAMES)}", repr(parameter)), name)
        if not (math.isfinite(value) and 0 <= value <= 0.9):
            raise DesignError(message(f"tolerance of {name}.{parameter.lower()}", "0 to 90 %", f"{100 * value:g} %"), name)
