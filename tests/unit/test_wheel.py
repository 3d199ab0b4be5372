"""The wheel holds every file that the code opens: built here without network, unpacked, and used in a process of its own."""

import re
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
USE = """
import json, sys
from pathlib import Path
import evenfield
from evenfield.radiation.gpu_device import SOURCES, kernel_source
from evenfield.workbench.app import PAGE
home = Path(evenfield.__file__).parents[1]
print(json.dumps([str(home), len(kernel_source()), list(SOURCES), str(PAGE.relative_to(home))]))
"""


@pytest.fixture(scope="module")
def unpacked(tmp_path_factory):
    from hatchling.builders.wheel import WheelBuilder

    folder = tmp_path_factory.mktemp("wheel")
    (wheel,) = WheelBuilder(str(ROOT)).build(directory=str(folder), versions=["standard"])
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(folder / "unpacked")
    return folder / "unpacked"


def test_kernels_and_page_are_found_where_the_code_looks(unpacked):
    import json

    path = f"import sys; sys.path.insert(0, {str(unpacked)!r})\n"
    run = subprocess.run([sys.executable, "-P", "-c", path + USE], capture_output=True, text=True, cwd=unpacked, check=True)
    home, length, sources, page = json.loads(run.stdout)
    assert Path(home) == unpacked
    kernels = ROOT / "src" / "evenfield" / "radiation" / "cuda"
    assert sorted(sources) == sorted(p.stem for p in kernels.glob("*.cu"))
    assert length == sum(len(p.read_text(encoding="utf-8")) for p in kernels.glob("*.cu")) + len(sources) - 1
    assert_page_is_whole(unpacked / page)


def assert_page_is_whole(page):
    """Every file that the page names, and that those name, is there."""
    open_ends, seen = ["index.html"], set()
    while open_ends:
        name = open_ends.pop()
        assert (page / name).is_file(), name
        seen.add(name)
        text = (page / name).read_text(encoding="utf-8")
        found = re.findall(r"[\"'`(]\./((?:assets/)?[\w-]+\.(?:js|css|svg|woff2|png))", text)
        base = Path(name).parent
        open_ends += [n for n in {str(base / f) for f in found} if n not in seen and n not in open_ends]
    assert len(seen) >= 4
    assert (page / "licences.txt").is_file()


def test_every_source_file_is_in_the_wheel(unpacked):
    package = ROOT / "src" / "evenfield"
    ours = {p.relative_to(package) for p in package.rglob("*") if p.is_file() and "__pycache__" not in p.parts}
    built = unpacked / "evenfield"
    assert {p.relative_to(built) for p in built.rglob("*") if p.is_file()} == ours
    (facts,) = unpacked.glob("evenfield-*.dist-info")
    assert "evenfield = evenfield.cli:main" in (facts / "entry_points.txt").read_text(encoding="utf-8")
    assert list(facts.rglob("LICENSE"))
