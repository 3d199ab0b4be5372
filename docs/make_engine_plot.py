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
    _, n, seconds, size = (np.array(column, float) for column in zip(*found["rows"], strict=True))
    time_slope, byte_slope, most = found["exponents"]
    figure = Figure(figsize=(7.0, 3.4), layout="constrained")
    left, right = figure.subplots(1, 2)
    for axes, value, slope, label in ((left, seconds, time_slope, "seconds"), (right, size / 1e9, byte_slope, "GB")):
        axes.loglog(n, value, "o", color="#1f4e79")
        line = np.geomspace(n[-3], 1.2 * most if axes is right else 2 * n[-1], 20)
        axes.loglog(line, value[-1] * (line / n[-1]) ** slope, color="#1f4e79", linewidth=1.0)
        place = line[4], value[-1] * (line[4] / n[-1]) ** slope
        axes.annotate(f"slope {slope:.2f}", place, (8, -12), textcoords="offset points")
        axes.set_xlabel("unknowns")
        axes.set_title(f"One frequency, three parts, one mirror plane: {label}", fontsize=9)
        axes.grid(True, which="major", color="#d8dde3", linewidth=0.6)
    right.axhline(24.0, color="#a33", linewidth=0.8)
    right.annotate(f"24 GB: {most:,} unknowns".replace(",", " "), (n[0], 24.0), (0, 4), textcoords="offset points", color="#a33")
    figure.savefig(Path(__file__).parent / "assets" / "engine-cost.svg", metadata={"Date": None})


if __name__ == "__main__":
    main(sys.argv[1])
