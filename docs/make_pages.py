"""Write the generated pages: the design file's keys, the commands, the schema. Run: python docs/make_pages.py"""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import typer

from evenfield.cli import app
from evenfield.loudspeaker.design import Design, json_schema

DOCS = Path(__file__).parent
START, END = "<!-- generated: keys -->", "<!-- end of generated -->"


def kind_of(field: dict[str, Any]) -> str:
    """A field's type in words."""
    options = field.get("anyOf", [field])
    words = []
    for option in options:
        if "$ref" in option:
            words.append(f"section `{option['$ref'].rsplit('/', 1)[1]}`")
        elif "enum" in option or "const" in option:
            words.append(", ".join(f"`{v}`" for v in option.get("enum", [option.get("const")])))
        elif "description" in option and option.get("type") == "string":
            words.append(option["description"].replace(", optionally ± tolerance", ""))
        elif option.get("type") == "array":
            words.append("list")
        elif option.get("type") not in ("null", None):
            words.append(
                {"object": "mapping", "integer": "whole number", "number": "number", "boolean": "true or false"}.get(
                    option["type"], "text"
                )
            )
    return " or ".join(dict.fromkeys(words)) or "any"


def key_tables() -> str:
    """One table a section."""
    from pydantic_core import PydanticUndefined

    from evenfield.loudspeaker import design as module

    schema = json_schema()
    sections = {"Design": {"properties": schema["properties"]}, **schema["$defs"]}
    pages = []
    for name, section in sections.items():
        model = getattr(module, name)
        pages += [
            f"### {name}",
            "",
            (model.__doc__ or "").strip().split("\n")[0],
            "",
            "| key | is | default | |",
            "| --- | --- | --- | --- |",
        ]
        for key, info in model.model_fields.items():
            field = section["properties"][key]
            default = (
                "required" if info.default is PydanticUndefined else "" if info.default is None else default_words(info.default)
            )
            own = info.description or ""
            pages.append(f"| `{key}` | {kind_of(field)} | {default} | {own} |")
        pages.append("")
    return "\n".join(pages)


def default_words(value: Any) -> str:
    """A default as the reader sees it."""
    if hasattr(type(value), "model_fields"):
        return ""
    if isinstance(value, tuple):
        return "none" if not value else str(value)
    return f"{float(value):g} (SI)" if hasattr(value, "tolerance") else str(value)


def commands_page() -> str:
    """Every command with its arguments and options."""
    lines = ["# Commands", "", "Exit code 0: done and brief met. 1: done and brief not met. 2: error.", ""]
    group = typer.main.get_command(app)
    for name, command in group.commands.items():  # type: ignore[attr-defined]
        lines += [f"## {name}", "", (command.help or "").strip(), ""]
        for parameter in command.params:
            label = (
                ", ".join(f"`{o}`" for o in parameter.opts if o.startswith("--"))
                or f"`{parameter.metavar or parameter.name.upper()}`"
            )
            lines.append(f"- {label}: {getattr(parameter, 'help', '') or ''}")
        lines.append("")
    return "\n".join(lines)


def main() -> None:
    """Write all pages."""
    page = DOCS / "design-file.md"
    text = page.read_text(encoding="utf-8")
    pattern = re.compile(re.escape(START) + ".*?" + re.escape(END), re.S)
    page.write_text(pattern.sub(lambda _: f"{START}\n{key_tables()}\n{END}", text), encoding="utf-8")
    (DOCS / "commands.md").write_text(commands_page(), encoding="utf-8")
    schema = json.dumps(json_schema(), indent=1, ensure_ascii=False)
    (DOCS / "design-file.schema.json").write_text(schema + "\n", encoding="utf-8")
    assert Design.__doc__


if __name__ == "__main__":
    main()
