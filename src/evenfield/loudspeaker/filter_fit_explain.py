"""What each section is for, and what was left alone on purpose."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenfield.loudspeaker.filter_fit_field import SHARED_DB, octave_mean
from evenfield.loudspeaker.filter_fit_measures import half_range
from evenfield.loudspeaker.filter_fit_model import FilterModel, Tuned
from evenfield.loudspeaker.filter_fit_objective import Objective
from evenfield.loudspeaker.predict import Prediction

FloatArray = NDArray[np.float64]

LOCAL_DB = 0.5
"""A feature of the axis alone below this is not worth a word."""


@dataclass(frozen=True)
class SectionWorth:
    """One section: where, which, what it repairs, and how much the window's ± grows without it (nothing refitted), dB."""

    way: str
    section: Tuned
    repairs: str
    worth_db: float

    @property
    def title(self) -> str:
        """The section in a few words."""
        s = self.section
        where = f"{s.kind} {s.frequency:.0f} Hz"
        if s.kind in ("low-pass", "high-pass"):
            return f"{where}, {s.shape.family}, order {s.shape.order}"
        return f"{where} {s.gain_db:+.1f} dB, q {s.q:.2g}"

    @property
    def words(self) -> str:
        """In a line."""
        return f"{self.way}: {self.title}: {self.repairs}, worth {self.worth_db:.1f} dB"


def worths(prediction: Prediction, objective: Objective, model: FilterModel) -> tuple[SectionWorth, ...]:
    """Every section's purpose and worth."""
    names, found = list(prediction.ways), []
    whole = half_range(objective.window_db(model))
    for w, way in enumerate(model.ways):
        for k, section in enumerate(way.sections):
            without = half_range(objective.window_db(model.without(w, k)))
            found.append(SectionWorth(names[w], section, _purpose(prediction, objective, w, section), without - whole))
    return tuple(found)


def _purpose(prediction: Prediction, objective: Objective, way: int, s: Tuned) -> str:
    name = list(prediction.ways)[way]
    if s.kind in ("low-pass", "high-pass"):
        return "kept as the design has it" if s.fixed else "hands over between the ways"
    if s.kind not in ("peaking", "low-shelf", "high-shelf"):
        return "turns the phase at the handover"
    f, level = objective.field.frequency, 10 * np.log10(np.real(objective.field.window[:, way, way]))
    local = float(np.interp(np.log(s.frequency), np.log(f), level - octave_mean(f, level, 2.0)))
    part = _part(prediction, name, s.frequency)
    if s.kind.endswith("shelf") or s.q < 0.9:
        move = "lifts" if s.gain_db > 0 else "lowers"
        side = {"low-shelf": "below", "high-shelf": "above"}.get(s.kind, "around")
        return f"{move} {side} {s.frequency:.0f} Hz what {part} leaves {'short' if s.gain_db > 0 else 'over'}"
    shape = "bump" if local > 0 else "dip"
    if local * s.gain_db < 0 and abs(local) > 0.2:
        return f"repairs {abs(local):.1f} dB of {shape} from {part}"
    return f"evens the sum beside the handover ({part})"


def _part(prediction: Prediction, name: str, frequency: float) -> str:
    """The part of a way that shapes its level at a frequency, in words."""
    design = prediction.design
    width = float(design.cabinet.width)
    step = 115.0 / width  # baffle step, Hz: 115 over the width in m; common practice, no source
    way = design.ways[name]
    if frequency > prediction.rigid_above_hz.get(name, np.inf):
        return f"{name} above its first mode (rigid piston assumed)"
    if way.waveguide is not None:
        return f"{name}'s waveguide and the cabinet's edges" if frequency < 8000 else f"{name}'s roll-off in its waveguide"
    if frequency < 0.5 * step:
        return f"{name}'s box and circuit"
    if frequency < 2 * step:
        return f"the baffle step (width {1e3 * width:.0f} mm)"
    return f"{name} and the cabinet's edges"


def left_alone(prediction: Prediction, objective: Objective) -> list[str]:
    """Notes on features that the axis has and the window does not share: counted less, not equalised."""
    field = objective.field
    away, notes = field.unshared_db, []
    peaks = [
        i for i in range(1, len(away) - 1) if abs(away[i]) >= LOCAL_DB and abs(away[i]) >= max(abs(away[i - 1]), abs(away[i + 1]))
    ]
    for i in sorted(peaks, key=lambda k: -abs(away[k]))[:3]:
        kind = "dip" if away[i] < 0 else "bump"
        notes.append(
            f"A {kind} of {abs(away[i]):.1f} dB on the axis at {field.frequency[i]:.0f} Hz is local: the listening window does "
            f"not share it. Left alone; the window counts {100 * field.weight[i]:.0f} % there."
        )
    if not notes:
        least = int(np.argmin(field.weight))
        notes.append(
            f"No feature of the axis above {LOCAL_DB:.1f} dB that the window does not share; the window's directions "
            f"differ most at {field.frequency[least]:.0f} Hz, which counts {100 * field.weight[least]:.0f} % "
            f"(half at a spread of {SHARED_DB:.1f} dB)."
        )
    return notes
