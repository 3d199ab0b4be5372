"""The filters command's work: predict, review, fit, write."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from evenfield.base.errors import DesignError, message
from evenfield.loudspeaker.design import Design
from evenfield.loudspeaker.filter_export import export_filters
from evenfield.loudspeaker.filter_fit import FilterFit, fit_filters
from evenfield.loudspeaker.filter_fit_goals import Goals
from evenfield.loudspeaker.filter_review import FilterReview, review_filters
from evenfield.loudspeaker.filter_write import write_active, write_passive
from evenfield.loudspeaker.load import load_design
from evenfield.loudspeaker.passive_fit import PassiveFit, fit_passive
from evenfield.loudspeaker.predict import predict_file
from evenfield.loudspeaker.sweep import Progress


@dataclass(frozen=True)
class FilterJob:
    """What was done: the review of the design's own filters, or a fit; the files written; whether the brief's flatness is met."""

    review: FilterReview | None
    fit: FilterFit | None
    passive: PassiveFit | None
    files: tuple[Path, ...]
    flatness: float | None

    @property
    def met(self) -> bool:
        """Window within the brief's flatness, and the impedance within its limit."""
        measures = (
            self.fit.after
            if self.fit
            else self.passive.measures
            if self.passive
            else self.review.measures
            if self.review
            else None
        )
        flat = self.flatness is None or measures is None or measures.window_max_db <= self.flatness
        return flat and not (self.review is not None and self.review.passive is not None and self.review.passive.passed is False)

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        found: dict[str, Any] = {"met": self.met, "files": [str(f) for f in self.files]}
        if self.review is not None:
            found["review"] = self.review.to_dict()
        if self.fit is not None:
            found["fit"] = fit_dict(self.fit)
        if self.passive is not None:
            found["passive_fit"] = passive_dict(self.passive)
        return found


def run_filters(
    path: Path,
    fit: bool = False,
    passive: bool = False,
    series: str = "E12",
    goals: Goals | None = None,
    export: Path | None = None,
    write: Path | None = None,
    progress: Progress | None = None,
) -> FilterJob:
    """Review or fit the filters of a design file.

    Parameters
        fit, passive : fit active sections, or a passive network; neither only reviews
        export : coefficients or netlist to write; write : copy of the design with what was fitted, its comments kept
    Raises DesignError for options that do not go together, and as `predict_file`, `fit_filters`, `fit_passive`.
    """
    goals = goals or Goals()
    if (write is not None or passive) and not fit:
        raise DesignError(message("the options", "given with --fit", "--write" if write else "--passive", fix="adding --fit"))
    if write is not None and write.resolve() == path.resolve():
        raise DesignError(message("--write", "another file than the design, which stays as it is", write.name))
    prediction = predict_file(path, progress=progress)
    flatness = None if prediction.design.brief.flatness is None else float(prediction.design.brief.flatness)
    files: list[Path] = []
    if not fit:
        review = review_filters(prediction, goals)
        if export is not None:
            files.append(export_filters(prediction, prediction.design, export, goals.sample_rate))
        return FilterJob(review, None, None, tuple(files), flatness)
    if passive or prediction.design.passive is not None:
        network = fit_passive(prediction, goals, series)
        if write is not None or export is not None:
            target = write or export
            assert target is not None
            copy = target.with_suffix(".yaml") if write is None else write
            files.append(write_passive(path, copy, network, series))
            if export is not None:
                files.append(export_filters(prediction, load_design(copy), export))
        return FilterJob(None, None, network, tuple(files), flatness)
    fitted = fit_filters(prediction, goals)
    if write is not None:
        files.append(write_active(path, write, fitted.design))
    if export is not None:
        files.append(export_filters(prediction, fitted.design, export, goals.sample_rate))
    return FilterJob(None, fitted, None, tuple(files), flatness)


def fit_dict(fit: FilterFit) -> dict[str, Any]:
    """Plain values of an active fit."""
    ways = {n: _way(fit.design, n) for n in fit.design.ways}
    worth = [
        {"way": s.way, "kind": s.section.kind, "frequency_hz": s.section.frequency, "repairs": s.repairs, "worth_db": s.worth_db}
        for s in fit.sections
    ]
    return {
        "seconds": fit.seconds,
        "before": fit.before.to_dict(),
        "after": fit.after.to_dict(),
        "ways": ways,
        "worth": worth,
        "notes": list(fit.notes),
    }


def _way(design: Design, name: str) -> dict[str, Any]:
    f = design.ways[name].filters
    sections = []
    for s in f.sections:
        row: dict[str, Any] = {"kind": s.kind, "frequency_hz": float(s.frequency)}
        if s.kind in ("low-pass", "high-pass"):
            row |= {"family": s.family, "order": s.order}
        elif s.limit is not None:
            row["limit_hz"] = float(s.limit)
        else:
            row |= {"gain_db": float(s.gain), "q": float(s.q)}
        sections.append(row)
    return {"gain_db": float(f.gain), "delay_s": float(f.delay), "inverted": f.invert, "sections": sections}


def passive_dict(fit: PassiveFit) -> dict[str, Any]:
    """Plain values of a passive fit."""
    parts = [
        {"name": p.name, "kind": p.kind, "nodes": list(p.nodes), "value": p.value, "unit": p.unit}
        for p in fit.model.network.valued
    ]
    return {
        "seconds": fit.seconds,
        "continuous": fit.continuous.to_dict(),
        "preferred": fit.measures.to_dict(),
        "parts": parts,
        "price_eur": fit.price,
        "least_ohms": fit.least.ohms,
        "least_at_hz": fit.least.frequency,
        "rated_ohms": fit.rated,
        "worth": [{"added": w, "worth_db": v} for w, v in fit.worth],
        "notes": list(fit.notes),
    }
