"""A waveguide from design file to STEP, STL and 3MF, its judgement, and a scan laid onto it (after the imports)."""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

import numpy as np

import evenfield as ef

EXAMPLES = Path(__file__).parents[1] / "examples"


def figures(names=("skiff", "ketch", "barque")):
    from evenfield.loudspeaker.part import judge_part, make_part, waveguide_of
    from evenfield.report.prototype import write_prototype_sheet
    from evenfield.shape.printing import need
    from evenfield.shape.printing.scan import read_scan

    began = time.perf_counter()
    need()
    yield "import of the extra [solid]", time.perf_counter() - began, ""
    for name in names:
        design = ef.load_design(EXAMPLES / f"{name}.yaml")
        with tempfile.TemporaryDirectory() as folder:
            began, cpu = time.perf_counter(), time.process_time()
            part = make_part(design, None, folder)
            taken, cpu = time.perf_counter() - began, time.process_time() - cpu
            share = part.step_volume_mm3 / part.whole.volume - 1
            yield (
                f"{name}: STEP + STL + 3MF + drawings",
                taken,
                f"limit 10 s ({cpu:.1f} s of processor); volumes {1e3 * share:+.2f} per mille apart",
            )
            began = time.perf_counter()
            report = judge_part(design, part)
            wall = next(x.found for x in report.lines if x.name.startswith("acoustic wall"))
            yield f"{name}: printability", time.perf_counter() - began, f"solved wall within {wall} (limit 0.05 mm)"
            began = time.perf_counter()
            write_prototype_sheet(design, part, report, folder)
            yield f"{name}: prototype sheet", time.perf_counter() - began, ""
            if len(part.stl) == 1:
                began = time.perf_counter()
                scan = read_scan(part.stl[0], waveguide_of(design)[1])
                note = f"off by {np.abs(scan.deviation).max():.4f} mm at most"
                yield f"{name}: STL read back and aligned", time.perf_counter() - began, note
