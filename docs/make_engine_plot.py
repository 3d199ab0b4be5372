"""Draw docs/assets/engine-cost.svg from what `python -m benchmarks.engine FILE` wrote: python docs/make_engine_plot.py FILE"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np


def main(source: str) -> None:
    """Seconds and bytes of one frequency over unknowns, with their slopes and the size that 24 GB hold."""
    from matplotlib.figure import Figure

    found = json.loads(Path(source).read_text(encoding="utf-8"))
    _, n, _, size, work = (np.array(column, float) for column in zip(*found["rows"], strict=True))
    slope, beside, most = found["exponents"]
    figure = Figure(figsize=(7.0, 3.4), layout="constrained")
    left, right = figure.subplots(1, 2)
    line = np.geomspace(n[-3], 1.2 * most, 30)
    times, bytes_needed = work[-1] * (line / n[-1]) ** slope, (8 * line**2 + beside * line) / 1e9
    for axes, value, curve, label in ((left, work, times, "s of processor"), (right, size / 1e9, bytes_needed, "GB")):
        axes.loglog(n, value, "o", color="#1f4e79")
        axes.loglog(line, curve, color="#1f4e79", linewidth=1.0)
        axes.set_xlabel("unknowns V")
        axes.set_title(f"one frequency, three parts, one mirror plane: {label}", fontsize=8)
        axes.grid(True, which="major", color="#d8dde3", linewidth=0.6)
    left.annotate(f"slope {slope:.2f}", (line[8], times[8]), (8, -12), textcoords="offset points")
    right.annotate("8 V² + private blocks", (line[8], bytes_needed[8]), (8, -12), textcoords="offset points")
    right.axhline(24.0, color="#a33", linewidth=0.8)
    right.annotate(f"24 GB: {most:,} unknowns".replace(",", " "), (n[0], 24.0), (0, 4), textcoords="offset points", color="#a33")
    figure.savefig(Path(__file__).parent / "assets" / "engine-cost.svg", metadata={"Date": None})


if __name__ == "__main__":
    main(sys.argv[1])
