"""The first cut: a waveguide by rule, from brief and woofer alone, in a moment.

`first_cut` sizes the mouth so that it holds the wanted coverage down to the crossover, the depth so that the walls stand at half
the coverage, the entry from the source, and says between which frequencies the two ways' directivity indices can meet. Every
value comes with its rule and the rule's source; what does not go together is said pairwise with the nearest that does. It is a
start for the solver, not a result.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenfield.loudspeaker.design import Design
from evenfield.loudspeaker.design import Waveguide as Section
from evenfield.loudspeaker.design_text import put, read_text, write_text
from evenfield.search import first_cut_rules as rules
from evenfield.search.first_cut_given import Given, given_of
from evenfield.search.first_cut_sizes import EXPONENT, ROUNDING, Conflict, freely, section_of, sizes_of
from evenfield.search.limits import overhang_of
from evenfield.shape import Waveguide
from evenfield.shape.overhang import LYING, hang

Array = NDArray[np.float64]

MEET = 1.0
"""dB; directivity indices nearer than this meet."""


@dataclass(frozen=True)
class Reason:
    """One value, the rule it comes from and the rule's source."""

    name: str
    value: str
    rule: str
    source: str


@dataclass(frozen=True)
class FirstCut:
    """A waveguide by rule.

    Parameters
        way, woofer : names of the upper and the lower way
        waveguide : the design file's section, in its own words and units
        height_mm : place of the way above the centre of the face
        crossover : Hz, what the rules were asked for; coverage : rad, wanted: horizontal, vertical
        held : rad, coverage that the walls stand for: horizontal, vertical
        control : Hz, down to which the mouth holds it: horizontal, vertical
        meeting : Hz, from-to, where the directivity indices can meet within `MEET`; None where nowhere
        best : Hz, where they are nearest; index_db : of woofer and waveguide at the crossover
        reasons, conflicts
    """

    way: str
    woofer: str
    waveguide: Mapping[str, Any]
    height_mm: float
    crossover: float
    coverage: tuple[float, float]
    held: tuple[float, float]
    control: tuple[float, float]
    meeting: tuple[float, float] | None
    best: float
    index_db: tuple[float, float]
    reasons: tuple[Reason, ...]
    conflicts: tuple[Conflict, ...]

    def apply(self, design: Design) -> Design:
        """The design with this waveguide in place of its own. Raises DesignError where it does not fit all the same."""
        section = Section.model_validate(dict(self.waveguide))
        way = design.ways[self.way]
        place = way.place.model_validate({"y": way.place.y, "z": f"{self.height_mm:.4g} mm"})
        ways = {**design.ways, self.way: way.model_copy(update={"waveguide": section, "place": place})}
        return design.model_copy(update={"ways": ways})


def first_cut(
    design: Design, way: str | None = None, crossover_hz: float | None = None, deepest: float | None = None
) -> FirstCut:
    """A waveguide by rule for one way, default the highest.

    Parameters
        crossover_hz : Hz; default the design's handover, else between its filters, else where the woofer's own coverage is
            the wanted one
        deepest : m; the largest depth allowed, default half the cabinet's
    Raises DesignError, with the key, where brief, woofer or source are not stated.
    Cost: about a tenth of a second.
    """
    given = _closed(design, given_of(design, way, crossover_hz, deepest))
    depth, half, mouth, rounding, conflicts = sizes_of(given)
    held = (2 * half[0], 2 * half[1])
    control = tuple(rules.control_frequency(held[i], mouth[i]) for i in (0, 1))
    section, guide = section_of(given, depth, half, mouth, rounding)
    meeting, best, index = _meeting(given, held, mouth)
    conflicts += _more_conflicts(given, control, meeting, best, index)
    conflicts += _hanging(design, guide)
    height = given.centre if design.ways[given.way].waveguide is None else _kept(design, given, mouth[1])
    return FirstCut(
        given.way,
        given.woofer,
        section,
        round(1e3 * height, 1),
        given.crossover,
        given.coverage,
        held,
        (control[0], control[1]),
        meeting,
        best,
        index,
        tuple(_reasons(given, guide, held, control, meeting, best)),
        tuple(conflicts),
    )


