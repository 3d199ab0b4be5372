"""Whether a waveguide is possible: sizes, entry against depth and mouth, free angles, throat and rim; no wall turns back."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from evenfield.shape.elements import Round, Waveguide, key_of
from evenfield.shape.fit_words import check_outline, largest, mm, positive, refuse
from evenfield.shape.outlines import polar_radius, scaled, smallest_half
from evenfield.shape.profiles import PROFILES
from evenfield.shape.walls import wall

_NARROWEST = 0.0002  # m; a gap that still is one
_QUARTER = np.linspace(0, math.pi / 2, 19)  # rad; all outlines have both symmetries


def check_waveguide(guide: Waveguide) -> None:
    """Raise DesignError, with the key at fault, unless the waveguide's own sizes go together."""
    way = key_of(guide)
    key = f"{way}.waveguide"
    positive(f"{key}.throat_radius", guide.throat_radius)
    positive(f"{key}.depth", guide.depth)
    positive(f"{key}.rounding", guide.rounding)
    angle = guide.entry_angle
    if not (math.isfinite(angle) and 0 <= angle <= math.radians(80)):
        refuse(f"{key}.entry_angle", "0 to 80 deg from the axis", f"{math.degrees(angle):.4g} deg")
    check_outline(f"{key}.mouth", guide.mouth)
    if not (math.isfinite(guide.clearance) and guide.clearance >= 0):
        refuse(f"{key}.clearance", "0 or more", guide.clearance)
    if guide.profile not in PROFILES:
        refuse(f"{key}.profile", f"one of {', '.join(sorted(PROFILES))}", repr(guide.profile))
    if guide.source.radius > guide.throat_radius * (1 + 1e-9):
        refuse(
            f"{key}.throat_radius",
            f"at least the radius of its source {guide.source.name!r} ({mm(guide.source.radius)})",
            mm(guide.throat_radius),
        )
    if guide.rounding > 0.9 * guide.depth:
        refuse(f"{key}.rounding", f"at most 0.9 of the depth ({mm(guide.depth)})", mm(guide.rounding))
    _check_seat(guide, key)
    _check_rim(guide, key)
    _check_angles(guide, key)
    _check_entry(guide, key)
    _check_greatest(guide, key)
    _check_turns(guide, key)


def _check_seat(guide: Waveguide, key: str) -> None:
    """The gap around the source, and how far it sits back."""
    for name, value in (("source_depth", guide.source_depth), ("gap.width", guide.gap_width), ("gap.depth", guide.gap_depth)):
        if not (math.isfinite(value) and 0 <= value <= guide.throat_radius):
            refuse(f"{key}.{name}", f"0 to the throat's radius ({mm(guide.throat_radius)})", mm(value))
    if guide.gap_depth == 0:
        return
    if guide.gap_width < _NARROWEST:
        refuse(
            f"{key}.gap.width",
            f"at least {mm(_NARROWEST)} where the gap has a depth",
            mm(guide.gap_width),
            "In a narrower gap friction rules, which the solver leaves out",
            "a depth of 0, which closes the gap",
        )
    outer = guide.source.radius + guide.gap_width
    if outer > guide.throat_radius * (1 + 1e-9):
        refuse(
            f"{key}.throat_radius",
            f"at least the source's radius and the gap ({mm(outer)})",
            mm(guide.throat_radius),
            fix=f"{mm(outer)}, or a gap of {mm(max(guide.throat_radius - guide.source.radius, 0.0))}",
        )


def _check_rim(guide: Waveguide, key: str) -> None:
    """The proud mouth and the transition."""
    if not (math.isfinite(guide.proud) and 0 <= guide.proud <= guide.depth):
        refuse(f"{key}.proud", f"0 to the depth ({mm(guide.depth)})", mm(guide.proud))
    if guide.proud:
        positive(f"{key}.proud_radius", guide.proud_radius)
    begin, end = guide.transition
    if (begin, end) != (0.0, 0.0) and not 0 <= begin < end <= 1:
        refuse(
            f"{key}.transition",
            "rising shares of the wall, from less than to",
            f"{100 * begin:.4g} % to {100 * end:.4g} %",
            fix="from 0 % to 60 %",
        )


def _check_angles(guide: Waveguide, key: str) -> None:
    """The free profile's stations and angles."""
    stated = {"horizontal": guide.angles, "vertical": guide.angles_vertical, "diagonal": guide.angles_diagonal}
    if guide.profile != "free":
        if any(stated.values()) or guide.stations:
            refuse(f"{key}.profile", "free where the wall states angles", repr(guide.profile))
        return
    if guide.stations:
        shares = np.array(guide.stations)
        if not (np.all(np.diff(shares) > 0.02) and shares[0] >= 0.02 and abs(shares[-1] - 1) < 1e-9):
            text = ", ".join(f"{100 * s:.4g} %" for s in guide.stations)
            refuse(f"{key}.wall.stations", "rising by more than 2 % and ending at 100 %, where the rounding begins", text)
    count = len(guide.stations) or len(guide.angles)
    for plane, angles in stated.items():
        where = f"{key}.wall.{plane}"
        if plane != "horizontal" and not angles:
            continue
        if not 2 <= len(angles) <= 12 or len(angles) != count:
            rule = f"{count} angles, one per station" if 2 <= count <= 12 else "2 to 12 angles"
            if angles or guide.stations:
                refuse(where, rule, len(angles))
            continue
        line = np.array([guide.entry_angle, *angles, math.radians(89.5)])
        if not (np.all(np.isfinite(line)) and np.all(np.diff(line) >= 0)):
            refuse(
                where,
                f"rising from the entry angle ({math.degrees(guide.entry_angle):.4g} deg) to at most 89.5 deg",
                ", ".join(f"{math.degrees(a):.4g} deg" for a in angles),
                "A wall that turns back would shadow itself",
            )


