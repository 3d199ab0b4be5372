"""Writing a searched shape into a copy of the design file, its comments kept."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from evenfield.base.errors import DesignError, message
from evenfield.loudspeaker.design import Design
from evenfield.loudspeaker.design_text import in_one_line, read_text, write_text
from evenfield.search.dimensions import Dimension


def write_shape(
    source: str | Path,
    target: str | Path,
    values: Mapping[Dimension, float],
    over: bool = False,
    sections: Mapping[str, Any] | None = None,
) -> Path:
    """A copy of the design file `source` at `target` with other dimensions.

    Parameters
        values : Dimension -> SI; those whose section is not in the file yet come with `sections`
        over : let `target` be `source`
        sections : dotted path -> plain value, set before the values are
    Raises DesignError where `target` is the design itself and `over` was not asked for.
    """
    if Path(target).resolve() == Path(source).resolve() and not over:
        raise DesignError(
            message("the designed shape", "written to another file than the design", Path(target).name, fix="--over")
        )
    yaml, tree = read_text(Path(source))
    for key, value in (sections or {}).items():
        _put(tree, key.split("."), _short(value))
    for dimension, value in values.items():
        path = dimension.key.split(".")
        old = _get(tree, path)
        tolerance = old[old.index("±") :] if isinstance(old, str) and "±" in old else ""
        _put(tree, path, f"{dimension.text(value)} {tolerance}".strip() if dimension.unit else float(dimension.text(value)))
    return write_text(yaml, tree, Path(target))


def _short(value: Any) -> Any:
    """Mappings that hold no others stand in one line; lists too."""
    if isinstance(value, list):
        from ruamel.yaml.comments import CommentedSeq

        made = CommentedSeq(value)
        made.fa.set_flow_style()
        return made
    if isinstance(value, dict):
        plain = not any(isinstance(v, dict | list) for v in value.values())
        return in_one_line(value) if plain else {k: _short(v) for k, v in value.items()}
    return value


def _get(node: Any, path: list[str]) -> Any:
    for step in path:
        try:
            node = node[int(step) if isinstance(node, list) else step]
        except (KeyError, IndexError, TypeError):
            return None
    return node


def _put(node: Any, path: list[str], value: Any) -> None:
    *parents, last = path
    for step in parents:
        if isinstance(node, list):
            node = node[int(step)]
            continue
        if step not in node:
            node[step] = {}
        node = node[step]
    node[int(last) if isinstance(node, list) else last] = value


def dimension_changes(before: Design, after: Design, dimensions: tuple[Dimension, ...]) -> list[tuple[str, str, str]]:
    """(name, before, after) in words, for the table of dimensions."""
    from evenfield.search.dimensions import read

    found = []
    for d in dimensions:
        try:
            old = d.text(read(before, d.key))
        except DesignError:
            old = ""
        found.append((d.name, old, d.text(read(after, d.key))))
    return found


__all__ = ["dimension_changes", "write_shape"]
