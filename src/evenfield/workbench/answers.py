"""The thinking half of the workbench, in a process of its own: designs checked, drawn, predicted and pictured."""

from __future__ import annotations

import difflib
import re
import time
from collections import OrderedDict
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from evenfield.base.errors import DataError, DesignError, EvenfieldError, Refusal
from evenfield.data.directivity import Directivity
from evenfield.loudspeaker.design import Design
from evenfield.loudspeaker.geometry import cabinet_of
from evenfield.loudspeaker.load import Positions, _parse_yaml, _plain, design_from, located
from evenfield.loudspeaker.predict import Foundation, Prediction, foundation_of, is_solved, predict_on
from evenfield.loudspeaker.quick import Ground, QuickModel, Wish
from evenfield.loudspeaker.revisions import name_of
from evenfield.loudspeaker.store import Store
from evenfield.shape.elements import VentOpening
from evenfield.workbench.drawing import drawing_of
from evenfield.workbench.edit_text import Change, apply_changes
from evenfield.workbench.fields import Field, label_of, outline_of, with_value
from evenfield.workbench.found import NEEDS, body_key, design_key, kept, kept_proposal
from evenfield.workbench.frames import Header, encode, with_head
from evenfield.workbench.pictures.parts import parts
from evenfield.workbench.pictures.picture import Picture
from evenfield.workbench.pictures.tables import facts_table

Request = Mapping[str, Any]
Reply = dict[str, Any]

MOST_PREDICTIONS = 6
MOST_FOUNDATIONS = 3
MOST_GROUNDS = 2

EARLY = ("polar", "beamwidth", "ways", "filters", "impedance", "movement", "curves")
"""Pictures that need neither the power sum nor the handovers."""

SLOW = ("decay", "step", "delay")
"""Pictures that wait for rest."""


