"""Pictures of a waveguide search, one a step, written as it goes."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from evenfield.base.files import write_whole

if TYPE_CHECKING:
    from evenfield.search.shape_search import Step


def step_pictures(folder: Path, way: str, design_folder: Path) -> Callable[[Step], None]:
    """A function that draws each step into `folder` as step-NN.png, and says it in a line."""
    first: list[Any] = []
    count = [len(list(folder.glob("step-*.png")))]

    def draw(step: Step) -> None:
        from matplotlib import rc_context
        from matplotlib.backends.backend_agg import FigureCanvasAgg

        from evenfield.loudspeaker.geometry import cabinet_of
        from evenfield.report.figures.shape_step import shape_step_figure
        from evenfield.report.style import RC

        if step.score is None:
            return
        cabinet = cabinet_of(step.design, design_folder)
        guide = next(e for e in cabinet.elements if e.name == way)
        first.append(guide) if not first else None
        with rc_context(RC):  # type: ignore[arg-type]
            figure = shape_step_figure(
                guide, first[0], cabinet, step.frequency, step.score.edge_db, step_words(step), step.score.parts
            )
            figure.set_dpi(110)
            count[0] += 1
            target = folder / f"step-{count[0]:02d}.png"
            canvas: Any = FigureCanvasAgg(figure)
            write_whole(target, lambda part: canvas.print_png(str(part)))

    return draw


def step_words(step: Step) -> str:
    """A step in a line."""
    words = f"{step.stage}, start {step.start + 1}, step {step.number}: objective {step.value:.3f}"
    if step.stage == "close":
        words = f"closing, round {step.start + 1}, shape {step.number}: worst target {step.value:.2f} of its limit"
    if step.score is None:
        return words + " (not taken, a smaller step follows)"
    m = step.score.measures
    shown = (("step_db", "handover step"), ("mismatch_db", "mismatch"), ("pattern_db", "pattern"), ("coverage_db", "coverage"))
    return words + "".join(f", {name} {m[key]:.2f} dB" for key, name in shown if key in m)


__all__ = ["step_pictures", "step_words"]
