"""Long work in a process of its own: full solves, rooms, motors, filter fits. Ends when its parent does."""

from __future__ import annotations

import os
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

from evenfield.base.errors import EvenfieldError

if TYPE_CHECKING:
    from evenfield.loudspeaker.design import Design
    from evenfield.loudspeaker.predict import Prediction
    from evenfield.workbench.pictures.picture import Picture

WORKS = ("solve", "rooms", "motors", "filters", "passive", "part", "first-cut", "search")
"""What a page may start."""

ALL_WORKS = (*WORKS, "report")


class PipeProgress:
    """Sends how far the work is through a pipe, at most ten times a second."""

    def __init__(self, connection: Any) -> None:
        self.connection = connection
        self.total, self.count, self.what, self._sent = 0, 0.0, "", 0.0

    def start(self, total: int, what: str) -> None:
        """Begin a job of `total` steps."""
        self.total, self.count, self.what = total, 0.0, what
        self._send(True)

    def step(self, what: str = "", share: float = 1.0) -> None:
        """One step done, or a share of it."""
        self.count += share
        self._send(False, what)

    def at(self, count: float, what: str) -> None:
        """The bar at a place of its own, as where steps are of different length."""
        self.count, self.what = count, what
        self._send(False)

    def done(self) -> None:
        """The job is over."""
        self._send(True)

    def _send(self, always: bool, detail: str = "") -> None:
        now = time.monotonic()
        if always or now - self._sent > 0.1:
            self._sent = now
            self.connection.send(
                {"done": self.count, "total": self.total, "what": f"{self.what}: {detail}" if detail else self.what}
            )


def run(connection: Any, folder: str, name: str, text: str, work: str, options: dict[str, Any]) -> None:
    """The process's main: does the work, sends progress, then `ended` or `failed`."""
    import signal

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    os.nice(5)  # a drag on the page goes first
    threading.Thread(target=_end_with_parent, args=(os.getppid(),), daemon=True).start()
    try:
        do_work(Path(folder), name, text, work, options, PipeProgress(connection))
        connection.send({"ended": True})
    except EvenfieldError as error:
        connection.send({"failed": str(error)})
    except (BrokenPipeError, OSError) as error:
        os._exit(1 if isinstance(error, BrokenPipeError) else 2)
    except Exception as error:
        import traceback

        traceback.print_exc()
        connection.send({"failed": f"{type(error).__name__}: {error}"})


def do_work(folder: Path, name: str, text: str, work: str, options: dict[str, Any], progress: Any) -> None:
    """One piece of work on a design's text; what it finds lies in the store."""
    from evenfield.loudspeaker.load import Positions, _parse_yaml, design_from, located
    from evenfield.loudspeaker.predict import foundation_of, predict
    from evenfield.loudspeaker.store import Store

    if work in ("first-cut", "search"):
        from evenfield.workbench.search_work import find_first_cut, find_shape

        with Store(folder).run(name, text):
            (find_shape if work == "search" else find_first_cut)(folder, name, text, options, progress)
        return
    tree = _parse_yaml(text, folder / name)
    positions = Positions(folder / name, tree)
    design = design_from(tree, positions)
    with located(positions):
        if work == "part":
            find_part(design, folder, progress)
            return
        if work == "solve":
            with Store(folder).run(name, text):
                foundation_of(design, folder=folder, progress=progress)
            return
        prediction = predict(design, folder=folder, progress=progress)
        if work == "report":
            write_report_of(prediction, Path(options["folder"]), options["stem"], progress)
            return
        with Store(folder).run(name, text):
            {"rooms": find_rooms, "motors": find_motors, "filters": find_filters, "passive": find_passive}[work](
                prediction, folder, text, options, progress
            )


def find_rooms(prediction: Prediction, folder: Path, text: str, options: dict[str, Any], progress: Any) -> None:
    """Rooms: both ensembles, or those of the design."""
    from evenfield.loudspeaker.rooms_run import run_rooms
    from evenfield.loudspeaker.rooms_section import parse_rooms
    from evenfield.workbench.pictures.rooms import room_pictures

    given = dict(prediction.design.rooms or {})
    names = tuple(options.get("ensembles") or given.get("ensembles") or ("studios", "living-rooms"))
    progress.start(len(names), "Rooms")
    for name in names:
        began = time.perf_counter()
        asked = {**given, "ensembles": (name,)} | ({"count": int(options["count"])} if "count" in options else {})
        keep_all(prediction, folder, room_pictures(run_rooms(prediction, section=parse_rooms(asked), folder=folder)), began)
        progress.step(name)
    progress.done()


