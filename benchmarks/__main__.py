"""Run the benchmarks: `python -m benchmarks [name ...]`."""

from __future__ import annotations

import os
import sys
import time

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from importlib import import_module
from pathlib import Path

from benchmarks.calibration import calibrate, memory_mb

SKIP = {"__init__", "__main__", "calibration", "engine_reference", "flares_reference"}


def main(names: list[str]) -> int:
    unit = calibrate()
    print(
        f"Calibration: complex product 1200 x 1200 in {unit.product_seconds:.3f} s on one thread, kernel "
        f"{unit.kernel_per_second / 1e6:.0f} M/s on {unit.cores} cores, load {unit.load:.2f} before"
    )
    print(f"{'figure':58} {'seconds':>9} {'ratio':>9}  note")
    folder = Path(__file__).parent
    for name in names or sorted(p.stem for p in folder.glob("*.py") if p.stem not in SKIP):
        began = time.perf_counter()
        for what, seconds, note in import_module(f"benchmarks.{name}").figures():
            print(f"{what:58} {seconds:9.3f} {seconds / unit.product_seconds:9.1f}  {note}", flush=True)
        print(f"  ({name}: {time.perf_counter() - began:.0f} s in all, memory {memory_mb():.0f} MB)", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
