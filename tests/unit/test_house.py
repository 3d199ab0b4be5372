"""The house's own rules: floors, typed and linted sources, no addresses in pins."""

import ast
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]


def test_imports_run_down_the_floors():
    done = subprocess.run([Path(sys.executable).with_name("lint-imports")], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout[-2000:]


def test_pins_hold_no_addresses():
    for line in (ROOT / "constraints.txt").read_text(encoding="utf-8").splitlines():
        assert "://" not in line and " @ " not in line, line


def test_files_stay_rooms_not_halls():
    long = {p.name: n for p in (ROOT / "src").rglob("*.py") if (n := len(p.read_text(encoding="utf-8").splitlines())) > 600}
    assert not long


def test_text_files_are_read_and_written_with_their_encoding_named():
    """Without it a machine with another locale reads and writes other bytes."""
    bare, words = [], {"read_text": 0, "write_text": 1}
    for path in (p for root in ("src", "tests", "benchmarks", "docs") for p in (ROOT / root).rglob("*.py")):
        calls = (n for n in ast.walk(ast.parse(path.read_text(encoding="utf-8"))) if isinstance(n, ast.Call))
        for call in (c for c in calls if isinstance(c.func, ast.Attribute)):
            named = any(k.arg == "encoding" for k in call.keywords)
            if not named and len(call.args) == words.get(call.func.attr, -1):
                bare.append(f"{path.relative_to(ROOT)}:{call.lineno}")
    assert not bare