def find_motors(prediction: Prediction, folder: Path, text: str, options: dict[str, Any], progress: Any) -> None:
    """Motors at high level."""
    from evenfield.loudspeaker.motor_run import run_motors
    from evenfield.workbench.pictures.motors import motor_pictures

    began = time.perf_counter()
    progress.start(1, "Motors at high level")
    keep_all(prediction, folder, motor_pictures(run_motors(prediction, folder=folder)), began)
    progress.step()
    progress.done()


def find_filters(prediction: Prediction, folder: Path, text: str, options: dict[str, Any], progress: Any) -> None:
    """Filters fitted over directions, as a proposal."""
    import tempfile

    from evenfield.loudspeaker.filter_fit import fit_filters
    from evenfield.loudspeaker.filter_fit_goals import Goals
    from evenfield.loudspeaker.filter_write import write_active
    from evenfield.loudspeaker.store import Store
    from evenfield.workbench.found import design_key, keep_proposal

    progress.start(1, "Filters fitted over directions")
    fit = fit_filters(prediction, Goals())
    with tempfile.TemporaryDirectory() as place:
        source, target = Path(place) / "before.yaml", Path(place) / "after.yaml"
        source.write_text(text, encoding="utf-8")
        write_active(source, target, fit.design)
        proposed = target.read_text(encoding="utf-8")
    words = [f"{k.replace('_', ' ')}: {v:.2f} → {fit.after.to_dict()[k]:.2f}" for k, v in fit.before.to_dict().items()
             if isinstance(v, float) and isinstance(fit.after.to_dict().get(k), float)]  # fmt: skip
    base = design_key(prediction.design, folder)
    keep_proposal(Store(folder), base, "filters", {"text": proposed, "words": words, "notes": list(fit.notes)})
    progress.step()
    progress.done()


def find_passive(prediction: Prediction, folder: Path, text: str, options: dict[str, Any], progress: Any) -> None:
    """A passive network of parts one can buy, fitted over directions, as a proposal."""
    import tempfile

    from evenfield.loudspeaker.filter_write import write_passive
    from evenfield.loudspeaker.passive_fit import fit_passive
    from evenfield.loudspeaker.store import Store
    from evenfield.workbench.found import design_key, keep_proposal

    progress.start(1, "Passive network fitted over directions")
    fit = fit_passive(prediction, tick=lambda words: progress.step(words, 0.0))
    with tempfile.TemporaryDirectory() as place:
        source, target = Path(place) / "before.yaml", Path(place) / "after.yaml"
        source.write_text(text, encoding="utf-8")
        write_passive(source, target, fit)
        proposed = target.read_text(encoding="utf-8")
    measures = fit.measures.to_dict()
    words = [f"{k.replace('_', ' ')}: {v:.2f}" for k, v in measures.items() if isinstance(v, float)]
    words.append(f"{len(fit.model.network.valued)} parts, {fit.price:.2f} EUR (invented prices, to compare networks)")
    proposal = {"text": proposed, "words": words, "notes": list(fit.notes)}
    keep_proposal(Store(folder), design_key(prediction.design, folder), "passive", proposal)
    progress.step()
    progress.done()


def find_part(design: Design, folder: Path, progress: Any) -> None:
    """Every waveguide as a printed part: mass, time, cost, judged; the files themselves are thrown away."""
    import tempfile

    from evenfield.loudspeaker.part import judge_part, make_part
    from evenfield.loudspeaker.store import Store
    from evenfield.workbench.found import design_key, keep
    from evenfield.workbench.pictures.parts import printed_picture

    ways = [name for name, way in design.ways.items() if way.waveguide is not None]
    progress.start(len(ways), "Printed parts")
    for way in ways:
        began = time.perf_counter()
        with tempfile.TemporaryDirectory() as place:
            found = printed_picture(way, judge_part(design, make_part(design, way, place)))
        keep(Store(folder), design_key(design, folder), "printed", {"way": way}, found, time.perf_counter() - began)
        progress.step(way)
    progress.done()


def keep_all(prediction: Prediction, folder: Path, made: list[tuple[str, dict[str, str], Picture]], began: float) -> None:
    """Store pictures of a prediction."""
    from evenfield.loudspeaker.store import Store
    from evenfield.workbench.found import design_key, keep

    base = design_key(prediction.design, folder)
    for kind, options, picture in made:
        keep(Store(folder), base, kind, options, picture, time.perf_counter() - began)


def write_report_of(prediction: Any, folder: Path, stem: str, progress: Any) -> None:
    """The report of one revision, as HTML and PDF."""
    from evenfield.loudspeaker.verdict import judge
    from evenfield.report import write_report

    progress.start(1, "Report")
    write_report(prediction, judge(prediction), folder / f"{stem}.html")
    progress.step()
    progress.done()


def _end_with_parent(parent: int) -> None:
    while os.getppid() == parent:
        time.sleep(0.25)
    os._exit(3)
