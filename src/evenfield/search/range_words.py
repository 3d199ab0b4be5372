"""A range in words: members side by side, what the siblings keep of the coverage, and what their size takes away."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from evenfield.search.aim import PLANES
from evenfield.search.range_member import WIDER, Member
from evenfield.search.shape_confirm import waist

Rows = list[tuple[str, ...]]

INDEX_AT = (1000.0, 2000.0, 4000.0, 8000.0)
"""Hz, at which the directivity indices stand side by side."""


def side_by_side(members: Sequence[Member]) -> tuple[tuple[str, ...], Rows]:
    """(head, rows) of the table: one column a member."""
    rows: Rows = []

    def row(name: str, of: Callable[[Member], str]) -> None:
        rows.append((name, *(of(m) for m in members)))

    row("cabinet's face, mm", lambda m: f"{1e3 * m.face[0]:.0f} x {1e3 * m.face[1]:.0f}")
    row("mouth, mm", lambda m: f"{1e3 * m.mouth[0]:.0f} x {1e3 * m.mouth[1]:.0f}")
    row("depth, mm", lambda m: f"{1e3 * m.depth:.0f}")
    row("handover, Hz", lambda m: f"{m.aim.handover:.0f}" if m.aim.lower else "none")
    row("coverage asked from, Hz", lambda m: f"{m.aim.low:.0f} to {m.aim.high:.0f}")
    for plane in PLANES:
        row(f"{plane} beam there, deg", lambda m, p=plane: "{:.0f} to {:.0f}".format(*m.band_deg(p)))  # type: ignore[misc]
    row("all three within ±10 %", lambda m: f"{100 * m.kept:.0f} % of it")
    row("worst waist", lambda m: f"{100 * max(waist(m.width[p][m.in_band]) for p in PLANES):.0f} %")
    for plane in PLANES:
        row(f"mouth holds the {plane} beam from, Hz", lambda m, p=plane: _from(m, p))  # type: ignore[misc]
    row("by rule (Keele), Hz", lambda m: " / ".join(f"{m.rule(p):.0f}" for p in PLANES[:2]))
    row("DI at the handover, dB: waveguide / below", _at_handover)
    for f in INDEX_AT:
        row(f"DI at {f:.0f} Hz, dB", lambda m, f=f: _db(m.index_at(m.aim.upper, f)))  # type: ignore[misc]
    row("handover step, dB", lambda m: _db(m.step_db, "+.2f"))
    row("handover mismatch, dB", lambda m: _db(m.mismatch_db, ".2f"))
    row("pattern difference, dB", lambda m: _db(m.pattern_db, ".2f"))
    row("search: solves + adjoint passes", lambda m: f"{m.solves} + {m.adjoints}" if m.solves else "as it is")
    return ("", *(m.name for m in members)), rows


def _db(value: float, form: str = ".1f") -> str:
    return f"{value:{form}}" if math.isfinite(value) else "–"


def _from(member: Member, plane: str) -> str:
    found = member.control(plane)
    return f"{found:.0f}" if member.holds(plane) else f"{found:.0f} or lower"


def _at_handover(member: Member) -> str:
    fx = member.aim.handover or member.aim.low
    upper, lower = member.index_at(member.aim.upper, fx), member.index_at(member.aim.lower, fx)
    return f"{_db(upper)} / {_db(lower)}" if member.aim.lower else _db(upper)


def lowest(member: Member) -> tuple[str, float]:
    """The plane whose beam the mouth loses first as frequency falls, and where, Hz."""
    plane = max(PLANES, key=member.control)
    return plane, member.control(plane)


def kept_and_taken(members: Sequence[Member]) -> list[str]:
    """What each sibling keeps of the base's coverage, what its size takes, and what that does: a paragraph each."""
    base = members[0]
    return [" ".join([_keeps(m, base), _takes(m, base), *_index_words(m, base), *_later(m)]) for m in members[1:]]


def _keeps(m: Member, base: Member) -> str:
    return (
        f"{m.name} keeps the coverage within ±10 % over {100 * m.kept:.0f} % of {m.aim.low:.0f} to {m.aim.high:.0f} Hz "
        f"({base.name} over {100 * base.kept:.0f} % of its own band)."
    )


def _takes(m: Member, base: Member) -> str:
    (plane, low), (base_plane, base_low) = lowest(m), lowest(base)
    octaves = math.log2(low / base_low)
    if octaves <= 0.05:
        return f"Size takes nothing here: its beam is held from {low:.0f} Hz ({plane}), {base.name}'s from {base_low:.0f} Hz."
    bound = "" if m.holds(plane) and base.holds(base_plane) else " at least"
    return (
        f"Size takes{bound} {octaves:.1f} octaves: its beam is held from {low:.0f} Hz ({plane}), {base.name}'s from "
        f"{base_low:.0f} Hz ({base_plane}); below, the cabinet and the woofer shape the beam."
    )


def _index_words(m: Member, base: Member) -> list[str]:
    """Where the sibling radiates wider than the base, by directivity index at the base's handover."""
    fx = base.aim.handover or base.aim.low
    own, wide = m.index_at(m.aim.lower, fx), base.index_at(base.aim.upper, fx)
    if not (math.isfinite(own) and math.isfinite(wide)):
        return []
    return [
        f"At {fx:.0f} Hz, where {base.name} hands over, {m.name}'s {m.aim.lower} has a DI of {own:.1f} dB against {wide:.1f} dB: "
        f"{'the room hears more of it' if own < wide - 0.3 else 'no less directive'}."
    ]


def _later(m: Member) -> list[str]:
    if m.aim.handover and m.aim.low > 1.02 * m.aim.handover:
        return [
            f"From its handover at {m.aim.handover:.0f} Hz up to {m.aim.low:.0f} Hz no mouth on its face could hold the coverage "
            "(rule of thumb); there it was not asked for."
        ]
    return []


def range_lines(members: Sequence[Member]) -> list[str]:
    """The range for the terminal: table, then what is kept and what size takes away."""
    head, rows = side_by_side(members)
    widths = [max(len(r[i]) for r in (head, *rows)) for i in range(len(head))]
    lines = [f"Coverage of {members[0].name}: {members[0].aim.words()}"]
    lines += ["  " + "  ".join(cell.ljust(w) for cell, w in zip(r, widths, strict=True)).rstrip() for r in (head, *rows)]
    lines += [f"  {text}" for text in kept_and_taken(members)]
    return [*lines, f"  {how(members)}"]


def how(members: Sequence[Member]) -> str:
    """Where the figures come from."""
    source = "whole predictions" if all(m.confirmed for m in members) else "few frequencies on coarse meshes"
    return (
        f"Figures from {source}. A mouth holds a beam down to where it gets wider than {WIDER:g} of the coverage (evenfield's "
        "own measure, not a standard's)."
    )


__all__ = ["how", "kept_and_taken", "lowest", "range_lines", "side_by_side"]
