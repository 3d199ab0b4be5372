"""Changing one value in a design file's text and nothing else: comments, order, spacing and quotes stay as they were."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from evenfield.base.errors import DesignError, message

Steps = tuple[str | int, ...]


@dataclass(frozen=True)
class Change:
    """One value of the design file.

    Parameters
        path : dotted, list items by number; a last step "+" appends to a list
        text : the value as it stands in the file; empty takes the key, or the list item, out
    """

    path: str
    text: str

    @property
    def steps(self) -> Steps:
        """The path's steps, numbers as int."""
        return steps_of(self.path)


def steps_of(path: str) -> Steps:
    """The steps of a dotted path."""
    return tuple(int(s) if s.isdigit() else s for s in path.split("."))


def apply_changes(text: str, changes: Iterable[Change]) -> str:
    """The text with every change made. Raises DesignError, with the key, where a path leads nowhere."""
    for change in changes:
        text = apply_change(text, change)
    return text


def apply_change(text: str, change: Change) -> str:
    """The text with one change made."""
    if len(change.text) > 2000 or "\n" in change.text or "\r" in change.text:
        raise DesignError(message(change.path, "one line of at most 2000 characters", f"{len(change.text)}"), change.path)
    root = _compose(text)
    steps = change.steps
    nodes = _nodes(root, steps)
    depth = len(nodes) - 1
    value = change.text.strip()
    if depth == len(steps):
        return _remove(text, nodes, steps) if not value else _replace(text, nodes, value)
    if not value:
        return text
    return _insert(text, nodes[-1], nodes, steps[depth:], value, change.path)


def _compose(text: str) -> Any:
    from ruamel.yaml import YAML
    from ruamel.yaml.error import YAMLError

    try:
        return YAML().compose(text)
    except YAMLError as error:
        raise DesignError(f"The design file must be YAML, got: {error}.") from None


def _nodes(root: Any, steps: Steps) -> list[Any]:
    """The nodes along the path, from the root, as far as the file has them."""
    found = [root]
    for step in steps:
        inner = _child(found[-1], step)
        if inner is None:
            break
        found.append(inner)
    return found


def _child(node: Any, step: str | int) -> Any:
    if _is_mapping(node):
        return next((v for k, v in node.value if k.value == str(step)), None)
    if _is_sequence(node) and isinstance(step, int) and step < len(node.value):
        return node.value[step]
    return None


def _is_mapping(node: Any) -> bool:
    return getattr(node, "id", "") == "mapping"


def _is_sequence(node: Any) -> bool:
    return getattr(node, "id", "") == "sequence"


def _replace(text: str, nodes: Sequence[Any], value: str) -> str:
    node = nodes[-1]
    start, end = node.start_mark.index, node.end_mark.index
    if not _is_flow(node) and not (getattr(node, "id", "") == "scalar" and node.style not in ("|", ">")):
        raise DesignError(message("a whole section", "changed key by key", value))
    if _is_flow(node) and value[:1] not in "{[":
        raise DesignError(message("a whole section", "changed key by key, or by another one in braces", value))
    if end == start:  # an empty value after its colon
        value = " " + value
    return text[:start] + _scalar(value, any(_is_flow(n) for n in nodes[:-1])) + text[end:]


def _is_flow(node: Any) -> bool:
    return (_is_mapping(node) or _is_sequence(node)) and bool(node.flow_style)


def _scalar(value: str, in_flow: bool) -> str:
    """The value as YAML, quoted only where it would read as something else."""
    from ruamel.yaml import YAML
    from ruamel.yaml.error import YAMLError

    lead = " " if value.startswith(" ") else ""
    plain = value.strip()
    if plain[:1] in "{[" and plain[-1:] in "]}":
        return lead + plain
    try:
        tree = YAML(typ="safe", pure=True).load(f"{{k: {plain}}}" if in_flow else f"k: {plain}")
        same = isinstance(tree, dict) and len(tree) == 1 and _reads_alike(tree["k"], plain)
    except (YAMLError, TypeError, ValueError):
        same = False
    return lead + (plain if same else json.dumps(plain, ensure_ascii=False))


