"""One loudspeaker of a range: its waveguide's size, what its beam does over frequency, and down to where its mouth holds it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenfield import metrics
from evenfield.base.bands import octave_axis
from evenfield.base.errors import Refusal
from evenfield.data.directions import sphere_directions
from evenfield.data.directivity import Directivity
from evenfield.loudspeaker.design import Design
from evenfield.loudspeaker.geometry import elements_of, way_origin
from evenfield.loudspeaker.predict import predict
from evenfield.loudspeaker.sweep import Progress
from evenfield.search.aim import PLANES, Aim, Weights
from evenfield.search.crossing import CONTROL
from evenfield.search.shape_confirm import WITHIN, waist
from evenfield.search.shape_field import Fineness, ShapeField
from evenfield.shape.elements import Waveguide
from evenfield.shape.outlines import support

Array = NDArray[np.float64]

WIDER = 1.2
"""Of the wanted coverage; where the beam is wider than that, its mouth holds it no more (evenfield's own measure)."""
HALF_OCTAVE = 0.52
"""Octaves to either side of the handover that are solved closely; a little more than the octave that its measures ask for."""


@dataclass(frozen=True)
class Member:
    """One loudspeaker of the range.

    Parameters
        name : of the design; aim : Aim, the common coverage at its own handover
        face : m, width and height of the cabinet; mouth : m, width and height; place : m, the mouth's (y, z); depth : m
        frequency : (F,) Hz; width : plane -> (F,) rad, beamwidth of the shaped way; index_db : way -> (F,), nan where not solved
        step_db, mismatch_db, pattern_db : handover, nan without a way below
        confirmed : from a whole prediction; else from the search's own meshes on a few frequencies
        solves, adjoints, seconds : what the search took; 0 for the one that the coverage comes from
        file : the copy that holds the derived waveguide; notes : of the search
    """

    name: str
    aim: Aim
    face: tuple[float, float]
    mouth: tuple[float, float]
    place: tuple[float, float]
    depth: float
    frequency: Array
    width: Mapping[str, Array]
    index_db: Mapping[str, Array]
    step_db: float
    mismatch_db: float
    pattern_db: float
    confirmed: bool = False
    solves: int = 0
    adjoints: int = 0
    seconds: float = 0.0
    file: Path | None = None
    notes: tuple[str, ...] = ()

    @property
    def in_band(self) -> NDArray[np.bool_]:
        """(F,) True where the coverage is wanted."""
        return np.asarray((self.frequency >= self.aim.low / 1.001) & (self.frequency <= self.aim.high * 1.001))

    @property
    def kept(self) -> float:
        """Share of the wanted band, in octaves, with all three beamwidths within ±10 % of the aim."""
        within = np.all([np.abs(self.width[p] / self.aim.coverage[p] - 1) <= WITHIN for p in PLANES], axis=0)
        weight = np.gradient(np.log2(self.frequency)) * self.in_band
        return float(np.sum(weight * within) / np.sum(weight))

    def rule(self, plane: str) -> float:
        """Hz; down to which a mouth of this size holds the coverage of the plane by Keele's rule."""
        return CONTROL / (self.mouth[PLANES.index(plane)] * math.degrees(self.aim.coverage[plane]))

    def control(self, plane: str) -> float:
        """Hz; down to which the solved beam is no wider than `WIDER` of the coverage, coming down from the middle of the wanted
        band; the lowest solved frequency where it never gets wider.
        """
        wide = np.nan_to_num(self.width[plane] / self.aim.coverage[plane], nan=4.0)
        middle = int(np.argmin(np.abs(np.log(self.frequency / math.sqrt(self.aim.low * self.aim.high)))))
        out = np.flatnonzero(wide[: middle + 1] > WIDER)
        if len(out) == 0:
            return float(self.frequency[0])
        i = int(out[-1])
        if i == middle:
            return float(self.frequency[middle])
        share = (wide[i] - WIDER) / (wide[i] - wide[i + 1])
        return float(self.frequency[i] * (self.frequency[i + 1] / self.frequency[i]) ** share)

    def holds(self, plane: str) -> bool:
        """False where the beam got no wider down to the lowest solved frequency, so that `control` is a bound."""
        return self.control(plane) > float(self.frequency[0]) * 1.001

    def band_deg(self, plane: str) -> tuple[float, float]:
        """Narrowest and widest beam in the wanted band, deg."""
        found = np.degrees(self.width[plane][self.in_band])
        return float(np.nanmin(found)), float(np.nanmax(found))

    def index_at(self, way: str | None, frequency: float) -> float:
        """Directivity index of a way, dB, linear in log frequency; nan where not solved."""
        if way is None or not self.frequency[0] <= frequency <= self.frequency[-1] * 1.001:
            return math.nan
        return float(np.interp(math.log(frequency), np.log(self.frequency), self.index_db[way]))

    def width_at(self, plane: str, frequency: float) -> float:
        """Beamwidth, deg; nan outside what was solved."""
        if not self.frequency[0] <= frequency <= self.frequency[-1] * 1.001:
            return math.nan
        return math.degrees(float(np.interp(math.log(frequency), np.log(self.frequency), self.width[plane])))

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON, those that follow from the curves beside them."""
        return {
            "name": self.name, "handover_hz": self.aim.handover, "face_mm": [1e3 * m for m in self.face],
            "mouth_mm": [1e3 * m for m in self.mouth], "place_mm": [1e3 * m for m in self.place], "depth_mm": 1e3 * self.depth,
            "control_hz": {p: self.control(p) for p in PLANES}, "control_by_rule_hz": {p: self.rule(p) for p in PLANES[:2]},
            "step_db": _plain(self.step_db), "mismatch_db": _plain(self.mismatch_db), "pattern_db": _plain(self.pattern_db),
            "kept": self.kept, "waist": {p: waist(w[self.in_band]) for p, w in self.width.items()},
            "confirmed": self.confirmed, "solves": self.solves, "adjoints": self.adjoints, "seconds": self.seconds,
            "frequency": self.frequency.tolist(), "width_deg": {p: _row(np.degrees(w)) for p, w in self.width.items()},
            "index_db": {n: _row(v) for n, v in self.index_db.items()}, "file": None if self.file is None else str(self.file),
            "notes": list(self.notes), "aim": _aim_dict(self.aim),
        }  # fmt: skip

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Member:
        """The reverse of `to_dict`."""
        metre = {n: tuple(1e-3 * float(v) for v in data[f"{n}_mm"]) for n in ("face", "mouth", "place")}
        number = {n: math.nan if data[n] is None else float(data[n]) for n in ("step_db", "mismatch_db", "pattern_db")}
        return cls(
            data["name"], _aim_of(data["aim"]), metre["face"], metre["mouth"], metre["place"],  # type: ignore[arg-type]
            1e-3 * data["depth_mm"], np.asarray(data["frequency"]),
            {p: np.radians(np.asarray(w, float)) for p, w in data["width_deg"].items()},
            {n: np.asarray(v, float) for n, v in data["index_db"].items()}, **number, confirmed=data["confirmed"],
            solves=data["solves"], adjoints=data["adjoints"], seconds=data["seconds"],
            file=None if data["file"] is None else Path(data["file"]), notes=tuple(data["notes"]),
        )  # fmt: skip


def _plain(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _row(values: Array) -> list[float | None]:
    return [_plain(float(v)) for v in values]


def _aim_dict(aim: Aim) -> dict[str, Any]:
    return {**vars(aim), "coverage": dict(aim.coverage), "weights": vars(aim.weights)}


def _aim_of(data: Mapping[str, Any]) -> Aim:
    return Aim(**{**data, "weights": Weights(**data["weights"])})


def measured(
    design: Design, folder: Path, aim: Aim, confirm: bool, device: str = "auto", progress: Progress | None = None,
    bottom: float = math.inf,
) -> Member:  # fmt: skip
    """A design's curves: from a whole prediction as `shape_confirm.confirm` makes it, or from `coarse_axis` on coarse meshes,
    beginning at `bottom` (Hz) or below.

    Raises as `predict`.
    """
    if confirm:
        axis = octave_axis(24, 250.0, max(aim.high * 1.04, 10.5e3))
        ways = dict(predict(design, folder=folder, progress=progress, frequency_hz=axis, device=device).ways)
    else:
        ways = coarse_ways(design, folder, aim, device, progress, bottom)
    upper = ways[aim.upper]
    width = {p: np.radians(metrics.beamwidth(upper, p).beamwidth.values) for p in PLANES}  # type: ignore[arg-type]
    with np.errstate(divide="ignore", invalid="ignore"):  # the way below is not solved far above its band
        index = {n: metrics.directivity_index(ways[n]) for n in (aim.lower, aim.upper) if n is not None}
    if aim.lower is not None and not confirm:
        index[aim.lower] = np.where(upper.frequency <= 1.5 * aim.handover, index[aim.lower], np.nan)
    guide = next(e for e in elements_of(design, folder) if isinstance(e, Waveguide) and e.name == aim.upper)
    mouth = tuple(2 * float(support(guide.mouth, np.array(t))) for t in (0.0, math.pi / 2))
    c = design.cabinet
    return Member(
        design.name, aim, (float(c.width), float(c.height)), (mouth[0], mouth[1]), (guide.y, guide.z), guide.depth,
        upper.frequency, width, index, *_handover(ways, aim), confirmed=confirm,
    )  # fmt: skip


def coarse_axis(aim: Aim, top: float = 0.0, bottom: float = math.inf) -> Array:
    """(F,) Hz: an octave below the handover in thirds, five points to its octave, then half octaves to the top of the aim; on to
    `bottom` and `top` where those lie further out.
    """
    top = max(aim.high, top)
    centre = aim.handover or aim.low
    near = centre * 2.0 ** np.linspace(-HALF_OCTAVE, HALF_OCTAVE, 5)
    begin, end = min(centre * 2**-1.2, bottom / 1.01), centre * 2**-0.85
    below = np.geomspace(begin, end, 2 + round(math.log2(end / begin) / 0.5))
    count = max(round(math.log2(top / near[-1]) / 0.5), 1)
    return np.concatenate([below, near, np.geomspace(near[-1], top, count + 1)[1:]])


def coarse_ways(
    design: Design, folder: Path, aim: Aim, device: str, progress: Progress | None, bottom: float = math.inf
) -> dict[str, Directivity]:
    """Each way's far field on the meshes of a coarse search, on `coarse_axis`."""
    brief = design.brief.coverage
    sphere, axis = sphere_directions(), coarse_axis(aim, float(brief.high) if brief else 0.0, bottom)
    alone = None if aim.lower is None else (aim.upper, 1.5 * aim.handover)
    if progress is not None:
        progress.start(len(axis), f"{design.name}: curves")
    solver = ShapeField(design, axis.tolist(), sphere.vectors, Fineness(4.5, 2.0), folder, device, alone)
    found = solver.solve(design, None if progress is None else progress.step)
    if progress is not None:
        progress.done()
    drive = solver.drive(design, found, aim.upper)
    ways = {}
    for name in (n for n in (aim.lower, aim.upper) if n is not None):
        pressure = np.einsum("pf,pdf->df", drive.motion[name], found.far)
        ways[name] = Directivity(pressure, sphere, solver.frequency, origin=way_origin(design, name))
    return ways


def _handover(ways: Mapping[str, Directivity], aim: Aim) -> tuple[float, float, float]:
    """Step, mismatch and pattern difference, dB, of the octave around the handover."""
    if aim.lower is None:
        return math.nan, math.nan, math.nan
    near = np.abs(np.log2(ways[aim.upper].frequency / aim.handover)) <= HALF_OCTAVE + 0.04
    low, high = (
        replace(ways[n], pressure=ways[n].pressure[:, near], frequency=ways[n].frequency[near]) for n in (aim.lower, aim.upper)
    )
    try:
        pattern = metrics.pattern_difference(high, low, aim.handover).difference_db
        return (
            metrics.handover_step(high, low, aim.handover), metrics.handover_mismatch(high, low, aim.handover), float(pattern),
        )  # fmt: skip
    except Refusal:
        return math.nan, math.nan, math.nan


__all__ = ["WIDER", "Member", "coarse_axis", "measured"]
