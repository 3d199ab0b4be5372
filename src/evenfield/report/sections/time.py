"""How does it move in time? Step response and decay, or why this data cannot tell."""

from __future__ import annotations

from functools import partial

from evenfield.base import DataError, Refusal
from evenfield.report.document import Picture, Section
from evenfield.report.draw import picture
from evenfield.report.measures import Movement, movement
from evenfield.report.subject import Subject

QUESTION = "How does it move in time?"


def time_section(subject: Subject) -> Section:
    """Both from the same impulse response on the reference axis."""
    try:
        pictures = _pictures(movement(subject))
    except (Refusal, DataError) as reason:
        pictures = tuple(
            Picture(key, title, "", refused=str(reason)) for key, title in (("step", "Step response"), ("decay", "Decay"))
        )
    return Section("time", QUESTION, pictures)


def _pictures(moved: Movement) -> tuple[Picture, ...]:
    from evenfield.report.figures import decay_figure, step_figure

    step = picture(
        "step",
        "Step response",
        f"On the reference axis at the listening distance, scaled to its largest value; time zero is the common delay. "
        f"{moved.words}",
        partial(step_figure, moved.time_ms, moved.step),
        "Sound pressure over time after a voltage step.",
    )
    decay = picture(
        "decay",
        "Decay",
        f"Each tone, having sounded for ever, is switched off at time zero; level re its steady level, in bands of 6 dB. "
        f"Slanting lines: 1, 3 and 10 periods. {moved.words}",
        partial(decay_figure, moved.decay_frequency, moved.decay_ms, moved.decay_db),
        "Level over frequency and time after a tone is switched off.",
    )
    return step, decay
