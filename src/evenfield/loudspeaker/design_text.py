"""The text of a design file, changed in places with its comments kept."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

from evenfield.base.errors import DesignError, message
from evenfield.base.files import write_whole


def read_text(source: Path) -> tuple[Any, Any]:
    """The YAML reader and the tree of a design file, comments and quotes kept."""
    from ruamel.yaml import YAML

    yaml = YAML()
    yaml.width = 160
    yaml.preserve_quotes = True
    return yaml, yaml.load(source.read_text(encoding="utf-8"))


def write_text(yaml: Any, tree: Any, target: Path) -> Path:
    """Write a tree whole or not at all. Raises DesignError unless `target` is a .yaml file."""
    if target.suffix not in (".yaml", ".yml"):
        raise DesignError(message("the design's copy", "a .yaml file", target.name))
    text = io.StringIO()
    yaml.indent(mapping=2, sequence=4, offset=2)
    yaml.dump(tree, text)
    write_whole(target, lambda part: part.write_text(text.getvalue(), encoding="utf-8"))
    return target


def in_one_line(row: dict[str, Any]) -> Any:
    """A mapping that is written {a: 1, b: 2}."""
    from ruamel.yaml.comments import CommentedMap

    made = CommentedMap(row)
    made.fa.set_flow_style()
    return made


def put(tree: Any, row: dict[str, Any]) -> None:
    """Set the keys of a mapping in place, one by one, so that comments stay; None removes a key. Nested mappings alike."""
    for key, value in row.items():
        if value is None:
            tree.pop(key, None)
        elif isinstance(value, dict) and hasattr(tree.get(key), "items"):
            put(tree[key], value)
        elif isinstance(value, dict):
            kept = {k: v for k, v in value.items() if v is not None}
            tree[key] = _rows(kept) if any(isinstance(v, list) for v in kept.values()) else in_one_line(kept)
        else:
            tree[key] = value


def _rows(row: dict[str, Any]) -> Any:
    """A mapping of lists, a line for each."""
    from ruamel.yaml.comments import CommentedMap, CommentedSeq

    made = CommentedMap()
    for key, value in row.items():
        if isinstance(value, list):
            made[key] = CommentedSeq(value)
            made[key].fa.set_flow_style()
        else:
            made[key] = value
    return made
