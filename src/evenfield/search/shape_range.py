"""Along the range: the coverage of one loudspeaker's waveguide carried to its siblings, and what their size takes away.

Each sibling gets a first cut by rule for that coverage, its own woofer and its own cabinet, then the same search as a single
design, and all are measured alike, so that the curves stand side by side. Every sibling keeps its search and its result in a
folder of its own: what was stopped goes on, what is done is not done again.
"""

from __future__ import annotations

import hashlib
import json
import math
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from evenfield.base.errors import DesignError, message
from evenfield.base.files import make_folder, write_whole
from evenfield.loudspeaker.design import Design
from evenfield.loudspeaker.load import load_design
from evenfield.loudspeaker.sweep import Progress
from evenfield.search.aim import PLANES, Aim, aim_of, shaped_way, with_coverage
from evenfield.search.crossing import find_handover, lowest_held
from evenfield.search.first_cut import first_cut
from evenfield.search.range_member import Member, measured
from evenfield.search.shape_job import Wish, run_shape
from evenfield.search.shape_search import STATE, Effort, Step

DONE, ASKED = "member.json", "asked.json"
"""In a sibling's folder: its measured curves, and the handover that its search was asked for."""
OCTAVES_UP = 3.0
"""How far above its own handover a member is asked to hold the coverage, or as high as its brief asks."""


@dataclass(frozen=True)
class RangeWish:
    """What is asked of the whole range.

    Parameters
        aim : text of `aim_of`, over the base's brief; weights and angles are carried, its frequencies are the base's own
        effort : Effort of each sibling's search
        confirm : measure from whole predictions, else from the search's own coarse meshes
        device : "auto", "cpu" or "gpu"; overhang : see `Wish`
    """

    aim: str = ""
    effort: Effort = field(default_factory=Effort)
    confirm: bool = True
    device: str = "auto"
    overhang: bool = True


def derive_range(
    base: Path,
    siblings: Sequence[Path],
    wish: RangeWish | None = None,
    out: Path | None = None,
    progress: Progress | None = None,
    on_step: Callable[[Step], None] | None = None,
) -> list[Member]:
    """Derive the siblings' waveguides from the base's coverage; the base comes first, as it is.

    Parameters
        base, siblings : design files
        out : folder with one folder a sibling; searches and results found there are taken up
    Raises DesignError where a design has no waveguide or brief to start from, or two siblings share a file name.
    """
    wish = wish or RangeWish()
    stems = [p.stem for p in (base, *siblings)]
    if not siblings or len(set(stems)) < len(stems):
        raise DesignError(
            message("--range", "one design or more beside the first, each of its own name", ", ".join(stems[1:]) or "none")
        )
    design = load_design(base)
    carried = carried_text(aim_of(design, None, wish.aim), wish.aim)
    found = [_base(design, base, carried, wish, out, progress)]
    for path in siblings:
        found.append(_sibling(path, carried, wish, out, progress, on_step, found[0].aim.handover or found[0].aim.low))
    return found


def carried_text(aim: Aim, text: str) -> str:
    """What siblings are asked for: the base's angles, and the weights that were given; each has its own frequencies."""
    angles = [f"{p}={math.degrees(aim.coverage[p]):.6g} deg" for p in PLANES]
    names = {*PLANES, "low", "high", "handover"}
    weights = [i.strip() for i in text.split(",") if i.strip() and i.partition("=")[0].strip() not in names]
    return ", ".join([*angles, *weights])


def own_aim(design: Design, carried: str, folder: Path, device: str = "auto", handover: float | None = None) -> Aim:
    """The carried coverage from a design's own handover up; from higher where no mouth on its face could hold it there.

    `handover` : Hz, where it is known; else seven solves find it.
    """
    aim = aim_of(design, None, carried)
    fx = handover or find_handover(design, aim, folder, device)
    brief = design.brief.coverage
    low = max(fx, 1.001 * lowest_held(design, aim)) if fx else aim.low
    high = max(min(2**OCTAVES_UP * low, float(brief.high) if brief else 10e3), 2 * low)
    return replace(aim, handover=fx, low=low, high=high)


