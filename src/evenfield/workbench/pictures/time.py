"""Time: step response and decay on the reference axis at the listening place."""

from __future__ import annotations

import numpy as np

from evenfield import metrics
from evenfield.loudspeaker.predict import Prediction
from evenfield.report.measures import DECAY_TIME, responses_on_axis
from evenfield.report.subject import Subject
from evenfield.workbench.pictures.picture import Panels, Picture, map_picture


def step(p: Prediction, options: dict[str, str]) -> Picture:
    """Step response, of the whole and of each way."""
    parts = responses_on_axis(Subject.of(p))
    found = metrics.step_response(parts)
    words = f"From {len(p.frequency)} frequency points, each way with its own delay taken out; leaving one out errs by "
    made = Panels(
        "Step response on the reference axis",
        f"{words}{100 * float(found.attrs['leave_one_out_error']):.2g} %. Pa per volt at 1 m, at the listening distance.",
        {"kind": "linear", "label": "Time", "unit": "ms", "min": -0.5, "max": 4.0},
    )
    time = 1e3 * np.asarray(found["time"])
    keep = (time >= -1.0) & (time <= 8.0)
    made.axis(time[keep], "time")
    made.panel("step", "Step", "Pa")
    made.series("sum", "Together", np.asarray(found)[keep], role="sum", x="time")
    made.fit(least=1e-3, step=float(10 ** np.floor(np.log10(max(float(np.abs(found).max()), 1e-9)))) / 2)
    return made.done()


def delay(p: Prediction, options: dict[str, str]) -> Picture:
    """Group delay on the reference axis, of the whole and of each way, the common delay taken out."""
    found = metrics.group_delay(p.system)
    excess = 1e3 * np.asarray(found["excess"])
    middle = float(np.median(excess[(p.frequency > 4000.0) & (p.frequency < 8000.0)]))
    made = Panels("Group delay on the reference axis", "Re its median over 4 to 8 kHz; not smoothed.")
    made.axis(p.frequency)
    made.panel("delay", "Group delay", "ms")
    made.series("sum", "Together", excess - middle, role="sum")
    made.fit(least=2.0, step=1.0, within=(60.0, 20000.0))
    return made.done()


def decay(p: Prediction, options: dict[str, str]) -> Picture:
    """Decay of tones switched off at time zero."""
    found = metrics.decay_spectrum(responses_on_axis(Subject.of(p)), time_s=DECAY_TIME)
    y = {
        "label": "Time after the tone ends",
        "unit": "s",
        "min": float(DECAY_TIME[0]),
        "max": float(DECAY_TIME[-1]),
        "kind": "log",
    }
    made = map_picture(
        "Decay", "Each tone sounded for ever and ends at time zero; re its steady level.", np.asarray(found["frequency"]),
        np.asarray(found["time"]), np.asarray(found), y, (-40.0, 0.0),
    )  # fmt: skip
    made.header["line_db"] = -20
    return made