class Answers:
    """Answers requests about designs of one folder; everything is found by the design's text.

    Parameters
        folder : the opened folder, where measured files and the store are
    """

    def __init__(self, folder: str | Path) -> None:
        self.folder = Path(folder)
        self._read: OrderedDict[str, tuple[Design, Any, Positions]] = OrderedDict()
        self._foundations: OrderedDict[str, Foundation] = OrderedDict()
        self._predictions: OrderedDict[str, Prediction] = OrderedDict()
        self._drawings: OrderedDict[str, bytes] = OrderedDict()
        self._grounds: OrderedDict[str, Ground] = OrderedDict()
        self._resting: OrderedDict[str, Wish] = OrderedDict()
        self.quick = QuickModel()
        self.measured: dict[str, tuple[str, Directivity]] = {}

    def handle(self, request: Request) -> Iterator[Reply]:
        """The replies to one request; an error is a reply too."""
        do: Callable[[Request], Iterator[Reply]] = getattr(self, f"do_{request['do']}")
        try:
            yield from do(request)
        except EvenfieldError as error:
            yield {"error": explain(error)}

    # --- reading and editing

    def do_look(self, request: Request) -> Iterator[Reply]:
        """A text as an outline, or why it cannot be used."""
        yield self.look(request["name"], request["text"])

    def look(self, name: str, text: str) -> Reply:
        """Outline and facts of a text that passes every check. Raises DesignError."""
        design, tree, _ = self.checked(name, text)
        solved = is_solved(design, self.folder)
        from evenfield.loudspeaker.chains import is_active

        return {
            "text": text,
            "solved": solved,
            "state": {
                "name": design.name, "title": design.title, "note": design.note, "sections": outline_of(design, tree),
                "ways": list(design.ways), "active": is_active(design),
            },
        }  # fmt: skip

    def do_solved(self, request: Request) -> Iterator[Reply]:
        """Whether the store holds the body of a text."""
        design, _, _ = self.read(request["name"], request["text"])
        yield {"solved": is_solved(design, self.folder)}

    def do_apply(self, request: Request) -> Iterator[Reply]:
        """The text with changes made and checked, its outline, and what changed in words."""
        name, before = request["name"], request["text"]
        changes = [self.change_of(name, before, c) for c in request["changes"]]
        try:
            after = apply_changes(before, changes)
            reply = self.look(name, after)
        except EvenfieldError as error:
            yield {"error": explain(error) | self._nearest(name, before, changes, error)}
            return
        yield reply | {"what": self.difference(name, before, after)}

    def do_difference(self, request: Request) -> Iterator[Reply]:
        """What differs between two texts."""
        yield {"what": self.difference(request["name"], request["before"], request["after"])}

    def difference(self, name: str, before: str, after: str) -> list[dict[str, str]]:
        """Changed values: path, label, before, after."""
        trees = []
        for text in (before, after):
            try:
                trees.append(dict(_leaves(_plain(_parse_yaml(text, self.folder / name)), ())))
            except EvenfieldError:
                trees.append({})
        paths = [*trees[0], *(p for p in trees[1] if p not in trees[0])]
        return [
            {"path": p, "label": label_of(p), "before": trees[0].get(p, ""), "after": trees[1].get(p, "")}
            for p in paths
            if trees[0].get(p) != trees[1].get(p)
        ]

    def change_of(self, name: str, text: str, given: Mapping[str, Any]) -> Change:
        """A change as the page sends it: a text, or a number in the field's unit."""
        path = str(given["path"])
        if "text" in given:
            return Change(path, str(given["text"]))
        field = self.field(name, text, path)
        written = str(field.get("text") or "") if field else ""
        unit = str(given.get("unit") or (field or {}).get("unit") or "")
        if given.get("unit") and field and given["unit"] != field.get("unit"):
            written = ""
        return Change(path, with_value(written, float(given["value"]), unit))

    def field(self, name: str, text: str, path: str) -> Field | None:
        """The outline's field of a path."""
        design, tree, _ = self.read(name, text)
        fields = (f for section in outline_of(design, tree) for f in section["fields"])
        return next((f for f in fields if f["path"] == path), None)

    def _nearest(self, name: str, before: str, changes: list[Change], error: EvenfieldError) -> dict[str, Any]:
        """The allowed value nearest to the one wanted, found between the present one and it; for a single change."""
        if len(changes) != 1:
            return {}
        change = changes[0]
        found: dict[str, Any] = {"path": change.path}
        field = self.field(name, before, change.path)
        if field is None:
            return found
        if field.get("choices"):
            near = difflib.get_close_matches(change.text, field["choices"], 1, 0.1)
            return found | {"nearest": (near or field["choices"])[0]}
        wanted = re.match(r"\s*([-+]?\d*\.?\d+(?:[eE][-+]?\d+)?)", change.text)
        if wanted is None or field.get("value") is None:
            return found
        number = float(wanted[1])
        if "must have a unit" in str(error) or re.fullmatch(r"\s*[-+\d.eE]+\s*", change.text):
            return found | {"nearest": with_value(field["text"], number, field["unit"])}
        good, bad = float(field["value"]), number
        for _ in range(9):
            middle = (good + bad) / 2
            if self._allowed(name, before, Change(change.path, with_value(field["text"], middle, field["unit"]))):
                good = middle
            else:
                bad = middle
        rounded = _rounded(good, bad, float(field["step"]))
        for value in (rounded, good):
            text = with_value(field["text"], value, field["unit"])
            if self._allowed(name, before, Change(change.path, text)):
                return found | {"nearest": text}
        return found

    def _allowed(self, name: str, before: str, change: Change) -> bool:
        try:
            self.wished(name, before, [change])
        except EvenfieldError:
            return False
        return True

    def read(self, name: str, text: str, keep: bool = True) -> tuple[Design, Any, Positions]:
        """Design, plain tree and positions of a text."""
        key = name_of(text)
        if key not in self._read:
            path = self.folder / name
            tree = _parse_yaml(text, path)
            positions = Positions(path, tree)
            found = (design_from(tree, positions), _plain(tree), positions)
            if not keep:
                return found
            _remember(self._read, key, found, 12)
        self._read.move_to_end(key)
        return self._read[key]

    def checked(self, name: str, text: str, keep: bool = True) -> tuple[Design, Any, Positions]:
        """As `read`, after every check that needs no solve; errors carry file and line."""
        design, tree, positions = self.read(name, text, keep)
        with located(positions):
            check(design, self.folder)
        return design, tree, positions

    # --- seeing

    def do_geometry(self, request: Request) -> Iterator[Reply]:
        """The drawing."""
        design, _, _ = self.read(request["name"], request["text"])
        key = body_key(design, self.folder)
        if key not in self._drawings:
            header, arrays = drawing_of(design, True)
            _remember(self._drawings, key, encode({"type": "geometry"} | header, arrays), MOST_FOUNDATIONS)
        yield {"frame": with_head(self._drawings[key], request["head"])}

    def do_picture(self, request: Request) -> Iterator[Reply]:
        """One picture of a design as it stands."""
        yield {"frame": self.picture(request)}

    def picture(self, request: Request) -> bytes:
        """The frame of one picture, refusals included."""
        from evenfield.workbench.pictures import settled

        head: Header = {"type": "picture", "kind": request["kind"], "provisional": None} | request["head"]
        try:
            options = settled(request["kind"], request["options"])
            if request["kind"] in NEEDS:
                found = self._found(request, options)
                if found is None:
                    needed = NEEDS[request["kind"]]
                    return encode(head | {"state": "unsolved", "needs": needed, "reason": f"Shown after the work '{needed}'."})
                return encode(head | {"state": "solved"} | found.header, found.arrays)
            if request["kind"] == "cost":
                made = self._parts(request["name"], request["text"])
                return encode(head | {"state": "solved"} | made.header, made.arrays)
            prediction = self.prediction(request["name"], request["text"])
            if prediction is None and request["kind"] == "facts":
                made = facts_table(self.read(request["name"], request["text"])[0], None)
                return encode(head | {"state": "unsolved"} | made.header, made.arrays)
            if prediction is None:
                return self._unsolved(request, head)
            made = self._drawn(request["kind"], options, prediction)
        except EvenfieldError as error:
            return encode(head | {"state": "refused", "reason": str(error)})
        return encode(head | {"state": "solved"} | made.header, made.arrays)

    def _parts(self, name: str, text: str) -> Picture:
        """The table of parts: from the design, with what long work found of printed ones."""
        design, _, _ = self.read(name, text)
        store, base = Store(self.folder), design_key(design, self.folder)
        found = {way: kept(store, base, "printed", {"way": way}) for way, w in design.ways.items() if w.waveguide is not None}
        return parts(design, {way: p for way, p in found.items() if p is not None})

    def do_changes(self, request: Request) -> Iterator[Reply]:
        """What a change did."""
        from evenfield.workbench.changes import changes_between

        name, before, after = request["name"], request["before"], request["after"]
        reply: Reply = {"what": self.difference(name, before, after), "lines": [], "numbers": []}
        pair = [self.prediction(name, text) for text in (before, after)]
        unsolved = [str(n) for n, p in zip(request["numbers"], pair, strict=True) if p is None]
        if unsolved or pair[0] is None or pair[1] is None:
            yield reply | {"reason": f"Revision {' and '.join(unsolved)} is not solved yet: only what was changed is known."}
            return
        yield reply | changes_between(pair[0], pair[1], *(self._spreads(name, text) for text in (before, after)))

    def _spreads(self, name: str, text: str) -> dict[str, float]:
        """Room spread by ensemble, dB, where the rooms of this text were run."""
        design, _, _ = self.read(name, text)
        store, base = Store(self.folder), design_key(design, self.folder)
        found = {e: kept(store, base, "fan", {"ensemble": e}) for e in ("studios", "living-rooms")}
        return {e: float(p.header["values"]["spread_db"]) for e, p in found.items() if p is not None}

    def do_export(self, request: Request) -> Iterator[Reply]:
        """A picture's data as CSV."""
        from evenfield.workbench.csv_text import csv_of
        from evenfield.workbench.pictures import settled

        options = settled(request["kind"], request["options"])
        if request["kind"] in NEEDS:
            found = self._found(request, options)
            if found is None:
                raise Refusal(f"Nothing to export before the work '{NEEDS[request['kind']]}'.")
            yield {"csv": csv_of(found), "options": options}
            return
        if request["kind"] == "cost":
            yield {"csv": csv_of(self._parts(request["name"], request["text"])), "options": options}
            return
        prediction = self.prediction(request["name"], request["text"])
        if prediction is None:
            raise Refusal("This revision is not solved yet; provisional values are not exported.")
        yield {"csv": csv_of(self._drawn(request["kind"], options, prediction)), "options": options}

    def do_warm(self, request: Request) -> Iterator[Reply]:
        """One step of making the quick model ready, so that the first drag is as fast as the next."""
        design, _, _ = self.read(request["name"], request["text"])
        step = int(request["step"])
        if not is_solved(design, self.folder):
            yield {"more": False}
            return
        elements = cabinet_of(design, self.folder).elements
        if step == 0:
            self.ground(request["name"], request["text"])
        elif not isinstance(elements[step - 1], VentOpening):
            self.quick.round_of(elements[step - 1], design.air.to_air())
        yield {"more": step < len(elements)}

    def _found(self, request: Request, options: dict[str, str]) -> Picture | None:
        """A picture that long work left in the store."""
        design, _, _ = self.read(request["name"], request["text"])
        if options.get("way") == "":
            options = {"way": next((n for n, w in design.ways.items() if w.motor is not None), next(iter(design.ways)))}
        return kept(Store(self.folder), design_key(design, self.folder), request["kind"], options)

    def _drawn(self, kind: str, options: dict[str, str], prediction: Prediction) -> Picture:
        """A picture of a prediction, or of a measured set beside it."""
        from evenfield.workbench.pictures import draw
        from evenfield.workbench.pictures.measured import measured

        if kind == "measured":
            return measured(prediction, {words: d for words, d in self.measured.values()})
        of = options.get("of", "")
        if of.startswith("measured:"):
            if of.removeprefix("measured:") not in self.measured:
                raise DataError(f"of must be system, a way, or a measured set on the table, got {of!r}.")
            name, d = self.measured[of.removeprefix("measured:")]
            made = draw(kind, options | {"of": "system"}, replace(prediction, system=d))
            made.header["title"] = made.header["title"].replace("whole loudspeaker", f"{name}, measured")
            return made
        return draw(kind, options, prediction)

    def do_measure(self, request: Request) -> Iterator[Reply]:
        """Read a dropped file or folder; the reader's error where it cannot be."""
        from evenfield.data.files import read_directivity
        from evenfield.workbench.pictures.measured import words_of

        d = read_directivity(Path(request["path"]))
        self.measured[request["id"]] = (request["title"], d)
        yield {"words": {"measured": request["id"]} | words_of(request["title"], d)}

    def do_forget(self, request: Request) -> Iterator[Reply]:
        """Take a measured set off the table."""
        yield {"known": self.measured.pop(request["id"], None) is not None}

    def do_proposal(self, request: Request) -> Iterator[Reply]:
        """What long work proposes to change."""
        if request["work"] in ("search", "first-cut"):
            base = name_of(request["text"])
        else:
            base = design_key(self.read(request["name"], request["text"])[0], self.folder)
        found = kept_proposal(Store(self.folder), base, request["work"])
        if found is None:
            raise DataError(f"There is no proposal of the work {request['work']!r} for this revision.")
        yield found | {"what": self.difference(request["name"], request["text"], found["text"])}

    def do_drag(self, request: Request) -> Iterator[Reply]:
        """The drawing and the pictures of a wish; those that need least come first."""
        began = time.perf_counter()
        name, seq, number = request["name"], request["seq"], request["revision"]
        design = self.wished(name, request["text"], [self.change_of(name, request["text"], c) for c in request["changes"]])
        header, arrays = drawing_of(design, False)
        head: Header = {"type": "geometry", "revision": number, "provisional": {"seq": seq}}
        yield {"subject": "geometry", "frame": encode(head | header, arrays)}
        try:
            wish = self.quick.wish(self.ground(name, request["base"]), design, self.folder)
        except Refusal as reason:
            wish = None
            why = str(reason)
        for picture in sorted(request["pictures"], key=lambda p: p["kind"] not in EARLY):
            head = {
                "type": "picture", "kind": picture["kind"], "id": picture["id"], "revision": number,
                "current": True, "pinned": False,
                "provisional": {"seq": seq, "from": request["from"]},
            }  # fmt: skip
            if wish is None:
                yield {"subject": picture["id"], "frame": encode(head | {"state": "unsolved", "reason": why})}
                continue
            head["provisional"] |= said_of(wish)
            frame = self.provisional(picture["kind"], picture["options"], wish, head)
            yield {
                "subject": picture["id"],
                "frame": with_head(
                    frame, {"provisional": head["provisional"] | {"ms": round(1e3 * (time.perf_counter() - began))}}
                ),
            }

    def provisional(self, kind: str, given: Any, wish: Wish, head: Header) -> bytes:
        """The frame of one picture of a wish."""
        from evenfield.workbench.pictures import draw, settled

        try:
            options = settled(kind, given)
            if kind in SLOW:
                return encode(head | {"state": "unsolved", "reason": "Shown when solved, not while dragging."})
            if kind in NEEDS:
                return encode(
                    head | {"state": "unsolved", "needs": NEEDS[kind], "reason": f"Shown after the work '{NEEDS[kind]}'."}
                )
            if kind == "measured" or options.get("of", "").startswith("measured:"):
                made = self._drawn(kind, options, wish.early)
                return encode(head | {"state": "provisional"} | made.header, made.arrays)
            made = draw(kind, options, wish.early if kind in EARLY else wish.whole)
        except EvenfieldError as error:
            return encode(head | {"state": "refused", "reason": str(error)})
        return encode(head | {"state": "provisional"} | made.header, made.arrays)

    def wished(self, name: str, text: str, changes: list[Change]) -> Design:
        """A design with changes, checked, without writing its text. Raises DesignError."""
        _, tree, positions = self.read(name, text)
        plain = [c for c in changes if _holds(tree, c.steps) and c.text.strip()]
        if len(plain) == len(changes):
            design = design_from(_with_changes(tree, changes), positions)
            check(design, self.folder)
            return design
        return self.checked(name, apply_changes(text, changes), keep=False)[0]

    def ground(self, name: str, text: str) -> Ground:
        """A solved design ready for quick answers. Raises Refusal where none is solved."""
        if not text:
            raise Refusal("Nothing is solved yet: a first full solve is needed before changes can be seen.")
        key = name_of(text)
        if key not in self._grounds:
            design, _, _ = self.read(name, text)
            _remember(self._grounds, key, Ground.of(design, self.foundation(design), self.folder), MOST_GROUNDS)
        self._grounds.move_to_end(key)
        return self._grounds[key]

    def _unsolved(self, request: Request, head: Header) -> bytes:
        """A picture of a design at rest whose body is not solved: the quick model's, where it can say."""
        began = time.perf_counter()
        design, _, _ = self.read(request["name"], request["text"])
        try:
            key = name_of(request["text"]) + name_of(request.get("base") or "")
            if key not in self._resting:
                ground = self.ground(request["name"], request.get("base") or "")
                _remember(self._resting, key, self.quick.wish(ground, design, self.folder), MOST_FOUNDATIONS)
        except Refusal as reason:
            return encode(head | {"state": "unsolved", "reason": str(reason)})
        wish = self._resting[key]
        about = {"seq": None, "from": request.get("from")} | said_of(wish) | {"ms": round(1e3 * (time.perf_counter() - began))}
        return self.provisional(request["kind"], request["options"], wish, head | {"provisional": about})

    def prediction(self, name: str, text: str) -> Prediction | None:
        """The prediction of a solved design, or None."""
        key = name_of(text)
        if key in self._predictions:
            self._predictions.move_to_end(key)
            return self._predictions[key]
        design, _, positions = self.checked(name, text)
        if not is_solved(design, self.folder):
            return None
        with located(positions):
            found = predict_on(design, self.foundation(design), folder=self.folder)
        _remember(self._predictions, key, found, MOST_PREDICTIONS)
        return found

    def foundation(self, design: Design) -> Foundation:
        """The solved body of a design, from memory or the store."""
        key = body_key(design, self.folder)
        if key not in self._foundations:
            _remember(self._foundations, key, foundation_of(design, folder=self.folder), MOST_FOUNDATIONS)
        self._foundations.move_to_end(key)
        return self._foundations[key]


