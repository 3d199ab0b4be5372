"""Measures of a directivity: the standard's curves, the handover between ways, time behaviour, limits.

Names load when first asked for, so that importing the room costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

_WHERE = {
    "beamwidth": "polar",
    "coherent_sum": "sums",
    "decay_spectrum": "time",
    "di_ripple": "ripple",
    "directivity_index": "curves",
    "evaluate_masks": "masks",
    "group_delay": "time",
    "handover_frequency": "handover",
    "handover_mismatch": "handover",
    "handover_step": "handover",
    "impulse_response": "time",
    "lobing_share": "handover",
    "matched_ways": "sums",
    "pattern_difference": "handover",
    "polar_map": "polar",
    "power_sum": "sums",
    "preference_rating": "rating",
    "sensitivity": "level",
    "smooth_power": "smoothing",
    "smoothed": "smoothing",
    "standard_curves": "curves",
    "step_response": "time",
}

__all__ = list(_WHERE)

if TYPE_CHECKING:
    from evenfield.metrics.curves import directivity_index as directivity_index
    from evenfield.metrics.curves import standard_curves as standard_curves
    from evenfield.metrics.handover import handover_frequency as handover_frequency
    from evenfield.metrics.handover import handover_mismatch as handover_mismatch
    from evenfield.metrics.handover import handover_step as handover_step
    from evenfield.metrics.handover import lobing_share as lobing_share
    from evenfield.metrics.handover import pattern_difference as pattern_difference
    from evenfield.metrics.level import sensitivity as sensitivity
    from evenfield.metrics.masks import evaluate_masks as evaluate_masks
    from evenfield.metrics.polar import beamwidth as beamwidth
    from evenfield.metrics.polar import polar_map as polar_map
    from evenfield.metrics.rating import preference_rating as preference_rating
    from evenfield.metrics.ripple import di_ripple as di_ripple
    from evenfield.metrics.smoothing import smooth_power as smooth_power
    from evenfield.metrics.smoothing import smoothed as smoothed
    from evenfield.metrics.sums import coherent_sum as coherent_sum
    from evenfield.metrics.sums import matched_ways as matched_ways
    from evenfield.metrics.sums import power_sum as power_sum
    from evenfield.metrics.time import decay_spectrum as decay_spectrum
    from evenfield.metrics.time import group_delay as group_delay
    from evenfield.metrics.time import impulse_response as impulse_response
    from evenfield.metrics.time import step_response as step_response


def __getattr__(name: str) -> Any:
    if name in _WHERE:
        return getattr(import_module(f"evenfield.metrics.{_WHERE[name]}"), name)
    raise AttributeError(f"module 'evenfield.metrics' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
