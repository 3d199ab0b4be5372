"""Everything the filters command and the report's page say about a loudspeaker's filters."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from evenfield.base.errors import EvenfieldError
from evenfield.filters.chain import FilterChain
from evenfield.filters.passive_network import NetworkResponse
from evenfield.filters.passive_series import PriceRule, written
from evenfield.filters.passive_stress import LeastImpedance, PartStress, least_impedance, part_stresses
from evenfield.filters.word_length import WordLengthCheck, check_word_length
from evenfield.loudspeaker.chains import chain_of
from evenfield.loudspeaker.design import NearWall
from evenfield.loudspeaker.filter_fit import objective_of
from evenfield.loudspeaker.filter_fit_explain import left_alone
from evenfield.loudspeaker.filter_fit_goals import Goals
from evenfield.loudspeaker.filter_fit_measures import FitMeasures, fit_measures
from evenfield.loudspeaker.filter_time import TimeBehaviour, time_behaviour
from evenfield.loudspeaker.limiters import Headroom, Limiter, headroom, limiters
from evenfield.loudspeaker.lobes import Lobe, lobes
from evenfield.loudspeaker.passive import passive_responses, passive_section
from evenfield.loudspeaker.predict import Prediction
from evenfield.loudspeaker.room_trims import RoomTrim, room_trims

LEAST_SHARE = 0.8
"""Of the rated impedance (IEC 60268-5, from memory)."""


@dataclass(frozen=True)
class PassiveReview:
    """A design's passive network: parts in words with price, least impedance and the least allowed, stresses at `voltage` V
    RMS."""

    parts: tuple[tuple[str, str, str, float], ...]
    price: float
    least: LeastImpedance
    allowed: float | None
    stresses: tuple[PartStress, ...]
    voltage: float

    @property
    def passed(self) -> bool | None:
        """Whether the impedance stays above what is allowed; None where nothing is stated."""
        return None if self.allowed is None else self.least.ohms >= self.allowed


@dataclass(frozen=True)
class FilterReview:
    """The filters of a prediction. What the data cannot support is a reason in `refused`, by name."""

    name: str
    measures: FitMeasures | None
    lobes: tuple[Lobe, ...]
    time: TimeBehaviour | None
    limiters: tuple[Limiter, ...]
    headroom: Headroom | None
    trims: tuple[RoomTrim, ...]
    passive: PassiveReview | None
    word_length: dict[str, WordLengthCheck]
    notes: tuple[str, ...]
    refused: dict[str, str]

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; arrays are left out, figures kept."""
        return {
            "name": self.name,
            "measures": None if self.measures is None else self.measures.to_dict(),
            "lobes": [_lobe_dict(lobe) for lobe in self.lobes],
            "time": None if self.time is None else _time_dict(self.time),
            "limiters": [asdict(x) for x in self.limiters],
            "headroom": None if self.headroom is None else _headroom_dict(self.headroom),
            "trims": [_trim_dict(t) for t in self.trims],
            "passive": None if self.passive is None else _passive_dict(self.passive),
            "word_length": {n: asdict(w) for n, w in self.word_length.items()},
            "notes": list(self.notes),
            "refused": self.refused,
        }


def review_filters(prediction: Prediction, goals: Goals | None = None) -> FilterReview:
    """Review a prediction's filters against its brief."""
    refused: dict[str, str] = {}

    def or_reason(name: str, make: Any) -> Any:
        try:
            return make()
        except EvenfieldError as reason:
            refused[name] = str(reason)
            return None

    measured = or_reason("measures", lambda: _measures(prediction, goals or Goals()))
    return FilterReview(
        prediction.design.name,
        measured[0] if measured else None,
        or_reason("lobes", lambda: lobes(prediction)) or (),
        or_reason("time", lambda: time_behaviour(prediction)),
        limiters(prediction),
        or_reason("headroom", lambda: headroom(prediction)),
        _trims(prediction),
        or_reason("passive", lambda: passive_review(prediction)),
        or_reason("word_length", lambda: _word_lengths(prediction)) or {},
        tuple(measured[1]) if measured else (),
        refused,
    )


