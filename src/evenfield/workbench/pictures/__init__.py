"""The pictures of the workbench: what each is called, which choices it has, what it shows of a prediction."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from evenfield.base.errors import DataError, Refusal
from evenfield.loudspeaker.predict import Prediction
from evenfield.workbench.pictures import drivers, field, handover, tables, time
from evenfield.workbench.pictures.picture import Picture

Make = Callable[[Prediction, dict[str, str]], Picture]

_SMOOTHING = ("0", "24", "12", "6", "3")
_NORMALISE = ("none", "axis", "window")
_PLANES = ("horizontal", "vertical", "diagonal")

FREE = ("of", "way")
"""Options that take the names of ways too."""


def _kept(prediction: Prediction, options: dict[str, str]) -> Picture:
    """Made elsewhere: by long work, or from measured sets."""
    raise Refusal("Nothing to show yet.")


KINDS: dict[str, tuple[str, dict[str, tuple[str, ...]], Make]] = {
    "handover": ("Handover strip", {"pair": ("0", "1", "2", "3")}, handover.handover),
    "polar": (
        "Polar map",
        {"of": ("system",), "plane": _PLANES, "normalise": ("axis", "window", "none"), "smoothing": _SMOOTHING},
        field.polar,
    ),
    "curves": ("Curves", {"normalise": _NORMALISE, "smoothing": _SMOOTHING}, field.curves),
    "directivity": ("Directivity index", {}, field.directivity),
    "beamwidth": ("Beamwidth", {"of": ("system",)}, field.beamwidth),
    "ways": ("Ways", {}, field.ways),
    "filters": ("Filters", {}, drivers.filters),
    "impedance": ("Impedance", {}, drivers.impedance),
    "movement": ("Displacement", {}, drivers.movement),
    "limits": ("Limits", {}, drivers.limits),
    "step": ("Step response", {}, time.step),
    "delay": ("Group delay", {}, time.delay),
    "decay": ("Decay", {}, time.decay),
    "fan": ("Room fan", {"ensemble": ("studios", "living-rooms")}, _kept),
    "causes": ("Causes of the room spread", {"ensemble": ("studios", "living-rooms")}, _kept),
    "motor": ("Motor", {"way": ("",)}, _kept),
    "harmonics": ("Distortion", {"way": ("",)}, _kept),
    "loudest": ("Loudest level", {}, _kept),
    "measured": ("Measured beside predicted", {}, _kept),
    "verdict": ("Verdict", {}, tables.verdict),
    "cost": ("Parts and cost", {}, tables.cost),
    "facts": ("Facts", {}, tables.facts),
}
"""Title, choices of each option (the first is the default; those of `FREE` take the names of ways too), and the maker."""


def catalogue() -> list[dict[str, Any]]:
    """What can be asked, for the page."""
    return [
        {"kind": kind, "title": title, "options": {n: {"choices": list(c), "default": c[0]} for n, c in options.items()}}
        for kind, (title, options, _) in KINDS.items()
    ]


def settled(kind: str, options: Any) -> dict[str, str]:
    """Options with defaults filled in. Raises DataError for unknown kinds, options and choices."""
    if kind not in KINDS:
        raise DataError(f"kind must be one of {', '.join(KINDS)}, got {kind!r}.")
    known = KINDS[kind][1]
    given = {str(k): str(v) for k, v in options.items()} if isinstance(options, dict) else {}
    for name, value in given.items():
        if name not in known:
            raise DataError(f"options of {kind} must be among {', '.join(known) or 'none'}, got {name!r}.")
        if name not in FREE and value not in known[name]:
            raise DataError(f"{name} of {kind} must be one of {', '.join(known[name])}, got {value!r}.")
    return {name: given.get(name, choices[0]) for name, choices in known.items()}


def draw(kind: str, options: dict[str, str], prediction: Prediction) -> Picture:
    """One picture. Raises Refusal or DataError where the data cannot say."""
    return KINDS[kind][2](prediction, options)
