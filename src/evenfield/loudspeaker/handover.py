"""The handover between adjacent ways: evenfield's own measures, for every pair of a prediction."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from evenfield import metrics
from evenfield.base.errors import DesignError, EvenfieldError, Refusal, message
from evenfield.data.directivity import Directivity
from evenfield.loudspeaker.chains import has_filters
from evenfield.loudspeaker.design import Design

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]


@dataclass(frozen=True)
class Handover:
    """How one way hands over to the next. The measures are evenfield's own, not a standard's.

    Parameters
        frequency : Hz, fx: where the two filtered ways have equal listening-window level, or as declared
        step_db : full-sphere DI at fx of the upper way minus that of the lower, unfiltered, in place
        mismatch_db : RMS of that difference over the octave around fx
        pattern_db : pattern difference over the same octave, front hemisphere
        beamwidth_ratio : plane -> beamwidth of the upper way over that of the lower, geometric mean over the octave
        lobing_db : (F,) lobing share over frequency; with its RMS and maximum over the octave
        ideal_lobing_rms_db : of ideal matched ways at the same spacing
        refused : why the measures cannot be given; then they are nan
    """

    lower: str
    upper: str
    frequency: float
    step_db: float = math.nan
    mismatch_db: float = math.nan
    pattern_db: float = math.nan
    beamwidth_ratio: Mapping[str, float] = field(default_factory=dict)
    lobing_db: FloatArray | None = None
    lobing_rms_db: float = math.nan
    lobing_max_db: float = math.nan
    ideal_lobing_rms_db: float = math.nan
    refused: str = ""


def handovers_of(
    design: Design, ways: Mapping[str, Directivity], filters: Mapping[str, ComplexArray], lobing: bool = True
) -> tuple[Handover, ...]:
    """The measures of each adjacent pair, lowest first; without `lobing`, which takes longest, in half the time.

    Raises DesignError when there are neither filters nor declared handover frequencies, or the ways never meet.
    """
    names = list(ways)
    return tuple(_handover(design, i, lower, upper, ways, filters, lobing) for i, (lower, upper) in enumerate(pairwise(names)))


def _handover(
    design: Design,
    index: int,
    lower: str,
    upper: str,
    ways: Mapping[str, Directivity],
    filters: Mapping[str, ComplexArray],
    lobing: bool,
) -> Handover:
    low, high = ways[lower], ways[upper]
    fx = _frequency(design, index, lower, upper, low.filtered(filters[lower]), high.filtered(filters[upper]))
    pair = {lower: low.filtered(filters[lower]), upper: high.filtered(filters[upper])}
    try:
        pattern = metrics.pattern_difference(high, low, fx)
        share = metrics.lobing_share(pair, fx) if lobing else None
        step, mismatch = metrics.handover_step(high, low, fx), metrics.handover_mismatch(high, low, fx)
    except Refusal as reason:
        return Handover(lower, upper, fx, refused=str(reason))
    ratio = dict(pattern.beamwidth_ratio)
    if share is None:
        return Handover(lower, upper, fx, step, mismatch, pattern.difference_db, ratio)
    return Handover(
        lower,
        upper,
        fx,
        step,
        mismatch,
        pattern.difference_db,
        ratio,
        share.share_db,
        share.rms_db,
        share.max_db,
        share.ideal_rms_db,
    )


def _frequency(design: Design, index: int, lower: str, upper: str, low: Directivity, high: Directivity) -> float:
    if has_filters(design):
        try:
            return float(metrics.handover_frequency(high, low))
        except EvenfieldError as error:
            raise DesignError(f"ways.{upper}: {error}", f"ways.{upper}.filters") from None
    if index < len(design.handover):
        return float(design.handover[index])
    raise DesignError(
        message(
            "handover",
            f"given for every adjacent pair of ways where there are no filters ({lower} to {upper} is missing)",
            f"{len(design.handover)} frequencies",
            fix="handover: [2.4 kHz], or filters",
        ),
        "handover",
    )
