"""What goes out in every direction? Curve set, beamwidths, polar maps."""

from __future__ import annotations

import math
from functools import partial
from typing import TYPE_CHECKING

from evenfield.data.directions import Plane
from evenfield.report import measures
from evenfield.report.document import Part, Section, Table
from evenfield.report.draw import picture
from evenfield.report.subject import FloatArray, Subject

if TYPE_CHECKING:
    from matplotlib.figure import Figure

PLANES: tuple[Plane, ...] = ("horizontal", "vertical", "diagonal")


def field_section(subject: Subject) -> Section:
    """Levels of the standard's averages, both kinds of DI, and the planes."""
    words = measures.reference_words(subject.system)
    parts: list[Part] = [
        picture(
            "curves",
            "The curves of ANSI/CTA-2034-A",
            f"{words}. Directivity indices below, in the same proportion (25 dB to a decade). Sound power from the "
            f"two orbits with the standard's weights; full-sphere DI beside it where the data close the sphere. "
            f"Rear wall: every 10° from ±90°. Data: {subject.data_words}.{subject.rigid_words}",
            partial(_curves, subject),
            "On-axis, listening-window, early-reflection, sound-power and estimated in-room levels, and the DIs.",
        ),
    ]
    parts.append(Table("Single figures", ("Figure", "Value, or why it is refused"), measures.numbers(subject)))
    parts.append(
        picture(
            "beamwidth",
            "Beamwidth of the loudspeaker",
            f"Full angle between the −6 dB points re the reference axis in each plane; not drawn "
            f"where the level never falls so far on one side. Data: {subject.data_words}.",
            partial(_beamwidth, subject),
            "The -6 dB angle over frequency in three planes.",
        )
    )
    for plane in PLANES:
        parts.append(
            picture(
                f"polar-{plane}",
                f"Polar map, {plane} plane",
                f"Level relative to the reference axis at each frequency, in bands of 3 dB; the heavy line is −6 dB. "
                f"{_POSITIVE[plane]} Data: {subject.data_words}.{subject.rigid_words}",
                partial(_polar, subject, plane),
                f"Level over angle and frequency in the {plane} plane.",
            )
        )
    return Section("field", "What goes out in every direction?", tuple(parts))


_POSITIVE = {
    "horizontal": "Positive angles to the left of someone looking along the axis.",
    "vertical": "Positive angles up.",
    "diagonal": "Plane at 45°; positive angles left and up.",
}


def _curves(subject: Subject) -> Figure:
    from evenfield.report.figures import curve_set_figure
    from evenfield.report.figures.curves import CURVE_WORDS

    curves = measures.standard_curves(subject.system)
    di = {name: curves[name] for name in ("sound_power_di", "early_reflections_di")}
    if subject.system.is_sphere:
        di = {"full_sphere": measures.directivity_index(subject.system), **di}
    return curve_set_figure(subject.system.frequency, {name: curves[name] for name in CURVE_WORDS}, di, subject.rigid_above_hz)


def _beamwidth(subject: Subject) -> Figure:
    from evenfield.report.figures import beamwidth_figure

    asked = {plane: measures.known(partial(measures.beamwidth_deg, subject.system, plane)) for plane in PLANES}
    angles: dict[str, FloatArray] = {plane: angle for plane, angle in asked.items() if angle is not None}
    if not angles:
        raise measures.Refusal("No plane of this data holds a closed orbit, so no -6 dB angle can be read.")
    coverage = getattr(getattr(subject.get("design"), "brief", None), "coverage", None)
    wanted = {
        plane: (math.degrees(angle), float(coverage.low), float(coverage.high))
        for plane in ("horizontal", "vertical")
        if coverage is not None and (angle := getattr(coverage, plane, None)) is not None
    }
    return beamwidth_figure(subject.system.frequency, angles, wanted)


def _polar(subject: Subject, plane: Plane) -> Figure:
    from evenfield.report.figures import polar_figure

    angle, level = measures.polar_map(subject.system, plane)
    return polar_figure(subject.system.frequency, angle, level, plane=plane)
