"""The reference page of the prescription file, generated from the models; a test fails when the page is stale."""

from __future__ import annotations

from typing import Any

from ebbset.models.contract.prescription import Prescription

_LIMITS = (
    ("exclusiveMinimum", "above {:g}"),
    ("minimum", "from {:g}"),
    ("exclusiveMaximum", "below {:g}"),
    ("maximum", "up to {:g}"),
    ("minLength", "{} characters or more"),
    ("maxLength", "{} characters at most"),
    ("minItems", "{} or more"),
    ("maxItems", "{} at most"),
)


def prescription_reference() -> str:
    """Markdown: a table for each section and a row for each field, with allowed values, default and meaning."""
    schema = Prescription.model_json_schema()
    definitions = schema["$defs"]
    lines = [
        "# Fields of a prescription file",
        "",
        "TOML 1.0. Generated from `models/contract/prescription.py` by `make docs`; a test fails when it is stale.",
        'Loads are newtons at the handle, per cable, or text with a unit such as `"32 kg"`, `"70 lb"`, `"314 N"`.',
        "`ebbset check FILE` lists everything that is wrong with a file.",
        "",
        "## At the top",
        "",
        *_table(schema),
    ]
    for name, field in schema["properties"].items():
        section = field.get("$ref") or field.get("items", {}).get("$ref")
        if section is not None:
            heading = f"[[{name}]]" if "items" in field else f"[{name}]"
            definition = definitions[section.rsplit("/", 1)[1]]
            lines += ["", f"## `{heading}`", "", definition.get("description", ""), "", *_table(definition)]
    return "\n".join(lines) + "\n"


def _table(definition: dict[str, Any]) -> list[str]:
    required = set(definition.get("required", ()))
    rows = ["| field | allowed | default | meaning |", "|---|---|---|---|"]
    for name, field in definition["properties"].items():
        if "$ref" in field or "$ref" in field.get("items", {}):
            continue
        default = "required" if name in required else _default(field.get("default"))
        rows.append(f"| `{name}` | {_allowed(field)} | {default} | {field.get('description', '')} |")
    return rows


def _default(value: Any) -> str:
    return "not applied" if value is None else f"`{value}`"


def _allowed(field: dict[str, Any]) -> str:
    options = [option for option in field.get("anyOf", [field]) if option.get("type") != "null"]
    return " or ".join(_one(option) for option in options)


def _one(field: dict[str, Any]) -> str:
    if "const" in field:
        return f"`{field['const']}`"
    if "enum" in field:
        return ", ".join(f"`{value}`" for value in field["enum"])
    kind = {"number": "number", "integer": "whole number", "string": "text", "boolean": "true or false"}
    limits = [words.format(field[key]) for key, words in _LIMITS if key in field]
    return ", ".join([kind.get(field.get("type", ""), "table of parameters"), *limits])