def check(design: Design, folder: Path) -> None:
    """Every check of a design that needs no solve. Raises DesignError with its key."""
    from evenfield.loudspeaker.chains import responses
    from evenfield.loudspeaker.circuits import boxes_of, drivers_of
    from evenfield.loudspeaker.frequencies import output_axis
    from evenfield.loudspeaker.passive import network_of, passive_section, placeholder_impedance

    drivers_of(design, design.air.to_air())
    boxes_of(design)
    cabinet_of(design, folder)
    if passive_section(design) is None:
        responses(design, output_axis())
    else:
        network_of(design, placeholder_impedance(design))


def explain(error: EvenfieldError) -> dict[str, Any]:
    """An error's sentence taken apart: rule, what it got, line, what to try."""
    text = str(error)
    found: dict[str, Any] = {"text": text, "rule": text, "nearest": None}
    if match := re.match(r"^(\S+) (must .+?), got (.+?)(?: \([^()]*\))?\.(?: |$)", text, re.S):
        found |= {"key": match[1], "rule": match[2], "got": match[3]}
    elif match := re.match(r"^(\S+) (must .+?)(?: \([^()]*line \d+\))?[.,]", text, re.S):
        found |= {"key": match[1], "rule": match[2]}
    if match := re.search(r"line (\d+)", text):
        found["line"] = int(match[1])
    if isinstance(error, DesignError) and error.key:
        found["key"] = error.key
    if match := re.search(r"Try '?([^']+?)'?(?: for the unit| if that is what was meant)?\.$", text):
        found["nearest"] = match[1]
    return found


