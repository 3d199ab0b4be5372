"""Reading a design file: YAML with positions, checked against the schema, errors by file, line and key."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from evenfield.base.errors import DesignError
from evenfield.loudspeaker.design import FILE_VERSION, Design

Key = tuple[str | int, ...]


def load_design(path: str | Path) -> Design:
    """Read and check one design file.

    Parameters
        path : YAML file
    Returns
        Design : validated, SI
    Raises DesignError naming file, line, key, rule, value, and the key or unit probably meant.
    """
    return read_design(path)[0]


def read_design(path: str | Path) -> tuple[Design, Positions]:
    """As `load_design`, with the positions of every key for later messages."""
    path = Path(path)
    text = _read_text(path)
    tree = _parse_yaml(text, path)
    positions = Positions(path, tree)
    return design_from(tree, positions), positions


def design_from(tree: Any, positions: Positions) -> Design:
    """A Design from a parsed tree. Raises DesignError."""
    if not isinstance(tree, Mapping):
        raise DesignError(f"{positions.path.name} must hold a mapping of sections, got {type(tree).__name__}.")
    version = tree.get("evenfield")
    if version is None:
        raise DesignError(
            f"evenfield must name the file's version, got nothing ({positions.at(())}). "
            f"Try the line 'evenfield: {FILE_VERSION}' at the top."
        )
    if version != FILE_VERSION:
        raise DesignError(
            f"evenfield must be {FILE_VERSION}, got {version!r} ({positions.at(('evenfield',))}). "
            "This package reads that version of the design file only. Try a newer or older evenfield."
        )
    try:
        return Design.model_validate(_plain(tree))
    except ValidationError as error:
        raise DesignError(_explain(error, positions)) from None


class Positions:
    """Where each key of a design file stands."""

    def __init__(self, path: Path, tree: Any) -> None:
        self.path = path
        self._tree = tree

    def line(self, key: Key) -> int:
        """Line number (from 1) of a key, or of the deepest part of it that the file holds."""
        node, line = self._tree, 1
        for step in key:
            try:
                if isinstance(node, Mapping):
                    line = node.lc.key(step)[0] + 1  # type: ignore[attr-defined]
                elif isinstance(node, Sequence) and not isinstance(node, str):
                    line = node.lc.item(step)[0] + 1  # type: ignore[attr-defined]
                else:
                    break
                node = node[step]
            except (KeyError, IndexError, TypeError, AttributeError):
                break
        return line

    def at(self, key: Key) -> str:
        """`file, line N`."""
        return f"{self.path.name}, line {self.line(key)}"

    def locate(self, error: DesignError) -> DesignError:
        """The same error with file and line, when it names its key."""
        if error.key is None:
            return error
        place = self.at(tuple(error.key.split(".")))
        text = str(error)
        head, dot, tail = text.partition(". ")
        return DesignError(f"{head.rstrip('.')} ({place}){dot or '.'}{tail}")


class located:
    """Adds file and line to the design errors raised inside it."""

    def __init__(self, positions: Positions) -> None:
        self._positions = positions

    def __enter__(self) -> None:
        return None

    def __exit__(self, kind: Any, error: Any, trace: Any) -> None:
        if isinstance(error, DesignError) and error.key is not None:
            raise self._positions.locate(error) from None


def _read_text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except FileNotFoundError:
        near = difflib.get_close_matches(path.name, [p.name for p in path.parent.glob("*.y*ml")] or [""], n=1)
        hint = f" Try {near[0]}." if near and near[0] else ""
        raise DesignError(f"The design file must exist, got {path}.{hint}") from None
    except IsADirectoryError:
        raise DesignError(f"The design must be a file, got the folder {path}. Try one of the YAML files in it.") from None
    except UnicodeDecodeError:
        raise DesignError(f"The design file must be UTF-8 text, got something else in {path}.") from None


def _parse_yaml(text: str, path: Path) -> Any:
    from ruamel.yaml import YAML
    from ruamel.yaml.error import MarkedYAMLError, YAMLError

    try:
        return YAML().load(text)
    except MarkedYAMLError as error:
        line = error.problem_mark.line + 1 if error.problem_mark else 1
        raise DesignError(f"{path.name} must be YAML, got {error.problem} ({path.name}, line {line}).") from None
    except YAMLError as error:
        raise DesignError(f"{path.name} must be YAML, got: {error}.") from None


def _plain(node: Any) -> Any:
    """Plain dicts, lists and scalars from the YAML reader's own types."""
    if isinstance(node, Mapping):
        return {str(k): _plain(v) for k, v in node.items()}
    if isinstance(node, Sequence) and not isinstance(node, str):
        return [_plain(v) for v in node]
    if isinstance(node, bool):
        return bool(node)
    if isinstance(node, int):
        return int(node)
    if isinstance(node, float):
        return float(node)
    return str(node) if isinstance(node, str) else node


