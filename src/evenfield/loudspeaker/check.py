"""Checking a design without solving it."""

from __future__ import annotations

from pathlib import Path

from evenfield.loudspeaker.chains import responses
from evenfield.loudspeaker.circuits import BOX, boxes_of, drivers_of
from evenfield.loudspeaker.frequencies import output_axis
from evenfield.loudspeaker.geometry import cabinet_of
from evenfield.loudspeaker.load import located, read_design
from evenfield.loudspeaker.passive import network_of, passive_section, placeholder_impedance
from evenfield.loudspeaker.printer_section import read_printer
from evenfield.loudspeaker.waveguide_lines import waveguide_lines
from evenfield.transducer.box import VentedBox
from evenfield.transducer.driver import CompressionDriver


def check_file(path: str | Path) -> list[str]:
    """What a design file says, in a few lines, after every check that needs no solve.

    Raises DesignError with file and line.
    """
    design, positions = read_design(path)
    with located(positions):
        air = design.air.to_air()
        drivers = drivers_of(design, air)
        boxes = boxes_of(design)
        cabinet = cabinet_of(design, Path(path).parent)
        if passive_section(design) is None:
            responses(design, output_axis())
        else:
            network_of(design, placeholder_impedance(design))
        if design.rooms is not None or design.console is not None:
            from evenfield.loudspeaker.rooms_section import parse_console, parse_rooms

            parse_rooms(design.rooms)
            parse_console(design.console)
    lines = [f"{design.name}: {design.title}".rstrip(": ")]
    for name, driver in drivers.items():
        motor = driver.driver if isinstance(driver, CompressionDriver) else driver
        p = motor.parameters(air)
        lines.append(
            f"  {name}: Re {p['Re']:.3g} ohm, Bl {p['Bl']:.3g} Tm, Mms {1e3 * p['Mms']:.3g} g, Fs {p['Fs']:.3g} Hz, "
            f"Qts {p['Qts']:.3g}, Vas {1e3 * p['Vas']:.3g} L, Sd {1e4 * p['Sd']:.3g} cm2"
        )
    box = boxes.get(BOX)
    if isinstance(box, VentedBox):
        lines.append(f"  box: {1e3 * box.volume:.3g} L, vented, tuned to {box.tuning_hz(air):.3g} Hz")
    elif box is not None:
        lines.append(f"  box: {1e3 * box.volume:.3g} L, closed")
    if box is not None:
        lines.append(f"  box: one spring below {box.lumped_limit_hz(air):.0f} Hz")
    lines += waveguide_lines(cabinet)
    if design.printer is not None:
        read_printer(design.printer)
    for key in design.unjudged():
        lines.append(f"  {key}: shown in the workbench, not judged")
    lines.append(f"{Path(path).name} can be predicted.")
    return lines