def _reads_alike(read: Any, plain: str) -> bool:
    return read == plain if isinstance(read, str) else isinstance(read, (int, float, bool))


def _insert(text: str, node: Any, nodes: Sequence[Any], rest: Steps, value: str, path: str) -> str:
    """A new key, or a new list item, in the deepest node that the file has."""
    in_flow = any(_is_flow(n) for n in nodes)
    inner = _scalar(value, in_flow or len(rest) > 1)
    for step in reversed(rest[1:]):
        inner = f"[{inner}]" if step == "+" or isinstance(step, int) else f"{{{step}: {inner}}}"
    first = rest[0]
    if _is_mapping(node) and isinstance(first, str) and first != "+":
        return _append(text, node, f"{first}: {inner}", in_flow)
    if _is_sequence(node) and first == "+":
        return _append(text, node, inner if in_flow else f"- {inner}", in_flow)
    if getattr(node, "id", "") == "scalar" and not node.value:
        entry = f"[{inner}]" if first == "+" else f"{{{first}: {inner}}}"
        return text[: node.start_mark.index] + " " + entry + text[node.end_mark.index :]
    raise DesignError(message(path, "a key of the design file", "nothing there"), path)


def _append(text: str, node: Any, entry: str, in_flow: bool) -> str:
    if in_flow:
        if not node.value:
            close = node.end_mark.index - 1
            return text[:close].rstrip() + entry + text[close:]
        last = _last(node).end_mark.index
        return f"{text[:last]}, {entry}{text[last:]}"
    first = node.value[0][0] if _is_mapping(node) else node.value[0]
    indent = first.start_mark.column if _is_mapping(node) else node.start_mark.column
    end = _line_end(text, _end_of(_last(node), text))
    return f"{text[:end]}\n{' ' * indent}{entry}{text[end:]}"


def _remove(text: str, nodes: Sequence[Any], steps: Steps) -> str:
    parent, node = nodes[-2], nodes[-1]
    key: Any = next((k for k, v in parent.value if v is node), None) if _is_mapping(parent) else node
    end = _end_of(_last(node) if not _is_flow(node) else node, text)
    if any(_is_flow(n) for n in nodes[:-1]):
        return _cut_flow(text, key.start_mark.index, end)
    if len(parent.value) == 1:
        raise DesignError(message(".".join(map(str, steps)), "kept: it is the last of its section", "nothing"))
    start = text.rfind("\n", 0, key.start_mark.index) + 1
    lead = text[start : key.start_mark.index]
    stop = min(_line_end(text, end) + 1, len(text))
    if _is_mapping(parent) and lead.strip():  # the first key stands on its list item's own line
        following = parent.value[1][0].start_mark.index
        return text[: key.start_mark.index] + text[following:]
    return text[:start] + text[stop:]


def _cut_flow(text: str, start: int, end: int) -> str:
    after = end
    while after < len(text) and text[after] in " \n\t":
        after += 1
    if text[after : after + 1] == ",":
        after += 1
        while after < len(text) and text[after] in " \t":
            after += 1
        return text[:start] + text[after:]
    before = start
    while before > 0 and text[before - 1] in " \n\t":
        before -= 1
    if text[before - 1 : before] == ",":
        before -= 1
    return text[:before] + text[end:]


def _last(node: Any) -> Any:
    """The last value inside a node, itself where it is a scalar or written in braces."""
    while (_is_mapping(node) or _is_sequence(node)) and node.value:
        last = node.value[-1][1] if _is_mapping(node) else node.value[-1]
        if _is_flow(node) and not (_is_flow(last) or getattr(last, "id", "") == "scalar"):
            break
        node = last
        if _is_flow(node):
            break
    return node


def _end_of(node: Any, text: str) -> int:
    """Where a node's text ends; a block scalar's mark lies on the next token, so blanks before it are taken back."""
    end: int = node.end_mark.index
    if getattr(node, "id", "") == "scalar" and node.style in ("|", ">"):
        end = len(text[:end].rstrip())
    return end


def _line_end(text: str, index: int) -> int:
    end = text.find("\n", index)
    return len(text) if end < 0 else end
