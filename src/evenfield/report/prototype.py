"""The prototype sheet: what to print, what to check, what to beat; and a part's and a scan's lines for the terminal."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from evenfield.base.files import write_whole
from evenfield.report.document import SIGNS, STATES, Document, Note, Part, Section, Table
from evenfield.report.draw import picture
from evenfield.shape.printing.files import PartFiles
from evenfield.shape.printing.report import PrintReport
from evenfield.shape.printing.settings import SCREWS_MM

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from evenfield.data.directivity import Directivity
    from evenfield.loudspeaker.design import Design
    from evenfield.loudspeaker.scan_compare import ScanDifference
    from evenfield.shape.printing.scan import AlignedScan

CAUTIONS = (
    "Printing gives off fumes and fine particles: air the room or extract at the printer, and keep to the material's data sheet.",
    "Nozzle, plate, soldering iron (for the inserts) and freshly printed parts burn. Sanding dust harms: wet-sand, wear a mask.",
    "Adhesives, primers and lacquers: gloves, air, no flame. Heavy drivers: hold them until every screw bites.",
    "Measuring at high level can damage hearing: start low, wear protection. Local codes and licensed practice go before "
    "this sheet.",
)


def write_prototype_sheet(
    design: Design, part: PartFiles, report: PrintReport, folder: str | Path, prediction: Any = None
) -> Path:
    """Write the sheet as PDF and return its path.

    Parameters
        prediction : a Prediction of the design, for the curves to beat; None leaves them out and says so
    """
    from evenfield.report.pdf import render_pdf

    stem = part.three_mf.stem
    path = Path(folder) / f"{stem}-prototype.pdf"
    content = render_pdf(prototype_document(design, part, report, prediction))
    write_whole(path, lambda p: p.write_bytes(content))
    return path


def prototype_document(design: Design, part: PartFiles, report: PrintReport, prediction: Any = None) -> Document:
    """Everything the sheet says, figures drawn."""
    from evenfield import __version__

    lying = f"Lying {report.pieces[0].pose.words}" if len(report.pieces) == 1 else f"In {len(report.pieces)} pieces"
    failed = len(report.failed)
    words = "Every line passes" if not failed else f"{failed} {'line fails' if failed == 1 else 'lines fail'}"
    return Document(
        title=f"{part.title}: prototype sheet",
        subtitle=f"Waveguide as a printed part, revision {part.revision}. {design.title}",
        judged="Printing",
        state=STATES[report.passed],
        summary=f"{words}. {lying}: {report.mass_g:.0f} g of {report.printer.material.name}, "
        f"about {report.hours:.0f} h, {report.cost:.2f} EUR (estimates, see below).",
        verdict=(),
        verdict_notes=(),
        sections=tuple(_sections(part, report, prediction)),
        colophon=f"Made by evenfield {__version__}; revision {part.revision} is engraved on the flange's back.",
    )


def _judged(report: PrintReport) -> Table:
    rows = []
    for line in report.lines:
        state = STATES[line.passed] if line.passed is not None else "a figure"
        found = f"{line.found}; {line.where}" if line.where else line.found
        rows.append((f"{SIGNS.get(state, '·')} {state}", line.name, line.target, found))
    return Table("Printability", ("Result", "Line", "Target", "Found, and where"), tuple(rows))


def _sections(part: PartFiles, report: PrintReport, prediction: Any) -> Iterator[Section]:
    from evenfield.report.figures.part import overhang_figure, section_figure, views_figure

    plan = part.plan
    views = picture("views", "The part", "Rendered from the printed body.", partial(views_figure, part.whole), "Front and back.")
    cut = picture(
        "section", "Sections through the axis", "Measures in mm. The acoustic wall is the solved one.",
        partial(section_figure, part.whole, plan), "Two sections with depth, mouth, throat, flange and seat.",
    )  # fmt: skip
    yield Section("part", "What is made?", (views, cut, *_made(part)))
    hanging = picture(
        "overhang", "As it lies on the plate", "Coloured: hangs over by more than "
        f"{report.printer.machine.overhang_deg:.0f}° and needs support.",
        partial(overhang_figure, part.bodies, tuple(p.pose for p in report.pieces)), "The part on the plate, overhangs coloured.",
    )  # fmt: skip
    care = Note(" ".join(CAUTIONS), caution=True)
    how = (_judged(report), care, hanging, _poses(report), _settings(part, report))
    yield Section("print", "Can it be printed, and how?", how)
    if len(part.bodies) > 1:
        yield Section("join", "How do the pieces become one?", tuple(_joined(part)))
    yield Section("check", "What is checked with callipers?", (callipers(part),))
    yield Section("beat", "Which curves must it meet?", tuple(_curves(part, prediction)))


def _joined(part: PartFiles) -> Iterator[Part]:
    """The pieces drawn apart, and the order in which they are glued."""
    from evenfield.report.figures.part import pieces_figure

    yield picture(
        "pieces", "The pieces", "Drawn apart; left and right as seen from behind. Pins stand on the right and lower sides of the "
        "joints, holes opposite.",
        partial(pieces_figure, part.bodies), "The pieces of the part from the front and from behind, named.",
    )  # fmt: skip
    yield Table("Order of gluing", ("Step", "What", "Check before the glue sets"), glue_order(part))
    yield Note(GLUE, caution=True)


GLUE = (
    "Two-part epoxy, thin, on the cut faces alone, none within 2 mm of the acoustic wall; what comes out there is wiped off at "
    "once and the line sanded flush when hard. Gloves, air, no flame; keep to the adhesive's data sheet. A joint that leaks is "
    "heard: run a bead along it from behind (common practice, no source)."
)


def glue_order(part: PartFiles) -> tuple[tuple[str, str, str], ...]:
    """(step, what, check): pins dry first, then pairs into halves, then the halves, the front on a flat plate throughout."""
    names = [b.name for b in part.bodies]
    flat, feel = "front face down on a flat plate with release film", "no gap that a 0.1 mm feeler enters"
    rows = [("Dry", f"put {', '.join(names)} together without glue; ease pins ({part.plan.making.pin:g} mm) that bind", feel)]
    if len(names) == 4:
        sides = sorted({n.split("-")[1] for n in names})
        for side in sides:
            low, high = (n for n in names if n.endswith(side))
            rows.append(
                (f"{len(rows)}", f"glue {low} to {high}, {flat}", "acoustic wall flush to a fingertip, flange on the plate")
            )
        names = [f"the {side} half" for side in sides]
    rows.append((f"{len(rows)}", f"glue {names[0]} to {names[1]}, {flat}", "throat round with a gauge, flange on the plate"))
    hold = "screw the part to a straight board while it cures"
    rows.append((f"{len(rows)}", hold, "as long as the adhesive's data sheet says"))
    return tuple(rows)


def _made(part: PartFiles) -> list[Part]:
    files = ", ".join(p.name for p in part.paths)
    parts: list[Part] = [Note(f"Files: {files}. Millimetres; x forward along the axis, y left, z up, origin on the baffle.")]
    changed = part.plan.notes
    if changed:
        parts.append(Note("As made: " + "; ".join(changed) + "."))
    return parts


def _poses(report: PrintReport) -> Table:
    rows = []
    for piece in report.pieces:
        for k, pose in enumerate(piece.poses):
            name = "" if piece.body.name == "part" else f"{piece.body.name}: "
            rows.append(
                (
                    f"{name}{pose.words}{' (proposed)' if k == 0 else ''}", "yes" if pose.fits else "no",
                    "yes" if pose.stable else "on support" if pose.propped else "no", f"{pose.support_volume_mm3 / 1e3:.0f} cm3",
                    f"{pose.acoustic_area_mm2 / 100:.1f} cm2",
                )
            )  # fmt: skip
    head = ("Lying", "Fits", "Stands", "Room under overhangs", "Support on the acoustic wall")
    return Table("Ways of lying, best first", head, tuple(rows))


def _settings(part: PartFiles, report: PrintReport) -> Table:
    m, material, making = report.printer.machine, report.printer.material, part.plan.making
    held, hole = "countersunk, from the front", SCREWS_MM[making.seat_screw][2]
    if making.fixing == "rear":
        held = "into inserts, from inside"
    rows = (
        ("Material", f"{material.name}, {material.density_g_cm3:g} g/cm3; bears {material.hottest_c:g} °C under load"),
        ("Nozzle, line, layer", f"{m.nozzle_mm:g}, {m.line_mm:g}, {m.layer_mm:g} mm"),
        ("Perimeters, infill", f"{m.perimeters}, {100 * m.infill:.0f} %"),
        ("Speed", f"{m.speed_mm_s:g} mm/s"),
        ("Wall behind the acoustic surface", f"{making.wall:g} mm"),
        ("Flange's screws", f"{making.screws} {making.screw}, {held}"),
        ("Driver's screws", f"{making.seat_screws} {making.seat_screw} into heat-set inserts, hole {hole:g} mm"),
        *(("Estimate", text) for text in report.assumptions),
        *((("Not given, taken", "; ".join(report.printer.taken)),) if report.printer.taken else ()),
    )  # fmt: skip
    return Table("Settings", ("What", "Value"), rows)


def callipers(part: PartFiles) -> Table:
    """Measures to check, each with its tolerance: 0.2 mm or 0.2 % (common practice, no source), half of it at the throat."""
    plan = part.plan
    mouth = [2 * float(np.abs(plan.grid.points[0, :, k]).max()) for k in (1, 2)]
    screws = [h for h in plan.holes if h.x > -plan.depth + 1e-6]
    seats = [h for h in plan.holes if h.x <= -plan.depth + 1e-6]
    rows = [
        ("Throat, inside diameter", 2 * plan.grid.throat, 0.1, "three ways, at the driver's seat"),
        ("Depth, baffle plane to driver seat", plan.depth, 0.2, "depth rod from a straight edge over the flange"),
        ("Mouth, horizontal", mouth[0], None, "where the wall turns into the flange's front: by eye, ± 1 mm"),
        ("Mouth, vertical", mouth[1], None, "the same"),
        ("Flange, horizontal", 2 * plan.flange[0], 0.2, "outside"),
        ("Flange, vertical", 2 * plan.flange[1], 0.2, "outside"),
        ("Flange, thickness", plan.flange_thickness, 0.15, "at all four sides: tells warp"),
        ("Driver seat, diameter", 2 * plan.seat_radius, 0.2, "outside"),
    ]
    if len(screws) > 1:
        far = max(np.hypot(a.y - b.y, a.z - b.z) for a in screws for b in screws)
        rows.append(("Flange's screws, farthest apart", float(far), 0.3, "centre to centre"))
    if len(seats) > 1:
        far = max(np.hypot(a.y - b.y, a.z - b.z) for a in seats for b in seats)
        rows.append(("Driver's inserts, farthest apart", float(far), 0.2, "centre to centre"))
    shown = []
    for name, value, least, how in rows:
        spread = "± 1" if least is None else f"± {max(least, 0.002 * value if least > 0.1 else 0.0):.2f}"
        shown.append((name, f"{value:.2f}", spread, "", how))
    note = "Flatness: the flange on a glass plate, 0.1 mm feeler at most. Tolerances: common practice, no source."
    return Table("Nominal ± tolerance, mm", ("Measure", "Nominal", "Tolerance", "Found", "How"), tuple(shown), note)


def _curves(part: PartFiles, prediction: Any) -> Iterator[Part]:
    way = part.plan.guide.name
    if prediction is None or way not in prediction.ways:
        yield Note("No prediction was given: run predict with the design, then make the sheet again.")
        return
    from evenfield.report.measures import beamwidth_deg, known

    d: Directivity = prediction.ways[way]
    yield picture(
        "beat", f"The {way} unfiltered, in place",
        "On-axis level at 1 m for 1 V at its terminals and full-sphere DI; beamwidth (−6 dB) below. Measure the same, in place.",
        partial(_beat_figure, d), "Predicted on-axis level, DI and beamwidths.",
    )  # fmt: skip
    index = known(lambda: np.asarray(_index(d)))
    wide = {p: beamwidth_deg(d, p) for p in ("horizontal", "vertical", "diagonal")}
    rows = []
    for f in (1000, 1600, 2500, 4000, 6300, 10000, 16000):
        if d.frequency[0] <= f <= d.frequency[-1]:
            k = int(np.argmin(np.abs(np.log(d.frequency / f))))
            angles = [f"{w[k]:.0f}°" if np.isfinite(w[k]) else "open" for w in wide.values()]
            rows.append((f"{f}", f"{_axis_level(d)[k]:.1f}", "–" if index is None else f"{index[k]:.1f}", *angles))
    head = ("Hz", "On axis, dB", "DI, dB", "Horizontal", "Vertical", "Diagonal")
    yield Table("Predicted figures", head, tuple(rows))


def _index(d: Directivity) -> Any:
    from evenfield.report.measures import directivity_index

    return directivity_index(d)


def _axis_level(d: Directivity) -> Any:
    axis = int(np.argmax(d.directions.vectors[:, 0]))
    return 20 * np.log10(np.maximum(np.abs(d.pressure[axis]), 1e-30) / 20e-6)


def _beat_figure(d: Directivity) -> Figure:
    from evenfield.report.measures import beamwidth_deg, known
    from evenfield.report.style import CURVE_PENS, DI_PENS, FULL_WIDTH, PLANE_PENS, frequency_axis, name_curves, new_figure

    figure, axes = new_figure(FULL_WIDTH, [1.25, 0.85, 1.0])
    low, high = max(500.0, float(d.frequency[0])), float(d.frequency[-1])
    shown = d.frequency >= low
    level, index = _axis_level(d), known(lambda: np.asarray(_index(d)))
    for k, ax in enumerate(axes):
        frequency_axis(ax, low, high, title=k == 2)
        if k < 2:
            ax.tick_params(labelbottom=False)
    top = 5 * np.ceil((level[shown].max() + 1) / 5)
    axes[0].set_ylim(top - 25, top)
    axes[0].set_ylabel("Level, dB")
    axes[0].plot(d.frequency, level, **CURVE_PENS["on_axis"].line())
    name_curves(axes[0], d.frequency, [(level, "On axis", CURVE_PENS["on_axis"].colour)])
    axes[1].set_ylabel("DI, dB")
    if index is not None:
        axes[1].set_ylim(0, max(12, 2 * np.ceil(index[shown].max() / 2)))
        axes[1].plot(d.frequency, index, **DI_PENS["full_sphere"].line())
        name_curves(axes[1], d.frequency, [(index, "DI", DI_PENS["full_sphere"].colour)])
    axes[2].set_ylabel("Beamwidth, °")
    axes[2].set_ylim(40, 200)
    curves = []
    for plane in ("horizontal", "vertical", "diagonal"):
        wide = beamwidth_deg(d, plane)
        axes[2].plot(d.frequency, wide, **PLANE_PENS[plane].line())
        curves.append((wide, plane.capitalize(), PLANE_PENS[plane].colour))
    name_curves(axes[2], d.frequency, curves)
    return figure


def part_lines(part: PartFiles, report: PrintReport) -> Iterator[str]:
    """What the terminal shows of a part."""
    yield f"{part.title}, revision {part.revision}: {'can be printed' if report.passed else 'cannot be printed as it is'}"
    for line in report.lines:
        target = f" (target: {line.target})" if line.target else ""
        where = f", {line.where}" if line.where else ""
        yield f"  {SIGNS[STATES[line.passed]]} {line.name}: {line.found}{target}{where}"
    for text in report.assumptions:
        yield f"  Assumed: {text}."
    if report.printer.taken:
        yield f"  Not given in the printer section, taken: {'; '.join(report.printer.taken)}."
    for note in part.plan.notes:
        yield f"  Note: {note}."
    for path in part.paths:
        yield f"  {path}"
    yield f"  Caution: {CAUTIONS[0]} {CAUTIONS[3]}"


def scan_lines(scan: AlignedScan, difference: ScanDifference | None = None) -> Iterator[str]:
    """What the terminal shows of a scan."""
    worst, where = scan.worst
    place = f"x {where[0]:.1f}, y {where[1]:.1f}, z {where[2]:.1f} mm"
    yield f"{scan.name}: wall off the design by {scan.rms_mm:.3f} mm RMS, {worst:+.3f} mm at most ({place})"
    yield f"  aligned to {scan.residual_mm:.3f} mm RMS"
    for note in scan.notes:
        yield f"  Note: {note}."
    if difference is None:
        return
    yield "  What it does to the sound (scanned less designed, front, within 20 dB of the loudest)"
    for band in difference.bands():
        yield (
            f"    {band['low_hz']:.0f} to {band['high_hz']:.0f} Hz: {band['rms_db']:.3f} dB RMS, {band['worst_db']:.3f} at most, "
            f"on axis {band['on_axis_db']:+.3f}, DI {band['index_db']:+.3f}"
        )
    for note in difference.notes:
        yield f"  Note: {note}."
