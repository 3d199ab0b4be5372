"""The command line as its user meets it: exit codes, one-screen errors, JSON."""

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
MONITOR = ROOT / "tests" / "reference" / "data" / "two-way-monitor" / "two_way_monitor_5deg.sofa"


def evenfield(*arguments, **options):
    command = [sys.executable, "-m", "evenfield", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, encoding="utf-8", timeout=300, **options)


def test_help_lists_the_commands_and_exit_codes():
    done = evenfield("--help")
    assert done.returncode == 0
    for word in ("predict", "check", "judge", "schema", "Exit code"):
        assert word in done.stdout


def test_starting_imports_nothing_heavy():
    heavy = ("numba", "scipy", "matplotlib", "xarray", "pint", "pydantic")
    code = f"import sys, evenfield.cli; print([m for m in {heavy} if m in sys.modules])"
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, encoding="utf-8").stdout.strip() == "[]"


@pytest.mark.parametrize("name", ["skiff", "ketch", "barque"])
def test_check_says_what_the_design_is(name):
    done = evenfield("check", ROOT / "examples" / f"{name}.yaml")
    assert done.returncode == 0, done.stderr
    assert "can be predicted" in done.stdout and "Qts" in done.stdout


def test_a_broken_design_is_one_screen_and_exit_code_2(tmp_path):
    file = tmp_path / "skiff.yaml"
    skiff = (ROOT / "examples" / "skiff.yaml").read_text(encoding="utf-8")
    file.write_text(skiff.replace("width: 165 mm", "width: 90 mm"), encoding="utf-8")
    done = evenfield("check", file)
    assert done.returncode == 2
    assert "skiff.yaml, line" in done.stderr and "Traceback" not in done.stderr
    assert len(done.stderr.splitlines()) < 20
    assert list(tmp_path.iterdir()) == [file]


def test_usage_errors_are_exit_code_2():
    assert evenfield("predict").returncode == 2
    assert evenfield("predict", "nowhere.yaml").returncode == 2
    assert evenfield("sing").returncode == 2


def test_the_measured_monitor_is_judged_and_reported(tmp_path):
    file = tmp_path / "monitor.sofa"
    shutil.copy(MONITOR, file)
    done = evenfield("judge", file, "--standard", "itu-r-bs1116", "--report", tmp_path / "report", "--json")
    assert done.returncode == 1, done.stderr
    verdict = json.loads(done.stdout)
    assert verdict["standard"] == "ITU-R BS.1116-3"
    judged = {line["name"]: line for line in verdict["lines"]}
    assert judged["DI ripple"]["passed"] is None and "octave" in judged["DI ripple"]["sure"]
    page = (tmp_path / "report" / "monitor.html").read_text(encoding="utf-8")
    assert "Refused" in page and "magnitude" in page.lower()
    assert {p.name for p in (tmp_path / "report").iterdir()} == {"monitor.html", "monitor.pdf", "made-from.json"}


def test_a_truncated_measurement_is_refused(tmp_path):
    file = tmp_path / "monitor.sofa"
    file.write_bytes(MONITOR.read_bytes()[:5000])
    done = evenfield("judge", file)
    assert done.returncode == 2
    assert "Traceback" not in done.stderr and "monitor.sofa" in done.stderr


def test_schema_is_json():
    assert json.loads(evenfield("schema").stdout)["title"] == "evenfield design file"
