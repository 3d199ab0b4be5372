"""The whole waveguide search of the mid-field example, from the first cut by rule: what it takes and what it reaches.

Up to a quarter of an hour on two cores; the aim is that of docs/theory/intent.md.
"""

from __future__ import annotations

import shutil
import tempfile
import time
from pathlib import Path

from evenfield.search.shape_command import shape_file

EXAMPLE = Path(__file__).parent.parent / "examples" / "ketch.yaml"
AIM = "horizontal=110 deg, vertical=112 deg, diagonal=106 deg, low=1.65 kHz, high=13.2 kHz"
MINUTES = 15.0


def figures():
    """Rows of the benchmark: name, seconds, note."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(shutil.copy(EXAMPLE, folder))
        began = time.perf_counter()
        job = shape_file(path, aim=AIM, out=Path(folder) / "out", first_cut=True, minutes=MINUTES, prove=True)
        whole = time.perf_counter() - began
    spent = job.counts.solve_seconds + job.counts.adjoint_seconds
    note = f"{job.counts.solves} solves, {job.counts.adjoints} adjoint passes (at most 15 min)"
    yield "search, solves and adjoints", spent, note
    yield "with meshes and confirmations", whole, "; ".join(job.notes)
    for row in job.rows:
        yield row.name, 0.0, f"{row.before} -> {row.after}, aim {row.target}: {'met' if row.met else 'not met'}"
