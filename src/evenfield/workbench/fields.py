"""The design as an outline of fields, each with its unit, step, limits and what answers when it is dragged."""

from __future__ import annotations

import math
import re
import types
from collections.abc import Iterator, Mapping
from functools import cache
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from evenfield.base.errors import DesignError
from evenfield.base.units import DIMENSIONS, Amount, parse_amount
from evenfield.loudspeaker.design import Design, FilterSection, _Unit
from evenfield.workbench.field_words import GOVERNING, HELP, LABELS, QUICK, STEPS, effect_of

Field = dict[str, Any]
_NUMBER = re.compile(r"^\s*([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*([^±+]*?)\s*(?:(?:±|\+/-).*)?$")


def outline_of(design: Design, tree: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Sections of fields, in the order of the work.

    Parameters
        design : the validated design
        tree : the same file as plain mappings, for the texts as written
    """
    sections = [_section("brief", "Brief", "brief", design.brief, tree)]
    for name, way in design.ways.items():
        base = f"ways.{name}"
        fields = [*_fields(way.place, _at(tree, f"{base}.place"), f"{base}.place")]
        if way.driver is not None:
            fields += _fields(way.driver, _at(tree, f"{base}.driver"), f"{base}.driver")
        sections.append({"key": base, "label": name, "group": "ways", "way": name, "fields": fields})
    for name, way in design.ways.items():
        if way.waveguide is not None:
            base = f"ways.{name}.waveguide"
            label = f"Waveguide of the {name}"
            sections.append(_section(base, label, "waveguide", way.waveguide, tree) | {"way": name})
    sections.append(_section("cabinet", "Cabinet", "cabinet", design.cabinet, tree))
    for i, vent in enumerate(design.vents):
        key = f"vent.{i}" if isinstance(design.vent, tuple) else "vent"
        sections.append(_section(key, "Vent" if len(design.vents) == 1 else f"Vent {i + 1}", "cabinet", vent, tree))
    for name, way in design.ways.items():
        base = f"ways.{name}"
        fields = [*_fields(way.filters, _at(tree, f"{base}.filters"), f"{base}.filters")]
        fields += _fields(way.amplifier, _at(tree, f"{base}.amplifier"), f"{base}.amplifier")
        sections.append(
            {"key": f"{base}.filters", "label": f"Filters of the {name}", "group": "filters", "way": name, "fields": fields}
        )
    for name, way in design.ways.items():
        if way.motor is not None:
            key = f"ways.{name}.motor"
            sections.append(
                {"key": key, "label": f"Motor of the {name}", "group": "motor", "way": name, "fields": [*_loose(way.motor, key)]}
            )
    for key, label in (
        ("rooms", "Rooms"),
        ("console", "Console"),
        ("passive", "Passive network"),
        ("cost", "Cost"),
        ("printer", "Printer"),
    ):
        found = getattr(design, key)
        if found is not None:
            sections.append(
                {
                    "key": key,
                    "label": label,
                    "group": "rooms" if key in ("rooms", "console") else "other",
                    "fields": [*_loose(found, key)],
                }
            )
    sections.append(_section("air", "Air", "other", design.air, tree))
    return sections


def _section(key: str, label: str, group: str, model: BaseModel, tree: Mapping[str, Any]) -> dict[str, Any]:
    return {"key": key, "label": label, "group": group, "fields": [*_fields(model, _at(tree, key), key)]}


def _at(tree: Any, path: str) -> Any:
    node = tree
    for step in path.split("."):
        if isinstance(node, Mapping):
            node = node.get(step)
        elif isinstance(node, list) and step.isdigit() and int(step) < len(node):
            node = node[int(step)]
        else:
            return None
    return node


def _fields(model: BaseModel, tree: Any, path: str) -> Iterator[Field]:
    """Fields of a section and of the sections inside it."""
    for name, info in type(model).model_fields.items():
        value = getattr(model, name)
        inner = tree.get(name) if isinstance(tree, Mapping) else None
        where = f"{path}.{name}"
        if isinstance(value, BaseModel):
            yield from _fields(value, inner, where)
        elif isinstance(value, tuple) and value and isinstance(value[0], BaseModel):
            for i, item in enumerate(value):
                row = inner[i] if isinstance(inner, list) and i < len(inner) else None
                yield from (_of_section(item, f) for f in _fields(item, row, f"{where}.{i}"))
        elif isinstance(value, tuple) and value and isinstance(value[0], Amount):
            yield from _listed(name, info, value, inner, where)
        elif (field := _field(where, name, info, value, inner)) is not None:
            yield field


def _of_section(section: BaseModel, field: Field) -> Field:
    """A filter section's field; what its kind does not use does not govern it."""
    if isinstance(section, FilterSection):
        key = field["path"].rsplit(".", 1)[1]
        passing = section.kind in ("low-pass", "high-pass")
        field["governing"] = key in (("kind", "frequency", "order", "family") if passing else ("kind", "frequency", "gain", "q"))
    return field


def _listed(name: str, info: FieldInfo, values: tuple[Any, ...], written: Any, path: str) -> Iterator[Field]:
    """A list of quantities, one field each."""
    unit = next((u for u in _units(info.annotation) if u is not None), None)
    if unit is None or not isinstance(written, list):
        return
    for i, (value, text) in enumerate(zip(values, written, strict=False)):
        where = f"{path}.{i}"
        label = f"{LABELS.get(name, name.replace('_', ' ').capitalize())} {i + 1}"
        yield {
            "path": where, "label": label, "kind": "quantity", "text": _text(text), "given": True, "optional": True,
            "governing": name in GOVERNING.get(_shape(path), ()), "effect": effect_of(where), "quick": QUICK[effect_of(where)],
            "help": info.description or "",
        } | _quantity(unit, _text(text), value)  # fmt: skip


def _units(annotation: Any) -> Iterator[_Unit | None]:
    """Quantities inside an annotation."""
    for option in get_args(annotation):
        yield next((m for m in getattr(option, "__metadata__", ()) if isinstance(m, _Unit)), None)
        yield from _units(option)


def _field(path: str, name: str, info: FieldInfo, value: Any, written: Any) -> Field | None:
    unit, choices, kind = _kind(info)
    if kind is None:
        return None
    section = _shape(path)
    field: Field = {
        "path": path,
        "label": LABELS.get(name, name.replace("_", " ").capitalize()),
        "kind": kind,
        "text": "" if written is None else _text(written),
        "given": written is not None,
        "optional": not info.is_required(),
        "governing": name in GOVERNING.get(section, ()),
        "effect": effect_of(path),
        "quick": QUICK[effect_of(path)],
        "help": info.description or HELP.get(name, ""),
    }
    if unit is not None:
        field |= _quantity(unit, field["text"], value)
    elif kind == "choice":
        field |= {"choices": list(choices), "text": field["text"] or str(value)}
    elif kind == "flag":
        field |= {"text": "true" if value else "false", "choices": ["false", "true"]}
    elif kind == "number":
        low, high = _bounds(info)
        field |= {
            "value": value,
            "unit": "",
            "units": [""],
            "step": 1,
            "min": low,
            "max": high,
            "text": field["text"] or str(value),
        }
    else:
        field["text"] = field["text"] or ("" if value is None else str(value))
    return field


def _kind(info: FieldInfo) -> tuple[_Unit | None, tuple[str, ...], str | None]:
    """Its quantity, its choices, and the kind of the field; no kind for what is no single value."""
    for option in (info.annotation, *get_args(info.annotation)):
        metadata = [*info.metadata, *(getattr(option, "__metadata__", ()))]
        unit = next((m for m in metadata if isinstance(m, _Unit)), None)
        if unit is not None:
            return unit, (), "quantity"
    annotation = info.annotation
    options = get_args(annotation) if get_origin(annotation) in (Union, types.UnionType) else (annotation,)
    for option in options:
        bare = get_args(option)[0] if get_origin(option) is Annotated else option
        if get_origin(bare) is Literal:
            return None, tuple(str(c) for c in get_args(bare)), "choice"
        if bare in (bool, int, str):
            return None, (), {bool: "flag", int: "number", str: "text"}[bare]
    return None, (), None


def _bounds(info: FieldInfo) -> tuple[float | None, float | None]:
    low = next((m.ge for m in info.metadata if hasattr(m, "ge")), None)
    high = next((m.le for m in info.metadata if hasattr(m, "le")), None)
    return low, high


def _quantity(unit: _Unit, text: str, value: Any) -> Field:
    """Number, unit, step and limits; a default is shown in the first usual unit."""
    kind = DIMENSIONS[unit.dimension]
    written = unit_of(text) if text else None
    shown = written if written is not None else kind.usual[0]
    factor = factor_of(shown, unit.dimension)
    number = None if value is None else float(value) / factor
    if text and (match := _NUMBER.match(text)):
        number = float(match[1])
    default = "" if value is None or text else _words(float(value) / factor, shown)
    units = list(dict.fromkeys([shown, *(u for u in kind.usual)]))
    return {
        "value": number,
        "unit": shown,
        "units": units,
        "dimension": unit.dimension,
        "step": step_of(number, shown),
        "min": None if unit.low is None else unit.low / factor,
        "max": None if unit.high is None else unit.high / factor,
        "default": default,
        "tolerance": value.tolerance if isinstance(value, Amount) else 0.0,
    }


def unit_of(text: str) -> str | None:
    """The unit as written, or None where the text is no quantity."""
    match = _NUMBER.match(text)
    return match[2].strip() if match else None


@cache
def factor_of(unit: str, dimension: str) -> float:
    """SI units in one of this unit; 1 where it cannot be read."""
    try:
        return float(parse_amount(f"1 {unit}".strip(), dimension)) or 1.0
    except DesignError:
        return 1.0


def step_of(number: float | None, unit: str) -> float:
    """What one press of a stepper adds: fixed for angles and levels, else about a fiftieth, round."""
    if unit in STEPS:
        return STEPS[unit]
    if not number or not math.isfinite(number):
        return 1.0
    rough = abs(number) / 50
    power = 10.0 ** math.floor(math.log10(rough))
    return float(f"{min((1, 2, 5, 10), key=lambda m: abs(math.log(m * power / rough))) * power:.3g}")


def with_value(text: str, value: float, unit: str) -> str:
    """The text with another number: unit and tolerance stay as written."""
    number = f"{value:.6g}"
    match = _NUMBER.match(text)
    if match:
        return f"{text[: match.start(1)]}{number}{text[match.end(1) :]}"
    return f"{number} {unit}".strip()


def _loose(node: Any, path: str) -> Iterator[Field]:
    """Fields of a section that other code reads: their texts only."""
    items = node.items() if isinstance(node, Mapping) else enumerate(node)
    for key, value in items:
        where = f"{path}.{key}"
        if isinstance(value, (Mapping, list)):
            yield from _loose(value, where)
            continue
        text = _text(value)
        field: Field = {
            "path": where, "label": LABELS.get(str(key), str(key).replace("_", " ").capitalize()), "kind": "text", "text": text,
            "given": True, "optional": True, "governing": str(key) in GOVERNING.get(_shape(where), ()),
            "effect": effect_of(where), "quick": QUICK[effect_of(where)], "help": "",
        }  # fmt: skip
        match = _NUMBER.match(text)
        if match and not isinstance(value, bool) and math.isfinite(float(match[1])):
            number, unit = float(match[1]), match[2].strip()
            field |= {
                "kind": "quantity",
                "value": number,
                "unit": unit,
                "units": [unit],
                "step": step_of(number, unit),
                "min": None,
                "max": None,
            }
        yield field


def _shape(path: str) -> str:
    """The section a path belongs to, names of ways left out: `ways.*.driver`."""
    steps = path.split(".")[:-1]
    if steps[:1] == ["ways"] and len(steps) > 1:
        steps[1] = "*"
    return ".".join("*" if s.isdigit() else s for s in steps)


def _text(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    return str(value)


def _words(number: float, unit: str) -> str:
    return f"{number:.6g} {unit}".strip()


def label_of(path: str) -> str:
    """A path in words, for lists of changes."""
    steps = path.split(".")
    words = [
        LABELS.get(s, s.replace("_", " ")) if not s.isdigit() else str(int(s) + 1) for s in steps if s not in ("ways", "sections")
    ]
    return " ".join([words[0], *(w[:1].lower() + w[1:] if w[:2] not in _KEPT else w for w in words[1:])]) if words else path


_KEPT = ("Re", "Bl", "Mm", "Cm", "Rm", "Fs", "Qm", "Qe", "Qt", "Va", "Sd", "Le", "Q", "Q ")