def passive_review(prediction: Prediction, prices: PriceRule | None = None) -> PassiveReview | None:
    """The design's network; None without one."""
    section = passive_section(prediction.design)
    if section is None:
        return None
    solved: NetworkResponse = passive_responses(prediction.design, prediction.impedance)[1]
    limits = [LEAST_SHARE * float(section.rated_impedance)] if section.rated_impedance is not None else []
    limits += [float(section.lowest_impedance)] if section.lowest_impedance is not None else []
    voltage = 20.0 if section.voltage is None else float(section.voltage)
    rule = prices or PriceRule()
    parts = tuple((p.name, p.kind, written(p), rule.of(p)) for p in solved.network.valued)
    price = sum(rule.of(p) for p in solved.network.parts)
    return PassiveReview(
        parts, price, least_impedance(solved), max(limits, default=None), part_stresses(solved, voltage), voltage
    )


def chains_of(prediction: Prediction) -> dict[str, FilterChain]:
    """Every way's chain, amplifier gain included."""
    return {name: chain_of(prediction.design, name) for name in prediction.design.ways}


def _measures(prediction: Prediction, goals: Goals) -> tuple[FitMeasures, list[str]]:
    objective, notes = objective_of(prediction, goals)
    inside = np.isin(prediction.frequency, objective.field.frequency)
    response = np.stack([prediction.filters[n][inside] for n in prediction.ways])
    return fit_measures(objective, response), notes + left_alone(prediction, objective)


def _trims(prediction: Prediction) -> tuple[RoomTrim, ...]:
    """Near-wall as far as the design states, from the front; none against walls for a flush loudspeaker."""
    design, speed = prediction.design, prediction.ways[next(iter(prediction.ways))].speed_of_sound
    wall = float(design.mounting.wall) + float(design.cabinet.depth) if isinstance(design.mounting, NearWall) else None
    return room_trims(speed, wall, design.flush)


def _word_lengths(prediction: Prediction) -> dict[str, WordLengthCheck]:
    """24-bit check of every digital way."""
    found = {}
    for name, way in prediction.design.ways.items():
        if way.filters.sample_rate is not None:
            found[name] = check_word_length(chain_of(prediction.design, name), float(way.filters.sample_rate), 24, 32)
    return found


def _lobe_dict(lobe: Lobe) -> dict[str, Any]:
    at = int(np.argmin(np.abs(lobe.frequency - lobe.handover)))
    return {
        "lower": lobe.lower,
        "upper": lobe.upper,
        "handover_hz": lobe.handover,
        "spacing_m": lobe.spacing,
        "tilt_deg": float(lobe.tilt_deg[at]),
        "width_deg": float(lobe.width_deg[at]),
        "null_below_deg": _finite(lobe.null_below_deg[at]),
        "null_above_deg": _finite(lobe.null_above_deg[at]),
        "suggestions": list(lobe.suggestions),
    }


def _time_dict(t: TimeBehaviour) -> dict[str, Any]:
    worst = int(np.nanargmax(t.decay_periods))
    return {
        "delay_margin": t.margin,
        "audible_hz": [float(f) for f in t.audible_hz],
        "slowest_decay_periods": float(t.decay_periods[worst]),
        "slowest_decay_ms": 1e3 * float(t.decay_s[worst]),
        "slowest_decay_hz": float(t.decay_frequency[worst]),
        "thresholds": t.source,
    }


def _headroom_dict(h: Headroom) -> dict[str, Any]:
    band = h.frequency >= 50
    worst = int(np.flatnonzero(band)[np.argmin(h.headroom_db[band])])
    cause = h.cause[worst]
    return {"level_db": h.level_db, "least_db": float(h.headroom_db[worst]), "at_hz": float(h.frequency[worst]), "cause": cause}


def _trim_dict(t: RoomTrim) -> dict[str, Any]:
    return {
        "name": t.name,
        "distances_m": list(t.distances),
        "sections": t.rows(),
        "before_db": t.error_before_db,
        "after_db": t.error_after_db,
    }


def _passive_dict(p: PassiveReview) -> dict[str, Any]:
    return {
        "price_eur": p.price,
        "parts": [{"name": n, "kind": k, "value": v, "price_eur": e} for n, k, v, e in p.parts],
        "least_ohms": p.least.ohms,
        "least_at_hz": p.least.frequency,
        "allowed_ohms": p.allowed,
        "passed": p.passed,
        "voltage": p.voltage,
        "stresses": [{k: _finite(v) if isinstance(v, float) else v for k, v in asdict(s).items()} for s in p.stresses],
    }


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