def _base(design: Design, path: Path, carried: str, wish: RangeWish, out: Path | None, progress: Progress | None) -> Member:
    folder = _folder(out, path)
    key = _key(design, carried, wish)
    known = _known(folder, key)
    if known is not None:
        return known
    aim = own_aim(design, carried, path.parent, wish.device, _asked(folder, key))
    _ask(folder, key, aim)
    member = measured(design, path.parent, aim, wish.confirm, wish.device, progress)
    return _keep(folder, key, member)


def _sibling(
    path: Path, carried: str, wish: RangeWish, out: Path | None, progress: Progress | None,
    on_step: Callable[[Step], None] | None, bottom: float,
) -> Member:  # fmt: skip
    if out is None:
        with tempfile.TemporaryDirectory(prefix="evenfield-range-") as name:
            return replace(_sibling(path, carried, wish, Path(name), progress, on_step, bottom), file=None)
    design, folder = load_design(path), _folder(out, path)
    assert folder is not None
    key = _key(design, carried, wish)
    known = _known(folder, f"{key} {wish.effort}")
    if known is not None:
        return known
    start = first_cut(with_coverage(design, carried), _way(design)).apply(design)
    aim = own_aim(start, carried, path.parent, wish.device, _asked(folder, key))
    resume = _asked(folder, key) is not None and (folder / STATE).is_file()
    _ask(folder, key, aim)
    text = f"{carried}, low={aim.low!r} Hz, high={aim.high!r} Hz"
    text += f", handover={aim.handover!r} Hz" if aim.lower is not None else ""
    asked = Wish(text, _way(design), effort=wish.effort, confirm=False, device=wish.device, overhang=wish.overhang)
    job = run_shape(path, asked, out=folder, resume=resume, first_cut=True, progress=progress, on_step=on_step)
    member = measured(load_design(job.files[0]), path.parent, aim, wish.confirm, wish.device, progress, bottom)
    c = job.counts
    member = replace(member, solves=c.solves, adjoints=c.adjoints, seconds=job.seconds, file=job.files[0], notes=job.notes)
    return _keep(folder, f"{key} {wish.effort}", member)


def _folder(out: Path | None, path: Path) -> Path | None:
    if out is None:
        return None
    make_folder(out / path.stem)
    return out / path.stem


def _way(design: Design) -> str:
    having = any(w.waveguide is not None for w in design.ways.values())
    return shaped_way(design) if having else next(reversed(design.ways))


def _key(design: Design, carried: str, wish: RangeWish) -> str:
    """What a member's result depends on; a sibling's on the effort too, so that more minutes go on with its search."""
    from evenfield.radiation import PHYSICS_VERSION as radiation
    from evenfield.shape import PHYSICS_VERSION as shape

    asked = (repr(design), carried, wish.confirm, wish.overhang, wish.effort.seed, radiation, shape)
    return hashlib.sha256("\n".join(map(str, asked)).encode()).hexdigest()[:16]


def _known(folder: Path | None, key: str) -> Member | None:
    data = _read(folder, DONE, key)
    return None if data is None else Member.from_dict(data["member"])


def _asked(folder: Path | None, key: str) -> float | None:
    data = _read(folder, ASKED, key)
    return None if data is None else float(data["handover"])


def _read(folder: Path | None, name: str, key: str) -> dict[str, Any] | None:
    if folder is None or not (folder / name).is_file():
        return None
    data: dict[str, Any] = json.loads((folder / name).read_text(encoding="utf-8"))
    return data if data.get("key") == key else None


def _ask(folder: Path | None, key: str, aim: Aim) -> None:
    _write(folder, ASKED, {"key": key, "handover": aim.handover})


def _keep(folder: Path | None, key: str, member: Member) -> Member:
    _write(folder, DONE, {"key": key, "member": member.to_dict()})
    return member


def _write(folder: Path | None, name: str, data: dict[str, Any]) -> None:
    if folder is not None:
        text = json.dumps(data, indent=1, ensure_ascii=False)
        write_whole(folder / name, lambda part: part.write_text(text, encoding="utf-8"))


__all__ = ["RangeWish", "carried_text", "derive_range", "own_aim"]
