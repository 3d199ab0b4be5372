"""The verdict: what meets the brief and the chosen standard and what does not, by how much, where, and why."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np

from evenfield import metrics
from evenfield.base.errors import EvenfieldError
from evenfield.data.directivity import Directivity
from evenfield.loudspeaker.design import Brief
from evenfield.loudspeaker.predict import Prediction

STANDARDS = {"itu-r-bs1116": "ITU-R BS.1116-3", "ebu-tech3276": "EBU Tech 3276"}
"""Mask sets by the name a brief calls them."""


@dataclass(frozen=True)
class Line:
    """One question of the verdict.

    Parameters
        group : "brief", "handover", "standard" or "size"
        name : what is asked
        passed : True met, False not met, None not judged
        target, found, margin, where : in words, with units; margin is positive inside the target
        cause : the part it comes from
        sure : how sure this is, and why
    """

    group: str
    name: str
    passed: bool | None
    target: str = ""
    found: str = ""
    margin: str = ""
    where: str = ""
    cause: str = ""
    sure: str = ""


@dataclass(frozen=True)
class Verdict:
    """All lines; `passed` is False when any line is not met, True when all judged ones are met, None when none is judged."""

    title: str
    lines: tuple[Line, ...]
    standard: str | None = None
    notes: tuple[str, ...] = ()
    curves: dict[str, Any] = field(default_factory=dict, repr=False)

    @property
    def passed(self) -> bool | None:
        """The whole verdict."""
        judged = [line.passed for line in self.lines if line.passed is not None]
        return all(judged) if judged else None

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "title": self.title,
            "passed": self.passed,
            "standard": self.standard,
            "lines": [asdict(line) for line in self.lines],
            "notes": list(self.notes),
        }


def judge(
    prediction_or_directivity: Prediction | Directivity, brief: Brief | None = None, standard: str | None = None
) -> Verdict:
    """Judge a prediction, or any Directivity, against a brief and a standard.

    Parameters
        prediction_or_directivity : what `predict` or `read_directivity` gave
        brief : default: the design's own; for a bare Directivity none, then only what needs no brief is judged
        standard : "itu-r-bs1116" or "ebu-tech3276"; default: the brief's
    Returns
        Verdict. What the data cannot support is a line "not judged" with the reason.
    Raises EvenfieldError on an unknown standard.
    """
    from evenfield.loudspeaker.brief_lines import brief_lines, size_lines
    from evenfield.loudspeaker.handover_lines import handover_lines
    from evenfield.loudspeaker.passive_lines import passive_lines

    prediction = prediction_or_directivity if isinstance(prediction_or_directivity, Prediction) else None
    directivity = prediction.system if prediction else prediction_or_directivity
    assert isinstance(directivity, Directivity)
    if brief is None and prediction is not None:
        brief = prediction.design.brief
    chosen = _standard(standard or (brief.standard if brief else "none"))
    lines = [*brief_lines(directivity, brief, prediction), *handover_lines(directivity, brief, prediction)]
    lines += standard_lines(directivity, chosen, prediction)
    if prediction is not None:
        lines += size_lines(prediction.design, brief or Brief())
        lines += passive_lines(prediction)
        if prediction.motors is not None:
            lines += prediction.motors.lines
    title = prediction.design.name if prediction else str(directivity.provenance.get("title") or "Directivity")
    return Verdict(title, tuple(lines), chosen, tuple(_notes(directivity, prediction)))


def standard_lines(d: Directivity, standard: str | None, prediction: Prediction | None) -> Iterator[Line]:
    """A line for every limit of a mask set; none without a standard."""
    if standard is None:
        return
    from evenfield.loudspeaker.blame import cause_at

    for f in metrics.evaluate_masks(d, standard):
        unit = f" {f.limit.unit}" if f.limit.unit else ""
        found = "" if f.found is None else f"{f.found:.2f}{unit}"
        margin = "" if f.margin is None else f"{f.margin:+.2f}{unit}"
        cause = ""
        if prediction is not None and f.passed is False and (at := _frequency_in(f.where)) is not None:
            cause = cause_at(prediction, at)
        reason = getattr(f, "reason", "") or ""
        sure = "limit unverified, from memory" + (f"; {reason}" if reason else "")
        yield Line("standard", f.limit.quantity, f.passed, _bounds(f.limit), found, margin, f.where or "", cause, sure)


def guarded(group: str, name: str, target: str, make: Callable[[], Line]) -> Line:
    """A line, or "not judged" with the reason that the data gave."""
    try:
        return make()
    except EvenfieldError as reason:
        return Line(group, name, None, target, sure=str(reason))


def accuracy_words(prediction: Prediction | None, d: Directivity) -> str:
    """How sure a predicted level is."""
    if prediction is None:
        return "as measured" if d.provenance.get("kind") != "predicted" else ""
    parts = [e for e in (prediction.error_db, prediction.interpolation_error_db) if e is not None]
    return f"±{float(np.sqrt(np.sum(np.square(parts)))):.2f} dB by the solver's estimate"


def _standard(name: str) -> str | None:
    if name == "none":
        return None
    if name in STANDARDS:
        return STANDARDS[name]
    raise EvenfieldError(f"standard must be one of {', '.join(STANDARDS)}, got {name!r}. Try {next(iter(STANDARDS))}.")


def _bounds(limit: Any) -> str:
    unit = f" {limit.unit}" if limit.unit else ""
    if limit.lower is not None and limit.upper is not None:
        text = f"{limit.lower:g} to {limit.upper:g}{unit}"
    elif limit.upper is not None:
        text = f"at most {limit.upper:g}{unit}"
    else:
        text = f"at least {limit.lower:g}{unit}"
    if limit.low_hz is not None and limit.high_hz is not None:
        text += f", {limit.low_hz:g} Hz to {limit.high_hz:g} Hz"
    return text


def _frequency_in(where: str | None) -> float | None:
    import re

    match = re.search(r"([\d.e+]+) Hz", where or "")
    return float(match.group(1)) if match else None


def _notes(d: Directivity, prediction: Prediction | None) -> Iterator[str]:
    if prediction is not None:
        yield from prediction.notes
        for name, mode in prediction.rigid_above_hz.items():
            yield f"{name}: above {mode:.0f} Hz, its first mode, results are those of a rigid piston."
        if prediction.active:
            yield "Levels are per volt at the loudspeaker's input, before its filters and amplifiers."
        for key in prediction.design.unjudged():
            yield f"{key} is shown in the workbench; no line of the verdict judges it."
    else:
        if not d.phase_known:
            yield "The data hold magnitudes only: step response, group delay and decay are refused."
        if not d.level_absolute:
            yield "The data hold relative levels: sensitivity and maximum level are refused."
        if d.bandwidth is not None:
            yield f"The data are in 1/{d.bandwidth}-octave bands: nothing finer is judged."
        yield "The data hold no separate ways: handover measures are not judged."