def first_cut_lines(cut: FirstCut) -> list[str]:
    """The first cut in words: a line per value with its rule and source, then what does not go together."""
    lines = [f"First cut for {cut.way} by rule; the solved field has the last word."]
    lines += [f"  {r.name}: {r.value} — {r.rule} ({r.source})" for r in cut.reasons]
    for c in cut.conflicts:
        lines.append(f"  {c.pair[0]} against {c.pair[1]}: {c.text} Nearest: {c.nearest}.")
    return lines


def write_first_cut(source: str | Path, target: str | Path, cut: FirstCut) -> Path:
    """A copy of the design file `source` at `target` with the waveguide of the first cut, its comments kept."""
    yaml, tree = read_text(Path(source))
    way = tree["ways"][cut.way]
    fresh = {"shape", "width", "height", "exponent"}
    old = way.get("waveguide") or {}
    gone = {"mouth": {k: None for k in old.get("mouth", {}) if k not in fresh}, "transition": None}
    put(way, {"waveguide": gone} if old else {})
    place = {"y": way.get("place", {}).get("y", "0 mm"), "z": f"{cut.height_mm:.4g} mm"}
    put(way, {"place": place, "waveguide": dict(cut.waveguide)})
    return write_text(yaml, tree, Path(target))


def _more_conflicts(
    given: Given, control: tuple[float, ...], meeting: tuple[float, float] | None, best: float, index: tuple[float, float]
) -> list[Conflict]:
    found = []
    f = given.crossover
    if meeting is None or not meeting[0] <= f <= meeting[1]:
        where = "nowhere" if meeting is None else f"from {meeting[0]:.0f} to {meeting[1]:.0f} Hz"
        nearest = best if meeting is None else min(meeting, key=lambda m: abs(math.log(m / f)))
        found.append(
            Conflict(
                ("crossover", f"ways.{given.woofer}.driver.sd"),
                f"at {f:.0f} Hz the waveguide has {index[1]:.1f} dB and the woofer {index[0]:.1f} dB of directivity; by rule "
                f"they meet within {MEET:g} dB {where}.",
                f"a crossover at {nearest:.0f} Hz",
            )
        )
    return found


def _closed(design: Design, given: Given) -> Given:
    """Walls closed until those between the planes, too, keep the printer's overhang; as they are where nothing helps."""
    chosen = overhang_of(design)
    if chosen is None or chosen[0] != "mouth-down":
        return given
    wish = given
    for _ in range(8):
        depth, half, mouth, rounding, _found = sizes_of(wish)
        guide = freely(section_of(wish, depth, half, mouth, rounding)[1])
        over = hang(guide, LYING[chosen[0]], chosen[1]).worst[0] - chosen[1]
        if over <= math.radians(0.1):
            return wish
        wish = replace(wish, closed=wish.closed + over)
        if wish.steepest - wish.closed < wish.entry + math.radians(2):
            break
    return given


def _hanging(design: Design, guide: Waveguide) -> list[Conflict]:
    """What is left where the walls of the rules hang over further than the printer's section allows."""
    chosen = overhang_of(design)
    if chosen is None:
        return []
    lying, limit = chosen
    angle, place = hang(freely(guide), LYING[lying], limit).worst
    if angle <= limit + math.radians(0.5):
        return []
    nearest = "a deeper waveguide, or printer.lying: throat-down"
    edge = lying.endswith("edge")
    if edge:
        entry = 90 - math.degrees(limit)
        nearest = f"an entry angle of {entry:.0f} deg, which this source does not follow, or printer.lying: throat-down"
    return [
        Conflict(
            ("waveguide.entry_angle" if edge else "waveguide.depth", "printer.overhang"),
            f"printed {lying.replace('-', ' ')}, the wall hangs over by {math.degrees(angle):.0f} deg ({place}), and "
            f"{math.degrees(limit):.0f} deg are allowed.",
            nearest,
        )
    ]


