"""What the docs and docstrings show, runs."""

import doctest
import importlib
import pkgutil
import re
from pathlib import Path

import pytest

import evenfield
from evenfield.loudspeaker.design import Design
from evenfield.loudspeaker.load import Positions, _parse_yaml, design_from

ROOT = Path(__file__).parents[2]
OPTIONAL = ("evenfield.magnetics", "evenfield.workbench", "evenfield.__main__")


def modules():
    found = pkgutil.walk_packages(evenfield.__path__, "evenfield.")
    return sorted(m.name for m in found if not m.name.startswith(OPTIONAL))


@pytest.mark.parametrize("name", modules())
def test_docstring_examples(name):
    failures, _ = doctest.testmod(importlib.import_module(name))
    assert failures == 0


def whole_designs():
    for page in sorted((ROOT / "docs").rglob("*.md")):
        for block in re.findall(r"```yaml\n(evenfield: 1\n.*?)```", page.read_text(encoding="utf-8"), re.S):
            yield pytest.param(block, id=page.name)


@pytest.mark.parametrize("block", list(whole_designs()))
def test_designs_shown_in_the_docs_load(block):
    path = Path("shown.yaml")
    tree = _parse_yaml(block, path)
    design = design_from(tree, Positions(path, tree))
    assert isinstance(design, Design)


def test_every_key_of_the_design_file_is_documented():
    page = (ROOT / "docs" / "design-file.md").read_text(encoding="utf-8")
    missing = []
    for name, model in vars(importlib.import_module("evenfield.loudspeaker.design")).items():
        if isinstance(model, type) and issubclass(model, evenfield.loudspeaker.design._Section) and not name.startswith("_"):
            missing += [f"{name}.{key}" for key in model.model_fields if f"`{key}`" not in page]
    assert not missing


def test_every_command_is_documented():
    import typer

    from evenfield.cli import app

    page = (ROOT / "docs" / "commands.md").read_text(encoding="utf-8")
    for name, command in typer.main.get_command(app).commands.items():
        assert f"## {name}" in page
        for parameter in command.params:
            for option in parameter.opts:
                if option.startswith("--"):
                    assert f"`{option}`" in page, (name, option)