def _explain(error: ValidationError, positions: Positions) -> str:
    problems = [p for p in error.errors() if not _is_other_branch(p)]
    meant = {(*p["loc"][:-1], _meant(p)) for p in problems if p["type"] == "extra_forbidden"}
    # a misspelt key would otherwise be reported twice, once as unknown and once as missing
    problems = [p for p in problems if not (p["type"] == "missing" and p["loc"] in meant)]
    lines = list(dict.fromkeys(_explain_one(p, positions) for p in problems))
    if len(lines) == 1:
        return lines[0]
    more = [f"(and {len(lines) - 8} more)"] if len(lines) > 8 else []
    return "\n- ".join([f"{len(lines)} things in {positions.path.name} cannot be used:", *lines[:8]]) + "\n".join(["", *more])


def _is_other_branch(problem: Any) -> bool:
    """Unions report each branch; only the branch that the value's own type belongs to is worth showing."""
    where, value = problem["loc"], problem["input"]
    if len(where) != 2 or where[0] not in ("vent", "mounting"):
        return False
    wants_list = str(where[1]).startswith("tuple")
    wants_mapping = str(where[1]).startswith(("Vent", "NearWall"))
    if isinstance(value, list):
        return not wants_list
    if isinstance(value, dict):
        return not wants_mapping
    # a scalar belongs to the simplest branch: the literal of `mounting`, the single `vent`
    return wants_list or (where[0] == "mounting" and wants_mapping)


def _meant(problem: Any) -> str:
    """The known key that an unknown one was probably meant to be, or nothing."""
    key = tuple(k for k in problem["loc"] if not _is_tag(k))
    return _nearest(str(key[-1]), list(_known_keys(Design, key[:-1])))


def _nearest(word: str, known: list[str]) -> str:
    lower = {k.lower(): k for k in known}
    near = difflib.get_close_matches(word.lower(), list(lower), n=1, cutoff=0.55)
    return lower[near[0]] if near else ""


def _explain_one(problem: Any, positions: Positions) -> str:
    key: Key = tuple(k for k in problem["loc"] if not _is_tag(k))
    name, place = _dotted(key), positions.at(key)
    kind, value = problem["type"], problem["input"]
    if kind == "extra_forbidden":
        return _unknown_key(key, place)
    if kind == "missing":
        return f"{name} must be given, got nothing ({positions.at(key[:-1])})."
    if kind == "amount":
        head, dot, tail = problem["ctx"]["reason"].partition(". ")
        return f"{name} {head.rstrip('.')} ({place}){dot or '.'}{tail}"
    rule = problem["msg"].replace("Input should be", "must be").replace("Value error, ", "")
    text = rule if rule.startswith("must") else f"must be right: {rule}"
    return f"{name} {text}, got {value!r} ({place}).{_nearest_choice(problem)}"


def _is_tag(step: str | int) -> bool:
    return isinstance(step, str) and bool(re.match(r"^(Vent|NearWall|tuple\[|dict\[|literal\[|function-|nullable)", step))


def _dotted(key: Key) -> str:
    return ".".join(str(k) for k in key) or "the file"


def _nearest_choice(problem: Any) -> str:
    expected = re.findall(r"'([^']+)'", str(problem.get("ctx", {}).get("expected", "")))
    near = difflib.get_close_matches(str(problem["input"]), expected, n=1, cutoff=0.3)
    return f" Try {near[0]!r}." if near else ""


def _unknown_key(key: Key, place: str) -> str:
    known = list(_known_keys(Design, key[:-1]))
    near = _nearest(str(key[-1]), known)
    hint = f"Try {near!r}." if near else f"Known here: {', '.join(known)}."
    return f"{_dotted(key)} must be a known key, got {str(key[-1])!r} ({place}). {hint}"


def _known_keys(model: type[BaseModel], path: Key) -> Iterator[str]:
    """Field names of the section that `path` leads to."""
    current: type[BaseModel] | None = model
    for step in path:
        if current is None:
            return
        if current is Design and step == "ways":
            continue
        field = current.model_fields.get(str(step))
        if field is None and current is Design:
            current = _section_of(Design.model_fields["ways"].annotation)
            continue
        if isinstance(step, int):
            continue
        current = _section_of(field.annotation) if field else None
    if current is not None:
        yield from current.model_fields


def _section_of(annotation: Any) -> type[BaseModel] | None:
    """The section model inside an annotation such as `Vent | tuple[Vent, ...] | None`."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for inner in getattr(annotation, "__args__", ()):
        found = _section_of(inner)
        if found is not None:
            return found
    return None