def said_of(wish: Wish) -> dict[str, Any]:
    """How an answer was made, for the picture's foot."""
    said = wish.said
    return {
        "model": said.model, "exact": said.exact, "band_hz": list(said.band_hz), "frequencies": said.frequencies,
        "words": said.words,
    }  # fmt: skip


def _holds(tree: Any, steps: tuple[str | int, ...]) -> bool:
    """True when the file has a single value at the path."""
    for step in steps:
        try:
            tree = tree[step if isinstance(tree, list) else str(step)]
        except (KeyError, IndexError, TypeError):
            return False
    return not isinstance(tree, (dict, list))


def _with_changes(tree: Any, changes: list[Change]) -> Any:
    """A copy of the tree along the changed paths."""
    made: Any = dict(tree)
    for change in changes:
        node: Any = made
        for step in change.steps[:-1]:
            key: Any = step if isinstance(node, list) else str(step)
            node[key] = list(node[key]) if isinstance(node[key], list) else dict(node[key])
            node = node[key]
        last = change.steps[-1]
        key = last if isinstance(node, list) else str(last)
        text = change.text.strip()
        node[key] = {"true": True, "false": False}.get(text, int(text) if re.fullmatch(r"[-+]?\d+", text) else text)
    return made


def _leaves(node: Any, steps: tuple[str, ...]) -> Iterator[tuple[str, str]]:
    if isinstance(node, Mapping):
        for key, value in node.items():
            yield from _leaves(value, (*steps, str(key)))
    elif isinstance(node, list):
        for i, value in enumerate(node):
            yield from _leaves(value, (*steps, str(i)))
    else:
        yield ".".join(steps), {True: "true", False: "false"}[node] if isinstance(node, bool) else str(node)


def _rounded(good: float, bad: float, step: float) -> float:
    """`good` moved back to a whole step, away from `bad`."""
    import math

    steps = good / step
    return step * (math.floor(steps) if bad > good else math.ceil(steps))


def _remember(store: OrderedDict[str, Any], key: str, value: Any, most: int) -> None:
    store[key] = value
    while len(store) > most:
        store.popitem(last=False)


def serve(connection: Any, folder: str) -> None:
    """The process's main loop: a request in, replies out, until the other end is gone."""
    import signal

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    answers = Answers(folder)
    while True:
        try:
            request = connection.recv()
        except (EOFError, OSError):
            return
        began = time.perf_counter()
        try:
            for reply in answers.handle(request):
                connection.send(reply | {"ms": 1e3 * (time.perf_counter() - began), "last": False})
        except (BrokenPipeError, OSError):
            return
        except Exception as error:  # one question that cannot be answered must not end the bench
            import traceback

            traceback.print_exc()
            connection.send(
                {"error": {"text": f"{type(error).__name__}: {error}", "rule": "", "nearest": None, "bug": True}, "last": False}
            )
        connection.send({"last": True})
