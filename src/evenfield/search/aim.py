"""What a waveguide should do: the wanted coverage in three planes, the handover to the way below, and how much each counts."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from evenfield.base.errors import DesignError, message
from evenfield.base.units import Amount, parse_amount
from evenfield.loudspeaker.design import Coverage, Design

PLANES = ("horizontal", "vertical", "diagonal")


@dataclass(frozen=True)
class Weights:
    """How much each part of the objective counts; each part is 1 where it just meets its own target.

    step, mismatch, pattern : the handover (targets 0.5, 1 and 1 dB, squared)
    coverage : level at the coverage angles, 1 dB off -6 dB counting 1 (at -6 dB that is about a tenth of the beamwidth)
    window : level under -5.5 dB at 0.9 of the coverage angle or over -6.5 dB at 1.1 of it, 1 dB counting 1: a beamwidth within
        ±10 % with half a decibel to spare
    inside : level inside the coverage under the floors of `listening` or over +1.5 dB, 1 dB counting 1
    beam : the beamwidth itself beyond ±5 % of the aim and its necks over frequency beyond 6 %, 2 % counting 1, and dips inside it
        under -5.5 dB, half a decibel counting 1
    waist : second difference over frequency of the level at the coverage angles, 1 dB counting 1
    ripple : incoherent directivity index against its best fit of bounded slope, 0.5 dB counting 1
    axis : on-axis level against a cubic over log frequency, 1 dB counting 1
    throat : power reflected at the source, all of it counting 1
    """

    step: float = 1.0
    mismatch: float = 0.7
    pattern: float = 0.7
    coverage: float = 3.0
    window: float = 3.0
    inside: float = 3.0
    beam: float = 0.3
    waist: float = 0.3
    ripple: float = 0.3
    axis: float = 0.15
    throat: float = 0.1

    def __post_init__(self) -> None:
        for name, value in vars(self).items():
            if not (math.isfinite(value) and value >= 0):
                raise DesignError(message(f"aim.{name}", "0 or more", value), f"aim.{name}")


@dataclass(frozen=True)
class Aim:
    """The intent.

    Parameters
        upper : way whose waveguide is shaped; lower : the way below, or None
        handover : Hz, fx; 0 for no lower way
        coverage : plane -> rad, full angle between the -6 dB points
        low, high : Hz, where the coverage is wanted
        weights : Weights
    """

    upper: str
    lower: str | None
    handover: float
    coverage: Mapping[str, float]
    low: float
    high: float
    weights: Weights = field(default_factory=Weights)

    def __post_init__(self) -> None:
        for plane in PLANES:
            angle = self.coverage.get(plane, 0.0)
            if not math.radians(20) <= angle <= math.radians(178):
                raise DesignError(
                    message(f"aim.{plane}", "20 to 178 deg", f"{math.degrees(angle):.4g} deg"), f"brief.coverage.{plane}"
                )
        if not 0 < self.low < self.high:
            raise DesignError(message("aim.low", f"below aim.high ({self.high:.5g} Hz)", f"{self.low:.5g} Hz"), "brief.coverage")

    def words(self) -> str:
        """The intent in a line."""
        angles = ", ".join(f"{plane} {math.degrees(self.coverage[plane]):.0f} deg" for plane in PLANES)
        fx = "" if self.lower is None else f"; handover from {self.lower} at {self.handover:.0f} Hz"
        return f"{angles} from {self.low:.0f} Hz to {self.high:.0f} Hz{fx}"


def diagonal_angle(horizontal: float, vertical: float) -> float:
    """The coverage in the 45-degree plane of an elliptic beam, rad: 2/d^2 = 1/h^2 + 1/v^2, the angles taken as lengths
    (common practice, no source).
    """
    return math.sqrt(2 / (1 / horizontal**2 + 1 / vertical**2))


def shaped_way(design: Design, way: str | None = None) -> str:
    """The way whose waveguide is shaped: the one named, or the only one that has a waveguide, else the highest.

    Raises DesignError where there is none.
    """
    having = [n for n, w in design.ways.items() if w.waveguide is not None]
    if way is not None and way not in design.ways:
        raise DesignError(message("--way", f"one of the ways ({', '.join(design.ways)})", way), "ways")
    chosen = way or (having[-1] if having else None)
    if chosen is None or design.ways[chosen].waveguide is None:
        raise DesignError(
            message(
                "the way to shape", "one with a waveguide section", chosen or ", ".join(design.ways),
                fix="adding `waveguide:` to it, or --first-cut, which proposes one",
            ), "ways",
        )  # fmt: skip
    return chosen


def aim_of(design: Design, way: str | None = None, text: str = "", handover: float | None = None) -> Aim:
    """The intent of a design's brief, with what `text` changes.

    Parameters
        text : "horizontal=105 deg, low=1.6 kHz, high=12 kHz, handover=1.65 kHz, coverage=4, step=0": angles, frequencies, and
            weights by the names of `Weights`
        handover : Hz, where it is known better than from the design's filters
    Raises DesignError for unknown names, and where neither brief nor text says what coverage is wanted.
    """
    upper = shaped_way(design, way)
    names = list(design.ways)
    lower = names[names.index(upper) - 1] if names.index(upper) > 0 else None
    given = _given(text)
    fx = given.pop("handover", handover if handover is not None else handover_guess(design, upper) if lower else 0.0)
    brief = design.brief.coverage
    wish: dict[str, float | None] = {
        "horizontal": None if brief is None or brief.horizontal is None else float(brief.horizontal),
        "vertical": None if brief is None or brief.vertical is None else float(brief.vertical),
    }
    horizontal = given.pop("horizontal", wish["horizontal"] or wish["vertical"])
    vertical = given.pop("vertical", wish["vertical"] or horizontal)
    if horizontal is None or vertical is None:
        raise DesignError(
            message("brief.coverage", "given, or --aim", "neither", fix='--aim "horizontal=100 deg, vertical=90 deg"'),
            "brief.coverage",
        )
    diagonal = given.pop("diagonal", diagonal_angle(horizontal, vertical))
    low = given.pop("low", float(brief.low) if brief else fx or 2000.0)
    high = given.pop("high", float(brief.high) if brief else 10e3)
    weights = replace(Weights(), **{n: given.pop(n) for n in list(given) if n in vars(Weights())})
    coverage = {"horizontal": horizontal, "vertical": vertical, "diagonal": diagonal}
    return Aim(upper, lower, fx, coverage, low, high, weights)


def with_coverage(design: Design, text: str) -> Design:
    """The design whose brief asks for the coverage, and the handover, that `text` does; see `aim_of`."""
    given = _given(text)
    old = design.brief.coverage or Coverage()
    names = ("horizontal", "vertical")
    if any(n in given for n in names):
        coverage = old.model_copy(update={n: _angle(given[n]) for n in names if n in given})
        design = design.model_copy(update={"brief": design.brief.model_copy(update={"coverage": coverage})})
    return design


def _angle(value: float) -> Amount:
    return Amount(value, 0.0, f"{math.degrees(value):.4g} deg")


def _given(text: str) -> dict[str, Any]:
    kinds = {"horizontal": "angle", "vertical": "angle", "diagonal": "angle", "low": "frequency", "high": "frequency"}
    kinds |= {"handover": "frequency"} | dict.fromkeys(vars(Weights()), "number")
    found: dict[str, Any] = {}
    for item in (i for i in text.split(",") if i.strip()):
        name, sign, value = (p.strip() for p in item.partition("="))
        if name not in kinds or not sign:
            raise DesignError(message("--aim", f"NAME=VALUE with a name among {', '.join(kinds)}", repr(item.strip())))
        try:
            found[name] = float(parse_amount(value, kinds[name]))
        except DesignError as error:
            raise DesignError(f"--aim: {name} {error}") from None
    return found


def handover_guess(design: Design, upper: str) -> float:
    """The handover frequency that a design declares, or the middle of its two crossover filters, Hz.

    Raises DesignError where it says neither.
    """
    names = list(design.ways)
    index = names.index(upper) - 1
    below = [float(s.frequency) for s in design.ways[names[index]].filters.sections if s.kind == "low-pass"]
    above = [float(s.frequency) for s in design.ways[upper].filters.sections if s.kind == "high-pass"]
    if below and above:
        return math.sqrt(min(below) * max(above))
    if index < len(design.handover):
        return float(design.handover[index])
    raise DesignError(
        message("handover", f"given for {names[index]} to {upper}", "nothing", fix="handover: [2.4 kHz], or filters"), "handover"
    )


__all__ = ["PLANES", "Aim", "Weights", "aim_of", "diagonal_angle", "handover_guess", "shaped_way", "with_coverage"]
