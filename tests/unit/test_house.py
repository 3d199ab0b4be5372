"""The house's own rules: floors, typed and linted sources, no addresses in pins."""

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]


def test_imports_run_down_the_floors():
    done = subprocess.run([Path(sys.executable).with_name("lint-imports")], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout[-2000:]


def test_pins_hold_no_addresses():
    for line in (ROOT / "constraints.txt").read_text().splitlines():
        assert "://" not in line and " @ " not in line, line


def test_files_stay_rooms_not_halls():
    long = {p.name: n for p in (ROOT / "src").rglob("*.py") if (n := len(p.read_text().splitlines())) > 600}
    assert not long
