"""The main job on the three examples, from an empty store and again."""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).parents[1]


def figures(names=("skiff", "ketch", "barque")):
    for name in names:
        with tempfile.TemporaryDirectory() as folder:
            design = Path(folder) / f"{name}.yaml"
            shutil.copy(ROOT / "examples" / design.name, design)
            command = [sys.executable, "-m", "evenfield", "predict", str(design), "--report", folder, "--quiet"]
            for what in ("empty store", "again"):
                began = time.perf_counter()
                done = subprocess.run(command, capture_output=True, text=True)
                note = {0: "brief met", 1: "brief not met"}.get(done.returncode, done.stderr.strip()[:60])
                yield f"predict and report {name}, {what}", time.perf_counter() - began, note
    for what, arguments in (("--help", ["--help"]), ("check", ["check", str(ROOT / "examples/skiff.yaml")])):
        began = time.perf_counter()
        subprocess.run([sys.executable, "-m", "evenfield", *arguments], capture_output=True)
        yield f"evenfield {what}", time.perf_counter() - began, ""
