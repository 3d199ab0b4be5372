"""How does it move in time? Step response and decay, or why this data cannot tell."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from evenfield.report import measures
from evenfield.report.document import Section
from evenfield.report.draw import picture
from evenfield.report.subject import Subject

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def time_section(subject: Subject) -> Section:
    """Both from one impulse response on the reference axis."""
    basis = measures.time_words(subject)
    step = picture(
        "step",
        "Step response",
        f"On the reference axis at the listening distance, scaled to its largest value; time zero is the common delay. {basis}",
        partial(_step, subject),
        "Sound pressure over time after a voltage step.",
    )
    decay = picture(
        "decay",
        "Decay",
        f"Each tone, having sounded for ever, is switched off at time zero; level re its steady level, in bands of 6 dB. "
        f"Slanting lines: 1, 3 and 10 periods. {basis}",
        partial(_decay, subject),
        "Level over frequency and time after a tone is switched off.",
    )
    return Section("time", "How does it move in time?", (step, decay))


def _step(subject: Subject) -> Figure:
    from evenfield.report.figures import step_figure

    return step_figure(*measures.step(subject))


def _decay(subject: Subject) -> Figure:
    from evenfield.report.figures import decay_figure

    return decay_figure(*measures.decay(subject))
