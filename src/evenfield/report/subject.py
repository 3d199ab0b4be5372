"""What a report is about: the shapes it reads from a prediction, a verdict or a bare Directivity.

Protocols only, so that a report can be made of anything that answers them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from evenfield.data import Directivity, Impedance, Response

FloatArray = NDArray[np.float64]


class HandoverLike(Protocol):
    """The measures of one adjacent pair of ways."""

    lower: str
    upper: str
    frequency: float


class LineLike(Protocol):
    """One line of a verdict."""

    @property
    def group(self) -> str: ...  # noqa: D102
    @property
    def name(self) -> str: ...  # noqa: D102
    @property
    def passed(self) -> bool | None: ...  # noqa: D102
    @property
    def target(self) -> str: ...  # noqa: D102
    @property
    def found(self) -> str: ...  # noqa: D102
    @property
    def margin(self) -> str: ...  # noqa: D102
    @property
    def where(self) -> str: ...  # noqa: D102
    @property
    def cause(self) -> str: ...  # noqa: D102
    @property
    def sure(self) -> str: ...  # noqa: D102


class VerdictLike(Protocol):
    """A judged brief."""

    @property
    def title(self) -> str: ...  # noqa: D102
    @property
    def passed(self) -> bool | None: ...  # noqa: D102
    @property
    def standard(self) -> str | None: ...  # noqa: D102
    @property
    def lines(self) -> Sequence[LineLike]: ...  # noqa: D102
    @property
    def notes(self) -> Sequence[str]: ...  # noqa: D102


def judged_thing(verdict: VerdictLike | None) -> str:
    """What the verdict is about, as the first word of its headline: the brief, or the standard where there is no brief."""
    groups = {line.group.lower() for line in verdict.lines} if verdict is not None else set()
    return "Standard" if verdict is not None and verdict.standard and not groups & {"brief", "size"} else "Brief"


@runtime_checkable
class PredictionLike(Protocol):
    """A predicted loudspeaker; only the members that every report needs."""

    @property
    def ways(self) -> Mapping[str, Directivity]: ...  # noqa: D102
    @property
    def filters(self) -> Mapping[str, NDArray[np.complex128]]: ...  # noqa: D102
    @property
    def system(self) -> Directivity: ...  # noqa: D102
    @property
    def impedance(self) -> Mapping[str, Impedance]: ...  # noqa: D102
    @property
    def excursion(self) -> Mapping[str, Response]: ...  # noqa: D102


@dataclass(frozen=True)
class Subject:
    """A prediction or a Directivity, read the same way.

    Members that the source lacks read empty, never invented.
    """

    title: str
    system: Directivity
    prediction: PredictionLike | None
    about: str = ""

    @classmethod
    def of(cls, source: PredictionLike | Directivity, title: str = "") -> Subject:
        """Wrap what the caller has."""
        if isinstance(source, Directivity):
            return cls(title or str(source.provenance.get("title", "A directivity")), source, None)
        design = getattr(source, "design", None)
        name = getattr(design, "name", "") or title or "A loudspeaker"
        return cls(str(name), source.system, source, str(getattr(design, "title", "")))

    def get(self, name: str, default: Any = None) -> Any:
        """A member of the prediction; `default` where there is none."""
        found = getattr(self.prediction, name, None)
        return default if found is None else found

    @property
    def ways(self) -> Mapping[str, Directivity]:
        """The ways, unfiltered; empty for a bare Directivity."""
        return self.prediction.ways if self.prediction is not None else {}

    @property
    def predicted(self) -> bool:
        """False for a bare Directivity, which may be measured."""
        return self.prediction is not None

    def filtered(self, name: str) -> Directivity:
        """One way through its electrical chain."""
        way = self.ways[name]
        chain = self.get("filters", {}).get(name)
        return way if chain is None else way.filtered(chain)

    @property
    def rigid_above_hz(self) -> dict[str, float]:
        """Ways whose diaphragm counts as rigid beyond its first mode, and from which frequency, where in the data's range."""
        stated = self.get("rigid_above_hz") or {}
        return {n: float(f) for n, f in stated.items() if f is not None and f < self.system.frequency[-1]}

    @property
    def rigid_words(self) -> str:
        """The same for captions; empty where nothing is to say."""
        from evenfield.report.style import spoken_hz

        listed = ", ".join(f"{name} above {spoken_hz(f)}" for name, f in self.rigid_above_hz.items())
        return f" Rigid piston: {listed}." if listed else ""

    @property
    def data_words(self) -> str:
        """What the system's figures are made from, for captions."""
        return data_words(self.system, "predicted" if self.predicted else "")


def data_words(d: Directivity, origin: str = "") -> str:
    """One line: how many directions and frequencies, of what bandwidth, at what distance, of what level."""
    from evenfield.report.style import spoken_hz

    kind = "closed sphere" if d.is_sphere else "orbits only"
    low, high = spoken_hz(d.frequency[0]), spoken_hz(d.frequency[-1])
    band = "single frequencies" if d.bandwidth is None else f"1/{d.bandwidth}-octave bands"
    place = "far field" if d.distance is None else f"at {d.distance:g} m"
    head = origin or str(d.provenance.get("kind", ""))
    return (
        f"{head + ', ' if head else ''}{len(d.directions)} directions ({kind}), {len(d.frequency)} {band} {low} to {high}, "
        f"{place}, not smoothed"
    )