def _meeting(
    given: Given, held: tuple[float, float], mouth: tuple[float, float]
) -> tuple[tuple[float, float] | None, float, tuple[float, float]]:
    """Where the indices meet: the range that holds, or lies nearest to, the crossover."""

    def both(f: Array) -> tuple[Array, Array]:
        woofer = rules.piston_index(given.cone.radius, f, given.width, given.air)
        flat = rules.coverage_index(*held)
        return woofer, rules.guide_index(flat, mouth[0], mouth[1], f, given.width, given.air)

    f = np.geomspace(300.0, 6000.0, 601)
    woofer, guide = both(f)
    apart = np.where(f >= given.crossover / 2, np.abs(guide - woofer), np.inf)  # an octave below the wish both are wide anyway
    at = both(np.array([given.crossover]))
    index = (float(at[0][0]), float(at[1][0]))
    edges = np.flatnonzero(np.diff(np.concatenate([[0], (apart <= MEET).astype(int), [0]])))
    if not len(edges):
        return None, float(f[int(np.argmin(apart))]), index
    wish = math.log(given.crossover)
    ranges = sorted(
        zip(edges[::2], edges[1::2], strict=True),
        key=lambda r: max(math.log(f[r[0]]) - wish, wish - math.log(f[r[1] - 1]), 0.0),
    )
    first, last = ranges[0]
    return (float(f[first]), float(f[last - 1])), float(f[first + int(np.argmin(apart[first:last]))]), index


def _kept(design: Design, given: Given, tall: float) -> float:
    """The way's own height where the mouth fits there, else the middle of the room."""
    own, middle = float(design.ways[given.way].place.z), given.centre
    slack = (given.room[1] - tall) / 2 + 1e-9
    return own if abs(own - middle) <= slack else middle + math.copysign(max(slack, 0.0), own - middle) * 0.999


def _reasons(
    given: Given,
    guide: Waveguide,
    held: tuple[float, float],
    control: tuple[float, ...],
    meeting: tuple[float, float] | None,
    best: float,
) -> list[Reason]:
    def deg(angle: float) -> str:
        return f"{math.degrees(angle):.0f} deg"

    source = {"Throat": "the compression driver's exit angle", "Dome": "at right angles on the dome's rim"}.get(
        type(given.source).__name__, "at right angles on the ring's rim"
    )
    width, height = guide.mouth.width, guide.mouth.height  # type: ignore[union-attr]
    meet = "nowhere" if meeting is None else f"{meeting[0]:.0f} Hz to {meeting[1]:.0f} Hz, best {best:.0f} Hz"
    return [
        Reason("crossover", f"{given.crossover:.0f} Hz", "asked, declared or filtered; else the woofer's coverage", "design"),
        Reason("mouth", f"{1e3 * width:.0f} x {1e3 * height:.0f} mm", f"holds {deg(held[0])} down to {control[0]:.0f} Hz and "
               f"{deg(held[1])} down to {control[1]:.0f} Hz: 10^6 / (degrees x inches)", "Keele 1975, from memory"),
        Reason("walls", f"{deg(held[0] / 2)} and {deg(held[1] / 2)} from the axis", "half the coverage in each plane",
               "Geddes 1989, Keele 1975, from memory"),
        Reason("depth", f"{1e3 * guide.depth:.0f} mm", "from which those walls reach that mouth", "geometry"),
        Reason("entry angle", deg(given.entry), f"{source}, at most 0.7 of half the coverage", "common practice, no source"),
        Reason("rounding", f"{1e3 * guide.rounding:.0f} mm", f"{ROUNDING:g} of the mouth's smaller half",
               "common practice, no source"),
        Reason("cross-section", f"superelliptic, exponent {EXPONENT:g}", "between ellipse and rectangle", "common practice"),
        Reason("profile", "free", "oblate-spheroidal walls stated at five stations, to be refined", "Geddes 1989, from memory"),
        Reason("crossover range", meet, f"woofer as a piston on the cabinet, waveguide by coverage and mouth, within {MEET:g} dB",
               "Beranek & Mellow 2012; Molloy 1948, from memory; cabinet: common practice"),
    ]  # fmt: skip


__all__ = ["Conflict", "FirstCut", "Reason", "first_cut", "first_cut_lines", "write_first_cut"]