def _check_entry(guide: Waveguide, key: str) -> None:
    """Entry angle and depth against the mouth's smallest half width."""
    profile, mouth = PROFILES[guide.profile], smallest_half(guide.mouth)
    if mouth <= guide.throat_radius:
        refuse(
            f"{key}.mouth",
            f"wider than the throat (diameter {mm(2 * guide.throat_radius)})",
            mm(2 * mouth),
            "A mouth narrower than its throat has no coverage",
        )

    def needed(angle: float, depth: float, rounding: float) -> float:
        return profile.least_mouth(guide.throat_radius, angle, depth + guide.proud, rounding)

    least = needed(guide.entry_angle, guide.depth, guide.rounding)
    if mouth > least + 1e-6:
        return
    fixes = [f"a mouth of more than {mm(2 * least)}"]
    if needed(guide.entry_angle, 0.0, guide.rounding) < mouth:
        depth = largest(lambda d: needed(guide.entry_angle, d, guide.rounding) < mouth, guide.depth)
        if depth > guide.rounding:
            fixes.append(f"a depth under {mm(depth)}")
    if needed(0.0, guide.depth, guide.rounding) < mouth:
        angle = largest(lambda a: needed(a, guide.depth, guide.rounding) < mouth, guide.entry_angle)
        fixes.append(f"an entry angle under {math.degrees(angle):.3g} deg")
    refuse(
        f"{key}.entry_angle",
        f"compatible with depth {mm(guide.depth)} and the mouth's smallest width {mm(2 * mouth)}",
        f"{math.degrees(guide.entry_angle):.4g} deg",
        f"The straight wall from the throat would reach the baffle {mm(2 * least)} wide and have to turn back",
        ", or ".join(fixes),
    )


def _check_greatest(guide: Waveguide, key: str) -> None:
    """The mouth's farthest corner against what the profile can reach from this depth."""
    find = getattr(PROFILES[guide.profile], "greatest_mouth", None)
    if find is None:
        return
    widest = float(polar_radius(guide.mouth, _QUARTER).max())

    def greatest(depth: float) -> float:
        return float(find(guide.throat_radius, guide.entry_angle, depth + guide.proud, guide.rounding))

    limit = greatest(guide.depth)
    if widest < limit:
        return
    deep = 8 * guide.depth
    depth = deep - largest(lambda less: greatest(deep - less) > widest, deep - guide.depth)
    refuse(
        f"{key}.depth",
        f"deep enough for a {guide.profile} wall to a mouth that reaches {mm(widest)} from its centre",
        mm(guide.depth),
        f"From this depth it reaches {mm(limit)}",
        f"a depth of {mm(1.001 * depth)}, a smaller mouth, or another profile",
    )


def _check_turns(guide: Waveguide, key: str) -> None:
    """No wall may turn back or leave its plane: then it cannot meet itself either, as every half plane holds its own."""
    exists, back = _run(guide)
    bad = ~exists | (back < -1e-7)
    if not bad.any():
        return
    angle = math.degrees(_QUARTER[int(np.argmax(bad))])
    refuse(
        f"{key}.{'transition' if exists.all() and guide.transition[1] > 0 else 'profile'}",
        "a wall that runs from throat to mouth without turning back",
        f"{guide.profile}, which does not in the direction {angle:.0f} deg from horizontal",
        "It would fold over itself" if exists.all() else "Between these ends it has no such wall",
        "a longer transition that begins earlier"
        if exists.all() and guide.transition[1] > 0
        else f"another profile, a smaller rounding{_nearest_mouth(guide)}",
    )


def _run(guide: Waveguide) -> tuple[NDArray[np.bool_], NDArray[np.float64]]:
    """Per direction: whether the wall exists, and its least step along or outwards, m (negative: it turns back)."""
    x, r = wall(guide, np.linspace(0, 1, 101), _QUARTER)
    exists = np.asarray(np.isfinite(x).all(axis=0) & np.isfinite(r).all(axis=0))
    return exists, np.minimum(np.diff(np.nan_to_num(x), axis=0).min(axis=0), np.diff(np.nan_to_num(r), axis=0).min(axis=0))


def _nearest_mouth(guide: Waveguide) -> str:
    """The mouth of the same shape, nearest in size, to which the walls run well, in words; nothing where none is near."""
    for scale in sorted(np.geomspace(0.25, 4.0, 41), key=lambda s: abs(math.log(s))):
        mouth = scaled(guide.mouth, float(scale))
        if smallest_half(mouth) <= guide.throat_radius:
            continue
        exists, back = _run(replace(guide, mouth=mouth))
        if exists.all() and back.min() > -1e-7:
            size = [2 * mouth.radius] if isinstance(mouth, Round) else [mouth.width, mouth.height]
            return f", or a mouth of {' x '.join(mm(v) for v in size)}"
    return ""


__all__ = ["check_waveguide"]
